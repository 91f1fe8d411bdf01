"""Ends that are written as a time of day behind a start with its date: `23.03.2026 06:14:19; 06:17:23`.

It gives such a column whole instants, those before their start on the next day, as the readers do (`timefields.py`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from pipeline.read.times import on_the_day_of, read_times

if TYPE_CHECKING:
    from pipeline.read.recognition.sample import Column

_MEANT: Final = 0.5


def dated_by_start(columns: Sequence[Column], zone: str) -> list[Column]:
    """Return columns with times of day of ends as instants, where one column alone is of starts and says the dates.

    Starts whose day and month can change places are left to be decided first.
    """
    starts = [c for c in columns if _means(c, "started") and _holds(c, "instant")]
    ends = [c for c in columns if _means(c, "ended") and _holds(c, "time of day")]
    if len(starts) != 1 or len(ends) != 1 or starts[0].times[0].undecided or starts[0].year is not None:
        return list(columns)
    [start], [end] = starts, ends
    read = read_times(start.text, start.times[0].format)
    begun = read.naive.zip_with(
        read.naive.is_not_null(), read.utc.dt.convert_time_zone(zone).dt.replace_time_zone(None)
    )
    ended = on_the_day_of(begun, read_times(end.text, end.times[0].format).naive)
    text = ended.dt.strftime("%Y-%m-%d %H:%M:%S%.f").alias(end.name)
    return [replace(end, text=text, clock=end.times[0].format) if c is end else c for c in columns]


def _means(column: Column, concept: str) -> bool:
    return column.reading.concepts.get(concept, 0.0) >= _MEANT


def _holds(column: Column, what: str) -> bool:
    return bool(column.times) and column.times[0].holds == what and not column.times[0].weak
