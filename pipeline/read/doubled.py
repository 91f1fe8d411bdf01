"""Which of the two readings of a doubled autumn time is meant: decided by the order of rows over a whole file.

A log of one machine runs one way, and its cycles do not overlap; a row that gives a start, an end and a duration
decides for itself. What none of this decides keeps its first reading and is flagged. A file that has such rows is read
once before, to its end, so that the chunks it happens to be read in decide nothing. It reads no clock times itself.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.read.localtime import Micros, set_backs
from pipeline.read.rows import AMBIGUOUS, START_COLUMNS, TIME_COLUMNS, TableRead
from schemas.vocabulary import InputKind

MAX_DISORDER: Final = 0.05  # share of steps against the main direction up to which a log counts as in order
SLACK_US: Final = 2_000_000  # rounded seconds and mixed sources: steps back this small say nothing
_NEAR_US: Final = 7 * 86_400_000_000  # how far from the night rows tell which way a log runs
_SMALL_US: Final = 3_600_000_000  # steps back of up to an hour are what the change of clocks could be mistaken for
_NONE: Final = np.int64(-(2**62))
_SHOWN_RANGES: Final = 5
_TOLD: Final = tuple(name for name in TIME_COLUMNS if name != "row_number")
_READING_COLUMNS: Final[dict[str, pl.DataType]] = {
    "row_number": pl.Int64(),
    "second": pl.Boolean(),
    "end_second": pl.Boolean(),
    "undecided": pl.Boolean(),
}

Flags = NDArray[np.bool_]


def with_readings_decided(
    tables: Iterable[TableRead], again: Callable[[], Iterable[TableRead]], zone: str
) -> Iterator[TableRead]:
    """Yield the tables of a file with doubled times at the reading that is meant; `again` reads the file anew."""
    readings: pl.DataFrame | None = None
    for table in tables:
        doubled = _doubled_rows(table)
        if doubled is None:
            yield table if table.times is None else replace(table, times=None)
            continue
        notes: tuple[str, ...] = ()
        if readings is None:
            readings = _Nights(*set_backs(zone)).decide(again())
            open_ = readings.filter("undecided")["row_number"].to_list()
            notes = (ambiguous_note(open_),) if open_ else ()
        yield _at_readings(table, doubled.join(readings, on="row_number", how="left"), notes)


def _doubled_rows(table: TableRead) -> pl.DataFrame | None:
    """Return what is told of the times of the rows that have a doubled one, None where no row has."""
    if table.times is None:
        return None
    doubled = table.times.filter((pl.col("start_later_us") > 0) | (pl.col("end_later_us") > 0))
    return doubled if doubled.height else None


def ambiguous_note(rows: list[int]) -> str:
    """Return the note about doubled autumn times that nothing decides."""
    text = (
        f"{len(rows):,} ambiguous times kept at their first reading"
        if len(rows) > 1
        else "1 ambiguous time kept at its first reading"
    )
    return f"{text} (row{'s' * (len(rows) > 1)} {_ranges(rows)})"


def _ranges(rows: list[int]) -> str:
    numbers = np.sort(np.array(rows))
    parts = np.split(numbers, np.flatnonzero(np.diff(numbers) > 1) + 1)
    texts = [f"{part[0]} to {part[-1]}" if len(part) > 1 else f"{part[0]}" for part in parts[:_SHOWN_RANGES]]
    return ", ".join(texts) + (" ..." if len(parts) > _SHOWN_RANGES else "")


@dataclass(frozen=True)
class _Rows:
    """Rows of one machine around one change, in file order; times in microseconds."""

    place: Micros  # running number among the machine's rows near a change
    number: Micros  # row number in the file
    night: Micros  # index of the change
    start: Micros
    start_later: Micros  # 0: the start has one reading
    end: Micros  # _NONE: there is no end
    end_later: Micros
    follows: Flags  # the end has the reading of the start
    length: Micros  # a duration beside both times; _NONE: there is none

    def take(self, which: Flags | Micros) -> _Rows:
        return _Rows(**{name: values[which] for name, values in vars(self).items()})

    def endless(self) -> _Rows:
        none, nought = np.full_like(self.end, _NONE), np.zeros_like(self.end_later)
        return replace(self, end=none, end_later=nought, follows=np.zeros_like(self.follows))

    @staticmethod
    def concat(parts: list[_Rows]) -> _Rows:
        return _Rows(**{name: np.concatenate([vars(part)[name] for part in parts]) for name in vars(parts[0])})


@dataclass
class _Log:
    """What is known of one machine's rows near the changes: which way they run, and how strictly."""

    of_states: bool = False  # one row may be several items with one end: starts alone tell the order
    rows: int = 0
    rises: int = 0
    falls: int = 0
    most_risen: int = 0  # of rises of up to an hour: what a falling log has of disorder
    most_fallen: int = 0
    overlaps: int = 0
    most_overlap: int = 0
    last: _Rows | None = None
    nights: list[_Rows] = field(default_factory=list)

    @property
    def directions(self) -> tuple[bool, ...]:
        """Which ways the log may run (falling?): both where no row tells, none where they contradict each other."""
        if min(self.rises, self.falls) > MAX_DISORDER * (self.rises + self.falls):
            return ()
        return (False, True) if self.rises == self.falls else (self.falls > self.rises,)

    @property
    def ends_speak(self) -> bool:
        return self.overlaps <= MAX_DISORDER * (self.rises + self.falls)

    def slack(self, falling: bool) -> int:
        own = self.most_risen if falling else self.most_fallen
        return max(SLACK_US, own, self.most_overlap if self.ends_speak else 0)

    def learn(self, rows: _Rows) -> None:
        """Take in the steps from each row to the next, one into the first of these rows from the last ones included."""
        seen = rows if self.last is None else _Rows.concat([self.last, rows])
        self.last = rows.take(np.array([len(rows.place) - 1]))
        a, b = seen.take(np.arange(len(seen.place) - 1)), seen.take(np.arange(1, len(seen.place)))
        doubled = (a.start_later > 0) | (b.start_later > 0)
        open_ = (a.night == b.night) & (a.night >= 0) & doubled  # either reading may put one before the other
        step = np.where(open_, 0, b.start - a.start)
        self.rises += int((step > 0).sum())
        self.falls += int((step < 0).sum())
        self.most_risen = max(self.most_risen, _most(step, _SMALL_US))
        self.most_fallen = max(self.most_fallen, _most(-step, _SMALL_US))
        over = np.where(step > 0, a.end - b.start, np.where(step < 0, b.end - a.start, 0))
        over = np.where((a.end_later > 0) | (b.end_later > 0), 0, over)
        self.overlaps += int((over > SLACK_US).sum())
        self.most_overlap = max(self.most_overlap, _most(over, _SMALL_US))


