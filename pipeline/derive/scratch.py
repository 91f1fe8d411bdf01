"""The scratch database of a derivation: the same names as in the book, so that one select serves the whole and a part.

In it core.event is all events or those of a window, with the ends of states that rows give, and every relation reads
what stands there under its name. The book is read as it was last committed, and is not written to.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import count

import duckdb
import polars as pl

from pipeline import resources
from pipeline.derive.relations import Relation
from pipeline.store.book import Book

NAME = "scratch"
KEPT = "kept"
_TOKEN = re.compile(r"@([a-z_]+)")


@dataclass(frozen=True)
class Scratch:
    """An attached database in memory; `book_name` is what the book is called beside it."""

    cursor: duckdb.DuckDBPyConnection
    book_name: str
    name: str = NAME
    kinds: dict[str, str] = field(default_factory=dict)
    """What stands under a name, `table` or `view`: to ask the catalogue costs more than most statements."""
    parts: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    """The tables that what goes into the book lies in, by relation: kept.@name shows them as one."""
    others: list[Scratch] = field(default_factory=list)
    """Those that stand beside it for as long as it lasts."""
    part_numbers: Iterator[int] = field(default_factory=count)
    columns: dict[str, list[str]] = field(default_factory=dict)
    """The columns of what was asked about, by relation."""

    def open(self) -> None:
        """Make the database, empty."""
        self.run(f"attach ':memory:' as {self.name}")
        self.run("set TimeZone = 'UTC'")
        self.run(f"use {self.name}")
        for schema in ("raw", "core", "mart", KEPT):
            self.run(f"create schema {schema}")

    def run(self, sql: str) -> None:
        self.cursor.execute(sql).fetchall()

    def frame(self, sql: str) -> pl.DataFrame:
        frame: pl.DataFrame = self.cursor.sql(sql).pl()
        return frame.with_columns(pl.col(pl.Datetime("us", "Etc/UTC")).dt.convert_time_zone("UTC"))

    def count(self, name: str) -> int:
        """Return how many rows stand under a name."""
        rows = self.cursor.execute(f"from {name} select count(*)").fetchall()
        return int(rows[0][0])

    def window_sql(self, name: str, room: str | None = None, /, **values: str) -> str:
        """Return a statement of sql/window in which `@room` is the database looked at, the scratch one if not said."""
        return window_sql(name, book=self.book_name, room=room or self.name, **values)

    def table(self, name: str, sql: str) -> None:
        """Make a table, in place of what stood under its name."""
        self._make("table", name, sql)

    def make(self, relation: Relation) -> None:
        """Make a relation, in place of what stood under its name."""
        with relation.selected(self.cursor) as sql:
            self.table(relation.full_name, sql)

    def view(self, name: str, sql: str) -> None:
        """Make a view, in place of what stood under its name."""
        self._make("view", name, sql)

    def _make(self, kind: str, name: str, sql: str) -> None:
        before = self.kinds.get(name, kind)
        if before != kind:
            self.run(f"drop {before} {name}")
        self.run(f"create or replace {kind} {name} as\n{sql}")
        self.kinds[name] = kind

    def forget(self, name: str) -> None:
        """Drop what stands under a name."""
        self.run(f"drop {self.kinds.pop(name)} {name}")

    def store(self, name: str, frame: pl.DataFrame) -> None:
        """Make a table of a frame."""
        self.cursor.register("_frame", frame)
        self.table(name, "from _frame")
        self.cursor.unregister("_frame")

    def keep(self, name: str, sql: str) -> None:
        """Add rows to what goes into the book at the end."""
        part = self._new_part(name)
        self.run(f"create table {part} as\n{sql}")

    def make_to_keep(self, relation: Relation) -> None:
        """Make a relation in place of what stood under its name, which goes into the book at the end."""
        part = self._new_part(relation.name)
        with relation.selected(self.cursor) as sql:
            self.run(f"create table {part} as\n{sql}")
        self.view(relation.full_name, f"from {part}")

    def forget_outside(self, relation: Relation) -> None:
        """Delete of what was made last to go into the book what lies outside the windows at hand."""
        part = self.parts[relation.name][-1]
        self.run(window_sql("forget_outside", relation=part, at=self.place(relation)))

    def _new_part(self, name: str) -> str:
        part = f"{self.name}.{KEPT}.{name}__{next(self.part_numbers)}"
        self.parts[name].append(part)
        return part

    def show_kept(self, *names: str) -> None:
        """Show what goes into the book of some relations, of all if none is said, as kept.@name."""
        for name in names or self.parts:
            together = " union all by name ".join(f"from {part}" for part in self.parts[name])
            self.run(f"create or replace view {KEPT}.{name} as {together}")

    def another(self) -> Scratch:
        """Return a scratch database to work in at the same time, in which stands what stood here when it was opened."""
        if not self.others:
            other = Scratch(self.cursor.cursor(), self.book_name, f"{self.name}_beside")
            self.others.append(other)
            other.open()
            for name in self.kinds:
                other.view(name, f"from {self.name}.{name}")
        return self.others[0]

    def take_over(self, other: Scratch) -> None:
        """Count what another one has kept among what is kept here."""
        for name, parts in other.parts.items():
            self.parts[name] += parts
        other.parts.clear()

    def forget_rows(self, name: str, machine: str) -> None:
        """Delete of what goes into the book what is of one machine."""
        for part in self.parts[name]:
            self.cursor.execute(window_sql("forget_machine", relation=part), [machine]).fetchall()

    def place(self, relation: Relation) -> str:
        """Return where in time the rows of a relation, called kept, lie: `started_at`, or the midnight of `day_on`."""
        return "kept.started_at" if "started_at" in self._columns_of(relation) else "kept.day_on::timestamptz"

    def end_place(self, relation: Relation) -> str:
        """Return up to when the rows of a relation reach: `ended_at` where it has one."""
        return "kept.ended_at" if "ended_at" in self._columns_of(relation) else self.place(relation)

    def _columns_of(self, relation: Relation) -> list[str]:
        """Return the names of the columns of a relation that goes into the book."""
        if relation.name not in self.columns:
            described = self.cursor.execute(f"describe {self.parts[relation.name][0]}").fetchall()
            self.columns[relation.name] = [column for column, *_ in described]
        return self.columns[relation.name]

    def from_book(self, names: Sequence[str]) -> None:
        """Show tables of the book under their own names."""
        for name in names:
            self.view(name, f"from {self.book_name}.{name}")


def window_sql(name: str, /, **values: str) -> str:
    """Return a statement of sql/window with `@name` of each value filled in."""
    sql = resources.read_text("pipeline.derive", "sql", "window", f"{name}.sql")
    return _TOKEN.sub(lambda found: values[found[1]], sql)


@contextmanager
def scratch_of(book: Book) -> Iterator[Scratch]:
    """Open a scratch database beside the book, with views of the book's own tables, and throw it away at the end."""
    book_name = f'"{book.rows("select current_database()")[0][0]}"'
    scratch = Scratch(book.connection.cursor(), book_name)
    try:
        scratch.open()
        yield scratch
    finally:
        for each in (*scratch.others, scratch):
            each.cursor.execute(f"use {book_name}").fetchall()
            each.cursor.close()
            book.connection.execute(f"detach database if exists {each.name}").fetchall()
