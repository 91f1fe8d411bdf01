"""Tool changes in cycle: the time that is noncutting because a tool changes.

Grain: machine x stretch.
Renewed: by window.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl

from pipeline.derive.sweeps.by_machine import ByMachine, each_of, told_again
from pipeline.derive.sweeps.in_order import Ask, Ints

STRETCH: Final = {"machine": pl.Int64, "started_us": pl.Int64, "ended_us": pl.Int64, "planned": pl.Boolean}


def rows(ask: Ask) -> pl.DataFrame:
    """Return the relation's rows."""
    changing, noncutting = ask("changing"), ask("noncutting")
    machines = changing["machine"].unique().sort().to_list()
    changes = ByMachine(changing, machines, ["started_us", "ended_us"])
    spans = ByMachine(noncutting, machines, ["started_us", "ended_us", "planned"])
    found = [_met(place, *changes.of(place), *spans.of(place)) for place in range(len(machines))]
    stretches = pl.concat([pl.DataFrame(schema=STRETCH), *found])
    return stretches.select(
        told_again(machines, stretches["machine"]).alias("machine"),
        pl.col("started_us").cast(pl.Datetime("us", "UTC")).alias("started_at"),
        pl.col("ended_us").cast(pl.Datetime("us", "UTC")).alias("ended_at"),
        "planned",
    )


def _met(
    place: int, change_us: Ints, changed_us: Ints, span_us: Ints, span_until_us: Ints, planned: Ints
) -> pl.DataFrame:
    """Return where changes and spans of one machine meet; neither overlap among themselves."""
    first, end = np.searchsorted(span_until_us, change_us, side="right"), np.searchsorted(span_us, changed_us)
    change, span = each_of(first, end)
    return pl.DataFrame(
        {
            "machine": np.full(span.size, place),
            "started_us": np.maximum(change_us[change], span_us[span]),
            "ended_us": np.minimum(changed_us[change], span_until_us[span]),
            "planned": planned[span] > 0,
        },
        schema=STRETCH,
    )
