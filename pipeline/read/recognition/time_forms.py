"""The ways in which a column of text can be read as times, and which of them its values bear out.

It looks at values alone: names of columns and the choice of fields are the assigner's business.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import polars as pl

Holds = Literal["instant", "date", "time of day"]


@dataclass(frozen=True)
class TimeForm:
    """One way in which a column can be read as times."""

    format: str | list[str]  # as a profile says it; of a time of day only the part behind the date: see `joined`
    holds: Holds
    has_offset: bool  # instants of their own (an offset, an epoch); else clock times of the file's zone
    share: float  # of the filled cells that it reads
    rises: float  # share of steps between consecutive filled cells that rise, steps of nothing left out
    falls: float
    undecided: bool  # another form of the list reads the column differently, and nothing tells which is right
    weak: bool  # the cells may as well be plain numbers: it takes a name to make them times
    evidence: str  # a short phrase for a person


def time_forms(text: pl.Series) -> list[TimeForm]:
    """Return the forms that read at least nine in ten filled cells, the best first; [] for a column of no times.

    Several forms are returned only where they read the column differently and neither its values nor its order tell
    which is right; all of them are `undecided` then. A form alone may be `undecided` too: hours from 1 to 12 with no
    AM or PM.
    """
    return []


def joined(date: TimeForm, time: TimeForm) -> str | list[str] | None:
    """Return the `format` of a date and a time of day read together (`from = [date, time]`), None where none can."""
    return None
