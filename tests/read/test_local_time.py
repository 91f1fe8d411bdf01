"""Clock times through the nights of clock changes, against plain Python's zones and every possible reading."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import accumulate, pairwise, product
from zoneinfo import ZoneInfo, available_timezones

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.read.localtime import resolve, set_backs

ODD_ZONES = (
    "Europe/Madrid",
    "America/Chicago",
    "Australia/Lord_Howe",  # half an hour
    "Africa/Casablanca",  # back and forth around Ramadan
    "America/Santiago",  # at midnight
    "Asia/Beirut",
    "Africa/Cairo",
    "America/Havana",
    "Asia/Tehran",
    "America/St_Johns",  # one minute past midnight until 2011
    "Antarctica/Troll",  # two hours
    "Asia/Pyongyang",  # half an hour, once
    "America/Caracas",
)
YEARS = (1992, 2024)  # later changes may differ between two editions of the zone database


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(UTC)


@cache
def changes_back(zone: str) -> tuple[tuple[datetime, timedelta], ...]:
    """When the clocks of a zone go back, and by how much: a walk in plain Python."""
    place, found = ZoneInfo(zone), []
    at = datetime(YEARS[0], 1, 1, tzinfo=UTC)
    step = timedelta(hours=6)
    while at.year <= YEARS[1]:
        if (was := offset(at, place)) > offset(at + step, place):
            low, high = at, at + step
            while high - low > timedelta(seconds=1):
                middle = low + timedelta(seconds=(high - low).total_seconds() // 2)
                low, high = (middle, high) if offset(middle, place) == was else (low, middle)
            found.append((high, was - offset(high, place)))
        at += step
    return tuple(found)


def offset(at: datetime, place: ZoneInfo) -> timedelta:
    return at.astimezone(place).utcoffset() or timedelta()


def shown(at: datetime, zone: str) -> datetime:
    return at.astimezone(ZoneInfo(zone)).replace(tzinfo=None)


def readings(clock: datetime, zone: str) -> list[datetime]:
    """Every instant at which the clock showed this, earliest first."""
    both = {clock.replace(tzinfo=ZoneInfo(zone), fold=fold).astimezone(UTC) for fold in (0, 1)}
    return sorted(at for at in both if shown(at, zone) == clock)


@pytest.mark.parametrize("zone", ODD_ZONES)
def test_the_clocks_go_back_when_plain_python_says_so(zone):
    """Instants and amounts, from 1992 to 2024."""
    at, amount = set_backs(zone)
    ours = [
        (datetime.fromtimestamp(us / 1e6, UTC), timedelta(microseconds=by))
        for us, by in zip(at.tolist(), amount.tolist(), strict=True)
    ]

    assert [change for change in ours if YEARS[0] <= change[0].year <= YEARS[1]] == list(changes_back(zone))


def test_the_zone_database_knows_the_clocks_for_decades_to_come():
    """A rule that holds today is taken to hold on."""
    assert datetime.fromtimestamp(set_backs("Europe/Madrid")[0][-1] / 1e6, UTC).year >= 2090
    assert len(set_backs("UTC")[0]) == len(set_backs("Asia/Tokyo")[0]) == 0


@given(st.sampled_from(sorted(available_timezones() - {"localtime", "Factory"})), st.data())
def test_each_clock_time_is_read_as_plain_python_reads_it(zone, data):
    """Skipped, plain and doubled times, near changes and anywhere, in any zone."""
    near = [at for at, _ in changes_back(zone)] or [datetime(2020, 1, 1, tzinfo=UTC)]
    minutes = st.integers(-600, 600)
    clocks = [
        shown(data.draw(st.sampled_from(near)), zone) + timedelta(days=days, minutes=data.draw(minutes))
        for days in data.draw(st.lists(st.sampled_from([0, 0, 0, 60, 150, 181, 182, 183]), min_size=1, max_size=6))
    ]
    found = resolve(pl.Series(clocks, dtype=pl.Datetime("us")), zone)

    for clock, at, skipped, later_us in zip(clocks, found.at, found.skipped, found.later_us, strict=True):
        possible = readings(clock, zone)
        assert skipped == (not possible)
        assert at == (possible[0] if possible else None)
        assert timedelta(microseconds=later_us) == (possible[-1] - possible[0] if possible else timedelta())


@dataclass(frozen=True)
class Log:
    """Cycles of one machine as they were, and how the export writes them."""

    zone: str
    cycles: list[tuple[datetime, datetime]]
    falling: bool
    columns: str  # "ends", "durations", "both"
    offsets: list[bool]  # rows that give their offset

    def lines(self, machine: str = "M1") -> list[str]:
        rows = []
        for (start, end), has_offset in zip(self.cycles, self.offsets, strict=True):
            place = ZoneInfo(self.zone)
            texts = [
                at.astimezone(place).isoformat() if has_offset else str(shown(at, self.zone)) for at in (start, end)
            ]
            length = str(int((end - start).total_seconds()))
            rows.append(
                f"{machine},O1,{texts[0]},{'' if self.columns == 'durations' else texts[1]},"
                f"{'' if self.columns == 'ends' else length}"
            )
        return rows[::-1] if self.falling else rows

    def possible(self) -> list[list[tuple[datetime, datetime]]]:
        """Return every way to read the rows in which no cycle starts before the one before it has ended."""
        options = []
        for (start, end), has_offset in zip(self.cycles, self.offsets, strict=True):
            starts = [start] if has_offset else readings(shown(start, self.zone), self.zone)
            ends = [end] if has_offset else readings(shown(end, self.zone), self.zone)
            length = end - start
            if self.columns == "durations":
                options.append([(at, at + length) for at in starts])
            else:
                known = self.columns == "both"
                options.append([(a, b) for a, b in product(starts, ends) if a <= b and (not known or b - a == length)])
        return [list(way) for way in product(*options) if all(a[1] <= b[0] for a, b in pairwise(way))]


HEAD = "machine,program,started_at,ended_at,duration_s"


@st.composite
def logs(draw: st.DrawFn, most: int = 6) -> Log:
    """Cycles through the night of a change, one before and one after it."""
    zone = draw(st.sampled_from(ODD_ZONES))
    change, amount = draw(st.sampled_from(changes_back(zone)))
    span = int(amount.total_seconds() // 60)
    steps = draw(st.lists(st.integers(1, span // 2), min_size=2, max_size=2 * most).filter(lambda s: len(s) % 2 == 0))
    at = change - amount + timedelta(minutes=draw(st.integers(-span // 2, span)))
    marks = [at + timedelta(minutes=passed) for passed in accumulate(steps)]
    early, late = change - timedelta(hours=9), max(marks[-1], change) + timedelta(hours=9)
    minute = timedelta(minutes=1)
    cycles = [(early, early + minute), *zip(marks[::2], marks[1::2], strict=True), (late, late + minute)]
    offsets = draw(st.lists(st.sampled_from([False] * 5 + [True]), min_size=len(cycles), max_size=len(cycles)))
    columns = draw(st.sampled_from(["ends", "durations", "both"]))
    return Log(zone, cycles, draw(st.booleans()), columns, offsets)


def instants(whole) -> list[tuple[datetime, datetime]]:
    return whole.rows.select("started_at", "ended_at").rows()


def flagged(whole) -> set[int]:
    flags = pl.concat([table.flags for table in whole.tables])
    assert set(flags["flag"]) <= {"ambiguous time"}
    return set(flags["row_number"])


def expected(log: Log) -> Iterator[tuple[tuple[datetime, datetime] | None, tuple[datetime, datetime]]]:
    """Yield for each row of the file the reading that all possible ways share, or None, and what the row was."""
    ways = log.possible()
    rows = [
        (ways[0][at] if all(way[at] == ways[0][at] for way in ways) else None, log.cycles[at])
        for at in range(len(log.cycles))
    ]
    yield from reversed(rows) if log.falling else rows


@given(logs())
def test_rows_are_decided_where_one_reading_alone_is_possible(read, log):
    """By order, by cycles that do not overlap, by durations, by rows with an offset; else kept, first, and flagged."""
    whole = read("\n".join([HEAD, *log.lines()]), timezone=log.zone)
    flags = flagged(whole)

    for number, (got, (sure, truth)) in enumerate(zip(instants(whole), expected(log), strict=True), start=1):
        assert (number in flags) == (sure is None)
        if sure is None:
            clocks = [shown(at, log.zone) for at in truth]
            assert got[0] == readings(clocks[0], log.zone)[0]
        else:
            assert got == sure == truth


@given(logs(), logs(), st.integers(40, 400))
def test_the_chunks_in_which_a_file_is_read_decide_nothing(read, one, other, block_bytes):
    """Two machines in one file, their rows mixed; small blocks or one."""
    lines = [line for pair in zip(one.lines("M1"), other.lines("M2"), strict=False) for line in pair]
    text = "\n".join([HEAD, *lines])
    whole = read(text, timezone=one.zone)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("pipeline.read.reading.BLOCK_BYTES", block_bytes)
        parts = read(text, timezone=one.zone)

    assert len(parts.tables) >= len(whole.tables)
    assert parts.rows.equals(whole.rows)
    assert parts.rejects.equals(whole.rejects)
    assert flagged(parts) == flagged(whole)
    assert parts.notes == whole.notes


# Instants of the clock changes: IANA tz database, repository eggert/tz, commit b9bc7a8.
CHANGES = [
    ("Europe/Madrid", "2025-03-30T02:30:00", "2025-10-26T02:30:00", "2025-10-26T00:30:00+00:00"),
    ("America/Chicago", "2025-03-09T02:30:00", "2025-11-02T01:30:00", "2025-11-02T06:30:00+00:00"),
]
CHANGE = "machine,occurred_at,tool\n"


def changes(*rows: tuple[str, str]) -> str:
    return CHANGE + "".join(f"{machine},{text},{number}\n" for number, (machine, text) in enumerate(rows, start=1))


def at(whole) -> list[datetime]:
    return whole.rows["occurred_at"].to_list()


@pytest.mark.parametrize(("zone", "gap", "doubled", "first"), CHANGES)
def test_a_time_that_the_spring_change_skips_is_rejected_with_that_reason(read, zone, gap, doubled, first):
    """Between the two sides of the spring change the clock shows nothing."""
    whole = read(changes(("M1", gap), ("M1", "2025-01-05T06:00:00")), timezone=zone)

    assert whole.rejects.select("row_number", "reason").rows() == [(1, "skipped_by_clock")]
    assert at(whole) == [datetime(2025, 1, 5, 6, tzinfo=ZoneInfo(zone))]


@pytest.mark.parametrize(("zone", "gap", "doubled", "first"), CHANGES)
def test_a_doubled_time_that_nothing_decides_keeps_its_first_reading(read, zone, gap, doubled, first):
    """Alone, a doubled autumn time is the earlier of the two; note and flag name the row."""
    whole = read(changes(("M1", doubled)), timezone=zone)

    assert at(whole) == [utc(first)]
    assert whole.tables[0].flags.rows() == [(1, 2, "ambiguous time")]
    assert whole.notes == ["1 ambiguous time kept at its first reading (row 1)"]


@pytest.mark.parametrize("falling", [False, True], ids=["rising", "falling"])
def test_a_step_back_decides_only_where_it_is_known_which_way_the_log_runs(read, falling):
    """Two rows alone may be a log that falls, or one that passes the change; a third row of another hour tells."""
    night = [("M1", "2025-10-26 02:40:00"), ("M1", "2025-10-26 02:10:00")]
    alone = read(changes(*night), timezone="Europe/Madrid")
    other = ("M1", "2025-10-26 06:00:00")
    told = read(changes(other, *night) if falling else changes(*night, other), timezone="Europe/Madrid")

    assert flagged(alone) == {1, 2}
    assert at(alone) == [utc("2025-10-26T00:40:00+00:00"), utc("2025-10-26T00:10:00+00:00")]
    assert flagged(told) == ({2, 3} if falling else set())
    assert utc("2025-10-26T01:10:00+00:00") in at(told) or falling


def test_machines_do_not_decide_for_one_another(read):
    """Each machine's rows are in order; those of two machines need not be."""
    rows = [("M1", "2025-10-26 02:40:00"), ("M2", "2025-10-26 02:10:00"), ("M1", "2025-10-26 07:00:00")]
    whole = read(changes(*rows, ("M2", "2025-10-26 07:00:00")), timezone="Europe/Madrid")

    assert flagged(whole) == {1, 2}


