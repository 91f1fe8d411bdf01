"""Shows how far long work has come: a bar on a terminal, plain lines elsewhere, nothing when nobody asked.

It writes to stderr only and measures nothing itself.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import IO, Final, Protocol

from pipeline.printable import one_line

_LINE_EVERY_S: Final = 5.0


class Step(Protocol):
    """One stretch of work that is under way."""

    def advance(self, count: int = 1, note: str = "") -> None:
        """Say that `count` more are done; `note` says which one is next, for example a file's name."""
        ...

    def extend(self, count: int) -> None:
        """Say that there are `count` more to do than was said before."""
        ...


class Progress(Protocol):
    """Where steps of work show themselves."""

    def step(self, label: str, total: int | None = None) -> AbstractContextManager[Step]:
        """Open a step; `total` is how many there are to do, None where that is not known."""
        ...


class Null:
    """Shows nothing."""

    @contextmanager
    def step(self, label: str, total: int | None = None) -> Iterator[Step]:
        """Open a step that stays silent."""
        yield _NullStep()


class _NullStep:
    def advance(self, count: int = 1, note: str = "") -> None:
        """Show nothing."""

    def extend(self, count: int) -> None:
        """Show nothing."""


class Lines:
    """One plain line when a step begins, at most one every few seconds, and one when it ends."""

    def __init__(
        self,
        stream: IO[str] | None = None,
        every_s: float = _LINE_EVERY_S,
        seconds: Callable[[], float] = time.monotonic,
    ) -> None:
        self._stream = sys.stderr if stream is None else stream
        self._every_s = every_s
        self._seconds = seconds

    @contextmanager
    def step(self, label: str, total: int | None = None) -> Iterator[Step]:
        """Open a step; its last line stands also when the work is cut short, with how far it came."""
        running = _LinesStep(self._write, label, total, self._every_s, self._seconds)
        self._write(f"{label} ..." if total is None else f"{label}: {total} to do")
        try:
            yield running
        except BaseException:
            self._write(f"{label}: stopped after {running.done}")
            raise
        self._write(f"{label}: done" + (f", {running.done}" if running.done else ""))

    def _write(self, line: str) -> None:
        self._stream.write(line + "\n")
        self._stream.flush()


class _LinesStep:
    def __init__(
        self,
        write: Callable[[str], None],
        label: str,
        total: int | None,
        every_s: float,
        seconds: Callable[[], float],
    ) -> None:
        self._write, self._label, self._total = write, label, total
        self._every_s, self._seconds = every_s, seconds
        self._last_s = seconds()
        self.done = 0

    def advance(self, count: int = 1, note: str = "") -> None:
        """Write a line if the last one is old enough."""
        self.done += count
        now_s = self._seconds()
        if now_s - self._last_s < self._every_s:
            return
        self._last_s = now_s
        of = "" if self._total is None else f" of {self._total}"
        self._write(f"{self._label}: {self.done}{of}" + (f" ({one_line(note)})" if note else ""))

    def extend(self, count: int) -> None:
        """Count with more from the next line on."""
        self._total = None if self._total is None else self._total + count


class Bar:
    """A bar on the terminal; colours stay off where NO_COLOR is set."""

    def __init__(self, stream: IO[str] | None = None) -> None:
        self._stream = sys.stderr if stream is None else stream

    @contextmanager
    def step(self, label: str, total: int | None = None) -> Iterator[Step]:
        """Open a step with a bar of its own, which goes away when the step ends."""
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeElapsedColumn
        from rich.progress import Progress as RichProgress

        columns = (
            TextColumn("{task.description}", markup=False),
            BarColumn(),
            MofNCompleteColumn(),
            TimeElapsedColumn(),
            TextColumn("{task.fields[note]}", markup=False),
        )
        console = Console(file=self._stream, no_color="NO_COLOR" in os.environ or None)
        with RichProgress(*columns, console=console, transient=True) as bar:
            task = bar.add_task(label, total=total, note="")

            class Running:
                def advance(self, count: int = 1, note: str = "") -> None:
                    bar.update(task, advance=count, note=one_line(note))

                def extend(self, count: int) -> None:
                    bar.update(task, total=(bar.tasks[task].total or 0) + count)

            yield Running()


def choose(stream: IO[str] | None = None, *, quiet: bool = False) -> Progress:
    """Return a bar on a terminal, plain lines elsewhere, nothing when `quiet`."""
    out = sys.stderr if stream is None else stream
    if quiet:
        return Null()
    if out.isatty() and os.environ.get("TERM") != "dumb":
        return Bar(out)
    return Lines(out)
