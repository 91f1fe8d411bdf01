"""An invented shop for the pages: every frame of SiteData, with awkward names in it, the same at every call."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Any

import polars as pl
import pytest

from dashboards.site_data import SiteData, empty_frames, frame_columns
from schemas.vocabulary import STATES

HOSTILE = "<script>window.hacked=1</script>\"'&"
START = datetime(2026, 1, 5, 7, 0, tzinfo=UTC)


def frame(name: str, rows: list[dict[str, Any]]) -> pl.DataFrame:
    """Make one frame of SiteData; columns that a row leaves out are empty."""
    return pl.DataFrame(
        [{column: row.get(column) for column in frame_columns()[name]} for row in rows],
        schema=dict(frame_columns()[name]),
    )


def make_site(**changed: Any) -> SiteData:
    """Make SiteData with no rows, save what is given."""
    words: dict[str, Any] = {
        "shop_name": "Test shop",
        "currency": "EUR",
        "timezone": "Europe/Lisbon",
        "built_at": datetime(2026, 6, 2, 17, 5, tzinfo=UTC),
        "tolerance": 0.03,
        "unknown_reason": "censored",
        "notes": (),
    }
    return SiteData(**{**words, **empty_frames(), **changed})


def job(key: str, machine: str, drift: float | None, **more: Any) -> dict[str, Any]:
    """Make a row of the drift mart."""
    few = drift is None or more.get("verdict") == "too few"
    row: dict[str, Any] = {
        "job_key": key,
        "job": f"{key}-2026",
        "part": key,
        "operation": "10",
        "machine": machine,
        "program": "O1001",
        "revision": "B",
        "runs": 48,
        "batches": 6,
        "aborted": 1,
        "estimate_s": 370.0,
        "estimate_from": "lines",
        "actual_s": 370.0 * (drift or 1.0),
        "actual_mean_s": 375.0 * (drift or 1.0),
        "drift": drift,
        "drift_low": None if few else (drift or 1) - 0.03,
        "drift_high": None if few else (drift or 1) + 0.03,
        "drift_q": None if few else 0.0004,
        "verdict": "too few" if drift is None else "over" if drift > 1.05 else "under" if drift < 0.95 else "on",
        "overrun_hours": None if drift is None else 48 * 370 * (drift - 1) / 3600,
        "overrun_cost": None if drift is None else 48 * 370 * (drift - 1) / 3600 * 58,
        "basis": "derived",
        "first_articles": 0,
        "proving_runs": 0,
    }
    return {**row, **more}


def runs_of(row: dict[str, Any], rng: random.Random) -> list[dict[str, Any]]:
    """Make the runs behind a row of the drift mart."""
    section = {name: row[name] for name in ("job_key", "job", "part", "operation", "machine", "program", "revision")}
    runs = []
    for number in range(row["runs"] + row["aborted"]):
        at = START + timedelta(days=7 * (number // 8), minutes=9 * (number % 8))
        seconds = (row["actual_s"] or 300.0) * (1 + rng.gauss(0, 0.02)) + (3000 if number == 17 else 0)
        runs.append(
            {
                **section,
                "run_id": f"{row['job_key']}-{row['machine']}-{number}",
                "started_at": at,
                "ended_at": at + timedelta(seconds=seconds),
                "outcome": "complete" if number < row["runs"] else "aborted",
                "parts": 1,
                "scrap": 0,
                "batch_id": f"{row['job_key']}-{row['machine']}-batch-{number // 8}",
                "estimate_s": row["estimate_s"],
                "estimate_from": row["estimate_from"],
                "actual_s": seconds,
                "basis": row["basis"],
                "file_id": "f1",
                "row_number": number + 1,
                "last_file_id": "f1",
                "last_row_number": number + 1,
            }
        )
    return runs


def batches_of(runs: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Make the batches of runs."""
    batches: dict[str, dict[str, Any]] = {}
    for run in runs:
        batch = batches.setdefault(
            run["batch_id"],
            {
                **{name: run[name] for name in ("batch_id", "machine", "job", "part", "operation", "started_at")},
                "job_key": run["job_key"],
                **{"runs": 0, "aborted": 0, "parts": 0, "scrap": 0, "setup_s": 2700.0, "quoted_setup_s": 2400.0},
                **{"good": 0, "setup_over_cost": None if run["machine"] == HOSTILE else 5.0},
                **{"first_part_s": run["actual_s"], "repeat_s": 400.0, "between_cycles_s": 62.0, "stops": 1},
                "basis": "derived",
            },
        )
        batch["runs"] += 1
        batch["parts"] += 1
        batch["good"] += 1
        batch["ended_at"] = run["ended_at"]
    return list(batches.values())


