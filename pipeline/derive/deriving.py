"""The derive step: shop tables, core relations, marts and audits, rebuilt in one transaction.

Either all of it is replaced or nothing is; a run that fails leaves the figures of the run before.
"""

from __future__ import annotations

from datetime import UTC, date, datetime

import polars as pl

from pipeline import resources
from pipeline.derive.job_drift import job_drift
from pipeline.derive.quote_factor import quote_factor
from pipeline.derive.relations import in_order, load_relations
from pipeline.derive.shop_tables import shop_tables
from pipeline.derive.tool_life import life_curves, tool_life
from pipeline.errors import AuditError
from pipeline.progress import Progress
from pipeline.store.book import Book
from schemas import mart
from schemas.shop import ShopFile

EVIDENCE_SHOWN = 5


def derive(book: Book, shop: ShopFile, progress: Progress) -> None:
    """Rebuild every derived table from the accepted rows and shop.toml.

    Raises
    ------
    AuditError
        When a law of the book does not hold; nothing is changed then.
    """
    with book.transaction():
        _rebuild(book, shop, progress)


def _rebuild(book: Book, shop: ShopFile, progress: Progress) -> None:
    for name, frame in shop_tables(shop, *_extent(book, shop)).items():
        _store(book, name, frame)
    relations = in_order([*load_relations("core"), *load_relations("mart")])
    python_marts = 5
    with progress.step("derive", total=len(relations) + python_marts) as step:
        for relation in relations:
            book.run(f"create or replace table {relation.full_name} as\n{relation.sql}")
            step.advance()
        for name, frame in _marts(book, shop).items():
            _store(book, f"mart.{name}", frame)
            step.advance()
    for name, model in mart.MODELS.items():
        model.validate(book.frame(f"from mart.{name}").select(list(mart.columns(name))), lazy=True)
    audit(book)


def _marts(book: Book, shop: ShopFile) -> dict[str, pl.DataFrame]:
    """Return the marts that rest on statistics."""
    runs = book.frame("from core.run")
    rates = book.frame("select machine, rate_per_hour from core.machine")
    edges = book.frame("from core.edge_life")
    drift, spread = job_drift(runs, rates, shop.shop.tolerance)
    life = tool_life(edges, book.frame("from core.tool"), rates)
    return {
        "job_drift": drift,
        "run_spread": spread,
        "tool_life": life,
        "life_curve": life_curves(edges, life),
        "quote_factor": quote_factor(
            runs,
            drift,
            book.frame("from core.tool_use"),
            book.frame("from core.estimate_line"),
            book.frame("from core.batch"),
            book.frame("select estimate_id, load_s from core.estimate_operation"),
        ),
    }


def audit(book: Book) -> None:
    """Run every audit of the derived tables; each is a select that returns the rows that break a law."""
    for relation in load_relations("audit"):
        broken = book.frame(relation.sql)
        if broken.height:
            evidence = str(broken.head(EVIDENCE_SHOWN))
            raise AuditError(
                relation.name, f"{broken.height} rows break a law of the book: {relation.description}", evidence
            )


def _store(book: Book, name: str, frame: pl.DataFrame) -> None:
    book.connection.register("_frame", frame)
    book.run(f"create or replace table {name} as from _frame")
    book.connection.unregister("_frame")


def _extent(book: Book, shop: ShopFile) -> tuple[date, date]:
    """Return the first and last local day that any record touches."""
    row = book.frame(resources.read_text("pipeline.derive", "sql", "query", "extent.sql")).row(0)
    first, last = row if row[0] is not None else (datetime(1970, 1, 2, tzinfo=UTC),) * 2
    return first.astimezone(shop.shop.zone).date(), last.astimezone(shop.shop.zone).date()
