"""Spans, runs, tools, batches and periods of random machines against the naive oracles, to the microsecond.

A derive costs about the same for one machine as for fifty, and machines are independent but for what the whole shop
shares: each book holds many. A failure names one machine, its fewest records that still fail and where the two part.
"""

from __future__ import annotations

from collections import defaultdict
from datetime import timedelta
from random import Random
from typing import Any

import pytest
from oracles.periods import periods
from oracles.runs import batches, listed_runs, stream_runs, tool_use
from oracles.time_line import Facts, Run, Span, Stream, changes_of, merged, time_line
from random_records import (
    ESTIMATE,
    OPERATIONS,
    ORDERS,
    PART_OF,
    PARTS_PER_CYCLE,
    SHARES,
    WEEKENDS,
    Row,
    records,
    shop,
)

from pipeline.derive.deriving import derive
from pipeline.progress import Null
from pipeline.store.book import Book, open_book
from schemas.shop import MachineSettings, ShopFile
from schemas.vocabulary import STATES

BOOKS = 20
MACHINES = 100
TOLD = ("stream", "stream", "list", "both", "both", "overlap")
KINDS = ("event", "cycle", "tool_change")
PERIODS = {"day": "utilisation_daily", "week": "utilisation_weekly", "month": "utilisation_monthly"}
Found = dict[str, Any]
"""What is known of one machine, by the name of what is known."""


def us(value: float | None) -> int | None:
    """Seconds of a mart as whole microseconds."""
    return None if value is None else round(value * 1e6)


# --- what the book says ---------------------------------------------------------------------------------------------


def read(book: Book) -> dict[str, Found]:
    """All that is compared, by machine."""
    found: dict[str, Found] = defaultdict(lambda: defaultdict(list))
    spans = book.rows(
        "select machine, epoch_us(started_at), epoch_us(ended_at), state, planned, basis, detail, feed_override"
        " from core.span order by machine, started_at"
    )
    for machine, *span in spans:
        found[machine]["spans"].append(Span(*span))
    for machine, *run in book.rows(
        "select machine, epoch_us(started_at), epoch_us(ended_at), outcome, job_key, operation, parts, scrap"
        " from core.run order by machine, started_at"
    ):
        begun, ended, outcome, key, operation, parts, scrap = run
        found[machine]["runs"].append(Run(begun, ended, outcome, (key, operation), parts, scrap))
    for machine, begun, tool, total, *parts, override in book.rows(
        f"select machine, epoch_us(started_at), tool, total_s, {', '.join(name + '_s' for name in USES)}, override_s"
        " from core.tool_use order by all"
    ):
        use = dict(zip(USES, map(us, parts), strict=True))
        if us(total):  # a run in no time used no tool
            found[machine]["tools"].append((begun, tool or "", us(total), use, override))
    for known in found.values():
        known["tools"].sort(key=lambda use: use[:2])
    for machine, begun, ended, *counts, setup, first, repeat, between in book.rows(
        "select machine, epoch_us(started_at), epoch_us(ended_at), runs, aborted, parts, scrap, stops,"
        " setup_s, first_part_s, repeat_s, between_cycles_s from core.batch order by machine, started_at"
    ):
        times = [None if value is None else value * 1e6 for value in (setup, first, repeat, between)]
        found[machine]["batches"].append((begun, ended, *counts, *times))
    for kind, name in PERIODS.items():
        states = [f"{state}{where}_s" for where in ("", "_planned") for state in STATES]
        states += ["overtime_s", "lights_out_s"]
        for machine, period, calendar, planned, cycles, parts, scrap, *times in book.rows(
            f"select machine, {kind}, calendar_s, planned_s, cycles, parts, scrap, {', '.join(states)} from mart.{name}"
            f" order by machine, {kind}"
        ):
            told = dict(zip(states, map(us, times), strict=True))
            found[machine][kind].append((period, us(calendar), us(planned), cycles, parts, scrap, told))
    return found


USES = ("cut", "noncut", "tool_change", "hold", "stop", "fault", "unobserved", "off_shift", "blocked", "dwell")


# --- what the oracles say -------------------------------------------------------------------------------------------


def key_of(program: str, job: str | None, operation: str | None) -> tuple[str, str | None]:
    """Part, else job, else program; a cycle that names no operation has that of its program's estimate."""
    return PART_OF.get(job or "", job or program), operation or OPERATIONS.get(program)


