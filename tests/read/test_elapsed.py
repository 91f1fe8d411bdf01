"""Times that a log counts from an instant on, instead of telling the clock."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from pipeline.read.reading import read_file
from pipeline.read.settings import ReadSettings, SourceRule
from schemas.profile import Profile
from schemas.toml_model import TomlError, parse

PROFILE = """
version = 1
name = "counter log"
kind = "tool_change"
[columns.machine]
constant = "M1"
[columns.tool]
from = "tool"
[columns.occurred_at]
from = "elapsed"
since = 2026-01-05T06:00:00+01:00
unit = "min"
"""


def test_minutes_since_an_instant(tmp_path: Path) -> None:
    """Minutes with decimals count from the instant, whatever the shop's zone; what is no number is a reject."""
    path = tmp_path / "log.csv"
    path.write_text("elapsed,tool\n0,1\n90.5,2\nlate,3\n1e30,4\n", encoding="utf-8")
    settings = ReadSettings(zone="America/Chicago", sources=[SourceRule("log.csv", parse(PROFILE, Profile, "p.toml"))])

    (found,) = read_file(path, settings)
    (table,) = list(found.tables)

    assert table.rows["occurred_at"].to_list() == [
        datetime(2026, 1, 5, 5, 0, tzinfo=UTC),
        datetime(2026, 1, 5, 6, 30, 30, tzinfo=UTC),
    ]
    assert table.rejects["reason"].to_list() == ["not_a_number", "out_of_range"]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("+01:00", "", "write an instant with its offset"),
        ('unit = "min"', 'unit = "mm"', "mm is no unit of this field"),
        ('unit = "min"', 'format = "iso"', "not both"),
        ('from = "tool"', 'from = "tool"\nsince = 2026-01-05T06:00:00Z', "only times count from an instant"),
    ],
)
def test_wrong_origins_are_refused(old: str, new: str, said: str) -> None:
    """A wall-clock origin, a length as unit, a format beside it, a field that is no time."""
    with pytest.raises(TomlError, match=said):
        parse(PROFILE.replace(old, new), Profile, "p.toml")
