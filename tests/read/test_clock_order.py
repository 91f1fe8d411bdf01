"""What the order of rows tells of clocks: planted faults are told with size and place, honest logs say nothing."""

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from itertools import accumulate

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

START = datetime(2026, 1, 5, 6, tzinfo=UTC)
HEAD = "machine,program,started_at,ended_at,duration_s"
MINUTE = timedelta(minutes=1)
TELLING = ("clock", "drift", "start before the one before")


def told(whole) -> list[str]:
    return [note for note in whole.notes if any(word in note for word in TELLING)]


def stamp(at: datetime) -> str:
    return at.isoformat().replace("+00:00", "Z")


def stream(times: Iterable[datetime], items: tuple[str, ...] = ("exec", "load", "tool")) -> list[str]:
    """Lines of adapter text, the items in turn."""
    return [f"{stamp(at)}|{items[number % len(items)]}|{number}" for number, at in enumerate(times)]


def every(seconds: float, count: int, start: datetime = START) -> list[datetime]:
    return [start + timedelta(seconds=seconds * number) for number in range(count)]


def cycles(
    times: Iterable[datetime], length: timedelta = MINUTE, program: str = "O1", machine: str = "M2"
) -> list[str]:
    return [f"{machine},{program},{stamp(at)},{stamp(at + length)}," for at in times]


@pytest.fixture
def notes_of_stream(read):
    return lambda lines: told(read("\n".join(lines) + "\n", name="log.txt", machine="M2"))


@pytest.fixture
def notes_of_cycles(read):
    return lambda lines: told(read("\n".join([HEAD, *lines]) + "\n"))


def test_a_clock_that_is_set_back_is_told_with_size_and_line(notes_of_stream):
    """100 lines, then the clock goes on from 95 s before."""
    lines = stream([*every(10, 100), *every(10, 100, START + timedelta(seconds=1000 - 105))])

    assert notes_of_stream(lines) == ["the clock of M2 stepped back by 1 min 35 s at line 101"]


def test_several_steps_are_one_sentence(read, monkeypatch):
    """Once a file, whatever the chunks; how many were at lost connections is counted."""
    lines, at = [], START
    for part in range(4):
        lines += stream(every(10, 60, at))
        if part == 1:
            lines.append(f"{stamp(at + timedelta(seconds=595))}|load|UNAVAILABLE")
        at += timedelta(seconds=600 - 50 * (part + 1))
    text = "\n".join(lines)
    wanted = [
        "the clock of M2 stepped back 3 times by 40 s to 2 min 20 s, first at line 61, "
        "once where the connection was lost"
    ]

    assert told(read(text, name="log.txt", machine="M2")) == wanted
    monkeypatch.setattr("pipeline.read.reading.BLOCK_BYTES", 300)
    assert told(read(text, name="log.txt", machine="M2")) == wanted


def test_chunks_of_long_logs_change_nothing(read, monkeypatch):
    """Longer than what is looked ahead, so that rows are taken in part by part."""
    times = [
        *every(1, 4000),
        *every(1, 3000, START + timedelta(seconds=3900)),
        *every(1, 3000, START + 5 * 60 * MINUTE),
    ]
    text = "\n".join(stream(times))
    whole = told(read(text, name="log.txt", machine="M2"))
    monkeypatch.setattr("pipeline.read.reading.BLOCK_BYTES", 5000)

    assert whole == ["the clock of M2 stepped back by 1 min 39 s at line 4001"]
    assert told(read(text, name="log.txt", machine="M2")) == whole


def test_last_known_values_at_the_head_are_no_steps(notes_of_stream):
    """They bear the times of their last change, in the order of items."""
    old = [START - timedelta(days=days) for days in (3, 90, 1, 400, 7, 200, 30, 2, 5, 11, 60, 4)]
    head = stream(old, tuple(f"item{number}" for number in range(12)))

    assert notes_of_stream([*head, *stream(every(10, 200))]) == []


def test_values_that_are_sent_again_in_the_middle_are_no_steps(notes_of_stream):
    """At a reconnect, with the old times; some of them more than once."""
    before, after = every(10, 100), every(10, 100, START + timedelta(seconds=1100))
    old = [START - timedelta(days=days) for days in (3, 90, 1, 400)]
    again = stream(old, tuple("abcd")) + stream(old[-1:], ("d",))

    assert notes_of_stream([*stream(before), *again, *stream(after)]) == []