def _most(values: Micros, limit: int) -> int:
    return int(values[(values > 0) & (values <= limit)].max(initial=0))


@dataclass
class _Nights:
    """The rows of a file around the changes of the clock."""

    changes: Micros
    amounts: Micros
    logs: dict[tuple[InputKind, str], _Log] = field(default_factory=dict)

    def decide(self, tables: Iterable[TableRead]) -> pl.DataFrame:
        """Return for rows around the changes whether start and end are second readings, and what nothing decides."""
        for table in tables:
            self._take(table)
        frames = [self._decide(log) for log in self.logs.values() if log.nights]
        return pl.concat([pl.DataFrame(schema=_READING_COLUMNS), *frames])

    def _take(self, table: TableRead) -> None:
        if table.kind not in START_COLUMNS or not len(self.changes) or not table.rows.height:
            return
        near = self._near(table.rows[START_COLUMNS[table.kind]].to_physical())
        if near is None:
            return
        rows = _with_times(table.rows.filter(near), table)
        for key, part in rows.partition_by("machine", as_dict=True, include_key=False).items():
            log = self.logs.setdefault((table.kind, str(key[0])), _Log(of_states=table.kind == "event"))
            self._learn(log, part)

    def _near(self, start: pl.Series) -> pl.Series | None:
        """Return which rows lie within days of a change, None where none does."""
        low, high = start.min(), start.max()
        if not isinstance(low, int) or not isinstance(high, int):
            return None
        first = np.searchsorted(self.changes, low - _NEAR_US)
        last = np.searchsorted(self.changes, high + _NEAR_US, side="right")
        if first == last:
            return None
        near = pl.lit(False)
        for change in self.changes[first:last].tolist():
            near = near | pl.col("at").is_between(change - _NEAR_US, change + _NEAR_US)
        return start.alias("at").to_frame().select(near).to_series()

    def _learn(self, log: _Log, part: pl.DataFrame) -> None:
        columns = {name: part[name].to_numpy().copy() for name in part.columns}
        place = np.arange(log.rows, log.rows + part.height, dtype=np.int64)
        night = np.full(part.height, -1, dtype=np.int64)
        rows = _Rows(place=place, night=night, **columns)
        night[:] = self._night_of(rows)
        log.rows += part.height
        log.learn(rows.endless() if log.of_states else rows)
        if (inside := night >= 0).any():
            log.nights.append(rows.take(inside))

    def _night_of(self, rows: _Rows) -> Micros:
        """Return the change around which a row lies: one of its times is doubled by it, or within its two hours."""
        last = len(self.changes) - 1
        after = np.minimum(np.searchsorted(self.changes, rows.start), last)
        before = np.maximum(after - 1, 0)
        is_after = np.abs(self.changes[after] - rows.start) <= np.abs(self.changes[before] - rows.start)
        nearest = np.where(is_after, after, before)
        inside = self._inside(rows.start, nearest) | self._inside(rows.end, nearest)
        night = np.where(inside, nearest, -1)
        of_end = np.minimum(np.searchsorted(self.changes, rows.end, side="right"), last)
        night = np.where(rows.end_later > 0, of_end, night)
        of_start = np.minimum(np.searchsorted(self.changes, rows.start, side="right"), last)
        return np.where(rows.start_later > 0, of_start, night).astype(np.int64)

    def _inside(self, at: Micros, night: Micros) -> Flags:
        change, amount = self.changes[night], self.amounts[night]
        return np.asarray((at >= change - amount) & (at < change + amount))

    def _decide(self, log: _Log) -> pl.DataFrame:
        rows = _Rows.concat(log.nights)
        second, end_second = np.zeros(len(rows.place), dtype=bool), np.zeros(len(rows.place), dtype=bool)
        undecided = np.zeros(len(rows.place), dtype=bool)
        known, by_length = _by_length(rows)
        told = known.endless() if log.of_states else known
        breaks = (np.diff(rows.place) > 1) | (np.diff(rows.night) != 0)
        for run in np.split(np.arange(len(rows.place)), np.flatnonzero(breaks) + 1):
            if not ((rows.start_later[run] > 0) | (rows.end_later[run] > 0)).any():
                continue
            part = told.take(run)
            night = part.night[0]
            window = (self.changes[night] - self.amounts[night], self.changes[night] + self.amounts[night])
            marks = _read_run(part, log, window)
            second[run] = by_length[run, 0] | marks.second[:, 0]
            end_second[run] = by_length[run, 1] | marks.second[:, 1]
            undecided[run] = marks.undecided.any(axis=1)
        if log.of_states:
            late, open_ = _by_next_state(known, second)
            end_second, undecided = by_length[:, 1] | late, undecided | open_
        columns = (rows.number, second, end_second, undecided)
        return pl.DataFrame(dict(zip(_READING_COLUMNS, columns, strict=True)), schema=_READING_COLUMNS)


