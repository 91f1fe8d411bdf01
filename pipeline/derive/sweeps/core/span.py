"""The time line: every machine's first to last record, tiled by stretches with exactly one state each.

Every signal is one digit of a binary number: one sweep adds the digits up, and few numbers occur, so that each is
judged once (judging.py). A stretch of the better basis (stream before list) wins. Outside shifts held and faulted count
for at most off_shift_hold_max_s in a row.

Grain: machine x stretch of time.
Renewed: by window.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt
import polars as pl

from pipeline.derive.sweeps.by_machine import ByMachine, told_again
from pipeline.derive.sweeps.in_order import Ask, Flags, Ints
from pipeline.derive.sweeps.judging import SIGNALS, Look, Traits, look_of, signals_of

EXTENTS: Final = ("stream", "record", "seen", "lost")
"""A machine is known from the first beginning of one of these to the last end."""
NO_STEP: Final = 2 * len(SIGNALS)
STEPS: Final = np.array([step << digit for digit in range(len(SIGNALS)) for step in (-1, 1)] + [0])
"""What an edge adds, by twice its digit and one more where a stretch begins; NO_STEP adds nothing."""
STEP_BITS: Final = 6
"""An edge is one number, its instant before its step: sorted numbers are the sweep."""
DIGIT_AT: Final = 57
"""Edges that may overlap are sorted by digit first, which stands from this bit on."""
KNOWN: Final = SIGNALS.index("known")
RUNNING, RUNNING_OR_NOT = (
    sum(1 << SIGNALS.index(signal) for signal in signals)
    for signals in (("stream", "active"), ("stream", "active", "away", "silent"))
)
"""The stream says that a program runs where of the digits of the second number those of the first hold."""
NOTHING: Final = pl.DataFrame(schema=dict.fromkeys(("machine", "started_us", "ended_us", "look", "override"), pl.Int64))
NOT_TOLD: Final = int(np.iinfo(np.int64).min)
UNJUDGED: Final = -1


class Line(NamedTuple):
    """Stretches of one machine in order, each up to the next: beginnings, looks as numbers, overrides."""

    started_us: Ints
    look: Ints
    override: Ints


class Looks:
    """The looks that occur, by number, and what binary numbers look like, each judged when it is met first."""

    def __init__(self) -> None:
        self.listed: list[Look] = []
        self._tables: dict[Traits, npt.NDArray[np.int16]] = {}

    def place(self, look: Look) -> int:
        """Return the number of a look."""
        if look not in self.listed:
            self.listed.append(look)
        return self.listed.index(look)

    def of(self, digits: Ints, traits: Traits) -> Ints:
        """Return the number of the look of each binary number."""
        if traits not in self._tables:
            self._tables[traits] = np.full(1 << len(SIGNALS), UNJUDGED, dtype=np.int16)
        table = self._tables[traits]
        unjudged = table[digits] == UNJUDGED
        for number in np.unique(digits[unjudged]).tolist():
            table[number] = self.place(look_of(signals_of(number), traits))
        return table[digits].astype(np.int64)


def rows(ask: Ask) -> pl.DataFrame:
    """Return the relation's rows."""
    signals = _numbered(ask("signal"))
    machines: list[str] = signals.filter(pl.col("signal") == KNOWN)["machine"].sort().to_list()
    told = ByMachine(signals, machines, ["started_us", "ended_us", "signal", "may_overlap"])
    overrides = ByMachine(ask("feed_override"), machines, ["at_us", "override"])
    tells = ask("stream_machine").select("machine", "has_speed", "has_feed")
    traits = {machine: Traits(*told_of) for machine, *told_of in tells.iter_rows()}
    limit_us: int = ask("late_limit").item()
    looks = Looks()
    frames = [NOTHING]
    for place, machine in enumerate(machines):
        begins_us, ends_us, digit, may_overlap = told.of(place)
        told_us, override = overrides.of(place)
        started_us, digits = _standing(digit, begins_us, ends_us, may_overlap > 0, told_us)
        if not started_us.size:
            continue  # known for one instant alone
        look = looks.of(digits, traits.get(machine, Traits(has_speed=False, has_feed=False)))
        line = Line(started_us, look, _override(started_us, digits, told_us, override))
        until_us = ends_us[digit == KNOWN].item()
        frames.append(_frame(place, _changes(_limited(line, until_us, looks, limit_us)), until_us))
    return _said(pl.concat(frames), machines, looks.listed)


def _numbered(said: pl.DataFrame) -> pl.DataFrame:
    """Return stretches of signals by their digits, with one `known` a machine."""
    known = (
        said.filter(pl.col("signal").is_in(EXTENTS))
        .group_by("machine")
        .agg(pl.lit("known").alias("signal"), pl.min("started_us"), pl.max("ended_us"), may_overlap=False)
    )
    return pl.concat([said, known]).with_columns(pl.col("signal").cast(pl.Enum(SIGNALS)).to_physical())


