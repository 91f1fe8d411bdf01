"""The sign of life of a stream: gaps between its samples or counters, and how many of them are short.

Short is under a third of silent_after_s. They are counted apart while the control was ACTIVE and while it was not, as
it stood when the gap began; what the control does at an instant stands before the samples of that instant. Counts of
several days add up. Samples of one instant have no gap between them.

Grain: machine x is_active x UTC day on which the gap began.
Renewed: by window.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl

from pipeline.derive.sweeps.in_order import Ask, Ints, by_time, listed
from pipeline.derive.windows import US_A_DAY

SCHEMA: Final = {
    "machine": pl.String(),
    "is_active": pl.Boolean(),
    "day_on": pl.Date(),
    "gaps": pl.Int64(),
    "short_gaps": pl.Int64(),
}


def rows(ask: Ask) -> pl.DataFrame:
    """Return the relation's rows."""
    streams = ask("stream_machine")
    machines = listed(streams["machine"])
    told, steps = by_time(ask("sample_told", machines=machines)), ask("active_step", machines=machines)
    found = [pl.DataFrame(schema=SCHEMA)]
    for number, (machine, silent_after_s) in enumerate(streams.select("machine", "silent_after_s").iter_rows()):
        (first, last), (from_step, to_step) = (
            np.searchsorted(frame["machine_number"].to_numpy(), [number, number + 1]) for frame in (told, steps)
        )
        counted = _counted(
            told["at_us"].to_numpy()[first:last],
            steps["at_us"].to_numpy()[from_step:to_step],
            steps["step"].to_numpy()[from_step:to_step],
            silent_after_s * 1e6,
        )
        found.append(counted.select(pl.lit(machine).alias("machine"), pl.all()))
    return pl.concat(found)


def _counted(at_us: Ints, step_us: Ints, step: Ints, silent_after_us: float) -> pl.DataFrame:
    """Count the gaps of one machine by day and by what its control did."""
    gap_us = np.diff(at_us)
    is_gap = gap_us > 0
    begun_us, gap_us = at_us[:-1][is_gap], gap_us[is_gap]
    days = np.arange(begun_us[0] // US_A_DAY, begun_us[-1] // US_A_DAY + 1) if begun_us.size else np.empty(0, np.int64)
    # from each of these places on, another day or another state
    at_step, at_day = np.searchsorted(begun_us, step_us), np.searchsorted(begun_us, days * US_A_DAY)
    place = np.unique(np.concatenate((at_step, at_day, [0, begun_us.size])))
    short = np.concatenate(([0], np.cumsum(gap_us * 3 < silent_after_us)))
    first = place[:-1]
    standing = np.searchsorted(at_step, first, side="right")
    return (
        pl.DataFrame(
            {
                "is_active": np.concatenate(([0], np.cumsum(step)))[standing] > 0,
                "day_on": days[np.searchsorted(at_day, first, side="right") - 1].astype(np.int32),
                "gaps": np.diff(place),
                "short_gaps": np.diff(short[place]),
            }
        )
        .group_by("is_active", "day_on", maintain_order=True)
        .sum()
        .with_columns(pl.col("day_on").cast(pl.Date))
    )
