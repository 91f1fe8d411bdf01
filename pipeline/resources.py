"""Access to the files that ship inside the packages: SQL, templates, sample logs. Reads nothing of the user's."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from functools import cache
from importlib.resources import as_file, files
from pathlib import Path


@cache
def read_text(package: str, *parts: str) -> str:
    """Return a packaged text file, for example `read_text("pipeline.derive", "sql", "core", "run.sql")`."""
    return files(package).joinpath(*parts).read_text(encoding="utf-8")


def names(package: str, *parts: str, suffix: str) -> list[str]:
    """Return the sorted file names with `suffix` in a packaged folder."""
    folder = files(package).joinpath(*parts)
    return sorted(entry.name for entry in folder.iterdir() if entry.name.endswith(suffix))


@contextmanager
def folder(package: str, *parts: str) -> Iterator[Path]:
    """Give a packaged folder as a real path for as long as the context lasts."""
    with ExitStack() as stack:
        yield stack.enter_context(as_file(files(package).joinpath(*parts)))