def test_a_log_in_no_order_decides_nothing(read):
    """Where rows jump to and fro all week, a step back at the change means nothing."""
    days = [("M1", f"2025-10-{day} 06:00:00") for day in (24, 22, 25, 21)]
    night = [("M1", "2025-10-26 02:40:00"), ("M1", "2025-10-26 02:10:00")]

    assert flagged(read(changes(*days, *night), timezone="Europe/Madrid")) == {5, 6}


def test_a_step_back_no_larger_than_the_log_has_elsewhere_decides_nothing(read):
    """A clock that is set back by 20 minutes on some day may have been set back that night."""
    week = [("M1", f"2025-10-2{day} {hour:02}:00:00") for day in range(1, 6) for hour in range(6, 20)]
    slip = [*week[:30], ("M1", f"{week[29][1][:11]}{int(week[29][1][11:13]) - 1}:40:00"), *week[30:]]
    night = [("M1", "2025-10-26 02:30:00"), ("M1", "2025-10-26 02:15:00"), ("M1", "2025-10-26 08:00:00")]

    assert flagged(read(changes(*week, *night), timezone="Europe/Madrid")) == set()
    assert len(flagged(read(changes(*slip, *night), timezone="Europe/Madrid"))) == 2


def test_two_exports_in_one_file_are_each_read_through_the_night(read):
    """The second begins before the first ends; its night is its own."""
    night = ["26 02:10", "26 02:40", "26 02:20", "26 02:50"]
    week = [f"{day} {hour:02}:00" for day in (24, 25, 26, 27) for hour in range(8, 18)]
    once = [("M1", f"2025-10-{text}:00") for text in (*week[:20], *night, *week[20:])]
    whole = read(changes(*once, *once), timezone="Europe/Madrid")

    assert flagged(whole) == set()
    assert at(whole)[: len(once)] == at(whole)[len(once) :] == sorted(at(whole)[: len(once)])


