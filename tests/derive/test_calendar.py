"""Shifts, breaks, overtime, closed and opened days, and days, weeks and months of them, against a plain oracle."""

from __future__ import annotations

import random
from collections import defaultdict
from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from typing import Any

import polars as pl
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from pipeline.derive.calendar import local_days, public_holidays, working_calendar
from pipeline.derive.relations import in_order, load_relations
from pipeline.derive.shop_tables import shop_tables
from pipeline.store.book import Book, open_book
from schemas import mart
from schemas.shop import DAYS, ShiftSettings, ShopFile
from schemas.vocabulary import STATES

MACHINES = ("M1", "M2", "M3", "M4")

# Clock changes of the IANA tz database: at midnight and just before it, half an hour, to a quarter past, none at all.
WINDOWS = [
    ("Europe/Lisbon", date(2026, 3, 23)),
    ("Europe/Lisbon", date(2026, 10, 19)),
    ("America/Santiago", date(2026, 3, 30)),
    ("America/Santiago", date(2026, 8, 31)),
    ("Australia/Lord_Howe", date(2026, 3, 30)),
    ("Australia/Lord_Howe", date(2026, 9, 28)),
    ("Asia/Kathmandu", date(2026, 1, 26)),
    ("America/Havana", date(2026, 3, 2)),
    ("America/Havana", date(2026, 10, 26)),
    ("Asia/Beirut", date(2026, 3, 23)),
    ("Pacific/Chatham", date(2026, 3, 30)),
    ("Pacific/Chatham", date(2026, 9, 21)),
    ("America/Chicago", date(2025, 12, 22)),
]
LENGTH_DAYS = 11
RELATIONS = ("core.closed_day", "core.shift", "core.overtime", "core.day_state", "core.day_run", "mart.utilisation")

clocks = st.builds("{:02}:{:02}".format, st.sampled_from([0, 1, 2, 3, 6, 14, 22, 23]), st.sampled_from([0, 0, 30, 45]))


@st.composite
def hours(draw: st.DrawFn, first: date) -> dict[str, Any]:
    start, end = draw(clocks), draw(clocks)
    begin, length = _minutes(start), (_minutes(end) - _minutes(start)) % 1440 or 1440
    breaks = []
    for _ in range(draw(st.integers(0, 2))):
        into = begin + draw(st.integers(0, length - 1))
        breaks.append(f"{_clock(into)}-{_clock(into + draw(st.sampled_from([1, 15, 60, 1439])))}")
    rule = {
        "machines": draw(st.sampled_from([["*"], ["*"], ["M1"], ["M2", "M3"]])),
        "days": draw(st.lists(st.sampled_from(DAYS), min_size=1, max_size=7, unique=True)),
        "start": start,
        "end": end,
        "breaks": breaks,
    }
    if draw(st.integers(0, 3)) == 0:
        rule |= draw(dates(first))
        rule.pop(draw(st.sampled_from(["from", "to"])))
    return rule


@st.composite
def dates(draw: st.DrawFn, first: date) -> dict[str, Any]:
    begin = first + timedelta(days=draw(st.integers(-1, LENGTH_DAYS)))
    return {"from": begin, "to": begin + timedelta(days=draw(st.sampled_from([0, 0, 1, 4])))}


@st.composite
def shops(draw: st.DrawFn, zone: str, first: date) -> ShopFile:
    ranges = st.builds(
        lambda days, machines: {**days, "machines": machines},
        dates(first),
        st.sampled_from([["*"], ["M1"], ["M2", "M4"]]),
    )
    weekly = hours(first)
    dated = st.builds(
        lambda rule, days: {**{k: v for k, v in rule.items() if k != "days"}, **days}, weekly, dates(first)
    )
    return ShopFile.model_validate(
        {
            "shop": {"timezone": zone},
            "machine": [{"id": name} for name in MACHINES],
            "shift": draw(st.lists(weekly, min_size=1, max_size=3)),
            "overtime": draw(st.lists(st.one_of(weekly, dated), max_size=3)),
            "closed": draw(st.lists(ranges, max_size=2)),
            "open": draw(st.lists(ranges, max_size=1)),
        }
    )