def work_out(machine: str, rows: dict[str, list[Row]], shop_file: ShopFile) -> Found:
    """The same of one machine from its records alone."""
    facts = Facts(rows["event"], rows["cycle"], rows["tool_change"], SHARES)
    settings = next((m for m in shop_file.machine if m.id == machine), MachineSettings(id=machine))
    if facts.cycles:
        runs = listed_runs(
            facts,
            lambda row: key_of(row["program"], row["job"], row["operation"]),
            lambda row: PARTS_PER_CYCLE.get((row["program"], row["operation"]), 1),
        )
    else:
        runs = stream_runs(
            facts,
            settings,
            lambda program: key_of(program, None, None),
            lambda program: PARTS_PER_CYCLE.get((program, OPERATIONS.get(program)), 1),
        )
    line = time_line(machine, facts, shop_file, runs)
    if not line.spans:
        return {}
    found: Found = {"spans": line.spans, "runs": sorted(runs, key=lambda run: run.started_us), "tools": []}
    stream, changes = Stream(facts, settings), changes_of(facts, settings)
    for run in runs:
        for tool, use in tool_use(run, stream, changes, line.spans).items():
            parts = {name: use.parts.get(name, 0) for name in USES}
            total = sum(parts.values()) - parts["blocked"] - parts["dwell"]
            found["tools"].append(
                (run.started_us, tool or "", total, parts, pytest.approx(use.override_us / 1e6, abs=5e-4))
            )
    found["tools"].sort(key=lambda use: use[:2])
    gap_us = round(shop_file.shop.batch_gap_h * 3_600_000_000)
    found["batches"] = [
        (
            *list(vars(batch).values())[:7],
            *(None if v is None else pytest.approx(v, abs=1) for v in list(vars(batch).values())[7:]),
        )
        for batch in batches(runs, line.spans, line.setups, line.shifts, gap_us)
    ]
    for kind in PERIODS:
        found[kind] = []
        for name, period in sorted(periods(kind, line, runs, shop_file.shop.zone).items()):
            told = {f"{state}_s": period.states[state] for state in STATES}
            told |= {f"{state}_planned_s": period.planned_states[state] for state in STATES}
            told |= {"overtime_s": period.overtime_us, "lights_out_s": period.lights_out_us}
            counts = period.cycles, period.parts, period.scrap
            found[kind].append((name, period.calendar_us, period.planned_us, *counts, told))
    return found


# --- holding them together ------------------------------------------------------------------------------------------

Machines = dict[str, dict[str, list[Row]]]


def derived(fill: Any, canonical: Any, machines: Machines, shop_file: ShopFile) -> tuple[dict[str, Found], Machines]:
    """What a book of these machines says, and their rows as the book has them."""
    frames: dict[str, list[Row]] = {"estimate": ESTIMATE, "job": ORDERS}
    for kind in KINDS:
        frames[kind] = [{"machine": name, **row} for name, rows in machines.items() for row in rows[kind]]
    stored: Machines = {name: {kind: [] for kind in KINDS} for name in machines}
    for kind in KINDS:
        for row in canonical(kind, frames[kind]).to_dicts():
            stored[row["machine"]][kind].append(row)
    with open_book(None, threads=1) as book:
        fill(book, frames)
        derive(book, shop_file, Null())
        return read(book), stored


def first_difference(found: Found, expected: Found, overlaps: bool) -> str:
    """Where the book parts from the oracles, if it does; batches of cycles that overlap are no batches."""
    found = {**found, "spans": merged(found.get("spans", []))}
    for name in expected:
        if overlaps and name == "batches":
            continue
        one, other = list(found.get(name, [])), expected[name]
        for place in range(max(len(one), len(other))):
            a, b = (side[place] if place < len(side) else None for side in (one, other))
            if a != b:
                return f"{name}, number {place + 1}\n  book:   {a}\n  oracle: {b}"
    return "" if expected or not found["spans"] else f"spans that no record tells of: {found['spans'][:2]}"


def differences(tools: Any, machines: Machines, shop_file: ShopFile, overlapping: set[str]) -> dict[str, str]:
    found, stored = derived(*tools, machines, shop_file)
    told = {
        name: first_difference(found.get(name, {}), work_out(name, stored[name], shop_file), name in overlapping)
        for name in machines
    }
    return {name: text for name, text in told.items() if text}


