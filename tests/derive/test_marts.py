"""What holds of every book: months and causes add up, indicators are ISO 22400-2's, deriving again changes nothing."""

from __future__ import annotations

from collections import defaultdict
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from pipeline import resources
from pipeline.derive.calendar import ROUND_THE_CLOCK, working_calendar
from pipeline.derive.deriving import derive, derive_in_passing
from pipeline.derive.job_marts import READ
from pipeline.derive.relations import Relation, Renewed, in_order, load_relations
from pipeline.derive.renewing import of_kind
from pipeline.progress import Null
from pipeline.stats.iso22400 import TimeElements, nee_index, oee_index
from pipeline.store.book import Book, open_book
from schemas import core, mart
from schemas.shop import ShiftSettings
from schemas.vocabulary import STATES


@st.composite
def shop_floors(draw: st.DrawFn) -> dict[str, list[dict[str, Any]]]:
    """A fortnight of a list machine with tools, edges and estimates, and a stream machine with holds and faults."""
    start = draw(
        st.sampled_from(
            [
                datetime(2025, 3, 24, 6, tzinfo=UTC),
                datetime(2025, 10, 20, 6, tzinfo=UTC),
                datetime(2026, 1, 26, 6, tzinfo=UTC),
            ]
        )
    )
    frames: dict[str, list[dict[str, Any]]] = defaultdict(list)
    minutes = st.sampled_from([0, 1, 7, 45, 600, 1500])
    at = start
    for _ in range(draw(st.integers(3, 14))):
        at += timedelta(minutes=draw(minutes), milliseconds=draw(st.sampled_from([0, 1, 999])))
        length = timedelta(minutes=draw(st.sampled_from([2, 10, 11, 45])))
        frames["cycle"].append(
            {
                "machine": "M1",
                "program": draw(st.sampled_from(["O1", "O2", "O3"])),
                "started_at": at,
                "ended_at": at + length,
                "job": draw(st.sampled_from(["A", "B", None])),
                "outcome": draw(st.sampled_from(["complete", "complete", "complete", "aborted"])),
            }
        )
        for tool in draw(st.lists(st.sampled_from(["1", "2"]), max_size=3)):
            late = timedelta(seconds=draw(st.integers(0, 130)))
            frames["tool_change"].append({"machine": "M1", "occurred_at": at + late, "tool": tool})
            if draw(st.integers(0, 3)) == 0:
                reason = draw(st.sampled_from(["worn", "broken", "planned", "unknown"]))
                frames["edge_change"].append(
                    {"machine": "M1", "occurred_at": at + late + timedelta(seconds=30), "tool": tool, "reason": reason}
                )
        at += length
    at = start
    items = {
        "Execution": ["ACTIVE", "ACTIVE", "ACTIVE", "READY", "FEED_HOLD", "OPTIONAL_STOP", "UNAVAILABLE", "STOPPED"],
        "Program": ["O1", "O2"],
        "RotaryVelocity": ["0", "800"],
        "PathFeedrate": ["0", "400"],
        "PathFeedrateOverride": ["50", "100", "130"],
        "ToolNumber": ["0", "1", "2"],
        "EmergencyStop": ["ARMED", "ARMED", "TRIGGERED"],
        "PartCount": ["1", "2", "3", "4", "5"],
    }
    for _ in range(draw(st.integers(20, 80))):
        at += timedelta(minutes=draw(minutes) / 10)
        item = draw(st.sampled_from(list(items)))
        frames["event"].append(
            {
                "machine": "M2",
                "occurred_at": at,
                "item": item,
                "data_item_id": item,
                "value": draw(st.sampled_from(items[item])),
            }
        )
    frames["estimate"] = [
        {"program": "O1", "operation": "10", "tool": "1", "cut_s": 300.0, "noncut_s": 100.0},
        {"program": "O1", "operation": "10", "tool": "2", "cut_s": 90.0},
        {"program": "O1", "operation": "10", "noncut_s": 11.0},
        {"program": "O2", "operation": "10", "cycle_s": 500.0},
    ]
    frames["job"] = [
        {"job": "A", "part": "P", "quantity": 5, "quoted_cycle_s": 480.0, "ordered_on": date(2025, 1, 1)},
        {"job": "B", "part": "P", "quantity": 5, "quoted_cycle_s": 490.0, "ordered_on": date(2025, 2, 1)},
    ]
    return dict(frames)


