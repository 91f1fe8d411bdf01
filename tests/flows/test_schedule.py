"""The scheduled flow runs the same steps and ends in the same book."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import duckdb
import pytest
from prefect.testing.utilities import prefect_test_harness

from pipeline.cli import parse_interval
from pipeline.errors import UsageError


@pytest.mark.parametrize(("text", "seconds"), [("15min", 900), ("2h", 7200), ("1day", 86_400), ("30s", 30)])
def test_interval_is_read(text: str, seconds: int) -> None:
    """A whole number and a unit."""
    assert parse_interval(text).total_seconds() == seconds


@pytest.mark.parametrize("text", ["", "often", "0min", "15", "-5min"])
def test_interval_that_is_none_is_wrong_usage(text: str) -> None:
    """Anything else is refused with an example."""
    with pytest.raises(UsageError, match="15min"):
        parse_interval(text)


def test_flow_keeps_the_book(demo_shop: Path, tmp_path: Path) -> None:
    """One pass under Prefect stores, derives and publishes; a second has nothing to do; nothing is sent anywhere."""
    with prefect_test_harness(server_startup_timeout=120):
        from flows.schedule import keep_book

        sources = [str(demo_shop / "exports" / "lathe")]
        first = keep_book(sources, str(tmp_path))
        second = keep_book(sources, str(tmp_path))

    assert os.environ["PREFECT_SERVER_ANALYTICS_ENABLED"] == "false"
    assert first["rows_loaded"] > 1000
    assert first["pages"] > 5
    assert second == {"rows_loaded": 0, "pages": 0}
    with duckdb.connect(str(tmp_path / "spindlebook.duckdb"), read_only=True) as book:
        assert book.execute("select count(*) > 0 from mart.utilisation_monthly").fetchall() == [(True,)]


def test_served_flow_makes_a_pass_and_stops(demo_shop: Path, tmp_path: Path) -> None:
    """`schedule` starts its own server on this computer, makes the first pass, and ends when interrupted."""
    site = tmp_path / "shop" / "site" / "index.html"
    command = [
        Path(sys.executable).with_name("spindlebook"), "schedule", demo_shop / "exports" / "lathe",
        "--workspace", tmp_path / "shop", "--every", "10s",
    ]  # fmt: skip
    environment = {**os.environ, "PREFECT_HOME": str(tmp_path / "prefect")}
    served = subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    try:
        deadline = time.monotonic() + 240
        while not site.exists() and time.monotonic() < deadline and served.poll() is None:
            time.sleep(0.5)
    finally:
        served.send_signal(signal.SIGINT)
        try:
            said, _ = served.communicate(timeout=90)
        except subprocess.TimeoutExpired:
            served.kill()
            raise

    assert site.exists(), said.decode()[-3000:]
