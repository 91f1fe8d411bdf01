"""How long the ledger of edges and the statistics of tools take: a million edges of 5,000 tools, then a day more.

    python tests/bench/bench_edges.py [EDGES] [TOOLS]

Prints seconds of processor time of each step, and of the same steps when one of fifty machines has a new day.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable
from typing import Any

import polars as pl

from pipeline import resources
from pipeline.derive.edges import forget_renewed, note_renewed, renew_edges, renew_lives
from pipeline.derive.relations import Relation, load_relations
from pipeline.derive.shelf import edge_now
from pipeline.derive.suspects import with_suspects
from pipeline.derive.tool_fit import tool_fit
from pipeline.derive.tool_life import life_curves, tool_life
from pipeline.derive.windows import BEGINNING, END, Window
from pipeline.store.book import Book, open_book

MACHINES = 50
RUNS = 4
BY_EDGE = ("edge_part", "edge_use", "edge_sum", "edge_step")

GIVEN = """
create or replace table core.machine as
select 'M' || i as machine, 'M' || i as name, 60.0 as rate_per_hour from range({machines}) as _ (i);
create or replace table core.shop_setting as select 'UTC' as timezone, 'censored' as unknown_reason;
create or replace table core.edge_trait as select machine, true as tells_tools from core.machine;
create or replace table core.tool as
select
    'M' || (i % {machines}) as machine, (i // {machines})::varchar as tool, null::date as from_on,
    null::timestamptz as from_at, 'tool ' || i as name, null::varchar as tool_type, null::double as diameter_mm,
    2 as inserts, 2 as edges_per_insert, 8.0 as edge_cost, 8.0 as insert_cost, null::double as tool_cost,
    null::bigint as regrinds, false as is_solid, 3.0 as change_min, 40.0 as failure_cost,
    'M' || (i % {machines}) as life_machine, (i // {machines})::varchar as life_tool, null::date as tool_from,
    true as is_lead
from range({tools}) as _ (i);
create or replace table core.tool_counter (
    machine varchar, started_at timestamptz, item varchar, data_item_id varchar, sub_type varchar, value varchar,
    file_id varchar, row_number bigint
);
create or replace table lives as
select
    'M' || (i % {machines}) as machine, (i % {tools} // {machines})::varchar as tool, i // {tools} as number,
    (40 * pow(-ln(random()), 1 / 3.0) * 60e6)::bigint as life_us, random() < 0.3 as is_planned
from range({edges}) as _ (i);
create or replace table placed as
select
    *,
    (sum(life_us) over (partition by machine, tool order by number) - life_us)::bigint + 1700000000000000 as start_us
from lives;
insert into core.edge_change by name
select
    machine, make_timestamptz(start_us) as occurred_at, tool, if(is_planned, 'planned', 'worn') as reason,
    0 as occurrence, 'f' as file_id, number as row_number, number as line
from placed;
create or replace table core.edge_cut as
select
    machine, make_timestamptz(start_us + r * life_us // {runs}) as started_at,
    hash(machine, tool, number, r)::varchar as run_id, tool, start_us + r * life_us // {runs} as from_us,
    life_us // {runs} as cut_us, 3 as parts, 1 as cycles, 0 as override_us, 0 as override_known_us, 0 as feed_area,
    0 as feed_known_us, 0 as load_area, 0 as load_known_us, 0 as speed_area, 0 as speed_known_us,
    'job' || (number % 7) as job_key, 'job' || (number % 7) as job, '10' as operation, 'O1' as program,
    null::varchar as revision, 'C45' as material
from placed cross join range({runs}) as _ (r)
order by started_at;
"""


def say(line: str) -> None:
    sys.stdout.write(line + "\n")


def spent(name: str, step: Callable[[], Any]) -> Any:
    """Run a step and print what it took of the processor and of the clock."""
    cpu, wall = time.process_time(), time.monotonic()
    found = step()
    say(f"{name:12} {time.process_time() - cpu:7.2f} s CPU {time.monotonic() - wall:7.2f} s")
    return found


def query(name: str) -> str:
    return resources.read_text("pipeline.derive", "sql", "query", f"{name}.sql")


def ledger(book: Book, relations: dict[str, Relation], windows: list[Window], *, is_whole: bool) -> None:
    note_renewed(book, windows, is_whole=is_whole)
    spent("edges", lambda: book.run(f"create or replace table core.edge as {relations['edge'].sql}"))
    for name in BY_EDGE:
        spent(name, lambda name=name: renew_edges(book, relations[name], is_whole=is_whole))
    told = spent("suspects", lambda: with_suspects(book.frame(query("edge_ledger"))))
    spent("lives", lambda: renew_lives(book, told, is_whole=is_whole))


def marts(book: Book, before: dict[str, pl.DataFrame]) -> dict[str, pl.DataFrame]:
    edges, tools, rates = (book.frame(query(name)) for name in ("edges_counted", "tools_counted", "rates_counted"))
    wear, renewed = spent("wear", lambda: (book.frame(query("wear_parts")), book.frame(query("lives_renewed"))))
    fits = spent("tool_fit", lambda: tool_fit(edges, tools, rates, before=before.get("fits")))
    life, outlook = spent(
        "tool_life", lambda: tool_life(edges, fits, tools, rates, before=before.get("life"), wear=wear, renewed=renewed)
    )
    curves = spent(
        "curves", lambda: life_curves(edges, life, before=before.get("curves"), life_before=before.get("life"))
    )
    coming = pl.DataFrame(
        schema={name: pl.String() for name in ("machine", "tool", "at_machine", "at_tool", "job", "operation", "basis")}
        | {
            "place": pl.Int64(),
            "parts_left": pl.Int64(),
            "min_per_part": pl.Float64(),
            "share": pl.Float64(),
            "is_measured": pl.Boolean(),
        }
    )
    spent("edge_now", lambda: edge_now(edges, life, coming, outlook))
    forget_renewed(book)
    return {"fits": fits, "life": life, "curves": curves}


def main(edges: int, tools: int) -> None:
    relations = {relation.name: relation for relation in load_relations("core")}
    with open_book(None, threads=2) as book:
        for statement in GIVEN.format(machines=MACHINES, edges=edges, tools=tools, runs=RUNS).split(";\n"):
            if statement.strip():
                book.run(statement)
        say(f"{edges:,} edges of {tools:,} tools, all of them")
        cpu, wall = time.process_time(), time.monotonic()
        ledger(
            book, relations, [Window(f"M{i}", BEGINNING, BEGINNING, END, END) for i in range(MACHINES)], is_whole=True
        )
        before = marts(book, {})
        say(f"{'in all':12} {time.process_time() - cpu:7.2f} s CPU {time.monotonic() - wall:7.2f} s")
        last = book.rows("select max(from_us) from core.edge_cut where machine = 'M1'")[0][0]
        from_us = last - 86_400_000_000
        say("a new day of one machine")
        book.run(f"update core.edge_cut set parts = parts + 1 where machine = 'M1' and from_us >= {from_us}")
        cpu, wall = time.process_time(), time.monotonic()
        ledger(book, relations, [Window("M1", from_us, from_us, END, END)], is_whole=False)
        marts(book, before)
        say(f"{'in all':12} {time.process_time() - cpu:7.2f} s CPU {time.monotonic() - wall:7.2f} s")
    say(f"peak {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.2f} GB")


if __name__ == "__main__":
    given = [int(argument) for argument in sys.argv[1:]]
    main(*(given + [1_000_000, 5_000][len(given) :]))
