"""Clock times of a zone -> UTC, through the nights on which the clock changes.

A time in the spring gap has no instant; which of a doubled autumn time is meant is decided by the order of rows where
that decides. It reads no text and rejects nothing itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import polars as pl

UTC: Final = pl.Datetime("us", "UTC")
_MAX_DISORDER: Final = 0.05  # share of steps against the main direction up to which a log counts as in order


@dataclass(frozen=True)
class Resolved:
    """Instants, and what could not be had: all series have the length of the input."""

    starts: pl.Series  # Datetime("us", "UTC"), null where the clock time is null or skipped
    ends: pl.Series
    start_skipped: pl.Series  # the clock never showed this time
    end_skipped: pl.Series
    ambiguous: pl.Series  # a doubled time that nothing decides; the first reading is kept


def resolve(
    starts: pl.Series,
    zone: str,
    ends: pl.Series | None = None,
    length_us: pl.Series | None = None,
    group: pl.Series | None = None,
) -> Resolved:
    """Resolve naive clock times in `zone`, in the order of the rows of one file.

    `ends` (naive) or `length_us` say when what started ended; rows of one `group` (machine) follow one another without
    overlap. In a log in order (falling order too), a doubled time that reads earlier than what came before is the
    second reading, and so are the doubled times after it that night.
    """
    count = len(starts)
    empty = pl.Series([None], dtype=pl.Datetime("us")).new_from_index(0, count)
    no_length = pl.Series([None], dtype=pl.Int64).new_from_index(0, count)
    frame = pl.DataFrame(
        {
            "start": starts.cast(pl.Datetime("us")),
            "end": empty if ends is None else ends.cast(pl.Datetime("us")),
            "length": no_length if length_us is None else length_us.cast(pl.Int64),
            "group": pl.Series([""]).new_from_index(0, count) if group is None else group.fill_null(""),
        }
    )
    plain = frame.select(_in_zone("start", zone, "null"), _in_zone("end", zone, "null"))
    never = pl.Series([False]).new_from_index(0, count)
    if plain["start"].null_count() == frame["start"].null_count() and (
        plain["end"].null_count() == frame["end"].null_count()
    ):
        return Resolved(plain["start"], plain["end"], never, never, never)
    return _resolve_changes(frame, zone)


def _in_zone(column: str, zone: str, reading: str) -> pl.Expr:
    placed = pl.col(column).dt.replace_time_zone(zone, ambiguous=reading, non_existent="null")  # type: ignore[arg-type]
    return placed.dt.convert_time_zone("UTC")


def _resolve_changes(frame: pl.DataFrame, zone: str) -> Resolved:
    frame = frame.with_columns(
        first=_in_zone("start", zone, "earliest"),
        last=_in_zone("start", zone, "latest"),
        end_first=_in_zone("end", zone, "earliest"),
        end_last=_in_zone("end", zone, "latest"),
    ).with_row_index("row")
    marks = _in_sequence(frame)
    decided = _second_readings(marks)
    per_row = decided.group_by("row").agg(
        start_second=pl.col("second").filter(~pl.col("is_end")).any(),
        end_second=pl.col("second").filter(pl.col("is_end")).any(),
        ambiguous=pl.col("undecided").any(),
    )
    full = frame.join(per_row, on="row", how="left", maintain_order="left").with_columns(
        pl.col("start_second", "end_second", "ambiguous").fill_null(False)
    )
    return Resolved(
        starts=full.select(pl.when("start_second").then("last").otherwise("first").alias("starts")).to_series(),
        ends=full.select(pl.when("end_second").then("end_last").otherwise("end_first").alias("ends")).to_series(),
        start_skipped=full.select(pl.col("start").is_not_null() & pl.col("first").is_null()).to_series(),
        end_skipped=full.select(pl.col("end").is_not_null() & pl.col("end_first").is_null()).to_series(),
        ambiguous=full["ambiguous"],
    )


def _in_sequence(frame: pl.DataFrame) -> pl.DataFrame:
    """Return starts and ends as one run of instants per group, in the order in which they happened by the file."""
    starts = frame.select(
        "group", "row", is_end=pl.lit(False), at="first", doubled=pl.col("first") != pl.col("last"), night="start"
    )
    by_length = pl.col("first") + pl.duration(microseconds=pl.col("length"))
    ends = frame.select(
        "group",
        "row",
        is_end=pl.lit(True),
        at=pl.coalesce("end_first", by_length),
        doubled=(pl.col("end_first") != pl.col("end_last")).fill_null(False),
        night=pl.coalesce("end", "start"),
    )
    marks = pl.concat([starts, ends.filter(pl.col("at").is_not_null())])
    marks = marks.filter(pl.col("at").is_not_null()).with_columns(pl.col("night").dt.date())
    sure = pl.when(~pl.col("doubled") & ~pl.col("is_end")).then("at")
    step = sure.drop_nulls().diff()
    order = (
        marks.sort("group", "row", "is_end")
        .group_by("group")
        .agg(rises=(step > pl.duration(seconds=0)).sum(), falls=(step < pl.duration(seconds=0)).sum())
        .select(
            "group",
            falling=pl.col("falls") > pl.col("rises"),
            in_order=pl.min_horizontal("rises", "falls") <= _MAX_DISORDER * (pl.col("rises") + pl.col("falls")),
        )
    )
    place = pl.col("row").cast(pl.Int64) * 2 + pl.col("is_end").cast(pl.Int64)
    return (
        marks.join(order, on="group")
        .with_columns(place=pl.when("falling").then(-place).otherwise(place))
        .sort("group", "place")
    )


def _second_readings(marks: pl.DataFrame) -> pl.DataFrame:
    """Add `second` (the second reading is meant) and `undecided` to instants in sequence."""
    before = pl.col("at").cum_max().shift(1).over("group")
    stepped_back = pl.col("in_order") & pl.col("doubled") & (pl.col("at") < before).fill_null(False)
    night = ["group", "night", "doubled"]
    return marks.with_columns(stepped_back=stepped_back).with_columns(
        second=pl.col("doubled") & (pl.col("stepped_back").cast(pl.Int8).cum_max().over(night) == 1),
        undecided=pl.col("doubled") & ~pl.col("stepped_back").any().over(night),
    )