def causes_of(row: dict[str, Any]) -> list[dict[str, Any]]:
    """Make causes that add up to the row's difference from its estimate."""
    if row["drift"] is None:
        return []
    total = row["actual_mean_s"] - row["estimate_s"]
    parts = [("cutting", "4", 0.9), ("tool_change", None, 0.25), ("hold", None, 0.2), ("rapid", "12", -0.35)]
    section = {name: row[name] for name in ("job_key", "job", "operation", "machine", "program", "revision")}
    return [
        {
            **section,
            "tool": tool,
            "cause": cause,
            "seconds_per_run": total * share,
            "hours": total * share * row["runs"] / 3600,
            "cost": None if row["overrun_cost"] is None else total * share * row["runs"] / 3600 * 58,
        }
        for cause, tool, share in parts
    ]


def money_of(row: dict[str, Any]) -> dict[str, Any]:
    """Make hours and cost of a row of the drift mart: six batches set up in 45 minutes each, quoted at 40."""
    hours = (row["actual_mean_s"] or 0.0) * row["runs"] / 3600
    return {
        **{name: row[name] for name in ("job_key", "operation", "machine", "program", "revision")},
        **{"compared_runs": row["runs"], "estimate_mean_s": row["estimate_s"], "actual_mean_s": row["actual_mean_s"]},
        **{"good": row["runs"] - 2, "scrap": 2, "batches": row["batches"], "cycle_hours": hours, "setup_hours": 4.5},
        **{"load_hours": 0.8, "cost": None if row["machine"] == HOSTILE else (hours + 5.3) * 58},
        "rate_per_hour": None if row["machine"] == HOSTILE else 58.0,
        **{"quoted_batches": row["batches"], "setup_each_s": 2700.0, "quoted_setup_each_s": 2400.0},
        **{"setup_over_hours": row["batches"] / 12, "load_over_hours": None if row["machine"] == "M2" else 0.2},
        **{"load_each_s": 62.0, "quoted_load_s": None if row["machine"] == "M2" else 50.0},
    }


def margin_of(key: str, **more: Any) -> dict[str, Any]:
    """Make the margin of a job: 46 good parts for 600 EUR, for which the quote allowed 550."""
    row = {
        **{"job_key": key, "operations": 1, "good": 46, "scrap": 2, "batches": 6, "hours": 10.3, "cost": 600.0},
        **{"cost_per_good": 600 / 46, "quoted_hours": 9.5, "quoted_value": 550.0, "margin": -50.0},
        "margin_share": -50 / 550,
    }
    return {**row, **more}


def trust_of(kind: str, raw: float | None, corrected: float | None, jobs: int, offered: bool) -> dict[str, Any]:
    """Make a row of the trust mart."""
    return {
        **{"time_kind": kind, "jobs": jobs, "raw_error": raw, "corrected_error": corrected, "closer": 0.8, "p": 0.001},
        **{"coverage_90": 0.88, "coverage_50": 0.47, "least_reach": 0.12 if kind == "cut" else None},
        **{"offered": offered, "because": f"off by so much, over {jobs} past jobs {HOSTILE}"},
    }


def outcome_of(number: int, over: float | None) -> dict[str, Any]:
    """Make a kept quote and what then happened (nothing yet, where `over` is None)."""
    return {
        **{"quote_id": f"2026-02-{number:02d}-1", "line": 0, "given_at": START + timedelta(days=9 * number)},
        **{"factors_version": "0123456789ab", "job": HOSTILE, "operation": "10", "machine": "M1", "quantity": 8},
        **{"estimate_s": 370.0, "expected_cycle_s": 400.0, "cycle_s_low": 372.0, "cycle_s_high": 430.0},
        **{"runs": 0 if over is None else 24, "batches": 0 if over is None else 3, "expected_setup_s": 2400.0},
        **{"actual_cycle_s": None if over is None else 400 * over, "actual_over_quoted": over},
        "held": None if over is None else 0.93 <= over <= 1.075,
    }


