"""When the stream machine is off, its network is lost or its emergency stop is pressed.
Outages are laid where they swallow no change of state: into idle time, or into the middle of one cut.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from sample_logs.plan import STREAM_MACHINE, Plan
from sample_logs.record import Record
from sample_logs.shifts import Windows, local_ms
from sample_logs.shop_floor import MINUTE, SECOND

Stretch = tuple[int, int]

IDLE_RECONNECTS = 16
CUT_RECONNECTS = 8
SUNDAY = 6


@dataclass(frozen=True)
class Outages:
    """Stretches in ms, sorted: the machine switched off, the network lost, the emergency stop pressed.

    `off` begins before the period and ends after it, so that it bounds what the stream can show.
    """

    off: list[Stretch]
    lost: list[Stretch]
    stops: list[Stretch]
    warnings: list[Stretch]

    @property
    def gaps(self) -> list[Stretch]:
        """All stretches without data, disjoint and sorted."""
        return sorted(self.off + self.lost)


def plan_outages(record: Record, windows: Windows, plan: Plan, rng: np.random.Generator) -> Outages:
    """Draw the outages of the stream machine from its own record."""
    cycles = record.cycles.filter(pl.col("machine") == STREAM_MACHINE).sort("start")
    setups = record.setups.filter(pl.col("machine") == STREAM_MACHINE).sort("start")
    off = _switched_off(cycles, windows, plan)
    idle = _idle_spans(cycles, setups, off)
    lost = [_long_loss(idle, windows)]
    short = [span for span in idle if span[1] - span[0] > 20 * MINUTE and not _overlaps(span, lost)]
    for pick, u in zip(_pick(rng, len(short), IDLE_RECONNECTS), rng.random(IDLE_RECONNECTS).tolist(), strict=True):
        start = short[pick][0] + 5 * MINUTE + int(u * MINUTE)
        lost.append((start, start + 45 * SECOND + int(u * 55 * SECOND)))
    lost.extend(_losses_in_cuts(record, rng))
    stops = []
    for (start, end), u in zip(
        setups.select("start", "end").rows(), rng.random((len(setups), 2)).tolist(), strict=True
    ):
        pressed = start + MINUTE + int(u[1] * 10 * SECOND)
        released = pressed + 30 * SECOND + int(u[1] * 240 * SECOND)
        if u[0] < 0.08 and released < end - MINUTE:
            stops.append((pressed, released))
    starts = cycles["start"].to_list()
    warnings = sorted((starts[i] + 33_007, starts[i] + 33_007 + 50 * MINUTE) for i in _pick(rng, len(starts), 12))
    return Outages(off, sorted(lost), stops, _apart(warnings))


def _switched_off(cycles: pl.DataFrame, windows: Windows, plan: Plan) -> list[Stretch]:
    zone = ZoneInfo(plan.timezone)
    starts = cycles["start"].to_numpy()
    ends = cycles["end"].to_numpy()
    switched_on = local_ms(plan.first_day, time(5, 50, 12), zone) + 418
    off = [(local_ms(plan.first_day - timedelta(days=18), time(17, 4, 9), zone) + 311, switched_on)]
    for offset in range((plan.last_day - plan.first_day).days + 1):
        day = plan.first_day + timedelta(days=offset)
        if day.weekday() == SUNDAY:
            at = local_ms(day, time(6, 10), zone) + 95
            running = (starts <= at) & (ends > at - 5 * MINUTE)
            if running.any():
                at = int(ends[running].max()) + 5 * MINUTE
            opens = windows.next_open(at)
            if off[-1][1] < at < opens - 20 * MINUTE:
                off.append((at, opens - 10 * MINUTE + 207))
    last = max(local_ms(plan.last_day, time(22, 10), zone), int(ends.max()) + 5 * MINUTE)
    off.append((last, last + 62 * 24 * 60 * MINUTE))
    return off


def _idle_spans(cycles: pl.DataFrame, setups: pl.DataFrame, off: list[Stretch]) -> list[Stretch]:
    busy = sorted(cycles.select("start", "end").rows() + setups.select("start", "end").rows() + off)
    spans = []
    until = busy[0][1]
    for start, end in busy[1:]:
        if start > until:
            spans.append((until, start))
        until = max(until, end)
    return spans


def _long_loss(idle: list[Stretch], windows: Windows) -> Stretch:
    """Lose the network for up to four hours in the idle stretch with the most planned time."""
    starts = np.array([span[0] for span in idle])
    ends = np.array([span[1] for span in idle])
    start, end = idle[int(windows.planned_within(starts, ends).argmax())]
    start = windows.next_open(start + 10 * MINUTE) + 771
    return start, min(start + 4 * 60 * MINUTE, end - 5 * MINUTE)


def _losses_in_cuts(record: Record, rng: np.random.Generator) -> list[Stretch]:
    cuts = record.pieces.filter(
        (pl.col("machine") == STREAM_MACHINE)
        & (pl.col("kind") == "cut")
        & (pl.col("end") - pl.col("start") > 150 * SECOND)
    )
    starts = cuts["start"].to_list()
    lost = []
    for pick, u in zip(_pick(rng, len(starts), CUT_RECONNECTS), rng.random(CUT_RECONNECTS).tolist(), strict=True):
        start = starts[pick] + 10 * SECOND + int(u * 20 * SECOND)
        lost.append((start, start + 45 * SECOND + int(u * 55 * SECOND)))
    return lost


def _pick(rng: np.random.Generator, count: int, wanted: int) -> list[int]:
    """Pick `wanted` different numbers below `count`, in order."""
    return sorted(np.argsort(rng.random(count), kind="stable")[:wanted].tolist())


def _overlaps(span: Stretch, others: list[Stretch]) -> bool:
    return any(start < span[1] and end > span[0] for start, end in others)


def _apart(stretches: list[Stretch]) -> list[Stretch]:
    kept: list[Stretch] = []
    for stretch in stretches:
        if not kept or stretch[0] > kept[-1][1]:
            kept.append(stretch)
    return kept
