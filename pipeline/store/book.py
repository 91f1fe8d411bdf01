"""The book: the one DuckDB file of a workspace, opened with one clock (UTC), one writer and today's tables.

It knows no kinds of rows and loads nothing; every other module gets its connection from here.
"""

from __future__ import annotations

import secrets
from collections import deque
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Any, Final

import duckdb
import polars as pl

from pipeline.errors import InputError, StoreBusyError
from pipeline.store.migrating import bring_up_to_date, newest_version, stored_version
from pipeline.store.statements import bound_names

ROWS_AT_ONCE: Final = 100_000
"""How many rows `parts` yields together."""
_OPERATOR_KEY: Final = "operator_key"
_CONFIG: Final[dict[str, str | bool]] = {
    "autoinstall_known_extensions": False,  # no network access, ever
    "autoload_known_extensions": False,
    "memory_limit": "50%",  # an office PC runs other programs too; DuckDB spills to disk beyond this
}


@dataclass(frozen=True)
class Book:
    """An open book. `connection` is for the steps that derive and report; times come back in UTC."""

    connection: duckdb.DuckDBPyConnection
    path: Path | None
    read_only: bool

    def frame(self, sql: str, params: Mapping[str, Any] | None = None) -> pl.DataFrame:
        """Return the rows of a query; timestamptz columns arrive as Datetime("us", "UTC")."""
        return _in_utc(self.connection.sql(sql, params=dict(params) if params else None).pl())

    def parts(self, sql: str) -> Iterator[pl.DataFrame]:
        """Yield the rows of a query some at a time, no row at first; all must be drawn before the next statement.

        For rows of which less is kept: they never lie in memory together as they stand in the book.
        """
        reader = self.connection.sql(sql).to_arrow_reader(ROWS_AT_ONCE)
        for rows in chain([reader.schema.empty_table()], reader):
            yield _in_utc(pl.DataFrame(rows))

    def run(self, sql: str, params: Mapping[str, Any] | None = None) -> int:
        """Run a statement and return how many rows it changed, 0 where it changes none; `params` as in `rows`."""
        rows = self.rows(sql, params)
        return int(rows[0][0]) if rows and isinstance(rows[0][0], int) else 0

    def rows(self, sql: str, params: Mapping[str, Any] | None = None) -> list[tuple[Any, ...]]:
        """Return all rows of a small query; DuckDB wants each result drawn to its end before the next statement.

        Of `params` only those are bound that the statement names.
        """
        bound = bound_names(sql)
        named = {name: value for name, value in (params or {}).items() if name in bound}
        return self.connection.execute(sql, named or None).fetchall()

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Everything inside happens, or (on any exception, an interrupt included) nothing of it."""
        self.connection.execute("begin transaction")
        try:
            yield
        except BaseException:
            self.connection.execute("rollback")
            raise
        self.connection.execute("commit")

    @contextmanager
    def handed_over(self, rows: pl.DataFrame) -> Iterator[None]:
        """Make a frame readable as the table `chunk`, once: the statement that runs next must read it one time.

        DuckDB keeps what was handed over to the end of the transaction, so it is given a stream that holds nothing
        when it was drawn; a whole table would stay in memory chunk after chunk.
        """
        from pyarrow import RecordBatchReader

        table = rows.to_arrow()
        batches, shape = deque(table.to_batches()), table.schema
        del table
        drawn = (batches.popleft() for _ in range(len(batches)))
        self.connection.register("chunk", RecordBatchReader.from_batches(shape, drawn))
        try:
            yield
        finally:
            self.connection.unregister("chunk")

    def note(self, key: str) -> str | None:
        """Return what the book keeps under `key`, or None."""
        kept = self.rows("select value from raw.book where key = $key", {"key": key})
        return str(kept[0][0]) if kept else None

    def keep_note(self, key: str, value: str) -> None:
        """Keep `value` under `key`, in place of what stood there."""
        self.run("insert or replace into raw.book values ($key, $value)", {"key": key, "value": value})

    def operator_key(self) -> bytes:
        """Return the secret key of this book's operator hashes; it is made once and never leaves the book."""
        kept = self.note(_OPERATOR_KEY)
        if kept is None:
            kept = secrets.token_hex(32)
            self.keep_note(_OPERATOR_KEY, kept)
        return bytes.fromhex(kept)


def _in_utc(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.with_columns(pl.col(pl.Datetime("us", "Etc/UTC")).dt.convert_time_zone("UTC"))


@contextmanager
def open_book(
    path: Path | None, *, read_only: bool = False, threads: int | None = None, memory_mb: int | None = None
) -> Iterator[Book]:
    """Open the book at `path` (None: in memory), make or migrate its tables, and close it again.

    Raises StoreBusyError when another program holds the book or a newer version wrote it, InputError when there is no
    book to read or the file is none.
    """
    if path is not None and read_only and not path.exists():
        raise InputError(f"{path}: there is no book here yet; run `spindlebook run SOURCE... --workspace W` first.")
    if path is not None and not read_only:
        path.parent.mkdir(parents=True, exist_ok=True)
    connection = _connect(path, read_only, threads, memory_mb)
    try:
        _prepare(connection, path, read_only)
        yield Book(connection, path, read_only)
    finally:
        connection.close()


def _connect(
    path: Path | None, read_only: bool, threads: int | None, memory_mb: int | None
) -> duckdb.DuckDBPyConnection:
    config: dict[str, str | bool | int | float | list[str]] = {**_CONFIG}
    if threads is not None:
        config["threads"] = threads
    if memory_mb is not None:
        config["memory_limit"] = f"{memory_mb}MB"
    try:
        connection = duckdb.connect(str(path) if path else ":memory:", read_only=read_only, config=config)
    except duckdb.Error as error:
        raise _in_words(path, error) from error
    connection.execute("set TimeZone = 'UTC'")
    # few rows are guessed where there are many, and an ASOF join then compares each with each: sort always
    connection.execute("set global asof_loop_join_threshold = 0")
    connection.execute("set enable_progress_bar = false")  # it would be drawn into the results of a long query
    return connection


def _in_words(path: Path | None, error: duckdb.Error) -> StoreBusyError | InputError:
    """Say what keeps the book shut, and what to do."""
    said = str(error)
    if "newer version" in said or "version number" in said:
        return StoreBusyError(
            f"{path}: a newer version of spindlebook wrote this book; update spindlebook, then again."
        )
    if "not a valid DuckDB database" in said or "corrupt" in said.lower():
        return InputError(
            f"{path}: this file is not a book, or it is damaged. Move it away and run spindlebook over the exports "
            "again: the book is rebuilt from them."
        )
    if isinstance(error, duckdb.ConnectionException) or "lock" in said or "being used by another process" in said:
        return StoreBusyError(
            f"{path}: the book is in use by another program, perhaps a run that has not finished or a scheduled one. "
            "Wait for it to end, or close it, and try again."
        )
    return InputError(f"{path}: the book cannot be opened ({said.splitlines()[0]}). Check the folder and its rights.")


def _prepare(connection: duckdb.DuckDBPyConnection, path: Path | None, read_only: bool) -> None:
    version, newest = stored_version(connection), newest_version()
    if version > newest:
        raise StoreBusyError(
            f"{path}: this book has version {version} and this spindlebook knows versions up to {newest}; "
            "update spindlebook, then try again. Nothing was changed."
        )
    if read_only:
        if version < newest:
            raise StoreBusyError(
                f"{path}: this book has version {version}, today's is {newest}; run `spindlebook run` once, which "
                "brings it up to date, then try again."
            )
        return
    bring_up_to_date(connection)
