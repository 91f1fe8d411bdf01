"""What a profile can say of a column's values, from the file to typed rows."""

from datetime import UTC, datetime

import pytest

HEADER = 'version = 1\nname = "lathe"\nkind = "cycle"\n'
COLUMNS = """[columns.machine]
constant = "L1"
[columns.program]
from = "P"
[columns.started_at]
from = "Start"
format = {format}
[columns.duration_s]
from = "Time"
unit = "{unit}"
"""


def profile(format: str = '"iso"', unit: str = "s", file: str = "") -> str:
    return f"{HEADER}{file}{COLUMNS.format(format=format, unit=unit)}"


@pytest.mark.parametrize(
    ("unit", "cell", "seconds"),
    [
        ("mm:ss", "65:30", 3930),
        ("mm.ss", "65.30", 3930),
        ("mm.ss", "65,3", 3930),
        ("mm:ss", "1:05:30", 3930),
        ("h:mm:ss", "1:05:30", 3930),
        ("h:mm:ss", "1 day 0:00:01", 86_401),
        ("words", "1 Std 5 Min 30 s", 3930),
        ("words", "PT1H5M30S", 3930),
        ("words", "1h05", 3900),
        ("min", "65.5 min", 3930),
        ("min", "65.5", 3930),
        ("h", "2 godz.", 7200),
    ],
)
def test_durations_in_the_units_of_a_profile(read, unit, cell, seconds):
    """A clock, words, or a number with its unit behind it."""
    whole = read(f"P;Start;Time\nO1;2026-01-05 06:00:00;{cell}\n", profile=profile(unit=unit))

    assert whole.rejects.height == 0
    row = whole.rows.row(0, named=True)
    assert (row["ended_at"] - row["started_at"]).total_seconds() == seconds


UNIT_WRONG = "Correct the cell, or the unit in the profile."
MARK_WRONG = "Correct the cell, or set decimal and thousands under [file] in a profile."


@pytest.mark.parametrize(
    ("unit", "cell", "said"),
    [
        ("mm:ss", "65", f"is not a duration like 65:30 (minutes, seconds). {UNIT_WRONG}"),
        ("words", "65", f"is not a duration like 1 h 5 min 30 s. {UNIT_WRONG}"),
        ("min", "65 s", f"is not a number with a decimal point. {MARK_WRONG}"),
    ],
)
def test_what_does_not_fit_the_unit_is_told(read, unit, cell, said):
    """With an example of what fits."""
    whole = read(f"P;Start;Time\nO1;2026-01-05 06:00:00;{cell}\n", profile=profile(unit=unit))

    (reject,) = whole.rejects.rows(named=True)
    assert (reject["reason"], reject["message"]) == ("not_a_number", f'"{cell}" in column "Time" (duration_s) {said}')


@pytest.mark.parametrize(
    ("format", "cells"),
    [
        ('["%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M"]', ["05.01.2026 06:00:00", "05.01.2026 06:00"]),
        ('"spreadsheet_days"', ["46027.25"]),
        ('"epoch_us"', ["1767592800000000"]),
        ('"%d. %B %Y, %I:%M %p"', ["5. Januar 2026, 6:00 a.m.", "5. ledna 2026, 6:00 AM"]),
        ('"%d/%m/%y %H:%M:%S"', ["05/01/26 06:00:00", "05/01/26 06:00:00", "04/01/26 30:00:00"]),
    ],
)
def test_times_in_the_formats_of_a_profile(read, format, cells):
    """Each cell is six in the morning, or a reject."""
    lines = "\n".join(f"O{at};{cell};1" for at, cell in enumerate(cells))
    whole = read(f"P;Start;Time\n{lines}\n", profile=profile(format=format))

    bad = sum("30:00" in cell for cell in cells)
    assert whole.rejects["reason"].to_list() == ["not_a_time"] * bad
    assert whole.rows["started_at"].to_list() == [datetime(2026, 1, 5, 6, tzinfo=UTC)] * (len(cells) - bad)


def test_a_time_that_fits_no_pattern_is_told_with_all_of_them(read):
    """So that one of them can be corrected."""
    whole = read("P;Start;Time\nO1;x;1\n", profile=profile(format='["%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M"]'))

    assert "The profile expects the format %d.%m.%Y %H:%M:%S or %d.%m.%Y %H:%M;" in whole.rejects["message"][0]


def test_marks_of_thousands_and_decimals_hold_for_numbers_with_units(read):
    """A locale is one for the whole file; narrow blanks and trailing minuses are read."""
    file = '[file]\ndecimal = ","\nthousands = " "\n'
    whole = read(
        "P;Start;Time\nO1;2026-01-05 06:00:00;1\u202f234,5 s\nO2;2026-01-05 07:00:00;5-\n", profile=profile(file=file)
    )

    assert (whole.rows["ended_at"][0] - whole.rows["started_at"][0]).total_seconds() == 1234.5
    assert (whole.rows["ended_at"][1] - whole.rows["started_at"][1]).total_seconds() == -5.0
