"""Audits of the book: does every row that was read stand somewhere, once, with its source? And the book's fingerprint.

An audit is a query that returns the offending rows; it mends nothing.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import Final

import polars as pl

from pipeline.errors import AuditError
from pipeline.resources import names
from pipeline.store.book import Book
from pipeline.store.statements import PACKAGE, statement

_SHOWN_ROWS: Final = 20
_WHOLE_BOOK: Final = "_stored_once"


@dataclass(frozen=True)
class Finding:
    """What one audit found; `rows` is empty when the law holds."""

    name: str
    rows: pl.DataFrame

    @property
    def passed(self) -> bool:
        """Whether the law holds."""
        return self.rows.is_empty()


def audit_store(book: Book, *, thorough: bool = False) -> list[Finding]:
    """Run the audits of the store, in the order of their names.

    The uniqueness of each fact is checked only when `thorough`: it groups all rows of the book, and loading holds it.
    """
    found = [name.removesuffix(".sql") for name in names(PACKAGE, "sql", "audit", suffix=".sql")]
    due = [name for name in found if thorough or not name.endswith(_WHOLE_BOOK)]
    return [Finding(name, book.frame(statement("audit", name))) for name in due]


def require(findings: list[Finding]) -> None:
    """Raise AuditError for the first finding that did not pass, with its first rows as text."""
    for finding in findings:
        if not finding.passed:
            shown = "\n".join(str(row) for row in finding.rows.head(_SHOWN_ROWS).iter_rows(named=True))
            raise AuditError(finding.name, f"{finding.rows.height} rows break this law of the book", shown)


def fingerprint(book: Book) -> str:
    """Return a hash of all that the accepted rows depend on: the files, how they were read, which rows of each hold."""
    rows = book.rows(statement("query", "standing"))
    return hashlib.sha256(repr(rows).encode()).hexdigest()
