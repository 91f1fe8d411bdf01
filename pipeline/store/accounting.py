"""Audits of the book: does every row that was read stand somewhere, once, with its source? And how often rows changed.

An audit is a query that returns the offending rows; it mends nothing.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

import polars as pl

from pipeline.errors import AuditError
from pipeline.resources import names
from pipeline.store.book import Book
from pipeline.store.statements import PACKAGE, bound_names, statement

_SHOWN_ROWS: Final = 20
_LOADINGS: Final = "loadings"
_WHOLE_BOOK: Final = ("_stored_once", "provenance", "source_extent")


@dataclass(frozen=True)
class Finding:
    """What one audit found; `rows` is empty when the law holds."""

    name: str
    rows: pl.DataFrame

    @property
    def passed(self) -> bool:
        """Whether the law holds."""
        return self.rows.is_empty()


def audit_store(book: Book, touched: Collection[str] | None = None, *, thorough: bool = False) -> list[Finding]:
    """Run the audits of the store, in the order of their names.

    Those of single files ask about the `touched` ones, by their ids, or about all; the total is that of the whole book
    always. That each fact stands once and cites a known file, and what files hold in short, is asked only when
    `thorough`: it takes all rows of the book, and loading holds it.
    """
    found = [name.removesuffix(".sql") for name in names(PACKAGE, "sql", "audit", suffix=".sql")]
    due = [name for name in found if thorough or not name.endswith(_WHOLE_BOOK)]
    file_ids = None if touched is None else sorted(touched)
    return [Finding(name, _asked(book, statement("audit", name), file_ids)) for name in due]


def _asked(book: Book, sql: str, file_ids: list[str] | None) -> pl.DataFrame:
    return book.frame(sql, {"file_ids": file_ids} if bound_names(sql) else None)


def require(findings: list[Finding]) -> None:
    """Raise AuditError for the first finding that did not pass, with its first rows as text."""
    for finding in findings:
        if not finding.passed:
            shown = "\n".join(str(row) for row in finding.rows.head(_SHOWN_ROWS).iter_rows(named=True))
            raise AuditError(finding.name, f"{finding.rows.height} rows break this law of the book", shown)


def fingerprint(book: Book) -> str:
    """Return what is another whenever accepted rows may be: how many transactions have loaded or withdrawn some."""
    return book.note(_LOADINGS) or ""


def count_loading(book: Book) -> None:
    """Count a transaction that changed what the book holds; call it in that transaction."""
    book.run(statement("load", "count_loading"), {"key": _LOADINGS})
