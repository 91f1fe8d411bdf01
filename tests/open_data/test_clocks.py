"""What is told of the clocks of machine-a's real logs, against a plain walk through their lines."""

from __future__ import annotations

import gzip
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from pipeline.read.reading import read_file
from pipeline.read.settings import ReadSettings, SourceRule
from schemas.profile import Profile
from schemas.toml_model import parse

Lines = list[tuple[int, tuple[str, ...]]]
HERE = Path(__file__).parent
SECOND_US = 1_000_000
HEAD_LINES = 100  # the snapshot of last known values is shorter


def clock_notes(path: Path, folder: str) -> list[str]:
    profile = parse((HERE / folder / "profiles" / "machine-a.toml").read_text(), Profile, "machine-a.toml")
    (file,) = read_file(path, ReadSettings(sources=[SourceRule("*", profile, "UTC", "A")]))
    return [note for table in file.tables for note in table.notes if "clock" in note]


def noted_behind(lines: Lines) -> Iterator[int]:
    """How far behind the line above them lines stand that say UNAVAILABLE and nothing else, where the log goes on."""
    for number in range(HEAD_LINES, len(lines)):
        before, (at, fields) = lines[number - 1][0], lines[number]
        if 2 * SECOND_US < before - at < 3600 * SECOND_US and fields[1].upper() == "UNAVAILABLE":
            yield before - at


@pytest.mark.parametrize("year", [2018, 2019])
def test_lost_connections_are_noted_by_a_clock_that_is_behind(
    open_data: Path, plain_lines: Callable[[Path], Lines], year: int
) -> None:
    """README of the data: times step back at reconnects. Hundreds of times, told in one sentence with the range."""
    path = open_data / "mill-turn-events" / f"machine-a-{year}.txt.gz"
    behind = list(noted_behind(plain_lines(path)))
    told = [
        note for note in clock_notes(path, "mill-turn-events") if note.startswith("lost connections of A are noted")
    ]

    assert len(told) == 1
    count = int(told[0].partition("behind: ")[2].split()[0])
    assert 0.95 * len(behind) <= count <= len(behind)


@pytest.mark.parametrize("day", ["05", "07", "08", "09"])
def test_a_day_that_opens_with_old_values_says_nothing_of_its_clock(open_data: Path, day: str) -> None:
    """Four days of everything, each with a snapshot of times up to months old at its head."""
    path = open_data / "mill-turn-raw" / f"machine-a-2017-06-{day}.txt.gz"
    with gzip.open(path, "rt", encoding="utf-8") as text:
        first = next(iter(text))

    assert not first.startswith("2017-06")
    assert clock_notes(path, "mill-turn-raw") == []


def test_no_stretch_of_the_real_logs_is_called_wrong(open_data: Path) -> None:
    """Years of events with holidays in them, and old lines that are sent again."""
    notes: list[Any] = []
    for path in sorted((open_data / "mill-turn-events").glob("*.txt.gz")):
        notes += [note for note in clock_notes(path, "mill-turn-events") if "was about" in note]

    assert notes == []
