"""Workspaces of real machine logs that nobody here made: one run of the installed command each.

The data is found through SPINDLEBOOK_OPEN_DATA and never committed; DEVELOPERS.md says where it was published.
"""

from __future__ import annotations

import gzip
import json
import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import duckdb
import pytest

from pipeline.derive.deriving import derive_in_passing
from pipeline.store.book import open_book

HERE = Path(__file__).parent
PUBLISHED = (
    "SPINDLEBOOK_OPEN_DATA is not set. The machine logs were published at github.com/usnistgov/smstestbed, commit "
    "968279f1, the tool lives as UCI data set 601; DEVELOPERS.md says how to lay them out."
)
Command = Callable[..., Any]
Line = tuple[int, tuple[str, ...]]
"""A line of adapter text in plain Python: its instant in microseconds and its fields."""


@dataclass
class Opened:
    """A workspace after `spindlebook run`, asked through its book and through its reports."""

    folder: Path
    command: Command
    summary: str = ""
    reports: dict[str, list[dict[str, Any]]] = field(default_factory=dict)

    def rows(self, sql: str, *values: Any) -> list[tuple[Any, ...]]:
        """Rows of a query of the book, opened for reading only."""
        with duckdb.connect(str(self.folder / "spindlebook.duckdb"), read_only=True) as book:
            book.execute("set timezone = 'UTC'")
            return book.execute(sql, values).fetchall()

    def rows_in_passing(self, sql: str, *values: Any) -> list[tuple[Any, ...]]:
        """Rows of a query that may name what is derived in passing: asked of a copy of the book that holds it."""
        copy = self.folder / "passing.duckdb"
        if not copy.exists():
            shutil.copyfile(self.folder / "spindlebook.duckdb", copy)
            with open_book(copy) as book:
                derive_in_passing(book)
        with duckdb.connect(str(copy), read_only=True) as book:
            book.execute("set timezone = 'UTC'")
            return book.execute(sql, values).fetchall()

    def report(self, name: str) -> list[dict[str, Any]]:
        """A named report as JSON, as its reader gets it."""
        if name not in self.reports:
            done = self.command("report", name, "--workspace", self.folder, "--format", "json")
            assert done.returncode == 0, done.stderr
            self.reports[name] = json.loads(done.stdout)
        return self.reports[name]


@pytest.fixture(scope="session")
def open_data() -> Path:
    """The folder of the logs; skips where the variable is not set, fails where it is set and the folder is missing."""
    named = os.environ.get("SPINDLEBOOK_OPEN_DATA")
    if named is None:
        pytest.skip(PUBLISHED)
    folder = Path(named)
    if not folder.is_dir():
        pytest.fail(f"SPINDLEBOOK_OPEN_DATA names {folder}, which is no folder.")
    return folder


@pytest.fixture(scope="session")
def opened(spindlebook: Command, tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Opened]:
    """Return a function (name, sources, step) that runs a step in a new workspace with our shop.toml and profiles."""

    def run(name: str, *sources: Path, step: str = "run") -> Opened:
        for source in sources:
            assert source.exists(), f"{source} is missing from the open data"
        folder = tmp_path_factory.mktemp(name) / "shop"
        shutil.copytree(HERE / name, folder)
        done = spindlebook("--quiet", step, *sources, "--workspace", folder)
        assert done.returncode == 0, done.stderr
        return Opened(folder, spindlebook, done.stdout)

    return run


def instant_us(stamp: str) -> int:
    """Microseconds of a UTC time with any number of fractional digits; digits past the sixth are cut."""
    whole, _, fraction = stamp.removesuffix("Z").partition(".")
    seconds = int(datetime.fromisoformat(whole).replace(tzinfo=UTC).timestamp())
    return seconds * 1_000_000 + int(fraction[:6].ljust(6, "0"))


@pytest.fixture(scope="session")
def plain_lines() -> Callable[[Path], list[Line]]:
    """Return a reader of adapter text that owes nothing to ours: whole lines only, in the order of the file."""

    def read(path: Path) -> list[Line]:
        with gzip.open(path, "rt", encoding="utf-8") as text:
            parted = (line.rstrip("\r\n").split("|") for line in text)
            return [(instant_us(parts[0]), tuple(parts[1:])) for parts in parted if len(parts) > 2]

    return read


@pytest.fixture(scope="session")
def raw(opened: Callable[..., Opened], open_data: Path) -> Opened:
    return opened("mill-turn-raw", open_data / "mill-turn-raw")


@pytest.fixture(scope="session")
def events(opened: Callable[..., Opened], open_data: Path) -> Opened:
    return opened("mill-turn-events", open_data / "mill-turn-events")