def test_lost_connections_noted_by_another_clock_are_told_as_that(notes_of_stream):
    """Lines that say no more than UNAVAILABLE, stamped before the lines above them."""
    lines, at = [], START
    for lag in (4, 20, 50):
        lines += stream(every(10, 30, at))
        lines.append(f"{stamp(at + timedelta(seconds=290 - lag))}|exec|UNAVAILABLE")
        at += timedelta(seconds=400)
    lines += stream(every(10, 30, at))

    assert notes_of_stream(lines) == [
        "lost connections of M2 are noted by another clock than its log's, which is behind: "
        "3 times by 4 s to 50 s, first at line 31"
    ]


OFF = timedelta(days=7, hours=2)


@pytest.mark.parametrize("kind", ["stream", "cycles"])
@pytest.mark.parametrize("falling", [False, True], ids=["rising", "falling"])
@pytest.mark.parametrize(
    ("off", "words"), [(OFF, "7 d 2 h ahead"), (-OFF, "7 d 2 h behind"), (-timedelta(days=9500), "26.0 years behind")]
)
def test_a_stretch_with_a_wrong_clock_is_told_with_both_its_ends(read, kind, falling, off, words):
    """Rows 101 to 140 of 200 are off; newest first too."""
    times = every(300, 200)
    times = [*times[:100], *(at + off for at in times[100:140]), *times[140:]]
    rows = stream(times) if kind == "stream" else cycles(times)
    if falling:
        rows.reverse()
    first, last = (61, 100) if falling else (101, 140)
    whole = read("\n".join(rows), name="log.txt", machine="M2") if kind == "stream" else read("\n".join([HEAD, *rows]))
    header = kind == "cycles"

    assert told(whole) == [f"the clock of M2 was about {words} between line {first + header} and {last + header}"]


def test_a_shop_at_rest_is_no_wrong_clock(notes_of_cycles):
    """Weekends, holidays and a clock set back by minutes."""
    times = [day + timedelta(minutes=20 * part) for day in every(86_400, 60) if day.weekday() < 5 for part in range(20)]
    late = [at - timedelta(minutes=50) if at > START + timedelta(days=30) else at for at in times]
    before = sum(at <= START + timedelta(days=30) for at in times)

    assert notes_of_cycles(cycles(times)) == []
    assert notes_of_cycles(cycles([*times[: before + 5], *late[before + 5 :]])) == [
        f"the clock of M2 stepped back by 30 min at line {before + 7}"
    ]


def test_a_list_sorted_by_a_column_says_nothing_of_the_clock(notes_of_cycles):
    """Each program's cycles run through the same weeks."""
    rows = []
    for number in range(6):
        rows += cycles(every(1800, 40, START + timedelta(minutes=7 * number)), program=f"O{number}")

    assert notes_of_cycles(rows) == []


def test_jobs_that_come_again_in_a_sorted_list_are_no_wrong_clock(notes_of_cycles):
    """A job in January and December, then one of February."""
    parts = [(0, "A"), (330, "A"), (25, "B"), (300, "B"), (60, "C")]
    rows = [row for day, name in parts for row in cycles(every(600, 30, START + timedelta(days=day)), program=name)]

    assert notes_of_cycles(rows) == []


def test_two_exports_one_after_the_other_are_no_step_back(notes_of_cycles):
    """The second begins days before the first ends."""
    first, second = every(3600, 200), every(3600, 200, START + timedelta(days=5))

    assert notes_of_cycles(cycles([*first, *second])) == []


def test_a_log_in_no_order_says_nothing(notes_of_cycles):
    """Every third row is earlier than the one before it."""
    times = [at + (timedelta() if number % 3 else timedelta(minutes=25)) for number, at in enumerate(every(600, 100))]

    assert notes_of_cycles(cycles(times)) == []


