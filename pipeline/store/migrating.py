"""The shape of the book: its tables as they are today, and the numbered steps that bring an older book there.

A new book gets the first step and today's tables; an older one gets the steps that it lacks. It moves no rows itself.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import duckdb

from pipeline.resources import names, read_text
from pipeline.store.statements import PACKAGE

VERSION_KEY: Final = "store_version"
_ROOMS: Final = ("raw", "core")


def migrations() -> list[tuple[int, str]]:
    """Return (version, SQL) of every step, oldest first; `0002_words.sql` brings a book to version 2."""
    found = names(PACKAGE, "sql", "migrations", suffix=".sql")
    return [(int(name[:4]), read_text(PACKAGE, "sql", "migrations", name)) for name in found]


def newest_version() -> int:
    """Return the version of the book that this program writes."""
    return max(version for version, _ in migrations())


def stored_version(connection: duckdb.DuckDBPyConnection) -> int:
    """Return the version that wrote the book, 0 for a new one."""
    known = connection.execute(
        "select table_name from information_schema.tables where table_schema = 'raw' and table_name = 'book'"
    ).fetchall()
    if not known:
        return 0
    rows = connection.execute("select value from raw.book where key = ?", [VERSION_KEY]).fetchall()
    return int(rows[0][0]) if rows else 0


def bring_up_to_date(
    connection: duckdb.DuckDBPyConnection, steps: Iterable[tuple[int, str]] | None = None
) -> list[int]:
    """Run the steps that the book lacks and make the tables that it lacks, in one transaction.

    Returns the versions stepped through. A book that is up to date is not written to.
    """
    ordered = sorted(migrations() if steps is None else steps)
    version, newest = stored_version(connection), ordered[-1][0]
    if version == newest:
        return []
    due = ordered[:1] if version == 0 else [step for step in ordered if step[0] > version]
    connection.execute("begin transaction")
    try:
        for _, sql in due:
            connection.execute(sql)
        for sql in table_definitions():
            connection.execute(sql)
        connection.execute("insert or replace into raw.book values (?, ?)", [VERSION_KEY, str(newest)])
    except BaseException:
        connection.execute("rollback")
        raise
    connection.execute("commit")
    return [number for number, _ in due]


def table_definitions() -> list[str]:
    """Return the `create table` statements of the book as it is today."""
    return [
        read_text(PACKAGE, "sql", "ddl", room, name)
        for room in _ROOMS
        for name in names(PACKAGE, "sql", "ddl", room, suffix=".sql")
    ]
