"""Rows of frames as whole numbers, machine by machine."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from pipeline.derive.sweeps.in_order import Ints


class ByMachine:
    """Columns of a frame to be asked for machine by machine; the rows of a machine are in the order of the first one.

    Rows that are equal there keep their order.
    """

    def __init__(self, frame: pl.DataFrame, machines: Sequence[str], columns: Sequence[str]) -> None:
        place = frame["machine"].cast(pl.Enum(machines), strict=False).to_physical()
        number = place.fill_null(len(machines)).to_numpy()
        # whole numbers of 16 bits are put in order in one pass
        order = np.argsort(number.astype(np.uint16) if len(machines) < 2**16 else number, kind="stable")
        self._bounds = np.searchsorted(number[order], np.arange(len(machines) + 1))
        self._columns = [frame[column].cast(pl.Int64).to_numpy()[order] for column in columns]

    def of(self, place: int) -> list[Ints]:
        """Return the columns of the machine at a place of the list."""
        begin, end = self._bounds[place : place + 2]
        found = [column[begin:end] for column in self._columns]
        if (found[0][1:] >= found[0][:-1]).all():
            return found
        order = np.argsort(found[0], kind="stable")
        return [column[order] for column in found]


def each_of(first: Ints, end: Ints) -> tuple[Ints, Ints]:
    """Return for ranges of places, each up to its end, which range and which place, one after the other."""
    places = np.maximum(end - first, 0)
    within = np.arange(places.sum()) - np.repeat(np.cumsum(places) - places, places)
    return np.repeat(np.arange(first.size), places), np.repeat(first, places) + within


def told_again(values: Sequence[str | None] | pl.Series, place: pl.Series) -> pl.Series:
    """Return the text at each place in a short list of texts; in memory it stays a number a row."""
    names = sorted({value for value in values if value is not None})
    return pl.Series(values, dtype=pl.Enum(names)).gather(place)
