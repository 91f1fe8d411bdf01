"""Fills an in-memory book with canonical rows and derives it, so that a test can state facts and read figures."""

from __future__ import annotations

import importlib
import sys
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from types import ModuleType
from typing import Any

import polars as pl
import pytest

from pipeline.derive.deriving import derive
from pipeline.progress import Null
from pipeline.store.book import Book, open_book
from schemas.core import accepted
from schemas.shop import ShopFile
from schemas.vocabulary import InputKind

sys.path.insert(0, str(Path(__file__).parent))  # tests are no package: oracles and generators are found by their names

Rows = Sequence[Mapping[str, Any]]
Frames = Mapping[InputKind, Rows]


def canonical(kind: InputKind, rows: Rows) -> pl.DataFrame:
    """Rows of an input kind with where they came from: what a test leaves out is empty, rows are numbered in order."""
    seen: Counter[Any] = Counter()
    numbered = []
    for number, row in enumerate(rows, start=1):
        fact = _fact(kind, row)
        origin = {"occurrence": seen[fact], "file_id": "a" * 64, "row_number": number, "line": number + 1}
        numbered.append({**origin, **row})
        seen[fact] += 1
    return pl.DataFrame(
        [{name: row.get(name) for name in accepted(kind)} for row in numbered], schema=accepted(kind), orient="row"
    )


def _fact(kind: InputKind, row: Mapping[str, Any]) -> Any:
    """What makes a row one fact, but for its occurrence (DESIGN section 4)."""
    if kind == "cycle":
        return row["machine"], row["program"], row["started_at"].replace(microsecond=0)
    if kind in ("tool_change", "edge_change"):
        return row["machine"], row["tool"], row["occurred_at"].replace(microsecond=0)
    if kind == "event":
        return row["machine"], row.get("data_item_id") or row["item"], row["occurred_at"], row.get("native_code")
    return tuple(row.get(name) for name in ("job", "ordered_on", "program", "operation", "machine", "tool", "revision"))


def fill(book: Book, frames: Frames) -> None:
    """Put rows into core.<kind> as the store would."""
    for kind, rows in frames.items():
        book.connection.register("_rows", canonical(kind, rows))
        book.run(f"insert into core.{kind} by name select * from _rows")
        book.connection.unregister("_rows")


@pytest.fixture
def book_of() -> Any:
    """Return a function (rows by kind, shop) -> derived book; the books are closed after the test."""
    opened = []

    def make(frames: Frames, shop: ShopFile) -> Book:
        context = open_book(None, threads=1)
        book = context.__enter__()
        opened.append(context)
        fill(book, frames)
        derive(book, shop, Null())
        return book

    yield make
    for context in opened:
        context.__exit__(None, None, None)


def at(text: str) -> datetime:
    """A UTC time written as "2026-03-02 06:00", seconds and fractions optional."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def shop_of(**tables: Any) -> ShopFile:
    """A shop file from its tables; UTC, round the clock and one machine M1 unless the test says otherwise."""
    settings = {"timezone": "UTC", **tables.pop("shop", {})}
    return ShopFile.model_validate({"shop": settings, **{"machine": [{"id": "M1"}], **tables}})


@pytest.fixture(scope="session")
def when() -> Callable[[str], datetime]:
    return at


@pytest.fixture(scope="session")
def shop_with() -> Callable[..., ShopFile]:
    return shop_of


@pytest.fixture(scope="session")
def oracle() -> ModuleType:
    """The naive time line, oracles/time_line.py."""
    return importlib.import_module("oracles.time_line")


@pytest.fixture(scope="session")
def lost_time() -> ModuleType:
    """The naive longest stops and tool changes, oracles/lost_time.py."""
    return importlib.import_module("oracles.lost_time")


@pytest.fixture(scope="session")
def calendar_oracle() -> ModuleType:
    """The naive calendar, oracles/calendar_days.py."""
    return importlib.import_module("oracles.calendar_days")


@pytest.fixture(scope="session")
def book_tools() -> tuple[Callable[[Book, Frames], None], Callable[[InputKind, Rows], pl.DataFrame]]:
    """The functions that fill a book and that make canonical rows, for tests that keep a book of their own."""
    return fill, canonical
