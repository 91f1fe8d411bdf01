"""The derive step: what changed since it last ran is derived in a scratch database and put into the book at once.

Either all of it is replaced or nothing is; a run that fails leaves the figures of the run before.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime

import polars as pl

from pipeline import resources
from pipeline.check.soundness import keeps_schema
from pipeline.derive.edges import forget_renewed, note_renewed, note_stale, renew_edges, renew_lives
from pipeline.derive.job_marts import READ, job_facts, job_marts
from pipeline.derive.periods import derive_periods, period_column, periods
from pipeline.derive.quoting_marts import KEPT as KEPT_QUOTING
from pipeline.derive.relations import Relation, Renewed, in_order, load_relations
from pipeline.derive.renewing import FROM_OUTSIDE, audit, choose, derive_windows, make_first, of_kind
from pipeline.derive.scratch import KEPT, NAME, Scratch, scratch_of, window_sql
from pipeline.derive.shelf import edge_now, shelf_list
from pipeline.derive.shop_tables import shop_tables
from pipeline.derive.suspects import with_suspects
from pipeline.derive.tool_fit import tool_fit
from pipeline.derive.tool_life import life_curves, tool_life
from pipeline.derive.wear_curve import wear_curve
from pipeline.progress import Progress, Step
from pipeline.store.book import Book
from pipeline.store.touched import note_derived
from schemas import mart
from schemas.shop import ShopFile
from schemas.vocabulary import STORED_KINDS

INPUTS = (*(f"core.{kind}" for kind in STORED_KINDS), "raw.source_path", "raw.source_file")
"""Tables of the book that relations read."""


def derive(book: Book, shop: ShopFile, progress: Progress, *, whole: bool = True, derived_by: str = "") -> None:
    """Derive core tables and marts from the accepted rows and shop.toml.

    Parameters
    ----------
    whole : derive everything anew, not only what raw.touched says changed. The result is the same, row for row, where
        the book was derived by the same relations and the same shop.toml before.
    derived_by : what these were, to be kept in the book

    Raises
    ------
    AuditError
        When a law of the book does not hold; nothing is changed then.
    """
    relations = in_order([*load_relations("core"), *load_relations("mart")])
    audits = load_relations("audit")
    with scratch_of(book) as scratch:
        scratch.from_book(INPUTS)
        small = shop_tables(shop, *_extent(book, shop))
        make_first(scratch, relations, small, is_whole=whole)
        wanted = choose(scratch, relations, is_whole=whole)
        with progress.step("derive", total=len(wanted)) as step:
            derived = derive_windows(scratch, relations, audits, wanted, step.advance)
        scratch.store("core.period", periods(derived, shop.shop.zone))
        derive_periods(scratch, relations, is_whole=whole)
        pooled = of_kind(relations, Renewed.WHOLE, Renewed.BY_EDGE)
        batches = [relation for relation in pooled if relation.full_name == "core.batch"]
        with book.transaction(), progress.step("sum up", total=len(pooled)) as step, ThreadPoolExecutor(1) as beside:
            _put_small(book, relations, small, is_whole=whole)
            # what statistics of runs read comes first: they are made while the rest goes into the book
            of_jobs = [relation for relation in relations if relation.full_name in READ]
            _put_derived(book, scratch, of_jobs, is_whole=whole)
            _sum_up(book, batches, step, is_whole=whole)
            stood = tuple(None if whole else _as_it_stood(book, name) for name in KEPT_QUOTING)
            statistics = beside.submit(job_marts, job_facts(book), shop, before=stood)
            _put_derived(book, scratch, [relation for relation in relations if relation not in of_jobs], is_whole=whole)
            note_renewed(book, derived, is_whole=whole)
            _sum_up(book, [relation for relation in pooled if relation not in batches], step, is_whole=whole)
            renew_lives(book, with_suspects(book.frame(_query("edge_ledger"))), is_whole=whole)
            for name, frame in (_edge_marts(book, is_whole=whole) | statistics.result()).items():
                _store(book, f"mart.{name}", frame)
            forget_renewed(book)
            _check(book, audits)
            note_derived(book, derived_by)


def derive_in_passing(book: Book) -> None:
    """Make what is derived in passing and not stored as tables of a derived book: to see how its figures came about.

    Its events are those that were accepted: ends of states are not among them.
    """
    for name, columns in FROM_OUTSIDE.items():
        book.run(f"create or replace table core.{name} ({columns})")
    for relation in of_kind(in_order(load_relations("core")), Renewed.IN_PASSING):
        with relation.selected(book.connection) as sql:
            book.run(f"create or replace table {relation.full_name} as\n{sql}")


def _put_small(book: Book, relations: Sequence[Relation], small: dict[str, pl.DataFrame], *, is_whole: bool) -> None:
    """Put what is small into the book, in place of what stood there."""
    for name in [
        *small,
        *(relation.full_name for relation in of_kind(relations, Renewed.FIRST, Renewed.FIRST_BY_MACHINE)),
    ]:
        book.run(f"create or replace table {name} as from {NAME}.{name}")
    for relation in of_kind(relations, Renewed.BY_UTC_DAY):
        if is_whole:
            book.run(f"create or replace table {relation.full_name} as from {NAME}.{relation.full_name}")
            continue
        book.run(window_sql("give_way_days", relation=relation.full_name))
        book.run(f"insert into {relation.full_name} by name from {NAME}.{KEPT}.{relation.name}")


def _put_derived(book: Book, scratch: Scratch, relations: Sequence[Relation], *, is_whole: bool) -> None:
    """Put the rows that were derived into the book, in place of those of the same windows, days and months."""
    for relation in of_kind(relations, Renewed.BY_WINDOW, Renewed.BY_MACHINE, Renewed.BY_DAY, Renewed.BY_MONTH):
        kept = f"{NAME}.{KEPT}.{relation.name}"
        if is_whole:
            book.run(f"create or replace table {relation.full_name} as from {kept}")
            continue
        book.run(_giving_way(scratch, relation))
        book.run(f"insert into {relation.full_name} by name from {kept}")


def _giving_way(scratch: Scratch, relation: Relation) -> str:
    """Return the statement that takes away the rows which give way to what was derived."""
    match relation.renewed:
        case Renewed.BY_DAY | Renewed.BY_MONTH:
            return window_sql("give_way_period", relation=relation.full_name, column=period_column(relation))
        case Renewed.BY_MACHINE:
            return window_sql("give_way_machine", relation=relation.full_name, name=relation.name)
    return window_sql("give_way_window", relation=relation.full_name, at=scratch.place(relation))


def _sum_up(book: Book, pooled: Sequence[Relation], step: Step, *, is_whole: bool) -> None:
    """Derive what rests on all of the book."""
    for relation in pooled:
        if relation.renewed is Renewed.BY_EDGE:
            renew_edges(book, relation, is_whole=is_whole)
        else:
            book.run(f"create or replace table {relation.full_name} as\n{relation.sql}")
        if relation.full_name == "core.edge":
            note_stale(book)
        step.advance()


def _check(book: Book, audits: Sequence[Relation]) -> None:
    """Hold the marts to their models, and the book to its laws."""
    columns = {name: ", ".join(mart.columns(name)) for name in mart.MODELS}
    counted = " union all ".join(
        f"from (from mart.{name} select {said}) select '{name}', count(*)" for name, said in columns.items()
    )
    for name, rows_there in book.rows(counted):
        # weeks and days are rows of the relation that gives the months: what holds of it is asked once
        if not rows_there or name in ("utilisation_weekly", "utilisation_daily"):
            continue
        rows, model = book.frame(f"from mart.{name} select {columns[name]}"), mart.MODELS[name]
        if not keeps_schema(rows, model.to_schema()):
            model.validate(rows, lazy=True)
    for relation in of_kind(audits, Renewed.WHOLE):
        audit(book.frame(relation.sql), relation)


def _edge_marts(book: Book, *, is_whole: bool) -> dict[str, pl.DataFrame]:
    """Return the marts that rest on statistics of edges."""
    edges = book.frame(_query("edges_counted"))
    tools, tool_rates = book.frame(_query("tools_counted")), book.frame(_query("rates_counted"))
    # what other relations and settings made of the same rows is made anew
    kept = ("tool_fit", "tool_life", "life_curve", "wear_curve")
    stood = {name: None if is_whole else _as_it_stood(book, name) for name in kept}
    fits = tool_fit(edges, tools, tool_rates, before=stood["tool_fit"])
    wear, renewed = book.frame(_query("wear_parts")), book.frame(_query("lives_renewed"))
    life, outlook = tool_life(edges, fits, tools, tool_rates, before=stood["tool_life"], wear=wear, renewed=renewed)
    coming = book.frame(_query("coming_use"))
    return {
        "tool_life": life,
        "tool_fit": fits,
        "life_curve": life_curves(edges, life, before=stood["life_curve"], life_before=stood["tool_life"]),
        "wear_curve": wear_curve(wear, life, before=stood["wear_curve"], renewed=renewed),
        "edge_now": edge_now(edges, life, coming, outlook),
        "shelf_list": shelf_list(edges, tools, life, coming, outlook),
    }


def _as_it_stood(book: Book, name: str) -> pl.DataFrame | None:
    """Return a mart of statistics as the last derivation left it; None where there is none."""
    there = book.rows("select 1 from duckdb_tables() where schema_name = 'mart' and table_name = $name", {"name": name})
    return book.frame(f"from mart.{name}") if there else None


def _store(book: Book, name: str, frame: pl.DataFrame) -> None:
    book.connection.register("_frame", frame)
    book.run(f"create or replace table {name} as from _frame")
    book.connection.unregister("_frame")


def _query(name: str) -> str:
    return resources.read_text("pipeline.derive", "sql", "query", f"{name}.sql")


def _extent(book: Book, shop: ShopFile) -> tuple[date, date]:
    """Return the first and last local day that any record touches."""
    row = book.frame(_query("extent")).row(0)
    first, last = row if row[0] is not None else (datetime(1970, 1, 2, tzinfo=UTC),) * 2
    return first.astimezone(shop.shop.zone).date(), last.astimezone(shop.shop.zone).date()
