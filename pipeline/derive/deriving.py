"""The derive step: shop tables, core relations, marts and audits, rebuilt in one transaction.

Either all of it is replaced or nothing is; a run that fails leaves the figures of the run before.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

import polars as pl

from pipeline import resources
from pipeline.derive.job_drift import job_drift
from pipeline.derive.quote_factor import quote_factor
from pipeline.derive.relations import in_order, load_relations
from pipeline.derive.shop_tables import shop_tables
from pipeline.derive.tool_life import life_curves, tool_life
from pipeline.errors import AuditError
from schemas import mart
from schemas.shop import ShopFile

if TYPE_CHECKING:
    import duckdb

    from pipeline.progress import Progress

EVIDENCE_SHOWN = 5


def derive(connection: duckdb.DuckDBPyConnection, shop: ShopFile, progress: Progress) -> None:
    """Rebuild every derived table from the accepted rows and shop.toml.

    Raises
    ------
    AuditError
        When a law of the book does not hold; nothing is changed then.
    """
    connection.execute("begin transaction")
    try:
        _rebuild(connection, shop, progress)
        connection.execute("commit")
    except BaseException:
        connection.execute("rollback")
        raise


def _rebuild(connection: duckdb.DuckDBPyConnection, shop: ShopFile, progress: Progress) -> None:
    for name, frame in shop_tables(shop, *_extent(connection, shop)).items():
        _store(connection, name, frame)
    relations = in_order([*load_relations("core"), *load_relations("mart")])
    python_marts = 4
    with progress.step("derive", total=len(relations) + python_marts) as step:
        for relation in relations:
            connection.execute(f"create or replace table {relation.full_name} as\n{relation.sql}")
            step.advance()
        for name, frame in _marts(connection, shop).items():
            _store(connection, f"mart.{name}", frame)
            step.advance()
    for name, model in mart.MODELS.items():
        model.validate(connection.sql(f"from mart.{name}").pl().select(list(mart.columns(name))), lazy=True)
    audit(connection)


def _marts(connection: duckdb.DuckDBPyConnection, shop: ShopFile) -> dict[str, pl.DataFrame]:
    """Return the marts that rest on statistics."""
    runs = connection.sql("from core.run").pl()
    rates = connection.sql("select machine, rate_per_hour from core.machine").pl()
    edges = connection.sql("from core.edge_life").pl()
    life = tool_life(edges, connection.sql("from core.tool").pl(), rates)
    return {
        "job_drift": job_drift(runs, rates, shop.shop.tolerance),
        "tool_life": life,
        "life_curve": life_curves(edges, life),
        "quote_factor": quote_factor(
            runs,
            connection.sql("from core.tool_use").pl(),
            connection.sql("from core.estimate_line").pl(),
            connection.sql("from core.batch").pl(),
            connection.sql("select estimate_id, load_s from core.estimate_operation").pl(),
        ),
    }


def audit(connection: duckdb.DuckDBPyConnection) -> None:
    """Run every audit of the derived tables; each is a select that returns the rows that break a law."""
    for relation in load_relations("audit"):
        broken = connection.sql(relation.sql).pl()
        if broken.height:
            evidence = str(broken.head(EVIDENCE_SHOWN))
            raise AuditError(
                relation.name, f"{broken.height} rows break a law of the book: {relation.description}", evidence
            )


def _store(connection: duckdb.DuckDBPyConnection, name: str, frame: pl.DataFrame) -> None:
    connection.register("_frame", frame)
    connection.execute(f"create or replace table {name} as from _frame")
    connection.unregister("_frame")


def _extent(connection: duckdb.DuckDBPyConnection, shop: ShopFile) -> tuple[date, date]:
    """Return the first and last local day that any record touches."""
    rows = connection.execute(resources.read_text("pipeline.derive", "sql", "query", "extent.sql")).fetchall()
    first, last = rows[0] if rows[0][0] is not None else (datetime(1970, 1, 2, tzinfo=UTC),) * 2
    return first.astimezone(shop.shop.zone).date(), last.astimezone(shop.shop.zone).date()
