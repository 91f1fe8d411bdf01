"""Stretches in which controls of machines without a cycle list were in cycle, before counted parts divide them.

The machine is in cycle if any of its paths is. A stretch begins when one goes ACTIVE; holds and program stops lie
inside it, and so does a lost connection no longer than silent_after_s with the cycle going on after it. `ended_by` is
what the control did then, nothing where the stream ends.

Grain: machine x number, in order of time.
Renewed: in passing.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl

from pipeline.derive.sweeps.in_order import Ask, by_time, changes, listed

DOING: Final = ("unknown", "ready", "completed", "stopped", "held", "active", "unknown")
"""What a machine does, by the highest of the digits that execution_step.sql counts in; the last: a lost connection."""
HELD, ACTIVE, LOST = 4, 5, 6
BITS: Final = 10


def rows(ask: Ask) -> pl.DataFrame:
    """Return the relation's rows."""
    streams = ask("stream_machine")
    steps = by_time(ask("execution_step", machines=listed(streams["machine"])))
    machine, at_us = steps["machine_number"].to_numpy(), steps["at_us"].to_numpy()
    if not at_us.size:
        return pl.DataFrame(schema=SCHEMA)
    # what holds from an instant on; at the end of a machine's time nothing does any more
    standing = np.cumsum(steps["step"].to_numpy())
    is_last = np.append((machine[1:] != machine[:-1]) | (at_us[1:] != at_us[:-1]), True)
    machine, at_us, standing = machine[is_last], at_us[is_last], standing[is_last]
    doing = np.searchsorted(1 << BITS * np.arange(len(DOING) - 1), standing, side="right")
    doing[doing == LOST] = 0
    place = changes(machine, doing)
    machine, at_us, doing = machine[place], at_us[place], doing[place]
    # what stands next to each change; -1 where the machine's time begins or ends
    goes_on = machine[1:] == machine[:-1]
    before, after = np.append(-1, np.where(goes_on, doing[:-1], -1)), np.append(np.where(goes_on, doing[1:], -1), -1)
    next_us = np.append(np.where(goes_on, at_us[1:], at_us[:-1]), at_us[-1])
    silent_after_us = streams["silent_after_s"].to_numpy()[machine] * 1e6
    is_bridged = (doing == 0) & (before >= HELD) & (after >= HELD) & (next_us - at_us <= silent_after_us)
    is_in = (doing >= HELD) | is_bridged
    begins = is_in & ~np.append(False, goes_on & is_in[:-1])
    ends = is_in & ~np.append(goes_on & is_in[1:], False)
    # an island begins to count where the control first goes ACTIVE in it
    first, last = np.flatnonzero(begins), np.flatnonzero(ends)
    active = np.append(np.flatnonzero(doing == ACTIVE), at_us.size)
    started = active[np.searchsorted(active, first)]
    counts = started <= last
    started, last = started[counts], last[counts]
    number = machine[last]
    return pl.DataFrame(
        {
            "machine": streams["machine"].gather(number),
            "number": np.arange(last.size),
            "started_us": at_us[started],
            "ended_us": np.minimum(next_us[last], streams["last_us"].to_numpy()[number]),
            "ended_by": pl.Series(DOING).gather(np.maximum(after[last], 0)),
        }
    ).select(pl.all().exclude("ended_by"), pl.when(pl.Series(after[last] >= 0)).then("ended_by").alias("ended_by"))


SCHEMA: Final = {
    "machine": pl.String(),
    "number": pl.Int64(),
    "started_us": pl.Int64(),
    "ended_us": pl.Int64(),
    "ended_by": pl.String(),
}