def smallest(tools: Any, rows: dict[str, list[Row]], name: str, shop_file: ShopFile, overlaps: bool) -> Any:
    """The fewest records that still fail: many ways to leave some out are tried at once, as machines of one book."""
    one = next(m for m in shop_file.machine if m.id == name)
    pairs = [(kind, row) for kind in KINDS for row in rows[kind]]
    size = len(pairs) // 2
    while size:
        tries = {f"{name} {cut}": pairs[:cut] + pairs[cut + size :] for cut in range(0, len(pairs), max(1, size // 2))}
        machines = {
            label: {kind: [row for of, row in kept if of == kind] for kind in KINDS} for label, kept in tries.items()
        }
        alike = [one.model_copy(update={"id": label}) for label in tries]
        rules = {
            kind: [
                rule.model_copy(update={"machines": list(tries) if {"*", name} & set(rule.machines) else ["another"]})
                for rule in getattr(shop_file, kind)
            ]
            for kind in ("shift", "overtime", "closed", "open")
        }
        copied = shop_file.model_copy(update={"machine": alike, **rules})
        failing = differences(tools, machines, copied, set(tries) if overlaps else set())
        if failing:
            pairs = tries[next(iter(failing))]
            size = min(size, len(pairs) // 2)
        else:
            size //= 2
    return pairs


@pytest.mark.parametrize("seed", range(BOOKS))
def test_random_machines_are_the_oracles(book_tools: Any, seed: int) -> None:
    rng = Random(seed)
    zone, start = WEEKENDS[seed % len(WEEKENDS)]
    names = [f"M{number:02}" for number in range(MACHINES)]
    shop_file = shop(rng, zone, start, names)
    told = {name: rng.choice(TOLD) for name in names}
    machines = {name: records(rng, told[name], start) for name in names}
    overlapping = {name for name in names if told[name] == "overlap"}
    failing = differences(book_tools, machines, shop_file, overlapping)
    if failing:
        name, text = next(iter(failing.items()))
        settings = next(m for m in shop_file.machine if m.id == name)
        rows = smallest(book_tools, machines[name], name, shop_file, name in overlapping)
        least = {name: {kind: [row for of, row in rows if of == kind] for kind in KINDS}}
        told_again = differences(book_tools, least, shop_file, overlapping).get(name, "(not alone)")
        shown = "\n".join(f"  {kind}: {row}" for kind, row in rows)
        pytest.fail(
            f"seed {seed}: {len(failing)} of {MACHINES} machines; {name} in {zone}, {settings}\n{shown}\n"
            f"{told_again}\nwith all of its records: {text}"
        )


@pytest.mark.parametrize(("every_s", "state"), [(99, "unobserved"), (100, "noncutting")])
def test_a_sign_of_life_is_under_a_third_of_the_silence(
    book_of: Any, shop_with: Any, when: Any, every_s: int, state: str
) -> None:
    start = when("2026-03-02 06:00")
    times = [start + timedelta(seconds=every_s * number) for number in range(120)]
    last = times[-1] + timedelta(seconds=301)
    loads = [{"machine": "M1", "occurred_at": at, "item": "Load", "value": "20"} for at in (*times, last)]
    told = [
        {"machine": "M1", "occurred_at": start, "item": item, "value": value, "path": path}
        for item, value, path in (
            ("Execution", "ACTIVE", "p1"),
            ("Execution", "READY", "p2"),
            ("PathFeedrate", "0", None),
        )
    ]
    book = book_of({"event": [*told, *loads]}, shop_with())
    spans = book.rows("select started_at, ended_at, state from core.span order by started_at")
    assert spans[-1] == (times[-1] if state == "unobserved" else start, last, state)


def test_99_of_100_short_gaps_are_a_99th_percentile_that_is_short() -> None:
    """core.silence adds up counts where DESIGN names a percentile: the two agree, whatever the numbers of gaps."""
    with open_book(None, threads=1) as book:
        rows = book.rows(
            """
            select
                gaps.n, long_gaps.n,
                quantile_disc(if(number.i < long_gaps.n, 100, 99), 0.99) < 100,
                (gaps.n - long_gaps.n) * 100 >= gaps.n * 99,
            from (select unnest(range(1, 320) || [999, 1000, 1001, 4999, 5000, 5001]) as n) as gaps
            cross join lateral (select unnest(range(gaps.n // 100 + 3)) as n) as long_gaps
            cross join lateral (select unnest(range(gaps.n)) as i) as number
            where long_gaps.n <= gaps.n
            group by gaps.n, long_gaps.n
            """
        )
    assert {by_count for *_, by_count in rows} == {True, False}
    assert [row for row in rows if row[2] != row[3]] == []