def _with_times(rows: pl.DataFrame, table: TableRead) -> pl.DataFrame:
    """Return machine, number, times and other readings of rows as integers."""
    start, none = START_COLUMNS[table.kind], pl.lit(int(_NONE), dtype=pl.Int64)
    frame = rows.select(
        "machine",
        number="row_number",
        start=pl.col(start).to_physical(),
        end=pl.col("ended_at").to_physical().fill_null(none) if "ended_at" in rows.columns else none,
    )
    if table.times is None:
        blank = {"start_later": 0, "end_later": 0, "follows": False}
        return frame.with_columns(**{name: pl.lit(value) for name, value in blank.items()}, length=none).cast(
            {"start_later": pl.Int64, "end_later": pl.Int64}
        )
    return (
        frame.join(table.times, left_on="number", right_on="row_number", how="left", maintain_order="left")
        .rename(dict(zip(_TOLD, ("start_later", "end_later", "follows", "length"), strict=True)))
        .with_columns(
            pl.col("start_later", "end_later").fill_null(0),
            pl.col("follows").fill_null(False),
            pl.col("length", "end").fill_null(int(_NONE)),
        )
    )


def _by_length(rows: _Rows) -> tuple[_Rows, Flags]:
    """Settle the rows whose start, end and duration fit in one way only; return them and which are second readings."""
    second = np.zeros((len(rows.place), 2), dtype=bool)
    told = (rows.length != _NONE) & (rows.end != _NONE) & ~rows.follows
    if not told.any():
        return rows, second
    over = rows.end - rows.start - rows.length
    room = np.maximum(rows.start_later, rows.end_later) // 4
    only_start, only_end = (rows.end_later == 0), (rows.start_later == 0)
    fits = told & (np.abs(over) <= room)
    start_late = told & (rows.start_later > 0) & only_start & (np.abs(over - rows.start_later) <= room)
    end_late = told & (rows.end_later > 0) & (np.abs(over + rows.end_later) <= room)
    second[:, 0], second[:, 1] = start_late, end_late
    settled = start_late | end_late | (fits & (only_start | only_end))
    return (
        replace(
            rows,
            start=rows.start + np.where(start_late, rows.start_later, 0),
            end=rows.end + np.where(end_late, rows.end_later, 0),
            start_later=np.where(settled, 0, rows.start_later),
            end_later=np.where(settled, 0, rows.end_later),
            follows=rows.follows | (fits & ~settled),
        ),
        second,
    )