def backtest_of(row: dict[str, Any], kind: str) -> dict[str, Any]:
    """Make what a quote of a job before its first month would have said."""
    return {
        **{name: row[name] for name in ("job_key", "operation", "machine", "program", "revision")},
        **{"time_kind": kind, "first_at": START, "origin_at": START, "history": 5, "batches": 6, "runs": 48},
        **{"estimate_s": 370.0, "corrected_s": 401.0, "low": 350.0, "q25": 380.0, "q75": 420.0, "high": 455.0},
        "actual_s": row["actual_s"],
    }


def level_changes_of(row: dict[str, Any]) -> list[dict[str, Any]]:
    """Make what was different since a job changed its level."""
    section = {name: row[name] for name in ("job_key", "operation", "machine", "program", "revision")}
    return [
        {**section, "what": "cause", "which": "cutting", "tool": "4", "before": 2.0, "after": 60.5},
        {**section, "what": "edge", "tool": "4", "changed_at": START + timedelta(days=29)},
        {**section, "what": "material", "which": "316L", "before": 0.0, "after": 1.0},
        {**section, "what": "tool changes", "before": 5.0, "after": 7.0},
        {**section, "what": "machine", "before": 1.0, "after": 0.4},
        {**section, "what": "hour", "which": "before 14:00", "before": 0.9, "after": 0.3},
    ]


def tool_of(machine: str, tool: str, verdict: str, trend: float | None, **more: Any) -> dict[str, Any]:
    """Make a row of the tool mart."""
    row = {
        **{"machine": machine, "tool": tool, "name": "40 mm square shoulder mill", "edges": 24, "failures": 19},
        **{
            "censored": 5,
            "unit": "min",
            "shape": 3.2,
            "scale": 54.0,
            "life_b10": 26.7,
            "b10_low": 20.1,
            "b10_high": 33.0,
        },
        **{"life_median": 48.1, "life_low": 43.3, "life_high": 53.0, "km_median": 47.5, "trend_per_edge": trend},
        **{"trend_low": (trend or 0) - 0.01, "trend_high": (trend or 0) + 0.01, "trend_p": 0.0004, "trend_q": 0.002},
        **{"pooled": False, "unit_because": "alike", "suspects": 0, "min_per_part": 1.2, "habit_age": 44.0},
        **{"wear_verdict": "runs away" if verdict == "falling" else "as before", "wear_measure": "load"},
        **{"wear_edges": 12, "wear_since_part": 3 if verdict == "falling" else None, "rests_on": 1},
        **{"verdict": verdict, "current_age": 12.5, "remaining_median": 36.0, "remaining_p10": 15.0, "change_at": 41.0},
        "cost_per_part": 0.83,
    }
    return {**row, **more}


def edges_of(machine: str, tool: str, count: int, rng: random.Random) -> list[dict[str, Any]]:
    """Make a tool's edges, the first with an unknown start and the last in use."""
    ends = ("worn", "worn", "broken", "planned", "worn", "chipped", "unknown")
    edges = []
    for number in range(count):
        at, last = START + timedelta(days=6 * number), number == count - 1
        reason = None if last else ends[number % len(ends)]
        edges.append(
            {
                **{"machine": machine, "tool": tool, "edge_number": number, "in_use_at": at if number else None},
                **{"at_machine": machine, "at_tool": tool, "is_suspect": False, "material_list": "316L"},
                **{
                    "removed_at": None if last else at + timedelta(days=6),
                    "cut_min": 50 * 0.98**number + rng.gauss(0, 4),
                },
                **{"parts": 40, "reason": reason, "censored": reason not in ("worn", "broken", "chipped")},
                **{"edge_cost": 17.0, "file_id": "f2", "row_number": number + 1},
            }
        )
    return edges


