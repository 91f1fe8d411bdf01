"""Stretches during which a spindle turned: actual speed above zero, or the commanded one where no actual is told.

A spindle that its RotaryMode calls INDEX or CONTOUR is an axis at that time and does not count. A change of speed does
not end a stretch.

Grain: machine x spindle x stretch of turning.
Renewed: in passing.
"""

from __future__ import annotations

import polars as pl

from pipeline.derive.sweeps.in_order import (
    Ask,
    by_key,
    by_time,
    changes,
    filled,
    in_order,
    key_of,
    listed,
    merged,
    until_next,
)


def rows(ask: Ask) -> pl.DataFrame:
    """Return the relation's rows."""
    streams, spindles = ask("stream_machine"), ask("spindle_name")["spindle"]
    with_commanded = streams.filter(~pl.col("has_actual_speed"))["machine"]
    speeds = in_order(
        ask(
            "speed_told",
            machines=listed(streams["machine"]),
            spindles=listed(spindles),
            with_commanded=listed(with_commanded),
        ),
        ask,
    )
    told = _changes_of(speeds, len(spindles))
    modes = _modes(ask, streams, spindles)
    if modes.height:
        told = by_time(told).with_columns(is_mode=pl.lit(value=False), as_axis=pl.lit(value=False))
        told = in_order(merged(told, in_order(modes.select(told.columns), ask)), ask)
        told = _with_modes(told, len(spindles))
    key = key_of(told, "spindle_number", len(spindles))
    started_us = told["at_us"].to_numpy()
    ended_us = until_next(key, started_us, streams["last_us"].to_numpy().repeat(len(spindles)))
    return pl.DataFrame(
        {
            "machine": streams["machine"].gather(told["machine_number"]),
            "spindle": spindles.gather(told["spindle_number"]),
            "started_us": started_us,
            "ended_us": ended_us,
        }
    ).filter(told["is_moving"], pl.col("ended_us") > pl.col("started_us"))


def _modes(ask: Ask, streams: pl.DataFrame, spindles: pl.Series) -> pl.DataFrame:
    """Return when a spindle's mode was told; that of several spindles once for each of them."""
    if not streams["has_mode"].any():
        return pl.DataFrame()
    machine_numbers = streams.select("machine", machine_number=pl.int_range(pl.len(), dtype=pl.Int16))
    spindle_numbers = pl.DataFrame({"spindle": spindles}).with_columns(
        spindle_number=pl.int_range(pl.len(), dtype=pl.Int16)
    )
    return (
        ask("mode_told")
        .join(ask("spindle_mode"), on=["machine", "mode_item"], maintain_order="left")
        .join(machine_numbers, on="machine", maintain_order="left")
        .join(spindle_numbers, on="spindle", maintain_order="left")
        .with_columns(is_mode=pl.lit(value=True), is_moving=pl.lit(value=False))
    )


def _changes_of(told: pl.DataFrame, spindles: int) -> pl.DataFrame:
    """Return the rows at which a spindle begins or ceases to move, by spindle."""
    told = by_key(told, key_of(told, "spindle_number", spindles))
    return told[changes(key_of(told, "spindle_number", spindles), told["is_moving"].to_numpy())]


def _with_modes(told: pl.DataFrame, spindles: int) -> pl.DataFrame:
    """Return where spindles begin and cease to turn, from their speeds and modes in order."""
    told = by_key(told, key_of(told, "spindle_number", spindles))
    key, is_mode = key_of(told, "spindle_number", spindles), told["is_mode"].to_numpy()
    is_moving = filled(key, ~is_mode, told["is_moving"].to_numpy(), default=False)
    is_axis = filled(key, is_mode, told["as_axis"].to_numpy(), default=False)
    return _changes_of(told.with_columns(pl.Series("is_moving", is_moving & ~is_axis)), spindles)