def _by_next_state(rows: _Rows, second: Flags) -> tuple[Flags, Flags]:
    """Return which ends of states are second readings, and of which nothing tells: another state begins at an end."""
    start = rows.start + np.where(second, rows.start_later, 0)
    begun = np.sort(start)

    def is_followed(end: Micros) -> Flags:
        at = np.minimum(np.searchsorted(begun, end - SLACK_US), len(begun) - 1)
        return np.asarray((np.abs(begun[at] - end) <= SLACK_US) & (end > start + SLACK_US))

    first, later = is_followed(rows.end), is_followed(rows.end + rows.end_later)
    is_open = (rows.end_later > 0) & ~rows.follows
    before = rows.end < start
    late = np.where(rows.follows, second & (rows.end_later > 0), is_open & (before | (later & ~first)))
    return late.astype(np.bool_), is_open & ~before & (first == later)


@dataclass(frozen=True)
class _Marks:
    """Starts and ends (two columns) of a run of rows: what is a second reading, and what nothing decides."""

    second: Flags
    undecided: Flags


def _read_run(rows: _Rows, log: _Log, window: tuple[int, int]) -> _Marks:
    """Decide the rows of one night that follow one another in the file."""
    doubled = np.stack([rows.start_later > 0, rows.end_later > 0], axis=1)
    read = [_one_way(rows, log, falling, window) for falling in log.directions]
    fitting = [marks for marks in read if marks is not None]
    if not fitting:
        return _Marks(np.zeros_like(doubled), doubled)
    second = fitting[0].second
    undecided = fitting[0].undecided
    for other in fitting[1:]:
        undecided = undecided | other.undecided | (second != other.second)
    return _Marks(second & ~undecided, undecided & doubled)


