"""Adapter text that was wrapped when it was copied: a value that lost its end is never taken for a smaller one."""

from __future__ import annotations

from typing import Any

LOG = [f"2026-01-05T06:00:{second:02}Z|speed|{100 + second}.5" for second in range(40)]
WIDTH = 53


def wrapped(lines: list[str], width: int) -> list[str]:
    """Lay records one after the other over lines of a width, each beginning in the column where the last one ended."""
    laid: list[str] = []
    column = 0
    for line in lines:
        text = " " * column + line
        pieces = [text[at : at + width] for at in range(0, len(text), width)]
        laid += pieces
        column = len(pieces[-1]) % width
    return laid


def test_no_value_is_taken_for_what_is_left_of_it(read: Any) -> None:
    """What is accepted of a wrapped log is what the log said; every other line is a broken one."""
    lines = wrapped(LOG, WIDTH)

    whole = read("\n".join(lines) + "\n", name="log.txt", machine="M1")

    said = {(f"2026-01-05 06:00:{second:02}", f"{100 + second}.5") for second in range(40)}
    accepted = whole.rows.select(whole.rows["occurred_at"].dt.strftime("%Y-%m-%d %H:%M:%S"), "value").rows()
    assert set(accepted) <= said
    assert 0 < len(accepted) == len(lines) - whole.rejects.height
    assert set(whole.rejects["reason"]) == {"broken_line"}


def test_a_line_before_a_stray_one_stays(read: Any) -> None:
    """A note between the lines of a log that is not wrapped costs the note alone."""
    lines = [
        *LOG[:20],
        "operator: spindle sounds odd",
        *LOG[20:],
        "2026-01-05T06:01:00Z|program|LONG-NAME-OF-A-PROGRAM",
    ]

    whole = read("\n".join(lines) + "\n", name="log.txt", machine="M1")

    assert whole.rows.height == 41
    assert [line for (line,) in whole.rejects.select("line").rows()] == [21]


def test_a_stamp_that_lost_its_first_digits_is_a_broken_line(read: Any) -> None:
    """17-01-31 is what a wrap leaves of 2017-01-31, not a day of the year 17."""
    whole = read(f"{LOG[0]}\n17-01-31T21:29:40Z|speed|1\n", name="log.txt", machine="M1")

    assert whole.rejects.select("reason", "line").rows() == [("broken_line", 2)]
