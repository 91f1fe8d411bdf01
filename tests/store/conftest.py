"""Makes source files for the tests of the store, and shows what a book holds in a form that can be compared."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.read.rows import (
    REJECT_COLUMNS,
    SKIPPED_COLUMNS,
    FileRead,
    SourceFile,
    TableRead,
    row_columns,
)
from pipeline.store.book import Book
from schemas.vocabulary import STORED_KINDS, InputKind

START = datetime(2026, 3, 2, 6, tzinfo=UTC)


class Making:
    """Short ways to rows, tables and files."""

    start = START

    def source(self, name: str, content: object = "") -> SourceFile:
        """A file known by a hash of its name and content."""
        sha256 = hashlib.sha256(f"{name} {content!r}".encode()).hexdigest()
        return SourceFile(Path(name), None, sha256, 100)

    def table(
        self,
        kind: InputKind,
        rows: Sequence[dict[str, Any]],
        first_row: int = 1,
        rejects: Sequence[dict[str, Any]] = (),
        skipped: Sequence[dict[str, Any]] = (),
        rows_read: int | None = None,
        notes: tuple[str, ...] = (),
    ) -> TableRead:
        """One table; row numbers count from `first_row`, lines lie one below, and every row but an event has a text."""
        numbered = [
            {
                **row,
                "row_number": first_row + place,
                "line": first_row + place + 1,
                "raw": None if kind == "event" else ";".join(str(value) for value in row.values()),
            }
            for place, row in enumerate(rows)
        ]
        rejected = len({reject["row_number"] for reject in rejects})
        return TableRead(
            kind,
            pl.DataFrame(numbered, schema=row_columns(kind)),
            len(rows) + rejected if rows_read is None else rows_read,
            pl.DataFrame(list(rejects), schema=REJECT_COLUMNS),
            pl.DataFrame(list(skipped), schema=SKIPPED_COLUMNS),
            notes,
        )

    def file(self, name: str, *tables: TableRead, content: object = None) -> FileRead:
        """One loaded file; its hash comes from its rows unless `content` stands for them."""
        told = [table.rows.rows() for table in tables] if content is None else content
        return FileRead(self.source(name, told), "loaded", "table", tables=tables)

    def cycle(self, minute: float = 0, machine: str = "M1", program: str = "O1", **fields: Any) -> dict[str, Any]:
        """A cycle of four minutes that starts `minute` minutes after the shift does."""
        started_at = START + timedelta(minutes=minute)
        return {
            "machine": machine,
            "program": program,
            "started_at": started_at,
            "ended_at": started_at + timedelta(minutes=4),
            **fields,
        }

    def event(self, second: float = 0, machine: str = "M1", item: str = "Execution", **fields: Any) -> dict[str, Any]:
        """An observation `second` seconds after the shift starts."""
        return {"machine": machine, "occurred_at": START + timedelta(seconds=second), "item": item, **fields}

    def dump(self, book: Book) -> dict[str, list[Any]]:
        """All that must be the same whatever the order of files: no wall clock, no helper tables."""
        relations = [*(f"core.{kind}" for kind in STORED_KINDS), "raw.reject", "raw.skipped", "raw.source_row"]
        held = {name: book.frame(f"select * from {name} order by all").rows() for name in relations}
        held["raw.superseded"] = book.frame("select * from raw.superseded order by all").rows()
        held["raw.source_file"] = book.frame(
            "select * exclude (ingested_at, is_extent_known) from raw.source_file order by file_id"
        ).rows()
        return held

    def facts(self, book: Book, kinds: Iterable[InputKind] = STORED_KINDS) -> dict[str, list[Any]]:
        """The accepted rows without the file, row and line that they cite."""
        sql = "select * exclude (file_id, row_number, line) from core.{} order by all"
        return {kind: book.frame(sql.format(kind)).rows() for kind in kinds}


@pytest.fixture(scope="session")
def making() -> Making:
    return Making()
