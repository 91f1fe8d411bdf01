"""The scheduled flow runs the same steps and ends in the same book."""

import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import duckdb
import pytest

from pipeline.cli import parse_interval
from pipeline.errors import UsageError

PASS_MADE = re.compile(r"Flow run '[\w-]+' - Finished in state Completed")


@pytest.mark.parametrize(("text", "seconds"), [("15min", 900), ("2h", 7200), ("1day", 86_400), ("30s", 30)])
def test_interval_is_read(text: str, seconds: int) -> None:
    """A whole number and a unit."""
    assert parse_interval(text).total_seconds() == seconds


@pytest.mark.parametrize("text", ["", "often", "0min", "15", "-5min"])
def test_interval_that_is_none_is_wrong_usage(text: str) -> None:
    """Anything else is refused with an example."""
    with pytest.raises(UsageError, match="15min"):
        parse_interval(text)


def test_served_flow_makes_its_passes_and_stops(demo_shop: Path, tmp_path: Path) -> None:
    """`schedule` starts its own server on this computer; a second pass has nothing to do; an interrupt ends it."""
    shop, heard = tmp_path / "shop", tmp_path / "heard.txt"
    command = [
        Path(sys.executable).with_name("spindlebook"), "schedule", demo_shop / "exports" / "lathe",
        "--workspace", shop, "--every", "10s",
    ]  # fmt: skip
    environment = {**os.environ, "PREFECT_HOME": str(tmp_path / "prefect")}
    with heard.open("wb") as output:
        served = subprocess.Popen(command, env=environment, stdout=output, stderr=subprocess.STDOUT)
        try:
            deadline = time.monotonic() + 240
            while len(PASS_MADE.findall(heard.read_text())) < 2 and time.monotonic() < deadline:
                assert served.poll() is None, heard.read_text()[-3000:]
                time.sleep(0.5)
        finally:
            served.send_signal(signal.SIGINT)
            try:
                served.wait(timeout=90)
            except subprocess.TimeoutExpired:
                served.kill()
                raise

    said = heard.read_text()
    assert len(PASS_MADE.findall(said)) >= 2, said[-3000:]
    for once in ("derive: done", "sum up: done", "publish: done"):
        assert said.count(once) == 1, said[-3000:]
    assert len(list((shop / "site").glob("*.html"))) > 5
    with duckdb.connect(str(shop / "spindlebook.duckdb"), read_only=True) as book:
        assert book.execute("select sum(rows_loaded) > 1000 from raw.source_file").fetchall() == [(True,)]
        assert book.execute("select count(*) > 0 from mart.utilisation_monthly").fetchall() == [(True,)]


def test_nothing_is_reported_to_anybody() -> None:
    """The orchestrator's telemetry is off wherever our flows are loaded."""
    import flows.schedule  # noqa: F401

    assert os.environ["PREFECT_SERVER_ANALYTICS_ENABLED"] == "false"
