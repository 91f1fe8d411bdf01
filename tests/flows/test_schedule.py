"""The scheduled flow runs the same steps and ends in the same book."""

import os
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