def _standing(digit: Ints, begins_us: Ints, ends_us: Ints, may_overlap: Flags, told_us: Ints) -> tuple[Ints, Ints]:
    """Return the instants at which anything changes while a machine is known, and which digits hold from then on."""
    first_us = min(begins_us.min(), ends_us.min(), *told_us[:1])
    alone = ~may_overlap
    edges = np.concatenate(
        [
            (begins_us[alone] - first_us << STEP_BITS) + 2 * digit[alone] + 1,
            (ends_us[alone] - first_us << STEP_BITS) + 2 * digit[alone],
            _merged(digit[may_overlap], begins_us[may_overlap] - first_us, ends_us[may_overlap] - first_us),
            (told_us - first_us << STEP_BITS) + NO_STEP,
        ]
    )
    edges.sort()
    at_us = edges >> STEP_BITS
    digits = np.cumsum(STEPS[edges & (1 << STEP_BITS) - 1])
    # what holds at an instant is what its last edge leaves
    held = np.flatnonzero((at_us[1:] > at_us[:-1]) & (digits[:-1] >> KNOWN & 1 == 1))
    return at_us[held] + first_us, digits[held]


def _merged(digit: Ints, begins_us: Ints, ends_us: Ints) -> Ints:
    """Return the edges of stretches of which those of one signal that overlap or touch are one."""
    edges = np.concatenate([(digit << DIGIT_AT) + 2 * begins_us, (digit << DIGIT_AT) + 2 * ends_us + 1])
    edges.sort()
    is_end = edges & 1
    standing = np.cumsum(1 - 2 * is_end)
    edges, is_end = edges[standing == 1 - is_end], is_end[standing == 1 - is_end]
    at_us = (edges & (1 << DIGIT_AT) - 1) >> 1
    found: Ints = (at_us << STEP_BITS) + 2 * (edges >> DIGIT_AT) + 1 - is_end
    return found


def _override(started_us: Ints, digits: Ints, told_us: Ints, override: Ints) -> Ints:
    """Return the override that was told last where it means something: the stream says that a program runs."""
    place = np.searchsorted(told_us, started_us, side="right") - 1
    means = (place >= 0) & (digits & RUNNING_OR_NOT == RUNNING)
    return np.where(means, override[place], NOT_TOLD) if told_us.size else np.full(started_us.size, NOT_TOLD)


def _limited(line: Line, until_us: int, looks: Looks, limit_us: int) -> Line:
    """Return the stretches with late ones, in a row, up to the limit; from there on they are something else."""
    is_late = np.array([look.is_late for look in looks.listed])
    late = np.flatnonzero(is_late[line.look])
    if not late.size:
        return line
    length_us = np.append(line.started_us, until_us)[late + 1] - line.started_us[late]
    is_first = np.diff(late, prepend=-2) > 1
    before_us = np.cumsum(length_us) - length_us
    left_us = np.maximum(limit_us - before_us + before_us[is_first][np.cumsum(is_first) - 1], 0)
    is_over = length_us > left_us
    over = late[is_over]
    too_late = np.array([looks.place(look.too_late) if look.is_late else 0 for look in tuple(looks.listed)])
    stays = np.ones(line.look.size, dtype=np.bool_)
    stays[late[left_us == 0]] = False
    started_us = np.concatenate([line.started_us[stays], line.started_us[over] + left_us[is_over]])
    order = np.argsort(started_us)
    return Line(
        started_us[order],
        np.concatenate([line.look[stays], too_late[line.look[over]]])[order],
        np.concatenate([line.override[stays], line.override[over]])[order],
    )


def _changes(line: Line) -> Line:
    """Return the stretches without those that go on like the one before."""
    is_new = np.ones(line.look.size, dtype=np.bool_)
    is_new[1:] = (line.look[1:] != line.look[:-1]) | (line.override[1:] != line.override[:-1])
    return Line(*(column[is_new] for column in line))


def _frame(place: int, line: Line, until_us: int) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "machine": np.full(line.look.size, place),
            "started_us": line.started_us,
            "ended_us": np.append(line.started_us[1:], until_us),
            "look": line.look,
            "override": line.override,
        },
        schema=NOTHING.schema,
    )


def _said(lines: pl.DataFrame, machines: list[str], looks: list[Look]) -> pl.DataFrame:
    """Return the stretches with words in place of numbers."""
    look = lines["look"]
    return lines.select(
        told_again(machines, lines["machine"]).alias("machine"),
        pl.col("started_us").cast(pl.Datetime("us", "UTC")).alias("started_at"),
        pl.col("ended_us").cast(pl.Datetime("us", "UTC")).alias("ended_at"),
        told_again([each.state for each in looks], look).alias("state"),
        pl.Series([each.planned for each in looks], dtype=pl.Boolean).gather(look).alias("planned"),
        told_again([each.detail for each in looks], look).alias("detail"),
        (pl.col("override").replace(NOT_TOLD, None) / 1000).alias("feed_override"),
        told_again([each.basis for each in looks], look).alias("basis"),
    )
