"""The SQL relations of the derive step and the order in which they depend on each other.

Reads the packaged .sql files; running them is `deriving`'s business.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from graphlib import TopologicalSorter

from pipeline import resources

_NAMED = re.compile(r"\b(raw|core|mart)\.([a-z_]+)\b(?!\s*\()")
_RENEWED = re.compile(r"^-- Renewed: ([a-zA-Z ]+)\.$", re.MULTILINE)


class Renewed(StrEnum):
    """How a relation is derived anew when records change; its file says so in a line `-- Renewed: ...`."""

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
    """One bare select; the file's name is the relation's."""

    schema: str
    name: str
    sql: str

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


def without_comments(sql: str) -> str:
    return re.sub(r"--[^\n]*", "", sql)


def load_relations(schema: str) -> list[Relation]:
    """Return the relations of one folder of sql/ (core, mart or audit), by name."""
    return [
        Relation(schema, name.removesuffix(".sql"), resources.read_text("pipeline.derive", "sql", schema, name))
        for name in resources.names("pipeline.derive", "sql", schema, suffix=".sql")
    ]


def in_order(relations: list[Relation]) -> list[Relation]:
    """Return relations so that each comes after those it reads; raises graphlib.CycleError on a circle."""
    by_name = {relation.full_name: relation for relation in relations}
    graph = {name: sorted(relation.upstream & by_name.keys()) for name, relation in by_name.items()}
    return [by_name[name] for name in TopologicalSorter(graph).static_order()]
