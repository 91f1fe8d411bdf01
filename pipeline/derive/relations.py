"""The relations of the derive step, selects and sweeps, and the order in which they depend on each other.

Reads the packaged files; running them is `deriving`'s business.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum
from graphlib import TopologicalSorter
from importlib import import_module
from typing import TYPE_CHECKING

from pipeline import resources

if TYPE_CHECKING:
    import duckdb
    import polars as pl

_NAMED = re.compile(r"\b(raw|core|mart)\.([a-z_]+)\b(?!\s*\()")
_RENEWED = re.compile(r"^-- Renewed: ([a-zA-Z ]+)\.$", re.MULTILINE)
_ASKED = re.compile(r"\bask\(\s*\"([a-z_]+)\"")
_FILLED_IN = re.compile(r"@([a-z_]+)")


class Renewed(StrEnum):
    """How a relation is derived anew when records change; its file says so in a line `-- Renewed: ...`."""

    FIRST_BY_MACHINE = "first by machine"  # from all events of a machine, before anything else is looked at
    BY_UTC_DAY = "by UTC day"  # from the events of that day alone; grain machine x day_on
    FIRST = "first"  # small, and known before any window is chosen: settings, extents, estimates
    IN_PASSING = "in passing"  # from the records of a window; not stored
    BY_WINDOW = "by window"  # from the records of a window; rows lie where their started_at (or day_on, UTC) does
    BY_MACHINE = "by machine"  # what the windows and the rest say of a machine as a whole
    BY_DAY = "by day"  # from what lies in a local day; grain machine x day
    BY_MONTH = "by month"  # from what lies in a local month; grain machine x month
    BY_EDGE = "by edge"  # from what the windows say of edges; grain begins machine x tool x edge_number
    WHOLE = "whole"  # from small relations, every time


@dataclass(frozen=True)
class Relation:
    """One bare select, or one sweep in Python over such; the file's name is the relation's."""

    schema: str
    name: str
    sql: str  # of a sweep: its head, and the selects that it reads
    is_sweep: bool = False

    @property
    def full_name(self) -> str:
        return f"{self.schema}.{self.name}"

    @property
    def upstream(self) -> frozenset[str]:
        """Every stored relation that the select reads."""
        return frozenset(f"{schema}.{name}" for schema, name in _NAMED.findall(without_comments(self.sql)))

    @property
    def renewed(self) -> Renewed:
        """How it is derived anew."""
        said = _RENEWED.search(self.sql)
        if said is None:
            raise ValueError(f"{self.full_name}: its file does not say how it is renewed")
        return Renewed(said[1])

    @property
    def description(self) -> str:
        """The comment at the head of the file."""
        lines = []
        for line in self.sql.splitlines():
            if not line.startswith("--"):
                break
            lines.append(line.removeprefix("--").strip())
        return " ".join(lines)

    @contextmanager
    def selected(self, connection: duckdb.DuckDBPyConnection) -> Iterator[str]:
        """Give the select of its rows; a sweep is made for that, and shown to the connection for as long."""
        if not self.is_sweep:
            yield self.sql
            return
        sweep = import_module(f"pipeline.derive.sweeps.{self.schema}.{self.name}")

        def ask(name: str, /, **values: str) -> pl.DataFrame:
            sql = _FILLED_IN.sub(lambda found: values[found[1]], _asked(name))
            frame: pl.DataFrame = connection.sql(sql).pl()
            return frame

        shown = f"_{self.name}"
        connection.register(shown, sweep.rows(ask))
        try:
            yield f"from {shown}"
        finally:
            connection.unregister(shown)


def without_comments(sql: str) -> str:
    return re.sub(r"--[^\n]*", "", sql)


def load_relations(schema: str) -> list[Relation]:
    """Return the relations of one folder of sql/ (core, mart or audit), with the sweeps of core, by name."""
    selects = [
        Relation(schema, name.removesuffix(".sql"), resources.read_text("pipeline.derive", "sql", schema, name))
        for name in resources.names("pipeline.derive", "sql", schema, suffix=".sql")
    ]
    sweeps = [_sweep(schema, name.removesuffix(".py")) for name in _sweep_files(schema)]
    return sorted([*selects, *sweeps], key=lambda relation: relation.name)


def program_text() -> str:
    """Return the text of all that makes core tables and marts of accepted rows, but for statistics."""
    sql = [relation.sql for schema in ("core", "mart") for relation in load_relations(schema)]
    shared = [resources.read_text("pipeline.derive", "sweeps", name) for name in _modules("pipeline.derive", "sweeps")]
    own = [resources.read_text("pipeline.derive", "sweeps", "core", name) for name in _sweep_files("core")]
    return "".join([*sql, *shared, *own])


def _sweep(schema: str, name: str) -> Relation:
    text = resources.read_text("pipeline.derive", "sweeps", schema, f"{name}.py")
    said = text.split('"""')[1].strip()
    head = "\n".join(f"-- {line}" for line in said.splitlines() if line)
    return Relation(schema, name, "\n".join([head, "", *map(_asked, _ASKED.findall(text))]), is_sweep=True)


def _asked(name: str) -> str:
    return resources.read_text("pipeline.derive", "sql", "sweep", f"{name}.sql")


def _sweep_files(schema: str) -> list[str]:
    return _modules("pipeline.derive", "sweeps", "core") if schema == "core" else []


def _modules(package: str, *parts: str) -> list[str]:
    return [name for name in resources.names(package, *parts, suffix=".py") if name != "__init__.py"]


def in_order(relations: list[Relation]) -> list[Relation]:
    """Return relations so that each comes after those it reads; raises graphlib.CycleError on a circle."""
    by_name = {relation.full_name: relation for relation in relations}
    graph = {name: sorted(relation.upstream & by_name.keys()) for name, relation in by_name.items()}
    return [by_name[name] for name in TopologicalSorter(graph).static_order()]