def _minutes(clock: str) -> int:
    return int(clock[:2]) * 60 + int(clock[3:])


def _clock(minutes: int) -> str:
    return f"{minutes // 60 % 24:02}:{minutes % 60:02}"


def stretches(oracle: Any, calendar: Any, machine: str, days: tuple[date, date], rng: random.Random) -> list[Any]:
    """Stretches that tile a machine's time from one millisecond to another, long ones and short ones."""
    first, last = (calendar.minute(day, 0) * oracle.MINUTE_US for day in days)
    ends = sorted(rng.randrange(first // 1000, last // 1000) * 1000 for _ in range(2))
    shifts = oracle.stretches_us(calendar.planned(machine))
    cuts = {us for stretch in shifts for us in stretch}
    cuts |= {rng.randrange(first // 1000, last // 1000) * 1000 for _ in range(30)}
    found = []
    for begin, end in pairwise(sorted({*ends, *(us for us in cuts if ends[0] < us < ends[1])})):
        planned = any(start <= begin < stop for start, stop in shifts)
        states = [state for state in STATES if state not in (["off_shift"] if planned else ["setup", "idle"])]
        basis = rng.choice(["measured", "derived", "estimated"])
        found.append(oracle.Stretch(begin, end, rng.choice(states), planned, basis))
    return found


@pytest.fixture(scope="module")
def book() -> Iterator[Book]:
    with open_book(None, threads=1) as opened:
        yield opened


def _store(book: Book, name: str, frame: pl.DataFrame) -> None:
    book.connection.register("_frame", frame)
    book.run(f"create or replace table {name} as from _frame")
    book.connection.unregister("_frame")


def _derive(book: Book, shop: ShopFile, first: date, last: date, spans: pl.DataFrame, runs: pl.DataFrame) -> None:
    for name, frame in shop_tables(shop, first, last).items():
        _store(book, name, frame)
    _store(book, "core.machine", pl.DataFrame({"machine": list(MACHINES)}))
    _store(book, "core.span", spans)
    _store(book, "core.run", runs)
    known = {relation.full_name: relation for room in ("core", "mart") for relation in load_relations(room)}
    for relation in in_order([known[name] for name in RELATIONS]):
        book.run(f"create or replace table {relation.full_name} as\n{relation.sql}")


INSTANT = pl.Datetime("us", "UTC")
SPAN = {
    "machine": pl.String, "started_at": INSTANT, "ended_at": INSTANT, "state": pl.String, "planned": pl.Boolean,
    "basis": pl.String,
}  # fmt: skip


@given(data=st.data(), window=st.sampled_from(WINDOWS), seed=st.integers(0, 2**32))
@settings(
    max_examples=12,
    derandomize=True,
    deadline=None,
    database=None,
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)
def test_calendar_and_days_are_the_oracles(
    data: st.DataObject, window: tuple[str, date], seed: int, book: Book, calendar_oracle: Any
) -> None:
    zone, first = window
    last = first + timedelta(days=LENGTH_DAYS)
    shop = data.draw(shops(zone, first))
    calendar = calendar_oracle.Calendar(shop, first - timedelta(days=32), last + timedelta(days=38))
    rng = random.Random(seed)
    lines = {machine: stretches(calendar_oracle, calendar, machine, (first, last), rng) for machine in MACHINES}
    spans = pl.DataFrame(
        [(m, s.started_us, s.ended_us, s.state, s.planned, s.basis) for m, line in lines.items() for s in line],
        schema=SPAN,
        orient="row",
    )
    runs = spans.filter(pl.col("state") == "cutting").select(
        "machine",
        "started_at",
        *(pl.lit(count, pl.Int64).alias(name) for name, count in (("parts", 2), ("made", 3), ("scrap", 1))),
        *(pl.lit(None, pl.Float64).alias(name) for name in ("ideal_s", "in_cycle_s", "in_cycle_planned_s")),
        pl.lit(True).alias("scrap_told"),
    )
    _derive(book, shop, first, last, spans, runs)

    for machine, line in lines.items():
        here = {"machine": machine}
        closed = book.rows("select closed_on from core.closed_day where machine = $machine", here)
        for day in calendar.days(first, last):
            assert ((day,) in closed) == calendar.is_closed(machine, day)
        for name, minutes in (("shift", calendar.planned(machine)), ("overtime", calendar.overtime(machine))):
            found = book.rows(
                f"select epoch_us(started_at), epoch_us(ended_at) from core.{name} where machine = $machine order by 1",
                here,
            )
            begin, end = (calendar.minute(day, 0) * calendar_oracle.MINUTE_US for day in (first, last))
            assert _inside(found, begin, end) == _inside(calendar_oracle.stretches_us(minutes), begin, end)
        days = book.rows(
            "select day, state, planned, is_overtime, basis, length_us from core.day_state where machine = $machine",
            here,
        )
        expected = calendar.day_states(machine, line)
        assert {tuple(row[:-1]): row[-1] for row in days} == expected
        planned = calendar.planned_days(machine)
        for kind, key in PERIODS.items():
            rows = book.frame(f"from mart.utilisation where period_kind = '{kind}' and machine = '{machine}'")
            _period_figures(rows, kind, key, calendar, planned, line, expected)


FIGURES = (
    *("calendar_s", "planned_s", "observed_planned_s", "overtime_s", "lights_out_s"),
    *(f"{state}_s" for state in STATES),
    *(f"{state}_planned_s" for state in STATES),
)
PERIODS = {
    "day": lambda day: day.isoformat(),
    "week": lambda day: "{}-W{:02}".format(*day.isocalendar()[:2]),
    "month": lambda day: f"{day:%Y-%m}",
}


def _inside(found: list[tuple[int, int]], begin: int, end: int) -> list[tuple[int, int]]:
    """Stretches between two instants, touching ones as one; fails where some overlap."""
    merged: list[tuple[int, int]] = []
    for start, stop in ((max(one, begin), min(other, end)) for one, other in found):
        if start >= stop:
            continue
        assert not merged or start >= merged[-1][1]
        if merged and merged[-1][1] == start:
            merged[-1] = (merged[-1][0], stop)
        else:
            merged.append((start, stop))
    return merged


def _period_figures(
    rows: pl.DataFrame, kind: str, key: Any, calendar: Any, planned: Any, line: list[Any], days: dict[Any, int]
) -> None:
    """Hold one machine's rows of one kind of period against sums over its days."""
    if not line:
        assert rows.is_empty()
        return
    seen = [day for day, state, *_ in days if state != "unobserved"] or [day for day, *_ in days]
    periods: dict[str, list[date]] = defaultdict(list)
    for day in calendar.days(min(seen) - timedelta(days=31), max(seen) + timedelta(days=31)):
        periods[key(day)].append(day)
    expected = {}
    for period in {key(day) for day in calendar.days(min(seen), max(seen))}:
        figures: dict[str, int] = defaultdict(int)
        for day in periods[period]:
            figures["calendar_s"] += calendar.length(day)
            figures["planned_s"] += planned.get(day, 0)
        for (day, state, is_planned, is_overtime, _), length in days.items():
            if day in periods[period] and state != "unobserved":
                figures[f"{state}_s"] += length
                figures[f"{state}_planned_s"] += length if is_planned else 0
                if state in ("cutting", "noncutting") and not is_planned:
                    figures["overtime_s" if is_overtime else "lights_out_s"] += length
        figures["observed_planned_s"] = sum(figures[f"{state}_planned_s"] for state in STATES)
        observed = sum(figures[f"{state}_s"] for state in STATES)
        figures["unobserved_s"] = figures["calendar_s"] - observed
        figures["unobserved_planned_s"] = figures["planned_s"] - figures["observed_planned_s"]
        starts = [
            s for s in line if s.state == "cutting" and key(calendar.day_of(s.started_us // 60_000_000)) == period
        ]
        expected[period] = {**figures, "cycles": len(starts), "parts": 2 * len(starts), "scrap": len(starts)}
    assert set(rows["period"]) == set(expected)
    for row in rows.to_dicts():
        wanted = expected[row["period"]]
        for column in FIGURES:
            assert round(row[column] * 1e6) == wanted.get(column, 0), (kind, row["period"], column)
        assert {name: row[name] for name in ("cycles", "parts", "scrap")} == {
            name: wanted[name] for name in ("cycles", "parts", "scrap")
        }


def test_the_same_shift_twice_is_one_shift(book_of: Any, shop_with: Any, when: Any) -> None:
    """Two rules that give one stretch: it does not reach back to the day before, whichever is taken up first."""
    early = {"start": "06:00", "end": "14:00"}
    shift = [{"days": ["Mon", "Tue"], **early}, {"days": ["Tue"], **early}, {"days": ["Mon"], **early}] * 3
    cycle = {"program": "O1", "started_at": when("2026-03-02 07:00"), "ended_at": when("2026-03-03 07:00")}
    book = book_of({"cycle": [{"machine": "M1", **cycle}]}, shop_with(shift=shift))
    hours = book.rows("select started_at, ended_at from core.shift where day(started_at) in (2, 3) order by 1")
    assert hours == [(when(f"2026-03-0{day} 06:00"), when(f"2026-03-0{day} 14:00")) for day in (2, 3)]


# --- public holidays ------------------------------------------------------------------------------------------------


def test_public_holidays_are_the_countrys_and_its_parts() -> None:
    """Easter Sunday 2026 is 5 April (check-values names no holidays; these dates are from memory)."""
    year = date(2026, 1, 1), date(2026, 12, 31)
    portugal = dict(public_holidays("PT", *year).select("closed_on", "name").rows())
    assert portugal[date(2026, 4, 3)] == "Good Friday"
    assert portugal[date(2026, 4, 25)] == "Freedom Day"
    bavaria, berlin = (set(public_holidays(code, *year)["closed_on"]) for code in ("DE-BY", "DE-BE"))
    assert date(2026, 1, 6) in bavaria - berlin
    assert date(2026, 3, 8) in berlin - bavaria
    assert date(2026, 10, 3) in bavaria & berlin


def test_a_name_of_a_holiday_does_not_depend_on_the_computer(monkeypatch: pytest.MonkeyPatch) -> None:
    year = date(2026, 1, 1), date(2026, 12, 31)
    names = public_holidays("DE", *year)["name"].to_list()
    monkeypatch.setenv("LANGUAGE", "uk")
    assert public_holidays("DE", *year)["name"].to_list() == names


def test_a_holiday_is_closed_unless_the_shop_opens_it(book_of: Any, shop_with: Any, when: Any) -> None:
    """Good Friday and Easter Monday 2026: on M1 the shop works on the Friday all the same; on M2 in overtime."""
    shop = shop_with(
        shop={"timezone": "Europe/Lisbon", "holidays": "PT"},
        machine=[{"id": "M1"}, {"id": "M2"}],
        shift=[{"days": ["Mon", "Thu", "Fri"], "start": "06:00", "end": "14:00"}],
        overtime=[
            {"machines": ["M2"], "from": date(2026, 4, 3), "to": date(2026, 4, 3), "start": "08:00", "end": "10:00"},
            {"days": ["Fri"], "start": "14:00", "end": "15:00"},
        ],
        open=[{"from": date(2026, 4, 3), "to": date(2026, 4, 3), "machines": ["M1"]}],
    )
    cycle = {"program": "O1", "started_at": when("2026-04-03 05:00"), "ended_at": when("2026-04-03 15:00")}
    book = book_of({"cycle": [{"machine": machine, **cycle} for machine in ("M1", "M2")]}, shop)

    # 06:00 to 16:00 in local time: on M1 a shift until 14:00, then an hour of overtime; on M2 two hours of overtime
    days = book.rows(
        "select machine, planned_s, overtime_s, lights_out_s, cutting_s from mart.utilisation_daily order by machine"
    )
    assert days == [("M1", 8 * 3600.0, 3600.0, 3600.0, 36_000.0), ("M2", 0.0, 7200.0, 28_800.0, 36_000.0)]
    closed = book.rows("select machine, closed_on, name from core.closed_day where month(closed_on) = 4 order by all")
    assert closed == [
        ("M1", date(2026, 4, 5), "Easter Sunday"),
        ("M1", date(2026, 4, 25), "Freedom Day"),
        ("M2", date(2026, 4, 3), "Good Friday"),
        ("M2", date(2026, 4, 5), "Easter Sunday"),
        ("M2", date(2026, 4, 25), "Freedom Day"),
    ]


def test_days_of_zones_that_skip_midnight_or_a_date() -> None:
    """IANA tz database: Santiago's clocks skip midnight of 6 September 2026; Samoa had no 30 December 2011."""
    santiago = local_days(date(2026, 9, 5), date(2026, 9, 6), "America/Santiago")
    assert santiago["started_at"].to_list() == [datetime(2026, 9, day, 4, tzinfo=UTC) for day in (5, 6)]
    assert santiago["ended_at"][1] - santiago["started_at"][1] == timedelta(hours=23)
    samoa = local_days(date(2011, 12, 29), date(2011, 12, 31), "Pacific/Apia")
    assert samoa["day"].to_list() == [date(2011, 12, 29), date(2011, 12, 31)]
    assert samoa["started_at"][1] == samoa["ended_at"][0]


def test_a_shift_that_starts_in_a_skipped_hour_starts_with_the_jump() -> None:
    """IANA tz database: Chatham's clocks jump from 2:45 to 3:45 on 27 September 2026, at 14:00 UTC before."""
    rule = ShiftSettings(days=["Sun"], start=time(3), end=time(6))
    found = working_calendar([rule], date(2026, 9, 27), date(2026, 9, 27), "Pacific/Chatham")
    assert found["started_at"].to_list() == [datetime(2026, 9, 26, 14, tzinfo=UTC)]


def test_an_iso_week_may_be_of_another_year() -> None:
    """ISO 8601: week 1 is the one with the year's first Thursday."""
    days = local_days(date(2025, 12, 28), date(2025, 12, 29), "Europe/Lisbon")
    assert days["week"].to_list() == ["2025-W52", "2026-W01"]


def test_weeks_and_months_are_the_sums_of_their_days(book_of: Any, shop_with: Any, when: Any) -> None:
    """Days before the first and after the last record stand in no row; they have a calendar and a plan alone."""
    cycles = [
        {"machine": "M1", "program": "O1", "started_at": at, "ended_at": at + timedelta(hours=5, milliseconds=7)}
        for at in (when("2026-02-11 09:00") + timedelta(hours=37) * number for number in range(40))
    ]
    book = book_of({"cycle": cycles}, shop_with(shift=[{"days": ["Mon", "Tue"], "start": "06:00", "end": "22:00"}]))
    days = book.frame("from mart.utilisation_daily").with_columns(pl.col("day").str.to_date())
    summed = [
        name for name in mart.columns("utilisation_monthly") if name.endswith("_s") or name in ("cycles", "parts")
    ]
    own = {"calendar_s", "planned_s", "unobserved_s", "unobserved_planned_s"}
    for kind, form in (("week", "%G-W%V"), ("month", "%Y-%m")):
        longer = book.frame(f"from mart.utilisation_{'weekly' if kind == 'week' else 'monthly'}")
        sums = days.group_by(pl.col("day").dt.strftime(form).alias(kind)).agg(pl.col(summed).sum())
        joined = longer.join(sums, on=kind, how="full", suffix="_of_days", maintain_order="left")
        assert joined.height == longer.height
        inner = joined.sort(kind)[1:-1]  # the first and the last reach beyond the records
        for name in summed:
            told = joined if name not in own else inner
            assert told[name].to_list() == pytest.approx(told[f"{name}_of_days"].to_list(), abs=1e-6)
