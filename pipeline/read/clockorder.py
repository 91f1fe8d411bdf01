"""What the order of a file's rows tells of its clocks: steps back, stretches with a wrong clock, overlaps, drift.

It speaks of logs that run one way but for a few places, and is silent where something else than a clock explains what
it sees: late lines, last known values sent again, lists sorted by a column. It changes no row and judges no zone.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Final, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.read.events import UNAVAILABLE
from pipeline.read.localtime import Micros
from pipeline.read.rows import START_COLUMNS, TableRead, row_columns
from schemas.vocabulary import InputKind

SECOND_US: Final = 1_000_000
HOUR_US: Final = 3_600 * SECOND_US
DAY_US: Final = 24 * HOUR_US
SLACK_US: Final = 2 * SECOND_US  # rounded seconds and mixed sources
OVERLAP_US: Final = 60 * SECOND_US  # durations may be whole minutes
MAX_DISORDER: Final = 0.05  # share of steps back up to which a log counts as in order; one is always allowed
LEAST_STEPS: Final = 10  # fewer rows tell nothing of order
LEAST_WRONG_ROWS: Final = 3  # fewer rows with a time far off are rows out of place
LOOK_ROWS: Final = 1_000  # how far ahead a log may go on before it is back where it was
NEAR_ROWS: Final = 50  # how far from a step the connection may have been lost
MOST_STEPS: Final = 10_000  # of one machine and file: more are no matter of its clock
LEAST_DRIFT_ROWS: Final = 40
_MACHINES: Final = 5  # that notes are given for
_STRETCHES: Final = 3
_UNORDERED: Final = ("streams xml",)  # observations stand by component and item, not by time
_SORT_COLUMNS: Final[dict[InputKind, tuple[str, ...]]] = {
    "cycle": ("program", "job", "operation", "outcome"),
    "tool_change": ("tool", "program"),
    "edge_change": ("tool", "reason"),
    "event": ("item",),
}


def with_clock_notes(tables: Iterable[TableRead], shape: str) -> Iterator[TableRead]:
    """Yield the tables of a file, and behind them an empty one that bears the notes about its clocks."""
    if shape in _UNORDERED:
        yield from tables
        return
    logs: dict[tuple[InputKind, str], _Log] = {}
    for table in tables:
        if table.kind in START_COLUMNS and table.rows.height:
            unit = "row" if table.rows["line"].null_count() else "line"
            for machine, rows in _by_machine(_seen(table, shape)):
                log = logs.setdefault((table.kind, machine), _Log(table.kind, shape == "adapter text", unit))
                log.feed(rows)
        yield table
    for log in logs.values():
        log.finish()
    for kind in START_COLUMNS:
        if notes := tuple(_told({machine: log for (of, machine), log in sorted(logs.items()) if of == kind})):
            yield TableRead(kind, pl.DataFrame(schema=row_columns(kind)), 0, notes=notes)


def _told(logs: dict[str, _Log]) -> Iterator[str]:
    told = {machine: notes for machine, log in logs.items() if (notes := log.notes(machine))}
    for notes in list(told.values())[:_MACHINES]:
        yield from notes
    if len(told) > _MACHINES:
        yield f"the clocks of {len(told) - _MACHINES} more machines show the like"


def _seen(table: TableRead, shape: str) -> pl.DataFrame:
    """Return machine, place and times of the rows of a table whose times are sure, and what else order is told by."""
    kind = table.kind
    wanted = {"start": pl.col(START_COLUMNS[kind]).to_physical(), "place": pl.coalesce("line", "row_number")}
    if kind == "cycle":
        wanted["end"] = pl.col("ended_at").to_physical()
    if kind == "event":
        wanted["identity"] = pl.coalesce("data_item_id", "item")
        wanted["lost"] = (pl.col("value") == UNAVAILABLE).fill_null(False)
    if shape != "adapter text":
        wanted |= {name: pl.col(name) for name in _SORT_COLUMNS[kind]}
    if table.times is None:
        length = {"length": pl.lit(None, dtype=pl.Int64)} if kind == "cycle" else {}
        return table.rows.select("machine", **wanted, **length)
    times = table.times.select(
        "row_number", length="length_us", doubled=pl.max_horizontal("start_later_us", "end_later_us")
    )
    rows = table.rows.select("machine", "row_number", **wanted)
    joined = rows.join(times, on="row_number", how="left", maintain_order="left")
    return joined.filter(pl.col("doubled").fill_null(0) == 0).drop(
        "row_number", "doubled", *(() if kind == "cycle" else ("length",))
    )


def _by_machine(rows: pl.DataFrame) -> Iterator[tuple[str, pl.DataFrame]]:
    machine = rows["machine"]
    if rows.height and (machine == machine[0]).all():
        yield str(machine[0]), rows
        return
    for (name, *_), part in rows.partition_by("machine", as_dict=True).items():
        yield str(name), part


class _Step(NamedTuple):
    """A step from one row to the next, as the log runs: back, or over an hour on."""

    row: int  # running number of the row after it
    before: int
    after: int
    last_place: int  # of the row before it
    place: int
    is_explained: bool = False  # by lines that came late or were sent again
    is_notice: bool = False  # of a lost connection, by a clock that is behind the log
    is_at_reconnect: bool = False

    @property
    def size(self) -> int:
        return abs(self.after - self.before)


@dataclass
class _Log:
    """The rows of one machine in one file, in file order. Times in microseconds, counted as the log runs."""

    kind: InputKind
    is_stream: bool
    unit: str  # what places are numbers of: lines, or rows where the file has none
    sign: int = 0  # 1: the log rises; -1: it falls; 0: not known yet
    rows: int = 0  # taken in so far; `kept` begins with some of them
    done: int = 0  # how many of the rows in `kept` are taken in
    kept: pl.DataFrame | None = None
    backs: list[_Step] = field(default_factory=list)
    leaps: list[_Step] = field(default_factory=list)
    changes: dict[str, int] = field(default_factory=dict)  # of a column's value, from row to row
    changes_at_backs: dict[str, int] = field(default_factory=dict)
    pairs: int = 0
    overlaps: int = 0
    most_overlap: int = 0
    first_overlap: int = 0
    differences: list[Micros] = field(default_factory=list)  # end - start - duration, where a row gives all three
    lengths: list[Micros] = field(default_factory=list)

    def feed(self, rows: pl.DataFrame) -> None:
        """Take in the next rows of the file, except the last few, whose like is known when more have come."""
        if len(self.backs) > MOST_STEPS:
            return
        rows = rows if self.kept is None else pl.concat([self.kept, rows])
        ready = rows.height - LOOK_ROWS
        if ready <= self.done or not (self.sign or rows.height >= 2 * LOOK_ROWS):
            self.kept = rows
            return
        self._take_in(rows, ready)
        first = max(0, ready - NEAR_ROWS)
        kept = rows.slice(first)  # with texts of its own: a slice keeps the memory of all that it is cut from
        self.kept, self.done = pl.DataFrame(kept.to_dict(as_series=False), schema=kept.schema), ready - first

    def finish(self) -> None:
        """Take in the last rows."""
        if self.kept is not None and len(self.backs) <= MOST_STEPS:
            self._take_in(self.kept, self.kept.height)
        self.kept = None

    def _take_in(self, rows: pl.DataFrame, ready: int) -> None:
        start = rows["start"].to_numpy()
        first = self.done
        if not self.sign:
            opening = np.diff(start[: 2 * LOOK_ROWS])
            self.sign = -1 if int((opening < 0).sum()) > int((opening > 0).sum()) else 1
            first = min(ready, self._head(rows))
        at = start * self.sign
        step = np.diff(at[max(first - 1, 0) : ready])
        offset = max(first, 1)  # row of the first step
        base = self.rows - self.done
        self.rows = base + ready
        backs = np.flatnonzero(step < -SLACK_US) + offset
        for back in backs[: MOST_STEPS + 1 - len(self.backs)].tolist():
            self.backs.append(self._step(rows, at, back, base))
        self.leaps += [self._step(rows, at, leap, base) for leap in (np.flatnonzero(step > HOUR_US) + offset).tolist()]
        self._count_changes(rows, backs, offset, ready)
        if self.kind == "cycle":
            self._compare_cycles(rows, at, offset, ready)
            self._compare_lengths(rows.slice(self.done, ready - self.done))

    def _head(self, rows: pl.DataFrame) -> int:
        """Return how many rows open a stream with last known values: those before any item comes again."""
        if self.kind != "event":
            return 0
        again = ~rows["identity"].head(2 * LOOK_ROWS).is_first_distinct()
        found = again.arg_max() if again.any() else None
        return rows.height if found is None else found

    def _step(self, rows: pl.DataFrame, at: Micros, row: int, base: int) -> _Step:
        before, after = int(at[row - 1]), int(at[row])
        step = _Step(base + row, before, after, int(rows["place"][row - 1]), int(rows["place"][row]))
        if after > before:
            return step
        late = self._late_rows(rows, at, row)
        if self.kind != "event":
            return step._replace(is_explained=late > 0)
        near = rows["lost"].slice(max(row - NEAR_ROWS, 0), min(row, NEAR_ROWS) + NEAR_ROWS)
        is_notice = bool(late and rows["lost"].slice(row, late).all()) and not self._is_sent_again(rows, row)
        return step._replace(is_explained=late > 0, is_notice=is_notice, is_at_reconnect=bool(near.any()))

    def _late_rows(self, rows: pl.DataFrame, at: Micros, row: int) -> int:
        """Return how many rows from a step back on came late or were sent again, 0 where a clock was set back.

        Last known values bear one time each, and the log goes on behind them; a clock runs on from where it was set,
        and items come at other times before it is where it was. In a list, a few rows stand out of place.
        """
        ahead = at[row : row + LOOK_ROWS]
        back = np.flatnonzero(ahead >= at[row - 1])
        late = int(back[0]) if len(back) else len(ahead)
        if self.kind == "event":
            known = rows.slice(row, late).select("identity", "start").unique()
            return late if known["identity"].is_unique().all() else 0
        leap = int(ahead[late] - ahead[late - 1]) if len(back) else 0
        return late if late < LEAST_WRONG_ROWS and leap >= int(at[row - 1] - at[row]) else 0

    def _is_sent_again(self, rows: pl.DataFrame, row: int) -> bool:
        before = rows.slice(max(row - NEAR_ROWS, 0), min(row, NEAR_ROWS)).filter("lost")
        return rows.select("identity", "start").row(row) in before.select("identity", "start").rows()

    def _count_changes(self, rows: pl.DataFrame, backs: NDArray[np.int64], offset: int, ready: int) -> None:
        """Count how often the columns change that a list may be sorted by, and how often just where it steps back."""
        for name in _SORT_COLUMNS[self.kind]:
            if name not in rows.columns:
                continue
            values = rows[name].slice(offset - 1, ready - offset + 1)
            changed = values.ne_missing(values.shift())
            count = int(changed.slice(1).sum())
            at_backs = int(changed.gather(backs - offset + 1).sum()) if len(backs) else 0
            self.changes[name] = self.changes.get(name, 0) + count
            self.changes_at_backs[name] = self.changes_at_backs.get(name, 0) + at_backs

    def _compare_cycles(self, rows: pl.DataFrame, at: Micros, offset: int, ready: int) -> None:
        """Count the cycles that start before the one before them has ended, the same cycle twice excepted."""
        start, end = rows["start"].to_numpy()[offset - 1 : ready], rows["end"].to_numpy()[offset - 1 : ready]
        if len(start) < 2:
            return
        soon, late = (slice(None, -1), slice(1, None)) if self.sign > 0 else (slice(1, None), slice(None, -1))
        over = end[soon] - start[late]
        runs_on = (at[offset:ready] >= at[offset - 1 : ready - 1]) & ~(
            (start[soon] == start[late]) & (end[soon] == end[late])
        )
        found = np.flatnonzero(runs_on & (over > OVERLAP_US))
        self.pairs += len(over)
        if not len(found):
            return
        self.overlaps += len(found)
        self.most_overlap = max(self.most_overlap, int(over[found].max()))
        if not self.first_overlap:
            self.first_overlap = int(rows["place"][offset + int(found[0]) - (self.sign < 0)])

    def _compare_lengths(self, rows: pl.DataFrame) -> None:
        told = rows.filter(pl.col("length").is_not_null()).select("length", over=pl.col("end") - pl.col("start"))
        if told.height:
            self.lengths.append(told["length"].to_numpy())
            self.differences.append((told["over"] - told["length"]).to_numpy())

    def notes(self, machine: str) -> list[str]:
        """Return what is to be told, nothing where the log is in no order."""
        notes = self._of_drift(machine)
        steps = self.rows - 1
        if steps < LEAST_STEPS or len(self.backs) > max(1, MAX_DISORDER * steps) or len(self.backs) > MOST_STEPS:
            return notes
        if not self._is_sorted_by_a_column():
            wrong = self._wrong_stretches()
            notes = [*self._of_stretches(machine, wrong), *self._of_steps(machine, wrong), *notes]
        if self.overlaps:
            notes.append(
                f"{self.overlaps:,} of {self.pairs + 1:,} cycles of {machine} start before the one before has ended, "
                f"by up to {_span(self.most_overlap)}, first at {self.unit} {self.first_overlap}"
            )
        return notes

    def _is_sorted_by_a_column(self) -> bool:
        return any(
            count and 2 * self.changes_at_backs.get(name, 0) >= count for name, count in self.changes.items()
        ) and bool(self.backs)

    def _wrong_stretches(self) -> dict[int, tuple[_Step, _Step]]:
        """Return the stretches off by an hour and more, by the row of their step back: between it and a like leap.

        Between what the clock showed at both ends lies what it was off by: at least the step back, at most the leap.
        """
        large = [back for back in self.backs if back.size >= HOUR_US and not back.is_explained]
        found: dict[int, tuple[_Step, _Step]] = {}
        taken: set[int] = set()
        edges = [-1, *(back.row for back in large), self.rows + 1]
        leaps = np.array([leap.row for leap in self.leaps], dtype=np.int64)
        for number, back in enumerate(large):
            low, high = np.searchsorted(leaps, [edges[number], edges[number + 2]])
            for leap in self.leaps[low:high]:
                first, last = sorted((back, leap), key=lambda step: step.row)
                fits = (
                    leap.before <= back.after <= leap.after
                    if leap.row < back.row
                    else back.after <= leap.before and leap.after >= back.before
                )
                room = leap.size - back.size
                if (
                    fits
                    and leap.row not in taken
                    and 0 <= room <= min(back.size // 4, 3 * DAY_US)
                    and last.row - first.row >= LEAST_WRONG_ROWS
                ):
                    found[back.row] = (back, leap)
                    taken.add(leap.row)
                    break
        return found

    def _of_stretches(self, machine: str, wrong: dict[int, tuple[_Step, _Step]]) -> Iterator[str]:
        for back, leap in list(wrong.values())[:_STRETCHES]:
            first, last = sorted((back, leap), key=lambda step: step.row)
            way = "ahead" if (leap.row < back.row) == (self.sign > 0) else "behind"
            yield (
                f"the clock of {machine} was about {_span((back.size + leap.size) / 2)} {way} "
                f"between {self.unit} {first.place} and {last.last_place}"
            )
        if len(wrong) > _STRETCHES:
            yield f"the clock of {machine} was wrong in {len(wrong) - _STRETCHES} more stretches"

    def _of_steps(self, machine: str, wrong: dict[int, tuple[_Step, _Step]]) -> Iterator[str]:
        limit = DAY_US if self.is_stream else HOUR_US
        told = [b for b in self.backs if not b.is_explained and b.row not in wrong and b.size < limit]
        if told:
            lost = sum(back.is_at_reconnect for back in told)
            once = "" if len(told) == 1 else "once "
            often = once if lost == 1 else "each time " if lost == len(told) else f"{lost:,} times "
            reconnect = f", {often}where the connection was lost" if lost else ""
            yield f"the clock of {machine} stepped back {self._how_often(told)}{reconnect}"
        if notices := [back for back in self.backs if back.is_notice and back.size < HOUR_US]:
            yield (
                f"lost connections of {machine} are noted by another clock than its log's, which is behind: "
                f"{self._how_often(notices)}"
            )

    def _how_often(self, steps: list[_Step]) -> str:
        least, most = (_span(end(step.size for step in steps)) for end in (min, max))
        if len(steps) == 1:
            return f"by {most} at {self.unit} {steps[0].place}"
        by = most if least == most else f"{least} to {most}"
        return f"{len(steps):,} times by {by}, first at {self.unit} {steps[0].place}"

    def _of_drift(self, machine: str) -> list[str]:
        """Tell of starts and ends that grow apart from the durations beside them, by the middle of each quarter."""
        count = sum(map(len, self.differences))
        if count < LEAST_DRIFT_ROWS:
            return []
        difference = np.concatenate(self.differences)[:: self.sign or 1]
        quarters = np.array_split(difference, 4)
        middle = [float(np.median(part)) for part in quarters]
        spread = sum(float(np.median(np.abs(part - np.median(part)))) for part in (quarters[0], quarters[-1]))
        grown = np.diff(middle)
        total = middle[-1] - middle[0]
        length = float(np.median(np.concatenate(self.lengths)))
        is_growing = bool((grown > 0).all() or (grown < 0).all()) and abs(middle[-1]) > abs(middle[0])
        if not is_growing or abs(total) < max(5 * SECOND_US, length / 100, 3 * spread):
            return []
        return [
            f"start and end of the cycles of {machine} drift away from their duration: by {_signed(middle[0])} in the "
            f"first quarter of the rows, by {_signed(middle[-1])} in the last"
        ]


def _span(us: float) -> str:
    """Return a length of time in its two largest units."""
    seconds = round(us / SECOND_US)
    if seconds >= 400 * 86_400:
        return f"{seconds / 86_400 / 365.25:.1f} years"
    unit = 3600 if seconds >= 86_400 else 60 if seconds >= 3600 else 1
    seconds = round(seconds / unit) * unit
    parts = [(seconds // 86_400, "d"), (seconds // 3600 % 24, "h"), (seconds // 60 % 60, "min"), (seconds % 60, "s")]
    return " ".join(f"{count} {unit}" for count, unit in parts if count) or "0 s"


def _signed(us: float) -> str:
    return f"-{_span(-us)}" if us <= -SECOND_US / 2 else _span(us)