def in_use_of(machine: str, tool: str, due: str, **more: Any) -> dict[str, Any]:
    """Make a row of the edges in use."""
    row = {
        **{"machine": machine, "tool": tool, "life_machine": machine, "life_tool": tool, "edge_number": 24},
        **{"in_use_at": START, "age_min": 31.0, "age_parts": 40, "unit": "min", "due": due, "name": None},
        **{"batch_job": "S-304", "batch_basis": "order", "batch_parts": 8, "survive_next_part": 0.97},
        **{"survive_batch": 0.71, "parts_left_median": 12, "parts_left_90": 3, "file_id": "f2", "row_number": 24},
    }
    return {**row, **more}


def shelf_of(machine: str, tool: str, place: int, edges: int | None) -> dict[str, Any]:
    """Make a row of the shelf list."""
    return {
        **{"machine": machine, "tool": tool, "life_machine": machine, "life_tool": tool, "place": place, "name": None},
        **{"job": "S-304", "basis": "order" if place == 1 else "once more", "parts_left": 8, "is_measured": True},
        **{
            "min_per_part": 1.2,
            "edges_median": 0,
            "edges_90": edges,
            "inserts_90": edges,
            "cost_90": edges and 17.0 * edges,
        },
    }


def tooling_of(machine: str, tool: str, **more: Any) -> dict[str, Any]:
    """Make a row of what edges cost."""
    row = {
        **{"machine": machine, "tool": tool, "changes": 24, "regrinds": 0, "edges_cost": 408.0, "cost_per_part": 0.42},
        **{"unit": "min", "habit_age": 44.0, "habit_failed_share": 0.8, "habit_cost_month": 210.0, "habit_low": 180.0},
        **{"habit_high": 240.0, "change_at": 41.0, "best_cost_month": 120.0, "saving_month": 90.0},
    }
    return {**row, **more}


def wear_of(machine: str, tool: str) -> list[dict[str, Any]]:
    """Make the parts of the edge in use and those of earlier edges."""
    told: list[dict[str, Any]] = []
    for part in range(1, 9):
        told.append({"which": "in use", "part_number": part, "value": 1 + 0.03 * max(0, part - 2)})
        told.append({"which": "earlier", "part_number": part, "value": 1 + 0.005 * part, "low": 0.97, "high": 1.05})
    return [{"machine": machine, "tool": tool, **point} for point in told]


def curves_of(machine: str, tool: str) -> list[dict[str, Any]]:
    """Make observed and fitted survival points."""
    points = []
    for step in range(13):
        life = 6.0 * step
        for which in ("observed", "fitted"):
            share = math.exp(-((life / 54.0) ** 3.2))
            share = round(share, 1) if which == "observed" else share
            low, high = (max(0.0, share - 0.15), min(1.0, share + 0.15)) if which == "observed" else (None, None)
            points.append(
                {
                    "machine": machine,
                    "tool": tool,
                    "which": which,
                    "life": life,
                    "survival": share,
                    "low": low,
                    "high": high,
                }
            )
    return points


def month_of(machine: str, month: str, cutting: float, coverage: float) -> dict[str, Any]:
    """Make a row of the utilisation mart for a month of 30 days with 170 planned hours."""
    calendar, planned = 30 * 86_400.0, 170 * 3600.0
    observed = planned * coverage
    shares = {"cutting": cutting, "noncutting": 0.12, "held": 0.05, "faulted": 0.02, "setup": 0.14}
    inside = {state: observed * shares.get(state, 0.0) for state in STATES}
    inside["idle"] = observed - sum(inside.values())
    inside["unobserved"] = planned - observed
    whole = {**inside, "off_shift": calendar - planned}
    busy = shares["cutting"] + shares["noncutting"]
    return {
        **{"machine": machine, "month": month, "calendar_s": calendar, "planned_s": planned},
        **{"observed_planned_s": observed, "coverage": coverage, "cycles": 812, "parts": 790, "scrap": 6},
        **{"overtime_s": 0.0, "lights_out_s": 0.0},
        **{f"{state}_s": whole[state] for state in STATES},
        **{f"{state}_planned_s": inside[state] for state in STATES},
        **{
            "spindle_utilisation": cutting if observed else None,
            "spindle_utilisation_calendar": 0.11,
            "basis": "derived",
        },
        **{"utilization_efficiency": busy / (busy + 0.21), "availability": busy, "allocation_efficiency": busy + 0.21},
        **{"technical_efficiency": busy / (busy + 0.07), "setup_rate": 0.14 / (busy + 0.14)},
        **{"actual_busy_s": observed * (busy + 0.21), "actual_processing_s": observed * (busy + 0.14)},
        **{"actual_production_s": observed * busy, "actual_delay_s": observed * 0.07, "ideal_share": 0.93},
        **{"effectiveness": 0.94, "quality_ratio": 0.99, "oee_index": busy * 0.94 * 0.99},
        **{"nee_index": (busy + 0.14) * 0.94 * 0.99, "low_coverage": coverage < 0.8},
        **{"overtime_s": 0.0, "lights_out_s": 7200.0, "restated": False, "standing": "open"},
    }