@pytest.mark.parametrize("falling", [False, True], ids=["rising", "falling"])
def test_cycles_that_overlap_are_counted(notes_of_cycles, falling):
    """Two of thirty, the longer by 12 minutes; a minute more or less is the rounding of durations."""
    rows = cycles(every(600, 30), length=timedelta(minutes=10, seconds=50))
    rows[4] = cycles(every(600, 30))[4].replace("06:41:00", "06:53:00")
    rows[9] = cycles(every(600, 30))[9].replace("07:31:00", "07:42:00")
    rows[15:15] = rows[15:16]  # the same cycle twice is none that overlaps
    first = 22 if falling else 7

    assert notes_of_cycles(rows[::-1] if falling else rows) == [
        f"2 of 31 cycles of M2 start before the one before has ended, by up to 3 min, first at line {first}"
    ]


def test_ends_that_grow_apart_from_durations_are_told(read):
    """A clock that runs fast by a second an hour, against durations by the control's own counter."""
    rows = []
    for number, at in enumerate(every(3600, 120)):
        end = at + timedelta(seconds=600 + number)
        rows.append(f"M2,O1,{stamp(at)},{stamp(end)},600")

    assert told(read("\n".join([HEAD, *rows]))) == [
        "start and end of the cycles of M2 drift away from their duration: by 14 s in the first quarter of the rows, "
        "by 1 min 44 s in the last"
    ]


@given(st.lists(st.sampled_from([0, 0, 0, 0, 30, 300]), min_size=40, max_size=80), st.integers(0, 600))
def test_holds_that_durations_leave_out_are_no_drift(read, holds, always):
    """Now and then a hold, or every time the same."""
    rows = [
        f"M2,O1,{stamp(at)},{stamp(at + timedelta(seconds=600 + hold + always))},600"
        for at, hold in zip(every(3600, len(holds)), holds, strict=True)
    ]

    assert told(read("\n".join([HEAD, *rows]))) == []


@st.composite
def honest(draw: st.DrawFn) -> list[datetime]:
    """Times of a log in order, with nights and weekends, seconds that are out by a hair, and standstills."""
    gaps = st.sampled_from([0, 0, 1, 5, 20, 20, 60, 600, 4000, 50_000, 200_000, -1, -2])
    return [START + timedelta(seconds=passed) for passed in accumulate(draw(st.lists(gaps, min_size=15, max_size=150)))]


@given(honest(), st.booleans())
def test_an_honest_log_says_nothing(read, times, falling):
    """As a stream and as a list, rising and falling."""
    order = times[::-1] if falling else times

    assert told(read("\n".join(stream(order)), name="log.txt", machine="M2")) == []
    assert told(read("\n".join([HEAD, *cycles(order, timedelta(seconds=1))]))) == []


@given(st.integers(30, 150), st.integers(20, 100), st.integers(3, 3000), st.integers(1, 200))
def test_a_step_back_is_told_right_or_not_at_all(read, before, after, size, pace):
    """A stream with one step back, any size, any pace."""
    first = every(pace, before)
    set_back = first[-1] - timedelta(seconds=size)
    lines = stream([*first, *every(pace, after, set_back)])
    notes = told(read("\n".join(lines), name="log.txt", machine="M2"))

    runs_on_past_all_items = size > 3 * pace
    if runs_on_past_all_items and after > 4:
        assert len(notes) == 1
    assert all(f"at line {before + 1}" in note and note.startswith("the clock of M2 stepped back by") for note in notes)


def test_many_machines_are_told_in_short(read):
    """Five of them, then how many more."""
    rows = [
        row
        for number in range(8)
        for row in cycles([*every(600, 30), *every(600, 30, START + timedelta(minutes=260))], machine=f"M{number}")
    ]
    notes = told(read("\n".join([HEAD, *rows])))

    assert len(notes) == 6
    assert notes[-1] == "the clocks of 3 more machines show the like"


def test_rows_without_lines_are_named_by_their_number(read, tmp_path):
    """Parquet has none."""
    times = [*every(600, 30), *every(600, 30, START + timedelta(minutes=260))]
    path = tmp_path / "log.parquet"
    pl.DataFrame({"machine": ["M2"] * 60, "occurred_at": times, "tool": ["4"] * 60}).write_parquet(path)

    assert told(read(path.read_bytes(), name="log.parquet")) == ["the clock of M2 stepped back by 30 min at row 31"]
