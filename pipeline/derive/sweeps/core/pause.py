"""Stretches in which nothing at all was told for longer than silent_after_s, on machines with a stream.

Whether such a pause is a silence depends on what the stream tells otherwise.

Grain: machine x pause, from the last record before it to the first after it.
Renewed: in passing.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.derive.sweeps.in_order import Ask, by_time, listed


def rows(ask: Ask) -> pl.DataFrame:
    """Return the relation's rows."""
    streams = ask("stream_machine")
    told = by_time(ask("record_told", machines=listed(streams["machine"])))
    machine, at_us = told["machine_number"].to_numpy(), told["at_us"].to_numpy()
    silent_after_us = streams["silent_after_s"].to_numpy() * 1e6
    is_pause = (machine[1:] == machine[:-1]) & (np.diff(at_us) > silent_after_us[machine[1:]])
    before = np.flatnonzero(is_pause)
    return pl.DataFrame(
        {
            "machine": streams["machine"].gather(machine[before]),
            "started_us": at_us[before],
            "ended_us": at_us[before + 1],
        }
    )