def _one_way(rows: _Rows, log: _Log, falling: bool, window: tuple[int, int]) -> _Marks | None:
    """Decide a run as if the log rose (or fell); None where it then contradicts itself.

    All first readings lie before all second ones, so that a log in order has one place where it passes from the ones
    to the others. Each place is weighed by how far rows would stand behind those before them.
    """
    order = np.arange(len(rows.place))[:: -1 if falling else 1]
    place = np.stack([order * 2, order * 2 + 1], axis=1).ravel()
    later = np.stack([rows.start_later, rows.end_later], axis=1).ravel()[place]
    at = np.stack([rows.start, rows.end], axis=1).ravel()[place]
    linked = np.stack([np.zeros_like(rows.follows), rows.follows & (rows.end_later > 0)], axis=1).ravel()[place]
    speaks = (later > 0) | ((at >= window[0]) & (at < window[1]))
    if not log.ends_speak:  # cycles of this machine overlap as a rule: only its own start orders an end
        speaks &= (place % 2 == 0) | linked
    place, later, at, linked = place[speaks], later[speaks], at[speaks], linked[speaks]
    second_at = at + later
    first_cost = np.maximum(at[:-1] - at[1:], 0)
    second_cost = np.maximum(second_at[:-1] - second_at[1:], 0)
    over_cost = np.concatenate([[0], np.maximum(at[:-1] - second_at[1:], 0), [0]])
    before = np.concatenate([[0, 0], np.cumsum(first_cost)])
    after = np.concatenate([np.cumsum(second_cost[::-1])[::-1], [0, 0]])
    cost = (before[: len(at) + 1] + over_cost[: len(at) + 1] + after[: len(at) + 1]).astype(np.int64)
    allowed = np.concatenate([~linked, [True]])
    slack = log.slack(falling)
    if (least := int(cost[allowed].min())) > slack:
        return None
    good = np.flatnonzero(allowed & (cost <= least + slack))
    rank = np.arange(len(at))
    second = np.zeros(2 * len(rows.place), dtype=bool)
    undecided = np.stack([np.zeros(len(rows.place), dtype=bool), rows.end_later > 0], axis=1).ravel()
    second[place] = (rank >= good[-1]) & (later > 0)
    undecided[place] = (rank >= good[0]) & (rank < good[-1]) & (later > 0)
    if not log.ends_speak:
        own = second[0::2] & (rows.end_later > 0)
        turned = (rows.end_later > 0) & (rows.end < rows.start)
        second[1::2] |= own | turned
        undecided[1::2] &= ~(own | turned)
    return _Marks(second.reshape(-1, 2), undecided.reshape(-1, 2))


def _at_readings(table: TableRead, readings: pl.DataFrame, notes: tuple[str, ...]) -> TableRead:
    """Return a table with its doubled times where they belong, and flags where nothing decides."""
    rows = table.rows.join(readings, on="row_number", how="left", maintain_order="left")
    moved = {START_COLUMNS[table.kind]: ("start_later_us", "second")}
    if "ended_at" in table.rows.columns:
        moved["ended_at"] = ("end_later_us", "end_second")
    placed = rows.with_columns(
        pl.col(name) + pl.duration(microseconds=pl.when(second).then(later).otherwise(0))
        for name, (later, second) in moved.items()
    )
    flags = rows.filter("undecided").select("row_number", "line", flag=pl.lit(AMBIGUOUS))
    return replace(table, rows=placed.select(table.rows.columns), notes=(*table.notes, *notes), flags=flags, times=None)
