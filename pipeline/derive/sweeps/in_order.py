"""Observations in the order of their machine's time, in flat arrays: what every sweep begins with.

Files are mostly stored as they were told, in order of time, and a look at them is cheaper than to sort them.
"""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from typing import Any, Protocol

import numpy as np
import polars as pl
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


class Ask(Protocol):
    """Reads a select of sql/sweep, with `@name` of each value filled in."""

    def __call__(self, name: str, /, **values: str) -> pl.DataFrame:
        """Return its rows."""


def listed(texts: Iterable[str]) -> str:
    """Return texts as a list of SQL: places in it are numbers that are cheaper than texts."""
    return f"[{', '.join(map(quoted, texts))}]::varchar[]"


def quoted(text: str) -> str:
    """Return a text as SQL has it."""
    return "'" + text.replace("'", "''") + "'"


def by_time(frame: pl.DataFrame) -> pl.DataFrame:
    """Return rows by machine_number and at_us; those of one instant as they stood."""
    frame = by_key(frame, frame["machine_number"].to_numpy())
    machine, at_us = frame["machine_number"].to_numpy(), frame["at_us"].to_numpy()
    bounds = np.searchsorted(machine, np.arange(machine.max(initial=-1) + 2))
    slices = [slice(first, last) for first, last in pairwise(bounds)]
    misplaced = [part.start + _misplaced(at_us[part]) for part in slices if not _rises(at_us[part])]
    if not misplaced:
        return frame
    places = np.concatenate(misplaced)
    return _replaced(frame, places, places[np.lexsort((at_us[places], machine[places]))])


def in_order(frame: pl.DataFrame, ask: Ask) -> pl.DataFrame:
    """Return rows by machine_number, at_us, file and row_number; `file_hash` is the hash of its id."""
    frame = by_time(frame)
    machine, at_us, file, row = (
        frame[name].to_numpy() for name in ("machine_number", "at_us", "file_hash", "row_number")
    )
    ties = np.flatnonzero((machine[1:] == machine[:-1]) & (at_us[1:] == at_us[:-1]))
    if bool(((file[ties] == file[ties + 1]) & (row[ties] < row[ties + 1])).all()):
        return frame
    ranks = ask("file_rank")
    hashes = ranks["file_hash"].to_numpy()
    by_hash = np.argsort(hashes)
    tied = np.union1d(ties, ties + 1)
    rank = ranks["rank"].to_numpy()[by_hash][np.searchsorted(hashes[by_hash], file[tied])]
    return _replaced(frame, tied, tied[np.lexsort((row[tied], rank, at_us[tied], machine[tied]))])


def _misplaced(at_us: Ints) -> NDArray[np.intp]:
    """Return the places of times that are before one of those before them, or after one of those after them."""
    latest_so_far, earliest_from_here = np.maximum.accumulate(at_us), np.minimum.accumulate(at_us[::-1])[::-1]
    return np.flatnonzero((latest_so_far > at_us) | (earliest_from_here < at_us))


def _replaced(frame: pl.DataFrame, places: NDArray[np.intp], by: NDArray[np.intp]) -> pl.DataFrame:
    """Return a frame with the rows at some places exchanged among each other."""
    columns = {}
    for name in frame.columns:
        values = frame[name].to_numpy(writable=True)
        values[places] = values[by]
        columns[name] = values
    return pl.DataFrame(columns)


def _rises(values: NDArray[Any]) -> bool:
    return bool((values[1:] >= values[:-1]).all())


def merged(told: pl.DataFrame, rare: pl.DataFrame) -> pl.DataFrame:
    """Return the rows of two frames, each by time, as one; those of one instant may stand as they do not belong."""
    machine, at_us = told["machine_number"].to_numpy(), told["at_us"].to_numpy()
    other, other_us = rare["machine_number"].to_numpy(), rare["at_us"].to_numpy()
    place = np.empty(rare.height, dtype=np.intp)
    for number in np.unique(other):
        first, last = np.searchsorted(machine, [number, number + 1])
        of_it = other == number
        place[of_it] = first + np.searchsorted(at_us[first:last], other_us[of_it], side="right")
    return pl.DataFrame({name: np.insert(told[name].to_numpy(), place, rare[name].to_numpy()) for name in told.columns})


def key_of(frame: pl.DataFrame, column: str, most: int) -> NDArray[np.int32]:
    """Return a whole number a row for its machine and a number below `most`."""
    numbered = pl.col("machine_number").cast(pl.Int32) * most + pl.col(column)
    key: NDArray[np.int32] = frame.select(numbered.cast(pl.Int32)).to_series().to_numpy()
    return key


def by_key(frame: pl.DataFrame, key: NDArray[Any]) -> pl.DataFrame:
    """Return rows by a whole number, otherwise as they stand."""
    if _rises(key):
        return frame
    # numbers of two bytes are counted, not compared
    return frame[np.argsort(key.astype(np.int16) if key.max() < 1 << 15 else key, kind="stable")]


def changes(key: NDArray[Any], *told: NDArray[Any]) -> NDArray[np.intp]:
    """Return the places of rows that differ from the one before of the same key."""
    if key.size == 0:
        return np.empty(0, dtype=np.intp)
    differs = key[1:] != key[:-1]
    for values in told:
        differs |= values[1:] != values[:-1]
    return np.concatenate(([0], np.flatnonzero(differs) + 1))


def until_next(key: NDArray[Any], at_us: Ints, last_us: Ints) -> Ints:
    """Return when the next row of the same key begins; `last_us`, by key, where there is none."""
    until: Ints = last_us[key]
    if key.size > 1:
        goes_on = key[1:] == key[:-1]
        until[:-1][goes_on] = at_us[1:][goes_on]
    return until


def filled(key: NDArray[Any], is_told: Flags, values: NDArray[Any], default: Any) -> NDArray[Any]:
    """Return at every row what was told last of the same key, `default` before that."""
    place = np.maximum.accumulate(np.where(is_told, np.arange(key.size), -1))
    known = (place >= 0) & (key[place] == key)
    return np.where(known, values[place], default)