def test_cycles_that_overlap_as_a_rule_decide_nothing_by_overlapping(read):
    """A machine with two pallets: ends say nothing, the order of starts does."""
    day = [
        f"M1,O1,2025-10-24 {hour:02}:{minute:02}:00,2025-10-24 {hour + 1:02}:{minute:02}:00,"
        for hour in range(6, 16)
        for minute in (0, 30)
    ]
    night = ["M1,O1,2025-10-26 01:50:00,2025-10-26 02:40:00,", "M1,O1,2025-10-26 02:20:00,2025-10-26 03:20:00,"]
    whole = read("\n".join([HEAD, *day, *night]), timezone="Europe/Madrid")

    assert flagged(whole) == {21, 22}


@given(st.lists(st.integers(0, 3 * 3600), min_size=2, max_size=30, unique=True))
def test_a_stream_in_local_time_is_exact_where_it_is_not_flagged(read, offsets):
    """Adapter text without offsets, to the second, through the night of the change."""
    start = utc("2025-10-25T23:30:00+00:00")
    truth = [start + timedelta(seconds=offset) for offset in sorted(offsets)]
    truth = [start - timedelta(hours=2), *truth, start + timedelta(hours=9)]
    clocks = [shown(instant, "Europe/Madrid") for instant in truth]
    lines = "".join(f"{clock.isoformat()}|exec|ACTIVE\n" for clock in clocks)
    whole = read(lines, name="log.txt", machine="M1", timezone="Europe/Madrid")
    flags = flagged(whole)

    if any((later - sooner) < timedelta(seconds=-2) for sooner, later in pairwise(clocks)):
        assert not flags
    pairs = enumerate(zip(at(whole), truth, strict=True), start=1)
    assert all(got == was for number, (got, was) in pairs if number not in flags)


def test_long_lists_of_rows_are_cut_in_the_note_and_whole_in_the_flags(read):
    """The note names the first few stretches."""
    rows = []
    for day in range(8):
        rows += [(f"M{day}", "2025-10-26 02:30:00"), (f"N{day}", "2025-10-26 12:00:00")]
    whole = read(changes(*rows), timezone="Europe/Madrid")

    assert whole.notes == ["8 ambiguous times kept at their first reading (rows 1, 3, 5, 7, 9 ...)"]
    assert flagged(whole) == set(range(1, 16, 2))


def test_rows_with_doubled_times_stay_where_they_stood(read):
    """Table by table, in file order, with all that they had; the note comes once."""
    text = changes(("M1", "2025-10-26 02:30:00"), ("M1", "never"), ("M1", "2025-10-27 02:30:00"))
    whole = read(text, timezone="Europe/Madrid")

    assert whole.rows_read == 3
    assert whole.rows.select("row_number", "machine", "tool", "line").rows() == [(1, "M1", "1", 2), (3, "M1", "3", 4)]
