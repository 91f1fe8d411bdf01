"""The rows of one file as stretches of a machine in order of time: where a fact stands twice, what days they touch.

Two rows of one fact have one machine and one time. In a stretch that runs on in time they stand next to each other;
else they stand only where two stretches meet. Rows of one chunk are counted at once, and what is left are the times at
which chunks meet. So an export in order needs no grouping of its rows, and one that steps back a little hardly any.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import polars as pl

from pipeline.store.accounts import Reach
from pipeline.store.statements import FACTS
from schemas.vocabulary import InputKind

KEYS: Final[dict[InputKind, pl.Expr]] = {
    "cycle": pl.col("program"),
    "tool_change": pl.col("tool"),
    "edge_change": pl.col("tool"),
    "event": pl.coalesce("data_item_id", "item"),
}
"""What else two rows of one fact have in common, for the kinds whose facts have a machine and a time."""
CODES: Final[dict[InputKind, pl.Expr]] = {"event": pl.col("native_code").fill_null("")}
"""What they have in common besides that, which few rows are worth comparing by."""
MAX_RANGES: Final = 100
MAX_STRETCHES: Final = 1000  # in one chunk; rows in less order than that are sorted
_SECOND_US: Final = 1_000_000
_DAY_US: Final = 86_400 * _SECOND_US
_RANGE: Final = {"machine": pl.String(), "first_us": pl.Int64(), "last_us": pl.Int64()}
_PLACE: Final = pl.int_range(pl.len(), dtype=pl.UInt32).alias("place")
_FACT: Final = ("machine", "at", "key")
_REACH: Final = (pl.col("first_us").min(), pl.col("last_us").max())


class Seen(NamedTuple):
    """What the rows of one chunk are."""

    reach: pl.DataFrame  # from when to when they reach, machine by machine (machine, first_us, last_us)
    occurrence: pl.Series | None  # the how manieth of its fact each is, from 0, in the order of rows; None: all are 0


class Stretches:
    """What has been seen of the rows of one kind in one file, chunk by chunk; of the rows it keeps a few a day."""

    def __init__(self, kind: InputKind) -> None:
        fact = FACTS[kind]
        if kind not in KEYS or fact.first_time is None or fact.last_time is None:
            raise ValueError(f"rows of kind {kind} have no machine and time of their own")
        self._key, self._unit_us = KEYS[kind], 1 if kind == "event" else _SECOND_US
        self._code = CODES.get(kind)
        self._first, self._last, self._goes_on_until = fact.first_time, fact.last_time, fact.goes_on_until
        self._ranges: list[pl.DataFrame] = [pl.DataFrame(schema=_RANGE)]
        self._days: list[pl.DataFrame] = []
        self.reach = Reach()

    def add(self, rows: pl.DataFrame) -> Seen:
        """Take in a chunk."""
        times = rows.select(pl.col(self._first).alias("first"), pl.col(self._last).alias("last"))
        first_us, last_us = times["first"].to_physical(), times["last"].to_physical()
        self.reach = self.reach.joined(Reach(first_us.min(), last_us.max()))  # type: ignore[arg-type]
        if self._goes_on_until is not None and (until := rows[self._goes_on_until]).null_count() < rows.height:
            self.reach = self.reach.joined(Reach(None, until.to_physical().max()))  # type: ignore[arg-type]
        self._days.append(_copied(_heads_of_days(rows["machine"], times, first_us // _DAY_US, last_us // _DAY_US)))
        at = first_us if self._unit_us == 1 else first_us // self._unit_us * self._unit_us
        frame = rows.select("machine", at.alias("at"), self._key.alias("key"), _PLACE)
        frame, starts = _in_order(frame)
        stretches = _copied(self._stretches(frame, starts))
        ranges = _joined(stretches)
        self._ranges.append(ranges)
        where = _near_another(frame, starts, stretches.height > ranges.height)
        return Seen(ranges.group_by("machine").agg(_REACH), self._occurrence(rows, frame.filter(where)))

    def _stretches(self, frame: pl.DataFrame, starts: pl.Series) -> pl.DataFrame:
        begins = starts.arg_true().cast(pl.Int64)
        stops = pl.concat([begins[1:] - 1, pl.Series([frame.height - 1])])
        lasts = frame["at"].gather(stops) + (self._unit_us - 1)
        return pl.DataFrame(
            [frame["machine"].gather(begins), frame["at"].gather(begins).alias("first_us"), lasts.alias("last_us")]
        )

    def _occurrence(self, rows: pl.DataFrame, suspects: pl.DataFrame) -> pl.Series | None:
        """Count those of the suspects (machine, at, key, place) that are of one fact."""
        twins = suspects.filter(suspects.select(_FACT).is_duplicated()).sort("place")
        if not twins.height:
            return None
        if self._code is not None:
            twins = twins.with_columns(rows[twins["place"]].select(code=self._code)["code"])
        fact = [name for name in twins.columns if name != "place"]
        number = twins.select(pl.int_range(pl.len(), dtype=pl.Int64).over(fact)).to_series()
        return pl.repeat(0, rows.height, dtype=pl.Int64, eager=True).scatter(twins["place"], number)

    def repeats(self) -> pl.DataFrame:
        """Return the ranges of time of a machine (machine, first_us, last_us) in which chunks meet.

        A fact may stand in both; what stands in one of them more than once was counted when it was taken in.
        """
        found = (
            pl.concat(self._ranges)
            .sort("machine", "first_us")
            .with_columns(before=pl.col("last_us").cum_max().shift(1).over("machine"))
            .filter(pl.col("first_us") <= pl.col("before"))
            .select("machine", "first_us", pl.min_horizontal("last_us", "before").alias("last_us"))
        )
        return found if found.height <= MAX_RANGES else found.group_by("machine").agg(_REACH)

    def days(self) -> pl.DataFrame:
        """Return rows (machine and times) that touch all the days that the rows of the file touch."""
        found = pl.concat(self._days).unique(["machine", "day", "last_day"])
        times = {self._first: pl.col("first")} | ({self._last: pl.col("last")} if self._last != self._first else {})
        return found.select("machine", **times)


def _joined(stretches: pl.DataFrame) -> pl.DataFrame:
    """Return the ranges (machine, first_us, last_us) of stretches, those that meet as one."""
    before = pl.col("last_us").cum_max().shift(1).over("machine")
    number = (pl.col("first_us") > before).fill_null(True).cum_sum()
    by_time = stretches.sort("machine", "first_us").with_columns(number=number)
    return by_time.group_by("machine", "number").agg(_REACH).drop("number")


def _near_another(frame: pl.DataFrame, starts: pl.Series, meet: bool) -> pl.Series:
    """Return which rows of one chunk may have the machine and time of another, where stretches `meet` or do not.

    A row that is later than all before it and earlier than all after it has a time of its own.
    """
    at = pl.col("at")
    if meet:
        before, after = at.cum_max().shift(1), at.cum_min(reverse=True).shift(-1)
        shared = (at <= before).fill_null(False) | (at >= after).fill_null(False)
        is_of_one = (frame["machine"] == frame["machine"][0]).all()
        return frame.select(shared if is_of_one else shared.over("machine")).to_series()
    same_time = ~starts & (frame["at"] == frame["at"].shift(1)).fill_null(False)
    return same_time | same_time.shift(-1).fill_null(False)


def _copied(few: pl.DataFrame) -> pl.DataFrame:
    """Return a few rows with texts of their own: texts that were taken from a chunk keep the memory of all of it."""
    return pl.DataFrame(few.to_dict(as_series=False), schema=few.schema)


def _in_order(frame: pl.DataFrame) -> tuple[pl.DataFrame, pl.Series]:
    """Return rows (machine, at, key, place) so that they make few stretches, and which of them begin one.

    A log with the newest row first is turned round; machines that take turns are brought together; where even that
    leaves no order, rows are sorted by time.
    """
    starts, falls, rises = _steps(frame)
    if falls > rises:
        frame = frame.reverse()
        starts, _, _ = _steps(frame)
    for order in (["machine"], ["machine", "at"]):
        if int(starts.sum()) <= MAX_STRETCHES:
            break
        frame = frame.sort(order, maintain_order=True)
        starts, _, _ = _steps(frame)
    return frame, starts


def _steps(frame: pl.DataFrame) -> tuple[pl.Series, int, int]:
    """Return which rows begin a stretch, and how often the time of a machine falls and rises from row to row."""
    same = (frame["machine"] == frame["machine"].shift(1)).fill_null(False)
    before = frame["at"].shift(1)
    falls = same & (frame["at"] < before).fill_null(False)
    rises = same & (frame["at"] > before).fill_null(False)
    return ~same | falls, int(falls.sum()), int(rises.sum())


def _heads_of_days(machine: pl.Series, times: pl.DataFrame, day: pl.Series, last_day: pl.Series) -> pl.DataFrame:
    """Return the first of the rows of one machine, day and last day that stand together."""
    head = (machine != machine.shift(1)) | (day != day.shift(1)) | (last_day != last_day.shift(1))
    rows = pl.DataFrame([machine, *times, day.alias("day"), last_day.alias("last_day")])
    return rows.filter(head.fill_null(True)).unique(["machine", "day", "last_day"])
