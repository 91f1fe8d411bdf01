"""The ledger of edges of random machines against the naive oracle.

CPU: about 10 s.
"""

from __future__ import annotations

from collections import defaultdict
from datetime import timedelta
from random import Random
from typing import Any

import pytest
from oracles.edges import Cycle, Edge, edges_of, instants
from oracles.time_line import Facts, Span, Stream, changes_of
from random_records import ESTIMATE, ORDERS, SHARES, WEEKENDS, Row, records, shop

from pipeline.derive.deriving import derive
from pipeline.progress import Null
from pipeline.store.book import Book, open_book

MACHINES = 80
KINDS = ("event", "cycle", "tool_change", "edge_change")


def changes_of_edges(rng: Random, rows: dict[str, list[Row]]) -> list[Row]:
    """Edges changed at any moment of the records, some at one instant and some within a cycle."""
    times = sorted(
        [row["occurred_at"] for kind in ("event", "tool_change") for row in rows[kind]]
        + [row["started_at"] for row in rows["cycle"]]
    )
    found = []
    for tool in "123":
        for _ in range(rng.choice([0, 1, 2, 4])):
            at = rng.choice(times) + timedelta(seconds=rng.choice([0, 0, 1, 30, 600]))
            found.append({"occurred_at": at, "tool": tool, "reason": rng.choice(["worn", "planned"])})
    return found


def with_another_load(rng: Random, rows: list[Row]) -> list[Row]:
    """Half of the streams that tell a load name two, of which one is that of a spindle."""
    if rng.random() < 0.5:
        return rows
    return [{**row, "data_item_id": rng.choice(["spindle", "x"])} if row["item"] == "Load" else row for row in rows]


def written(edge: Edge, number: int) -> tuple[Any, ...]:
    """An edge as the ledger has it."""
    feed_us = edge.known_us("feed")
    feed = edge.mean("feed")
    return (
        number,
        edge.begun_us,
        edge.removed_us,
        edge.cut_us,
        edge.parts,
        edge.cycles,
        ", ".join(sorted(edge.jobs)) or None,
        None if feed is None else pytest.approx(feed * feed_us / 60e9, rel=1e-6, abs=1e-5),
        feed_us,
        None if not edge.override_us else pytest.approx(edge.override / edge.override_us, rel=1e-4, abs=1e-6),
        *(None if (m := edge.mean(of)) is None else pytest.approx(m, rel=1e-3, abs=1e-3) for of in ("load", "speed")),
    )


def read(book: Book) -> dict[tuple[str, str], list[tuple[Any, ...]]]:
    """The ledger by machine and tool."""
    found = defaultdict(list)
    for machine, tool, *edge in book.rows(
        "select machine, tool, edge_number, epoch_us(in_use_at), epoch_us(removed_at), round(cut_min * 60e6)::bigint,"
        " parts, cycles, job_list, feed_m, round(feed_known_min * 60e6)::bigint, override, load_pct, speed_rpm"
        " from core.edge_life order by machine, tool, edge_number"
    ):
        found[machine, tool].append(tuple(edge))
    return dict(found)


@pytest.mark.parametrize("seed", range(2))
def test_ledgers_of_random_machines_are_the_oracles(book_tools: Any, seed: int) -> None:
    rng = Random(seed)
    zone, start = WEEKENDS[seed % len(WEEKENDS)]
    names = [f"M{number:02}" for number in range(MACHINES)]
    shop_file = shop(rng, zone, start, names)
    machines = {}
    for name in names:
        rows = records(rng, rng.choice(["stream", "stream", "list", "both"]), start)
        # which of the tools of one instant a run without length used is not told
        rows["cycle"] = [row for row in rows["cycle"] if row["ended_at"] > row["started_at"]]
        rows["event"] = with_another_load(rng, rows["event"])
        machines[name] = {**rows, "edge_change": changes_of_edges(rng, rows)}
    frames: dict[str, list[Row]] = {"estimate": ESTIMATE, "job": ORDERS}
    for kind in KINDS:
        frames[kind] = [{"machine": name, **row} for name, rows in machines.items() for row in rows[kind]]
    fill, canonical = book_tools
    stored: dict[str, dict[str, list[Row]]] = {name: {kind: [] for kind in KINDS} for name in names}
    for kind in KINDS:
        for row in canonical(kind, frames[kind]).to_dicts():
            stored[row["machine"]][kind].append(row)
    with open_book(None, threads=1) as book:
        fill(book, frames)
        derive(book, shop_file, Null())
        found = read(book)
        spans, cycles = defaultdict(list), defaultdict(list)
        for machine, *span in book.rows(
            "select machine, epoch_us(started_at), epoch_us(ended_at), state, planned, basis, detail, feed_override"
            " from core.span order by machine, started_at"
        ):
            spans[machine].append(Span(*span))
        for machine, *run in book.rows(
            "select machine, epoch_us(started_at), epoch_us(ended_at), parts, outcome = 'complete', job_key, program,"
            " material from core.run"
        ):
            cycles[machine].append(Cycle(*run))
    edges = 0
    for name in names:
        rows = stored[name]
        settings = next(m for m in shop_file.machine if m.id == name)
        facts = Facts(rows["event"], rows["cycle"], rows["tool_change"], SHARES)
        stream, changes = Stream(facts, settings), changes_of(facts, settings)
        if not changes:  # what was cut by which tool is not known
            assert all(edge[3] is None for (machine, _), told in found.items() if machine == name for edge in told)
            continue
        for tool in sorted({row["tool"] for row in rows["edge_change"]}):
            changed = instants([row for row in rows["edge_change"] if row["tool"] == tool])
            expected = edges_of(tool, changed, cycles[name], spans[name], stream, facts, changes)
            told = [written(edge, number) for number, edge in enumerate(expected)]
            assert found[name, tool] == told, f"seed {seed}, {name}, tool {tool}"
            edges += sum(edge.cut_us > 0 for edge in expected)
    assert edges > 30
