"""The truth adds up, and is what the logs imply: each sum is formed again here in another way."""

from __future__ import annotations

import json
from bisect import bisect_right
from collections import defaultdict
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl
import pytest

from sample_logs.generate import DemoShop, simulate
from sample_logs.truth import DERIVED_CUTTING_BOUND, STATES

LISBON = ZoneInfo("Europe/Lisbon")
HOUR_MS = 3_600_000
RAPID_LIMIT_MM_MIN = 0.9 * 30_000
HELD = {"FEED_HOLD", "INTERRUPTED", "OPTIONAL_STOP", "PROGRAM_STOPPED", "PROGRAM_OPTIONAL_STOP", "WAIT"}

# Planned hours by hand, from shop.toml: weekdays 8 - 0.5 h (L1) or 16 - 1 h (mills), Saturday nights 8 - 0.5 h of the
# mills, of which 5.5 h lie after midnight; the night of 28 March is an hour short; 3 to 16 August is closed.
PLANNED_H = {
    ("L1", "2026-01"): 20 * 7.5,
    ("L1", "2026-03"): 22 * 7.5,
    ("L1", "2026-08"): 11 * 7.5,
    ("M2", "2026-01"): 20 * 15 + 3 * 7.5 + 2,
    ("M2", "2026-02"): 20 * 15 + 5.5 + 3 * 7.5 + 2,
    ("M2", "2026-03"): 22 * 15 + 5.5 + 4 * 7.5 - 1,
    ("M2", "2026-08"): 11 * 15 + 3 * 7.5,
}