def losses_of(month: dict[str, Any], rate: float | None) -> list[dict[str, Any]]:
    """Make the losses of a month, tool changes an eighth of what is in cycle and not cutting."""
    hours = {
        **{"noncutting": month["noncutting_planned_s"] * 0.875, "tool_change": month["noncutting_planned_s"] * 0.125},
        **{"feed_hold": month["held_planned_s"], "program_stop": 0.0, "fault": month["faulted_planned_s"]},
        **{"setup": month["setup_planned_s"], "idle": month["idle_planned_s"]},
        "unobserved": month["unobserved_planned_s"],
    }
    return [
        {
            **{"machine": month["machine"], "month": month["month"], "loss": loss, "hours": seconds / 3600},
            "share_of_planned": seconds / month["planned_s"],
            "cost": None if rate is None or loss == "unobserved" else seconds / 3600 * rate,
        }
        for loss, seconds in hours.items()
    ]


def stops_of(runs: list[dict[str, Any]], month: str, rate: float | None) -> list[dict[str, Any]]:
    """Make a dozen stops of one month after runs of one machine, the third with nothing known before it."""
    stops = []
    for place, run in enumerate(runs[:12], start=1):
        section = {name: run[name] for name in ("job_key", "job", "operation", "program", "revision", "run_id")}
        known = {**section, "interrupted": place % 2 == 0, "file_id": "f1", "row_number": 10 * place}
        began, loss = datetime(2026, 5, place, 9, 0, tzinfo=UTC), "idle" if place % 2 else "feed_hold"
        stops.append(
            {
                **{"machine": run["machine"], "month": month, "place": place, "hours": 13.0 - place},
                **{"state": "idle" if place % 2 else "held", "loss": loss, "started_at": began},
                **{"ended_at": began + timedelta(hours=26), "cost": None if rate is None else (13.0 - place) * rate},
                **({} if place == 3 else known),
            }
        )
    return stops


def change_of(month: dict[str, Any], before: dict[str, Any]) -> dict[str, Any]:
    """Make what changed from one month to the next."""
    cut, earlier = month["spindle_utilisation"], before["spindle_utilisation"]
    hours = (cut - earlier) * month["observed_planned_s"] / 3600
    losses = ("noncutting", "tool_change", "feed_hold", "program_stop", "fault", "setup")
    return {
        **{"machine": month["machine"], "month": month["month"], "month_before": before["month"]},
        **{"coverage": month["coverage"], "coverage_before": before["coverage"], "spindle_utilisation": cut},
        **{"spindle_utilisation_before": earlier, "cutting_change_hours": hours, "idle_change_hours": -hours},
        **{f"{loss}_change_hours": 0.0 for loss in losses},
        "what_changed": f"Cut {cut:.1%} after {earlier:.1%}. Gone: {HOSTILE} (3.0 h in cycle). 7 setups after 9.",
    }


def days_of(machine: str) -> list[dict[str, Any]]:
    """Make eight weeks of days."""
    rows = []
    for number in range(56):
        on = date(2026, 4, 6) + timedelta(days=number)
        hours = {"cutting": 3.4, "noncutting": 1.0, "setup": 1.2, "idle": 2.65, "off_shift": 15.75}
        if on.weekday() > 4:
            hours = {"off_shift": 24.0}
        rows += [{"machine": machine, "day": on, "state": state, "hours": value} for state, value in hours.items()]
    return rows


