"""Runs cut up by the tool in the spindle and by the states of the time line.

`is_change` marks a tool change's own time: the first tool_change_s of a tool, or all of a stretch without a tool in a
stream. `is_blocked` marks that an override at zero let nothing move; in `still_us` of a piece no path moved for another
reason. One sweep tells what stands at each instant at which anything begins: the state, the tool, the run. Its pieces
tile a machine's time, so that a run that others overlap is made of all pieces from its first to its last.

Grain: run (by the run_number of core.cycle_seen) x tool x stretch of one state.
Renewed: in passing.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl

from pipeline.derive.sweeps.by_machine import ByMachine, each_of
from pipeline.derive.sweeps.in_order import Ask, Flags, Ints

UNKNOWN: Final = -1
PIECE: Final = {
    "run_number": pl.Int64,
    "look": pl.Int64,
    "tool": pl.Int64,
    "is_blocked": pl.Boolean,
    "still_us": pl.Int64,
    "started_us": pl.Int64,
    "ended_us": pl.Int64,
}


def rows(ask: Ask) -> pl.DataFrame:
    """Return the relation's rows."""
    spans, starts = ask("span_look").with_row_index("row"), ask("tool_start").with_row_index("row")
    machines = spans["machine"].unique().sort().to_list()
    lines = ByMachine(spans, machines, ["started_us", "ended_us", "row"])
    tooled = ByMachine(starts, machines, ["at_us", "row"])
    feeds = [ByMachine(ask(name), machines, ["started_us", "ended_us"]) for name in ("blocked", "still", "moving")]
    runs = ByMachine(ask("run_in_order"), machines, ["started_us", "ended_us", "run_number"])
    pieces = [
        _pieces(lines.of(place), tooled.of(place), [told.of(place) for told in feeds], runs.of(place))
        for place in range(len(machines))
        if runs.of(place)[0].size
    ]
    return _said(pl.concat(pieces) if pieces else pl.DataFrame(schema=PIECE), spans, starts)


def _pieces(lines: list[Ints], tooled: list[Ints], feeds: list[list[Ints]], runs: list[Ints]) -> pl.DataFrame:
    """Return the pieces of the runs of one machine; `feeds` are when it was blocked, still and moving."""
    (span_us, span_until_us, look), (tool_us, tool), (run_us, run_until_us, run) = lines, tooled, runs
    is_alone = _alone(run_us, run_until_us)
    last_us = span_until_us[-1:]
    blocked, still, moving = feeds
    cuts = np.concatenate([span_us, tool_us, *blocked, run_us[is_alone], run_until_us[is_alone]])
    cuts = np.sort(cuts[(cuts >= span_us[0]) & (cuts < last_us)])
    cuts = cuts[np.append(True, cuts[1:] > cuts[:-1])]
    until_us = np.concatenate([cuts[1:], last_us])
    piece, of_run = (
        np.concatenate(found)
        for found in zip(
            _own(cuts, run_us, run_until_us, np.flatnonzero(is_alone)),
            _shared(cuts, run_us, run_until_us, np.flatnonzero(~is_alone)),
            strict=True,
        )
    )
    at_us = cuts[piece]
    started_us = np.maximum(at_us, run_us[of_run])
    ended_us = np.minimum(until_us[piece], run_until_us[of_run])
    stood = still if not moving[0].size else _without(still, moving, blocked)
    return pl.DataFrame(
        {
            "run_number": run[of_run],
            "look": look[_last(span_us, at_us)],
            "tool": np.append(tool, UNKNOWN)[_last(tool_us, at_us)],
            "is_blocked": _holds(at_us, *blocked),
            "still_us": _time_before(ended_us, *stood) - _time_before(started_us, *stood),
            "started_us": started_us,
            "ended_us": ended_us,
        },
        schema=PIECE,
    )


def _last(begins_us: Ints, at_us: Ints) -> Ints:
    """Return the place of the last beginning up to each instant; -1 where there is none."""
    return np.searchsorted(begins_us, at_us, side="right") - 1


def _alone(run_us: Ints, run_until_us: Ints) -> Flags:
    """Whether no other run overlaps a run; one of no length has no place of its own."""
    is_alone = run_until_us > run_us
    is_alone[1:] &= run_us[1:] >= np.maximum.accumulate(run_until_us)[:-1]
    is_alone[:-1] &= run_until_us[:-1] <= run_us[1:]
    return is_alone


def _own(cuts: Ints, run_us: Ints, run_until_us: Ints, alone: Ints) -> tuple[Ints, Ints]:
    """Return the pieces of runs that stand alone, which cut the time themselves, and the run of each."""
    last = _last(run_us[alone], cuts)
    of_run = alone[last] if alone.size else last
    piece = np.flatnonzero((last >= 0) & (cuts < run_until_us[of_run]))
    return piece, of_run[piece]


def _shared(cuts: Ints, run_us: Ints, run_until_us: Ints, others: Ints) -> tuple[Ints, Ints]:
    """Return all pieces of each other run, from its first to its last, and the run of each."""
    ends = np.stack([_last(cuts, run_us[others]), _last(cuts, run_until_us[others] - 1)])
    first = np.where(ends.min(axis=0) < 0, ends.max(axis=0), ends.min(axis=0))
    other, piece = each_of(first, ends.max(axis=0) + np.where(first < 0, 0, 1))
    return piece, others[other]


def _holds(at_us: Ints, begins_us: Ints, ends_us: Ints) -> Flags:
    """Whether any of some stretches, which may overlap, covers each instant."""
    if not begins_us.size:
        return np.zeros(at_us.size, dtype=np.bool_)
    return _last(np.sort(begins_us), at_us) > _last(np.sort(ends_us), at_us)


def _without(some: list[Ints], *others: list[Ints]) -> list[Ints]:
    """Return begins and ends of when one of some stretches holds and none of the others, without overlaps."""
    bounds = np.unique(np.concatenate([*some, *(bound for other in others for bound in other)]))
    holds = _holds(bounds, *some)
    for other in others:
        holds &= ~_holds(bounds, *other)
    place = np.flatnonzero(holds[:-1])
    return [bounds[place], bounds[place + 1]]


def _time_before(at_us: Ints, begins_us: Ints, ends_us: Ints) -> Ints:
    """Return how much of some stretches in order, without overlaps, lies before each instant."""
    begun = np.searchsorted(begins_us, at_us, side="right")
    whole = np.concatenate(([0], np.cumsum(ends_us - begins_us)))[begun]
    after = np.concatenate(([0], ends_us))[begun]  # of the last that began; before the first, none
    return np.asarray(whole - np.maximum(after - at_us, 0), dtype=np.int64)


def _said(pieces: pl.DataFrame, spans: pl.DataFrame, starts: pl.DataFrame) -> pl.DataFrame:
    """Return the pieces with what stood in place of where it was said."""
    look, tool = pieces["look"], pieces["tool"].replace(UNKNOWN, None)
    return pieces.select(
        "run_number",
        # in memory a word stays a number a row
        starts["tool"].cast(pl.Categorical).gather(tool),
        starts["is_change"].gather(tool).fill_null(value=False),
        "is_blocked",
        "still_us",
        spans["state"].cast(pl.Categorical).gather(look),
        spans["planned"].gather(look),
        spans["detail"].cast(pl.Categorical).gather(look),
        spans["feed_override"].gather(look),
        "started_us",
        "ended_us",
    )
