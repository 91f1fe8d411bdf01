"""machine-c, a lathe: the same day as five MTConnectStreams documents and as adapter text."""

from __future__ import annotations

import gzip
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pytest

Opened = Any

OBSERVATIONS, LINES, ASSET_LINES, REPLAYED = 44_853, 44_724, 2, 131  # README of the data
REPLAY_DAY = "2016-09-28"  # README: the agent that replayed the day stamped its own end of the connection
COLUMNS = "data_item_id, epoch_us(occurred_at), coalesce(native_code, ''), item, sub_type, path, level, text, value"


@pytest.fixture(scope="module")
def both(opened: Callable[..., Opened], open_data: Path) -> Opened:
    return opened("mill-turn-xml", open_data / "mill-turn-xml")


def observations(workspace: Opened, machine: str) -> list[tuple[Any, ...]]:
    """Events of one machine without the replay's own, sorted so that equal ones meet."""
    rows = workspace.rows(
        f"select {COLUMNS} from core.event where machine = ? and strftime(occurred_at::timestamp, '%Y-%m-%d') <> ?",
        machine,
        REPLAY_DAY,
    )
    return sorted(rows, key=lambda row: tuple("" if value is None else str(value) for value in row))


def is_same(one: str | None, other: str | None) -> bool:
    """Equal text, or equal numbers to a millionth."""
    if one == other:
        return True
    try:
        return math.isclose(float(one or "nan"), float(other or "nan"), rel_tol=1e-6, abs_tol=0.0)
    except ValueError:
        return False


def test_rows_of_both_forms(both: Opened, open_data: Path) -> None:
    """44,853 observations; 44,724 lines less two about assets; the difference is the replay's UNAVAILABLE."""
    with gzip.open(open_data / "mill-turn-xml" / "machine-c-2016-05-23.txt.gz", "rt", encoding="utf-8") as text:
        lines = text.readlines()
    assert (len(lines), sum("_asset_" in line for line in lines)) == (LINES, ASSET_LINES)
    counted = dict(both.rows("select machine, count(*) from core.event group by 1"))
    assert counted == {"machine-c": OBSERVATIONS, "machine-c-text": LINES - ASSET_LINES}
    assert OBSERVATIONS - REPLAYED == LINES - ASSET_LINES
    assert both.rows("select sum(rows_rejected), sum(rows_skipped) from raw.source_file") == [(0, ASSET_LINES)]
    replayed = both.rows(
        "select distinct coalesce(level, value) from core.event where strftime(occurred_at::timestamp, '%Y-%m-%d') = ?",
        REPLAY_DAY,
    )
    assert replayed == [("UNAVAILABLE",)]


def test_both_forms_say_the_same(both: Opened) -> None:
    """Item, kind, path, level, code and text are equal, values to a millionth, once all are in our units."""
    documents, text = observations(both, "machine-c"), observations(both, "machine-c-text")
    assert len(documents) == len(text) == OBSERVATIONS - REPLAYED
    assert [row[:8] for row in documents] == [row[:8] for row in text]
    differing = [(a, b) for a, b in zip(documents, text, strict=True) if not is_same(a[8], b[8])]
    assert differing == []
    rounded = [a for a, b in zip(documents, text, strict=True) if a[8] != b[8]]
    assert {row[3] for row in rounded} <= {"AngularVelocity"}  # degrees a minute in the text, a second in the documents


def test_the_devices_document_makes_one_machine_of_both_forms(
    spindlebook: Callable[..., Any], open_data: Path, tmp_path: Path
) -> None:
    """Without shop.toml and profiles: documents and text are the same facts, each once, of one machine.

    The device's own unit of one item is degrees a minute: a few of its values differ in the last digit of a document.
    """
    done = spindlebook("--quiet", "ingest", open_data / "mill-turn-xml", "--workspace", tmp_path)
    assert done.returncode == 0, done.stderr
    with duckdb.connect(str(tmp_path / "spindlebook.duckdb"), read_only=True) as book:
        counts = book.execute("select count(*), count(distinct machine) from core.event").fetchall()
        others = book.execute(
            "select distinct event.item from raw.superseded as lost inner join core.event as event "
            "on event.file_id = lost.winner_file_id and event.row_number = lost.winner_row_number"
        ).fetchall()
        files = book.execute(
            "select status, shape, sum(rows_rejected)::bigint from raw.source_file group by all order by all"
        ).fetchall()
    assert counts == [(OBSERVATIONS, 1)]
    assert others == [("AngularVelocity",)]
    assert files == [("loaded", "adapter text", 0), ("loaded", "streams xml", 0), ("set aside", "devices xml", 0)]


def test_both_forms_give_the_same_time_line(both: Opened) -> None:
    """Every span of the day is the same to the microsecond; after it the documents have the silence to the replay."""
    sql = (
        "select epoch_us(started_at), epoch_us(ended_at), state, planned, detail, feed_override, basis "
        "from core.span where machine = ? order by 1"
    )
    documents, text = both.rows(sql, "machine-c"), both.rows(sql, "machine-c-text")
    assert documents[:-1] == text
    assert documents[-1][0] == text[-1][1]
    assert documents[-1][2] == "unobserved"
    assert {row[2] for row in text} >= {"cutting", "noncutting", "held", "faulted", "idle", "setup", "unobserved"}


def test_both_forms_give_the_same_cycles(both: Opened) -> None:
    """Program, times and outcome of every cycle."""
    sql = (
        "select program, epoch_us(started_at), epoch_us(ended_at), outcome from core.stream_cycle "
        "where machine = ? order by 2"
    )
    assert both.rows(sql, "machine-c") == both.rows(sql, "machine-c-text") != []
