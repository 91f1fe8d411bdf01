"""Cycles of which an export gives the end and the length, or one date for a start and an end past midnight."""

from datetime import UTC, datetime

from pipeline.check.checking import check_rows

ENDS = """
version = 1
name = "ends"
kind = "cycle"
[columns.machine]
constant = "M1"
[columns.program]
from = "Program"
[columns.ended_at]
from = "End"
[columns.duration_s]
from = "Minutes"
unit = "min"
"""
ONE_DATE = """
version = 1
name = "one date"
kind = "cycle"
[columns.machine]
constant = "M1"
[columns.program]
from = "Program"
[columns.started_at]
from = ["Date", "Start"]
format = "%d.%m.%Y %H:%M"
[columns.ended_at]
from = ["Date", "End"]
format = "%d.%m.%Y %H:%M"
"""


def at(day: int, hour: int, minute: int = 0) -> datetime:
    """An instant of March 2026."""
    return datetime(2026, 3, day, hour, minute, tzinfo=UTC)


def test_a_start_is_the_end_less_the_length(read):
    whole = read("Program,End,Minutes\nO1,2026-03-14 07:30,12.5\nO1,2026-03-14 08:00,\n", profile=ENDS)

    assert whole.rows["started_at"].to_list() == [datetime(2026, 3, 14, 7, 17, 30, tzinfo=UTC)]
    assert whole.rows["ended_at"].to_list() == [at(14, 7, 30)]
    assert [(row, reason, column) for row, reason, column, *_ in whole.told()] == [(2, "missing_value", "Minutes")]


def test_ends_alone_go_through_the_doubled_hour_in_the_order_of_rows(read):
    """Lisbon, 25 October 2026: 01:00 to 02:00 is shown twice, one hour of UTC apart."""
    lines = "".join(f"O1,2026-10-25 {time},10\n" for time in ("00:40", "01:20", "01:50", "01:10", "01:40", "02:30"))
    whole = read(f"Program,End,Minutes\n{lines}", profile=ENDS, timezone="Europe/Lisbon")

    assert [ended.hour * 60 + ended.minute for ended in whole.rows["ended_at"]] == [1420, 20, 50, 70, 100, 150]
    assert ((whole.rows["ended_at"] - whole.rows["started_at"]).dt.total_minutes() == 10).all()


def test_an_end_past_midnight_belongs_to_the_next_day(read):
    whole = read("Program,Date,Start,End\nO1,14.03.2026,22:10,22:40\nO1,14.03.2026,23:50,00:20\n", profile=ONE_DATE)

    assert whole.rows["ended_at"].to_list() == [at(14, 22, 40), at(15, 0, 20)]


def test_a_run_within_one_minute_is_kept_where_times_have_no_seconds(read):
    """The export can say no more than that it began and ended in that minute; left out, it makes the mean too long."""
    rows = "".join(f"M1;O1;15.03.2026 06:{start:02};15.03.2026 06:{start + start % 2:02};1\n" for start in range(40))
    whole = read("Machine;Program;Start;End;Good\n" + rows)

    assert whole.file.status == "loaded", whole.file.reason
    checked = check_rows(whole.tables[0])
    assert (checked.rows.height, checked.rejects.height) == (40, 0)
    assert (whole.rows["ended_at"] == whole.rows["started_at"]).sum() == 20