def test_states_add_up_to_the_calendar(shop: DemoShop) -> None:
    """In each machine's month the states and the rest make up the month, and the planned ones the planned time."""
    states = shop.truth.states
    for suffix, whole in (("_ms", "calendar_ms"), ("_planned_ms", "planned_ms")):
        summed = states.select(pl.sum_horizontal(f"{state}{suffix}" for state in (*STATES, "rest"))).to_series()
        assert summed.to_list() == states[whole].to_list()
        assert states.select(pl.min_horizontal(f"{state}{suffix}" for state in (*STATES, "rest"))).min().item() >= 0
    for row in states.to_dicts():
        year, month = map(int, row["month"].split("-"))
        begin = datetime(year, month, 1, tzinfo=LISBON).astimezone(UTC)
        end = datetime(year + month // 12, month % 12 + 1, 1, tzinfo=LISBON).astimezone(UTC)
        assert row["calendar_ms"] == (end - begin) // timedelta(milliseconds=1)


def test_the_spring_month_is_an_hour_short(shop: DemoShop) -> None:
    """March 2026 has 743 hours in a zone of the European Union (IANA tz database, rule EU)."""
    march = shop.truth.states.filter(month="2026-03")
    assert march["calendar_ms"].to_list() == [743 * HOUR_MS] * 3


@pytest.mark.parametrize(("machine", "month"), PLANNED_H)
def test_planned_time_is_what_the_shifts_say(shop: DemoShop, machine: str, month: str) -> None:
    """Planned time agrees with hours counted by hand."""
    row = shop.truth.states.row(by_predicate=(pl.col("machine") == machine) & (pl.col("month") == month), named=True)
    assert row["planned_ms"] == round(PLANNED_H[machine, month] * HOUR_MS)


def _states_of_stream(event: pl.DataFrame) -> list[tuple[int, int, str]]:
    """Walk through the canonical events one by one and name the state of each stretch by the design's rules."""
    now: dict[str, str] = {}
    faults: dict[str, bool] = {}
    stretches: list[tuple[int, int, str]] = []
    since, at, state = 0, 0, "unobserved"
    rows = event.with_columns(ms=pl.col("occurred_at").dt.epoch("ms")).select(
        "ms", "data_item_id", "item", "value", "level"
    )
    for ms, name, item, value, level in rows.iter_rows():
        if ms != at:
            told = _state(now, faults)
            if told != state:
                stretches.append((since, at, state))
                since, state = at, told
            at = ms
        if item == "Condition":
            faults[name] = level == "FAULT"
        else:
            now[item] = value
    stretches.append((since, at, state))
    return stretches


def _state(now: dict[str, str], faults: dict[str, bool]) -> str:
    if not now or now["Availability"] == "UNAVAILABLE" or now["Execution"] == "UNAVAILABLE":
        return "unobserved"
    if any(faults.values()) or now["EmergencyStop"] == "TRIGGERED":
        return "faulted"
    if now["Execution"] in HELD:
        return "held"
    if now["Execution"] == "ACTIVE":
        feeding = 0 < float(now["PathFeedrate"]) < RAPID_LIMIT_MM_MIN
        return "cutting" if feeding and float(now["RotaryVelocity"]) > 0 else "noncutting"
    return "rest"


@pytest.mark.parametrize("seed", [2, 8])
def test_stream_implies_the_months_of_its_machine(seed: int) -> None:
    """A walk through M2's events gives cutting, non-cutting, held, faulted and unobserved to the millisecond."""
    shop = simulate(seed)
    months = shop.truth.states.filter(machine="M2")
    starts = [
        int(datetime(2026, month, 1, tzinfo=LISBON).timestamp() * 1000) for month in range(1, 11)
    ]  # the last is the end of September
    summed: dict[tuple[int, str], int] = defaultdict(int)
    stretches = _states_of_stream(shop.event)
    stretches.append((stretches[-1][1], starts[-1], "unobserved"))
    for since, until, state in stretches:
        begin = max(since, starts[0])
        while begin < min(until, starts[-1]):
            month = bisect_right(starts, begin) - 1
            end = min(until, starts[month + 1])
            summed[month, state] += end - begin
            begin = end
    for month, row in enumerate(months.to_dicts()):
        for state in (*STATES, "rest"):
            assert summed[month, state] == row[f"{state}_ms"], (row["month"], state)


def test_holds_outside_shifts_stay_under_the_limit(shop: DemoShop) -> None:
    """No hold or fault of the stream lasts longer than the hour after which time outside shifts is off shift."""
    longest = max(
        until - since for since, until, state in _states_of_stream(shop.event) if state in ("held", "faulted")
    )
    assert longest < HOUR_MS


@pytest.mark.parametrize("machine", ["M1", "L1"])
def test_lists_imply_the_time_in_cycle(shop: DemoShop, machine: str) -> None:
    """In-cycle seconds of a listed machine are the lengths of its cycles; all are whole seconds."""
    states = shop.truth.states.filter(machine=machine)
    in_cycle = states.select(pl.sum_horizontal("cutting_ms", "noncutting_ms", "held_ms", "faulted_ms").sum()).item()
    cycles = shop.cycle.filter(machine=machine)
    lengths = (cycles["ended_at"] - cycles["started_at"]).dt.total_milliseconds()
    assert in_cycle == lengths.sum()
    assert (lengths % 1000).sum() == 0
    assert states["cycles"].sum() == len(cycles)
    assert states["parts"].sum() == cycles["parts"].sum()
    assert states["scrap"].sum() == cycles["scrap"].sum()


def test_tool_uses_add_up_to_their_cycles(shop: DemoShop) -> None:
    """The pieces of a cycle are its length; only a lost network takes some out of a cycle of the stream machine."""
    pieces = ["cutting_ms", "change_ms", "rapid_ms", "held_ms", "faulted_ms"]
    sums = shop.truth.tool_uses.group_by("cycle").agg(pl.sum_horizontal(pieces).sum().alias("sum_ms"))
    both = shop.truth.cycles.join(sums, on="cycle", how="left").with_columns(
        missing=(pl.col("ended_at") - pl.col("started_at")).dt.total_milliseconds() - pl.col("sum_ms")
    )
    assert both.filter(pl.col("machine") != "M2")["missing"].abs().max() == 0
    short = both.filter((pl.col("machine") == "M2") & (pl.col("missing") != 0))
    gaps = shop.truth.gaps.with_columns(length=(pl.col("end") - pl.col("start")).dt.total_milliseconds())
    assert 1 <= len(short) <= 8
    for row in short.to_dicts():
        inside = gaps.filter((pl.col("start") > row["started_at"]) & (pl.col("end") < row["ended_at"]))
        assert inside["length"].sum() == row["missing"]


@pytest.mark.parametrize("seed", [2, 1, 3, 4])
def test_cutting_derived_from_lists_keeps_to_the_stated_bound(seed: int) -> None:
    """The design's rule for lists, applied naively, lies within the bound that truth.json states."""
    shop = simulate(seed)
    change_s = {"M1": 6.0, "L1": 2.0}
    shares = {
        (r["program"], r["tool"]): r["noncut_s"] / (r["cut_s"] + r["noncut_s"])
        for r in shop.estimate.drop_nulls("tool").to_dicts()
    }
    changes: dict[str, list[tuple[datetime, str]]] = defaultdict(list)
    for machine, at, tool in shop.tool_change.sort("occurred_at").select("machine", "occurred_at", "tool").rows():
        changes[machine].append((at, tool))
    for machine, own in changes.items():
        times = [at for at, _ in own]
        derived = 0.0
        for row in shop.cycle.filter(machine=machine).to_dicts():
            first = bisect_right(times, row["started_at"])
            bounds = [(at, tool) for at, tool in own[first : first + 12] if at < row["ended_at"]]
            for (at, tool), (until, _) in zip(bounds, [*bounds[1:], (row["ended_at"], "")], strict=True):
                used = (until - at).total_seconds() - change_s[machine]
                derived += max(used, 0) * (1 - shares.get((row["program"], tool), 0.0))
        true = shop.truth.states.filter(machine=machine)["cutting_ms"].sum() / 1000
        assert abs(derived / true - 1) < DERIVED_CUTTING_BOUND


def test_cutting_time_of_edges_is_that_of_their_tools(shop: DemoShop) -> None:
    """All edges of a tool together cut as long as the tool did; the network's gaps hide at most minutes of it."""
    by_tool = shop.truth.tool_uses.group_by("machine", "tool").agg((pl.col("cutting_ms").sum() / 60_000).alias("used"))
    by_edge = shop.truth.edges.group_by("machine", "tool").agg(pl.col("cut_min").sum())
    first_age = by_edge.join(by_tool, on=["machine", "tool"]).with_columns(hidden=pl.col("cut_min") - pl.col("used"))
    assert first_age.filter(pl.col("machine") != "M2")["hidden"].abs().max() < 1e-6  # type: ignore[operator]
    assert first_age["hidden"].sum() == pytest.approx(_lost_in_cuts_min(shop), abs=1e-6)


def _lost_in_cuts_min(shop: DemoShop) -> float:
    cycles = shop.truth.cycles.filter(machine="M2")
    lost = 0.0
    for start, end in shop.truth.gaps.rows():
        if cycles.filter((pl.col("started_at") < start) & (pl.col("ended_at") > end)).height:
            lost += (end - start).total_seconds() / 60
    return lost


def test_truth_file_is_the_truth(shop: DemoShop, written: Path) -> None:
    """truth.json holds the same states, jobs, tools and planted effects as the simulated shop."""
    told = json.loads((written / "truth.json").read_text(encoding="utf-8"))
    truth = shop.truth
    assert told["states"] == truth.states.to_dicts()
    assert told["tools"] == truth.tools.to_dicts()
    assert told["jobs"] == truth.jobs.to_dicts()
    assert told["timezone"] == "Europe/Lisbon"
    assert [(row["machine"], row["tool"]) for row in told["falling_tools"]] == truth.falling_tools
    for row, job in zip(told["planted_jobs"], truth.planted_jobs, strict=True):
        assert (row["part"], row["operation"], row["ratio"]) == (job.part, job.operation, job.ratio)
        assert row["since"] is None or datetime.fromisoformat(row["since"]) == job.since
