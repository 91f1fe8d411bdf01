"""Where the path feed is a cutting feed, where an override at zero lets nothing move (`is_blocked`), and where a path
stands still otherwise (`is_still`).

A cutting feed is above zero and below 90 % of the machine's rapid rate x rapid override (common practice, no source).
At a rapid override of zero nothing can move at rapid, so every feed is a cutting feed. An override that was never told
stands at 100 %. A feed that changes from one cutting feed to another is no news to the time line: its stretch goes on.
Where several paths tell of feeds, those of moving at any feed are kept too (`is_moving`): a machine stands still if no
path moves.

Grain: machine x path x stretch in which one of them holds and neither changes.
Renewed: in passing.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.derive.sweeps.in_order import Ask, by_key, changes, filled, in_order, key_of, listed, merged, until_next

ALL: Final = 100_000.0  # in thousandths of a per cent


def rows(ask: Ask) -> pl.DataFrame:
    """Return the relation's rows."""
    streams, paths = ask("stream_machine"), ask("feed_path")["path"]
    named = {"machines": listed(streams["machine"]), "paths": listed(paths)}
    with_commanded = listed(streams.filter(~pl.col("has_actual_feed"))["machine"])
    told = in_order(ask("feed_told", **named, with_commanded=with_commanded), ask)
    overrides = _that_matter(ask("override_told", **named))
    if overrides.height:
        told = told.with_columns(is_override=pl.lit(value=False), is_rapid=pl.lit(value=False))
        told = in_order(merged(told, in_order(overrides.with_columns(is_override=pl.lit(value=True)), ask)), ask)
    told = by_key(told, key_of(told, "path_number", len(paths)))
    key, number = key_of(told, "path_number", len(paths)), told["machine_number"].to_numpy()
    feed = told["number"].to_numpy()
    rapid_override: NDArray[np.float64] | float = ALL
    feed_override: NDArray[np.float64] | float = ALL
    if overrides.height:
        is_override, is_rapid = told["is_override"].to_numpy(), told["is_rapid"].to_numpy()
        rapid_override = filled(key, is_override & is_rapid, feed, ALL)
        feed_override = filled(key, is_override & ~is_rapid, feed, ALL)
        feed = filled(key, ~is_override, feed, -1.0)
    has_no_rapid = streams["rapid_mm_min"].is_null().to_numpy()[number]
    rapid_mm_min = streams["rapid_mm_min"].fill_null(0.0).to_numpy()[number]
    # what is no number is above all numbers
    is_cutting = ~(feed <= 0) & (
        has_no_rapid | (rapid_override == 0) | (feed < 0.9 * rapid_mm_min * (rapid_override / 1000) / 100)
    )
    is_blocked = (feed == 0) & ((rapid_override == 0) | (feed_override == 0))
    is_still = (feed == 0) & ~is_blocked
    place = changes(key, is_cutting, is_blocked, is_still)
    key, started_us = key[place], told["at_us"].to_numpy()[place]
    ended_us = until_next(key, started_us, streams["last_us"].to_numpy().repeat(len(paths)))
    return pl.DataFrame(
        {
            "machine": streams["machine"].gather(number[place]),
            "path": paths.gather(told["path_number"].to_numpy()[place]),
            "started_us": started_us,
            "ended_us": ended_us,
            "is_cutting_feed": is_cutting[place],
            "is_blocked": is_blocked[place],
            "is_still": is_still[place],
            "is_moving": (feed[place] != 0) & (len(paths) > 1),
        }
    ).filter(
        pl.col("ended_us") > pl.col("started_us"),
        pl.any_horizontal("is_cutting_feed", "is_blocked", "is_still", "is_moving"),
    )


def _that_matter(overrides: pl.DataFrame) -> pl.DataFrame:
    """Return the overrides of paths of which one ever stood at zero, or one of rapids at anything but all."""
    is_other = (pl.col("number") == 0) | (pl.col("is_rapid") & (pl.col("number") != ALL))
    return overrides.filter(is_other.any().over("machine_number", "path_number"))