SHOPS = [
    {"shop": {"timezone": "Europe/Madrid"}},
    {
        "shop": {"timezone": "America/Chicago"},
        "shift": [{"days": ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"], "start": "22:00", "end": "06:00"}],
    },
    {"shop": {"timezone": "Europe/Madrid"}, "shift": [{"days": ["Mon", "Sat"], "start": "06:00", "end": "18:00"}]},
]
MACHINES = [{"id": "M1", "tool_change_s": 5.5, "rate_per_hour": 60.0}, {"id": "M2"}]


@given(frames=shop_floors(), shop=st.sampled_from(SHOPS))
@settings(
    max_examples=8,
    derandomize=True,
    deadline=None,
    database=None,
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)
def test_everything_adds_up(frames: Any, shop: Any, book_tools: Any, shop_with: Any, lost_time: Any) -> None:
    fill, _ = book_tools
    with open_book(None, threads=1) as book:
        fill(book, frames)
        derive(book, shop_with(machine=MACHINES, **shop), Null())
        _months_add_up_to_the_calendar(book)
        _indicators_are_the_standards(book)
        _losses_are_those_of_the_spans(book, lost_time)
        _stops_are_those_of_the_spans(book, lost_time, shop["shop"]["timezone"])
        _changes_add_up_to_nothing(book)
        _tool_use_adds_up_to_the_runs(book)
        _causes_add_up_to_the_overrun(book)
        _edges_add_up_to_the_tools_cutting(book)
        _rows_are_valid(book)


def _months_add_up_to_the_calendar(book: Book) -> None:
    for row in book.frame("from mart.utilisation_monthly").iter_rows(named=True):
        assert sum(row[f"{state}_s"] for state in STATES) == pytest.approx(row["calendar_s"], abs=5e-4)
        planned = sum(row[f"{state}_planned_s"] for state in STATES)
        assert planned == pytest.approx(row["planned_s"], abs=5e-4)
        assert row["off_shift_planned_s"] == 0
        assert row["idle_planned_s"] == row["idle_s"]
        assert row["setup_planned_s"] == row["setup_s"]
    counted = book.rows("select (select sum(cycles) from mart.utilisation_monthly), (select count(*) from core.run)")
    assert counted[0][0] == counted[0][1]


def _indicators_are_the_standards(book: Book) -> None:
    for row in book.frame("from mart.utilisation_monthly").iter_rows(named=True):
        times = TimeElements(
            row["observed_planned_s"],
            row["cutting_planned_s"] + row["noncutting_planned_s"],
            row["setup_planned_s"],
            row["held_planned_s"] + row["faulted_planned_s"],
        )
        for name in (
            "utilization_efficiency", "availability", "allocation_efficiency", "technical_efficiency", "setup_rate",
        ):  # fmt: skip
            expected = getattr(times, name)
            assert row[name] == (None if expected is None else pytest.approx(expected, rel=1e-9)), name
        if row["observed_planned_s"]:
            assert row["spindle_utilisation"] == pytest.approx(row["cutting_planned_s"] / row["observed_planned_s"])
        assert (row["actual_busy_s"], row["actual_processing_s"]) == pytest.approx((times.aubt_s, times.aupt_s))
        assert (row["actual_production_s"], row["actual_delay_s"]) == pytest.approx((times.apt_s, times.adet_s))
        oee = oee_index(row["availability"], row["effectiveness"], row["quality_ratio"])
        assert row["oee_index"] == (None if oee is None else pytest.approx(oee, rel=1e-9))
        nee = nee_index(times, row["effectiveness"], row["quality_ratio"])
        assert row["nee_index"] == (None if nee is None else pytest.approx(nee, rel=1e-9))
        assert (row["effectiveness"] is None) == (row["ideal_share"] is None or row["ideal_share"] < 0.8)
        assert row["low_coverage"] == (row["coverage"] is None or row["coverage"] < 0.8)


def _losses_are_those_of_the_spans(book: Book, lost_time: Any) -> None:
    derive_in_passing(book)
    spans = book.frame("from core.span").to_dicts()
    stretches = book.frame(
        """
        select machine, make_timestamptz(started_us) as started_at,
            make_timestamptz(least(changed_until_us, 4102444800000000)) as changed_until,
        from core.tool_stretch
        """
    ).to_dicts()
    held = ("held", "stop"), ("held", "hold"), ("faulted", None), ("setup", None), ("idle", None)
    for machine in {span["machine"] for span in spans}:
        mine = [span for span in spans if span["machine"] == machine and span["planned"]]
        told = dict(
            book.rows(
                "select loss, sum(hours) * 3600 from mart.month_loss where machine = $machine group by loss",
                {"machine": machine},
            )
        )
        changing = lost_time.changing_s(mine, [stretch for stretch in stretches if stretch["machine"] == machine])
        assert told["tool_change"] == pytest.approx(changing, abs=1e-5)
        for loss, (state, detail) in zip(("program_stop", "feed_hold", "fault", "setup", "idle"), held, strict=True):
            lengths = [
                (span["ended_at"] - span["started_at"]).total_seconds()
                for span in mine
                if (span["state"], span["detail"]) == (state, detail)
            ]
            assert told[loss] == pytest.approx(sum(lengths), abs=1e-5), loss
    sums = book.rows(
        """
        select planned_s, cutting_planned_s + sum(hours) * 3600
        from mart.month_loss inner join mart.utilisation_monthly using (machine, month)
        group by machine, month, planned_s, cutting_planned_s
        """
    )
    assert sums
    for planned, told_s in sums:
        assert told_s == pytest.approx(planned, abs=5e-4)


def _stops_are_those_of_the_spans(book: Book, lost_time: Any, zone: str) -> None:
    spans = book.frame("from core.span").to_dicts()
    columns = "month, state, started_at, ended_at, round(hours * 3600e6)::bigint"
    for machine in {span["machine"] for span in spans}:
        expected = lost_time.longest_stops([span for span in spans if span["machine"] == machine], ZoneInfo(zone))
        rows = book.rows(
            f"select {columns} from mart.longest_stop where machine = $machine order by month, place",
            {"machine": machine},
        )
        assert rows == [
            (stop.month, stop.state, stop.started_at, stop.ended_at, round(stop.length.total_seconds() * 1e6))
            for stop in expected
        ]


def _changes_add_up_to_nothing(book: Book) -> None:
    for change, share, before, now in book.rows(
        """
        select sum(change_hours), sum(share_change) filter (loss <> 'cutting'),
            any_value(spindle_utilisation_before), any_value(spindle_utilisation)
        from mart.month_change group by machine, month
        """
    ):
        assert change == pytest.approx(0, abs=1e-6)
        assert share == pytest.approx(before - now, abs=1e-9)


def _tool_use_adds_up_to_the_runs(book: Book) -> None:
    used: dict[str, float] = defaultdict(float)
    parts = ("cut_s", "noncut_s", "tool_change_s", "hold_s", "stop_s", "fault_s", "unobserved_s", "off_shift_s")
    for row in book.frame("from core.tool_use").iter_rows(named=True):
        used[row["run_id"]] += row["total_s"]
        assert sum(row[part] for part in parts) == pytest.approx(row["total_s"], abs=1e-6)
    for row in book.frame("from core.run").iter_rows(named=True):
        assert used[row["run_id"]] == pytest.approx((row["ended_at"] - row["started_at"]).total_seconds(), abs=1e-6)


def _causes_add_up_to_the_overrun(book: Book) -> None:
    causes: dict[str, float] = defaultdict(float)
    for row in book.frame("from core.run_cause").iter_rows(named=True):
        causes[row["run_id"]] += row["seconds"]
    total = 0.0
    for row in book.frame("from core.run").iter_rows(named=True):
        if row["outcome"] == "complete" and row["estimate_s"] is not None:
            total += row["actual_s"] - row["estimate_s"]
            assert causes[row["run_id"]] == pytest.approx(row["actual_s"] - row["estimate_s"], abs=5e-4)
        else:
            assert row["run_id"] not in causes
    for sql in ("select sum(hours) from mart.drift_cause", "select sum(overrun_hours) from mart.job_drift"):
        assert (book.rows(sql)[0][0] or 0.0) * 3600 == pytest.approx(total, abs=1e-3)


def _edges_add_up_to_the_tools_cutting(book: Book) -> None:
    cut = book.rows("select machine, tool, sum(cut_s) / 60 from core.tool_use where tool is not null group by all")
    by_tool = {(machine, tool): minutes for machine, tool, minutes in cut}
    for machine, tool, minutes in book.rows("select machine, tool, sum(cut_min) from core.edge_life group by all"):
        assert minutes == pytest.approx(by_tool.get((machine, tool), 0.0), abs=1e-6)


def _rows_are_valid(book: Book) -> None:
    for schema, models in (("core", core.MODELS), ("mart", mart.MODELS)):
        for name, model in models.items():
            columns = list(model.to_schema().columns)
            model.validate(book.frame(f"from {schema}.{name}").select(columns), lazy=True)
    for grain in ("core.run (run_id)", "core.batch (batch_id)", "core.edge_life (machine, tool, edge_number)"):
        table, _, key = grain.partition(" ")
        assert book.rows(f"select {key} from {table} group by all having count(*) > 1") == []


def dump(book: Book) -> dict[str, Any]:
    names = [*core.MODELS, "run_cause", "stream_cycle"]
    tables = [*(f"core.{name}" for name in names), *(f"mart.{name}" for name in mart.MODELS)]
    return {name: book.frame(f"select * from {name} order by all").rows() for name in tables}


def demo_like(when: Any) -> dict[str, list[dict[str, Any]]]:
    """Two machines, two jobs, three batches of one of them, one edge change a batch."""
    frames: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for day in range(3):
        for number in range(6):
            start = when(f"2026-03-0{2 + day} 07:00") + timedelta(minutes=20 * number)
            frames["cycle"].append(
                {"machine": f"M{1 + number % 2}", "program": "O1", "started_at": start, "job": "AB"[day % 2],
                 "ended_at": start + timedelta(seconds=700 + 13 * number + day)}
            )  # fmt: skip
            frames["tool_change"].append({"machine": f"M{1 + number % 2}", "occurred_at": start, "tool": "4"})
        frames["edge_change"].append({"machine": "M1", "occurred_at": start, "tool": "4", "reason": "worn"})
    frames["estimate"].append({"program": "O1", "operation": "10", "tool": "4", "cut_s": 500.0, "noncut_s": 100.0})
    return dict(frames)


def test_deriving_twice_gives_the_same_tables(book_of: Any, shop_with: Any, when: Any) -> None:
    shop = shop_with(machine=[{"id": "M1", "tool_change_s": 4}, {"id": "M2"}])
    book = book_of(demo_like(when), shop)
    first = dump(book)
    assert first["core.run"]
    assert first["mart.drift_cause"]
    derive(book, shop, Null())
    assert dump(book) == first


def test_the_order_of_rows_changes_nothing(book_of: Any, shop_with: Any, when: Any) -> None:
    shop = shop_with(machine=[{"id": "M1", "tool_change_s": 4}, {"id": "M2"}])
    frames = demo_like(when)
    numbered = {kind: [{**row, "row_number": n} for n, row in enumerate(rows, 1)] for kind, rows in frames.items()}
    for rows in numbered.values():
        for row in rows:
            row["line"] = row["row_number"]
    backwards = {kind: rows[::-1] for kind, rows in numbered.items()}
    assert dump(book_of(numbered, shop)) == dump(book_of(backwards, shop))


def test_an_empty_book_derives(book_of: Any, shop_with: Any) -> None:
    book = book_of({}, shop_with())
    assert all(not rows for name, rows in dump(book).items() if name not in ("core.machine", "core.shift"))


# --- months and shifts over clock changes, check-values sections 8.1 and 8.2 (IANA tz database) ---------------------

MONTHS = [
    ("Europe/Madrid", "2025-03", 743),
    ("Europe/Madrid", "2025-10", 745),
    ("Europe/Madrid", "2025-02", 672),
    ("America/Chicago", "2025-03", 743),
    ("America/Chicago", "2025-10", 744),
    ("America/Chicago", "2025-11", 721),
    ("America/Chicago", "2024-02", 696),
]


@pytest.mark.parametrize(("zone", "month", "hours"), MONTHS)
def test_a_month_has_its_own_length(book_of: Any, shop_with: Any, when: Any, zone: str, month: str, hours: int) -> None:
    start = when(f"{month}-15 12:00")
    rows = [{"machine": "M1", "program": "O1", "started_at": start, "ended_at": start + timedelta(hours=1)}]
    book = book_of({"cycle": rows}, shop_with(shop={"timezone": zone}))
    found = book.rows("select month, calendar_s, planned_s, cutting_s, unobserved_s from mart.utilisation_monthly")
    assert found == [(month, hours * 3600.0, hours * 3600.0, 3600.0, (hours - 1) * 3600.0)]


NIGHT = ShiftSettings.model_validate({"days": ["Sat"], "start": "22:00", "end": "06:00"})


@pytest.mark.parametrize(
    ("day", "hours"), [(date(2025, 3, 22), 8), (date(2025, 3, 29), 7), (date(2025, 10, 25), 9), (date(2025, 11, 1), 8)]
)
def test_night_shifts_over_a_clock_change(day: date, hours: int) -> None:
    shift = working_calendar([NIGHT], day, day, "Europe/Madrid")
    assert (shift["ended_at"] - shift["started_at"]).to_list() == [timedelta(hours=hours)]


@pytest.mark.parametrize(("day", "hours"), [(date(2025, 3, 30), 23), (date(2025, 10, 26), 25), (date(2025, 6, 1), 24)])
def test_round_the_clock_is_the_days_own_length(day: date, hours: int) -> None:
    shift = working_calendar([ROUND_THE_CLOCK], day, day, "Europe/Madrid")
    assert (shift["ended_at"] - shift["started_at"]).sum() == timedelta(hours=hours)


@pytest.mark.parametrize(
    ("zone", "day", "clock", "expected"),
    [
        ("Europe/Madrid", date(2025, 3, 30), "02:30", datetime(2025, 3, 30, 1, 0, tzinfo=UTC)),
        ("America/Chicago", date(2025, 3, 9), "02:01", datetime(2025, 3, 9, 8, 0, tzinfo=UTC)),
        ("Australia/Lord_Howe", date(2025, 10, 5), "02:10", datetime(2025, 10, 4, 15, 30, tzinfo=UTC)),
        ("Europe/Madrid", date(2025, 10, 26), "02:30", datetime(2025, 10, 26, 0, 30, tzinfo=UTC)),  # the first reading
    ],
)
def test_a_shift_at_a_time_that_the_clock_skips_starts_at_the_jump(
    zone: str, day: date, clock: str, expected: datetime
) -> None:
    rule = ShiftSettings.model_validate({"days": ["Sun"], "start": clock, "end": "12:00"})
    assert working_calendar([rule], day, day, zone)["started_at"].to_list() == [expected]


def test_shifts_calendars_are_the_oracles(oracle: Any, shop_with: Any, book_of: Any, when: Any) -> None:
    shifts = [
        {"days": ["Mon", "Tue", "Wed", "Thu", "Fri"], "start": "06:00", "end": "14:30", "breaks": ["09:30-09:45"]},
        {"days": ["Fri", "Sat"], "start": "22:00", "end": "06:00", "breaks": ["01:30-02:45", "23:55-00:05"]},
        {"days": ["Sat"], "start": "05:00", "end": "07:00", "from": date(2025, 3, 10)},
        {"days": ["Sun"], "start": "00:00", "end": "00:00", "machines": ["M1"]},
    ]
    closed = [
        {"from": date(2025, 3, 14), "to": date(2025, 3, 15)},
        {"from": date(2025, 3, 30), "to": date(2025, 3, 30), "machines": ["M2"]},
    ]
    shop = shop_with(
        shop={"timezone": "Europe/Madrid"}, machine=[{"id": "M1"}, {"id": "M2"}], shift=shifts, closed=closed
    )
    rows = [
        {"machine": "M1", "program": "O1", "started_at": when("2025-03-05 06:00"), "ended_at": when("2025-03-31 06:00")}
    ]
    book = book_of({"cycle": rows}, shop)
    first, last = date(2025, 2, 28), date(2025, 4, 6)  # the last week of the month reaches into April
    for machine in ("M1", "M2"):
        found = book.rows(
            "select epoch_us(started_at), epoch_us(ended_at) from core.shift where machine = $machine order by all",
            {"machine": machine},
        )
        for one, other in pairwise(found):
            assert one[1] <= other[0]  # no planned minute counts twice
        assert oracle.union(found) == oracle.shift_stretches(shop, machine, first, last)


# --- the files of SQL -------------------------------------------------------------------------------------------------

RELATIONS = [relation for schema in ("core", "mart", "audit") for relation in load_relations(schema)]


@pytest.mark.parametrize("relation", RELATIONS, ids=lambda relation: relation.full_name)
def test_every_sql_file_says_what_it_holds(relation: Any) -> None:
    assert " Grain: " in relation.description
    assert relation.description.partition(" Grain: ")[0].count(".") >= 1
    assert ";" not in relation.sql.split("\nwith\n")[-1].split("\nselect")[-1].partition("--")[0]
    assert "select *\nfrom" not in relation.sql.lower() or relation.schema == "audit"


def test_every_relation_is_read_by_something() -> None:
    """A relation that no other, no Python of the derive and report rooms and no mart model reads is dead weight."""
    from pathlib import Path

    import pipeline

    root = Path(pipeline.__file__).parent
    texts = [path.read_text("utf-8") for room in ("derive", "report") for path in (root / room).rglob("*.py")]
    texts += [path.read_text("utf-8") for path in (root / "report").rglob("*.sql")]
    for kind in ("window", "query"):
        texts += [path.read_text("utf-8") for path in (root / "derive" / "sql" / kind).glob("*.sql")]
    read_by_sql = set().union(*(relation.upstream - {relation.full_name} for relation in RELATIONS))
    for relation in RELATIONS:
        if relation.schema == "audit":
            continue  # audit() runs the whole folder
        named = relation.full_name in read_by_sql or any(relation.full_name in text for text in texts)
        assert named or relation.name in {**core.MODELS, **mart.MODELS}, relation.full_name


def test_relations_come_after_what_they_read() -> None:
    ordered = [relation.full_name for relation in in_order([r for r in RELATIONS if r.schema != "audit"])]
    for relation in RELATIONS:
        for name in relation.upstream & set(ordered):
            if relation.schema != "audit":
                assert ordered.index(name) < ordered.index(relation.full_name)


def test_what_statistics_of_runs_read_is_in_the_book_before_them() -> None:
    relations = {relation.full_name: relation for relation in load_relations("core")}
    read = set(relations["core.batch"].upstream)
    for name in ("runs_counted", "tool_batches"):
        read |= Relation("query", name, resources.read_text("pipeline.derive", "sql", "query", f"{name}.sql")).upstream
    # as derived in parts, and put into the book together
    kinds = (Renewed.BY_WINDOW, Renewed.BY_MACHINE, Renewed.BY_DAY, Renewed.BY_MONTH)
    in_parts = {relation.full_name for relation in of_kind(relations.values(), *kinds)}

    assert read & in_parts == set(READ)