def full_site(**changed: Any) -> SiteData:
    """Make a shop of three machines with a bit of everything, one of them with a hostile name and no rate."""
    rng = random.Random(20260504)
    moved = datetime(2026, 2, 4, 23, 30, tzinfo=UTC)
    jobs = [
        job(
            "Bracket",
            "M1",
            1.14,
            shifted_at=moved,
            shift_q=0.003,
            drift_before=1.02,
            drift_after=1.19,
            shifted_from_at=moved - timedelta(days=7),
            shifted_until_at=moved + timedelta(days=7),
            first_articles=6,
            proving_runs=1,
            first_article_s=410.0,
            learning_rate=0.97,
            learning_hours=0.4,
        ),
        job("Bracket", "M1", 1.01, operation="20", program="O1002", revision=None),
        job("Gearbox cover with a long name that goes on", "M2", 1.09),
        job("Spacer", "M2", 0.91),
        job("Pin", "M1", 1.2, verdict="too few", runs=3, batches=1),
        job(HOSTILE, HOSTILE, 1.3, overrun_cost=None, operation=HOSTILE, program=HOSTILE, revision=HOSTILE),
        job("O9000", "M2", None, estimate_s=None, estimate_from=None, actual_s=512.0, part=None, operation=None),
    ]
    runs = [run for row in jobs for run in runs_of(row, rng)]
    tools = [
        tool_of("M1", "4", "falling", -0.021),
        tool_of("M1", "12", "steady", 0.001, name=None, change_at=None),
        tool_of("M2", "4", "too few", None, edges=2, failures=1, life_low=None, life_high=None, shape=None),
        tool_of(HOSTILE, HOSTILE, "rising", 0.03, name=HOSTILE, cost_per_part=None),
    ]
    pairs = [(row["machine"], row["tool"]) for row in tools]
    months = ("2026-01", "2026-02", "2026-03", "2026-04", "2026-05", "2026-06")
    shop = {
        "M1": (0.41, 0.44, 0.38, 0.47, 0.42, 0.40),
        "M2": (0.22, 0.28, 0.31, 0.27, 0.33, 0.30),
        HOSTILE: (0.61, 0.58, 0.66, 0.59, 0.64, 0.60),
    }
    kinds = [
        (None, None, None),
        ("M1", None, None),
        ("M1", "316L", "milling"),
        ("M2", None, None),
        (HOSTILE, HOSTILE, None),
    ]
    rates = {"M1": 58.0, "M2": 45.0, HOSTILE: None}
    utilisation = [
        month_of(
            machine,
            month,
            cut,
            0.05 if month == "2026-06" else 0.55 if machine == "M2" and cut == 0.28 else 0.97,
        )
        for machine, cuts in shop.items()
        for month, cut in zip(months, cuts, strict=True)
    ]
    factor = {
        "runs": 120,
        "jobs": 9,
        "shrinkage": 0.2,
        "predict_log_mean": 0.1,
        "predict_log_sd": 0.1,
        "predict_df": 8.0,
    }
    given: dict[str, Any] = {
        "shop_name": "Invented shop",
        "notes": ("One machine has no rate in shop.toml, so its costs are empty.",),
        "first_at": START,
        "last_at": datetime(2026, 6, 2, 16, 30, tzinfo=UTC),
        "drift": frame("drift", jobs),
        "runs": frame("runs", runs),
        "batches": frame("batches", batches_of(runs)),
        "causes": frame("causes", [cause for row in jobs for cause in causes_of(row)]),
        "money": frame("money", [money_of(row) for row in jobs]),
        "margins": frame(
            "margins",
            [
                margin_of("Bracket"),
                margin_of("Spacer", margin=50.0, margin_share=0.09, quoted_value=650.0),
                margin_of("Pin", quoted_hours=None, quoted_value=None, margin=None, margin_share=None),
                margin_of(HOSTILE, cost=None, cost_per_good=None, quoted_value=None, margin=None, margin_share=None),
            ],
        ),
        "level_changes": frame("level_changes", level_changes_of(jobs[0])),
        "trust": frame(
            "trust",
            [
                trust_of("cycle", 0.031, 0.034, 21, False),
                trust_of("cut", 0.08, 0.05, 20, True),
                trust_of("setup", 0.45, 0.26, 21, True),
                trust_of("load", None, None, 3, False),
            ],
        ),
        "backtest": frame("backtest", [backtest_of(row, kind) for row in jobs[:5] for kind in ("cycle", "setup")]),
        "outcomes": frame(
            "outcomes", [outcome_of(number, over) for number, over in enumerate((None, 1.01, 1.2, 0.98), start=1)]
        ),
        "tools": frame("tools", tools),
        "edges": frame("edges", [edge for m, t in pairs for edge in edges_of(m, t, 3 if m == "M2" else 25, rng)]),
        "life_curves": frame("life_curves", [point for m, t in pairs if m != "M2" for point in curves_of(m, t)]),
        "in_use": frame(
            "in_use",
            [
                in_use_of("M1", "4", "in this batch", wear_verdict="runs away", wear_measure="load", wear_since_part=3),
                in_use_of("M1", "12", "lasts", survive_batch=0.99, parts_left_90=30),
                in_use_of("M2", "4", "suspect", suspect_why="its life is far past those before it", parts_left_90=None),
                in_use_of(
                    HOSTILE, HOSTILE, "due", batch_parts=None, batch_job=None, survive_batch=None, parts_left_90=0
                ),
            ],
        ),
        "shelf": frame(
            "shelf",
            [
                *(shelf_of("M1", "4", place, edges) for place, edges in ((1, 1), (2, 2))),
                shelf_of("M1", "12", 1, 0),
                shelf_of(HOSTILE, HOSTILE, 1, None),
            ],
        ),
        "tooling": frame("tooling", [tooling_of(m, t) for m, t in pairs[:2]]),
        "tool_jobs": frame(
            "tool_jobs",
            [
                {"machine": m, "tool": t, "job_key": job, "material_list": "316L", "edges": 12, "parts": 300}
                | {"cut_min": 360.0, "cost": 130.0, "cost_per_part": 0.43}
                for m, t in pairs
                for job in ("S-304", HOSTILE)
            ],
        ),
        "tool_differences": frame(
            "tool_differences",
            [
                {"machine": "M1", "tool": "4", "what": "material", "which": "316L", "before": 0.1, "after": 0.6}
                | {"unit": "share"},
                {
                    "machine": "M1",
                    "tool": "4",
                    "what": "cost of an edge",
                    "before": 17.0,
                    "after": 12.0,
                    "unit": "money",
                },
            ],
        ),
        "wear_curves": frame("wear_curves", [point for m, t in pairs if m != "M2" for point in wear_of(m, t)]),
        "utilisation": frame("utilisation", utilisation),
        "losses": frame(
            "losses", [loss for month in utilisation for loss in losses_of(month, rates[month["machine"]])]
        ),
        "stops": frame(
            "stops",
            [
                stop
                for machine, rate in rates.items()
                for stop in stops_of([run for run in runs if run["machine"] == machine], "2026-05", rate)
            ],
        ),
        "changes": frame(
            "changes",
            [
                change_of(month, before)
                for before, month in pairwise(utilisation)
                if before["machine"] == month["machine"]
            ],
        ),
        "state_days": frame("state_days", [row for machine in shop for row in days_of(machine)]),
        "closed_days": frame(
            "closed_days",
            [
                {"machine": machine, "closed_on": date(2026, 5, day), "name": name}
                for machine in shop
                for day, name in ((1, "Labor Day"), (21, None), (22, None), (29, "Stocktaking"))
                if machine == "M1" or day != 29
            ],
        ),
        "factors": frame(
            "factors",
            [
                {
                    **factor,
                    **{"machine": machine, "material": material, "operation_kind": kind, "time_kind": time_kind},
                    **{"offered": time_kind != "cycle", "because": "over 21 past jobs"},
                    **{"factor": 1.08 + step / 20, "factor_low": 0.97 + step / 20, "factor_high": 1.19 + step / 20},
                }
                for time_kind in ("cycle", "cut", "setup")
                for step, (machine, material, kind) in enumerate(kinds)
            ],
        ),
        "machines": frame(
            "machines",
            [
                {
                    **{"machine": machine, "name": name, "rate_per_hour": rate, "rapid_mm_min": 30000.0},
                    **{"silent_after_s": 300.0, "setup_max_s": 14400.0, "in_shop_file": True, "max_speed_rpm": 12000.0},
                }
                for (machine, rate), name in zip(rates.items(), ("Small vertical mill", "M2", HOSTILE), strict=True)
            ],
        ),
        "files": frame(
            "files",
            [
                _file("f1", "cycles/2026.csv", 400, 360, 30, 10, 3),
                _file("f2", "edges.xlsx", 120, 120, 0, 0, 1),
                {**_file("f3", HOSTILE, 0, 0, 0, 0, 0), "status": "unreadable", "reason": "The zip file is cut short."},
            ],
        ),
        "rejects": frame(
            "rejects",
            [
                {
                    **{
                        "reason": "not_a_time",
                        "column": "started_at",
                        "rows": 10,
                        "file_id": "f1",
                        "row_number": 7,
                        "line": 9,
                    },
                    "message": f"'{HOSTILE}' is not a time; write it like 2026-05-04 07:10.",
                }
            ],
        ),
        "superseded": frame(
            "superseded",
            [
                {
                    **{"kind": "cycle", "change": "parts 1 to 2", "file_id": "f1", "row_number": 3, "by_file_id": "f2"},
                    "by_row_number": 5,
                }
            ],
        ),
        "gaps": frame(
            "gaps", [{"machine": "M2", "started_at": START, "ended_at": START + timedelta(hours=60), "hours": 60.0}]
        ),
        "machine_sources": frame(
            "machine_sources",
            [
                {
                    **{
                        "machine": machine,
                        "file_id": "f1",
                        "kind": "cycle",
                        "rows": 130,
                        "first_row": 1,
                        "last_row": 390,
                    },
                    **{"first_at": START, "last_at": START + timedelta(days=140)},
                }
                for machine in shop
            ],
        ),
        "counters": frame(
            "counters",
            [
                {
                    **{"machine": "M2", "month": "2026-03", "counter": counter, "timer": HOSTILE, "counter_s": 360e3},
                    **{"spans_s": 360e3 * (1 + share), "difference_s": 360e3 * share, "share": share},
                    **{"verdict": verdict, "readings": 900, "unseen_s": 7200.0, "implausible_s": 0.0, "resets": 1},
                    **{"step_s": 2.0, "largest_s": 900.0, "largest_from": START, "largest_to": START, "file_id": "f1"},
                    **{"row_number": 12, "last_file_id": "f2", "last_row_number": 34},
                }
                for counter, share, verdict in (("automatic", -0.004, "agrees"), ("cutting", 0.061, "differs"))
            ],
        ),
        "contradictions": frame(
            "contradictions",
            [
                {
                    **{"machine": "M2", "month": "2026-03", "kind": "clock of the list wrong", "minutes": 1234.0},
                    **{"cycles": 49, "offset_s": 3600.0, "first_at": START, "last_at": START, "file_id": "f1"},
                    **{"row_number": 12, "other_file_id": "f2", "other_row_number": 34},
                }
            ],
        ),
    }
    return make_site(**{**given, **changed})


def _file(file_id: str, name: str, read: int, loaded: int, known: int, rejected: int, skipped: int) -> dict[str, Any]:
    return {
        **{
            "file_id": file_id,
            "name": name,
            "shape": "csv",
            "status": "loaded",
            "rows_read": read,
            "rows_loaded": loaded,
        },
        **{"rows_duplicate": known, "rows_rejected": rejected, "rows_skipped": skipped, "reason": None},
    }


def rejected_site() -> SiteData:
    """Make a shop of which every row was rejected."""
    return make_site(
        files=frame("files", [_file("f1", "cycles.csv", 12, 0, 0, 12, 0)]),
        rejects=full_site().rejects,
        notes=("No row could be loaded: see what came in.",),
    )


@pytest.fixture(scope="session")
def shop() -> SiteData:
    """The invented shop."""
    return full_site()


@pytest.fixture(scope="session")
def sites() -> dict[str, Callable[[], SiteData]]:
    """Shops by what is special about them."""
    return {"full": full_site, "empty": make_site, "all rejected": rejected_site}


@pytest.fixture(scope="session")
def make() -> Callable[..., SiteData]:
    """Make SiteData with no rows, save what is given."""
    return make_site
