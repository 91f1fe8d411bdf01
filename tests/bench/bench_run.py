"""How much slower than bare DuckDB ingest and derive are, as ratios to a baseline of the same run and file.

Not collected by pytest and no timed assertion: run `python tests/bench/bench_run.py [EVENTS]` and read the figures.
The baseline of ingest loads the same CSV into a table; the baseline of derive runs one window function over it. Each
measurement is a process of its own, so that its peak memory is its own too, and the best of a few counts.
"""

import gzip
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from datetime import UTC, datetime
from multiprocessing import get_context
from pathlib import Path
from typing import NamedTuple

import duckdb
import numpy as np
import polars as pl

from flows.ingesting import ingest
from pipeline.derive.deriving import derive
from pipeline.progress import Null
from pipeline.store.book import open_book
from pipeline.workspace import Workspace

MACHINES = 4
SECONDS_PER_CYCLE = 600
EVENTS_PER_CYCLE = 120
START = datetime(2026, 1, 1, tzinfo=UTC)
RUNS = 3
SMALL_FILES = 200
SMALL_FILE_ROWS = 50
OTHER_ROWS = 1_000_000


class Measured(NamedTuple):
    """The best of a few runs, and the most memory that any of them took."""

    wall_s: float
    cpu_s: float
    peak_mb: float


def write_events(path: Path, events: int) -> None:
    """Write a stream of cycles: Execution and Program at their ends, feed and speed changes inside."""
    rng = np.random.default_rng(7)
    per_machine = events // MACHINES
    frames = []
    for machine in range(MACHINES):
        number = np.arange(per_machine)
        cycle, place = number // EVENTS_PER_CYCLE, number % EVENTS_PER_CYCLE
        at_s = cycle * (SECONDS_PER_CYCLE + 60) + place * (SECONDS_PER_CYCLE / EVENTS_PER_CYCLE)
        last = EVENTS_PER_CYCLE - 1
        item = np.select(
            [place == 0, place == 1, place == last, place % 2 == 0],
            ["Program", "Execution", "Execution", "PathFeedrate"],
            "RotaryVelocity",
        )
        value = np.select(
            [place == 0, place == 1, place == last],
            [np.char.add("O", (cycle // 30 % 40).astype(str)), "ACTIVE", "READY"],
            rng.integers(0, 4, per_machine).astype(str),
        )
        frames.append(
            pl.DataFrame({"at_ms": _millis(at_s), "item": item, "value": value}).select(
                pl.lit(f"M{machine}").alias("machine"), _clock("at_ms").alias("occurred_at"), "item", "value"
            )
        )
    pl.concat(frames).write_csv(path)


def write_cycles(path: Path, rows: int) -> None:
    """Write a list of cycles of four machines that take turns."""
    number = np.arange(rows)
    begin_s = number // MACHINES * 660.0
    pl.DataFrame({"n": number, "from_ms": _millis(begin_s), "to_ms": _millis(begin_s + 600)}).select(
        pl.format("M{}", pl.col("n") % MACHINES).alias("machine"),
        pl.format("O{}", pl.col("n") // 120 % 40).alias("program"),
        _clock("from_ms").alias("started_at"),
        _clock("to_ms").alias("ended_at"),
        pl.lit("1").alias("parts"),
        pl.lit("complete").alias("outcome"),
        pl.format("J{}", pl.col("n") // 120).alias("job"),
    ).write_csv(path)


def write_tool_changes(path: Path, rows: int) -> None:
    """Write a list of tool changes of four machines that take turns."""
    number = np.arange(rows)
    pl.DataFrame({"n": number, "at_ms": _millis(number // MACHINES * 75.0)}).select(
        pl.format("M{}", pl.col("n") % MACHINES).alias("machine"),
        _clock("at_ms").alias("occurred_at"),
        (pl.col("n") % 24).alias("tool"),
        pl.format("O{}", pl.col("n") // 960 % 40).alias("program"),
    ).write_csv(path)


def _millis(at_s: np.ndarray) -> np.ndarray:
    return int(START.timestamp() * 1000) + (at_s * 1000).astype(np.int64)


def _clock(name: str) -> pl.Expr:
    return pl.from_epoch(name, "ms").dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ")


def peak_mb() -> float:
    """Return the most memory that this process has taken, in MB (Linux; nought elsewhere)."""
    status = Path("/proc/self/status")
    lines = status.read_text().splitlines() if status.exists() else []
    return sum(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) / 1000


def timed(work: Callable[..., object], *args: object) -> Measured:
    """Run `work` in this process and measure it."""
    begun, cpu = time.perf_counter(), os.times()
    work(*args)
    now = os.times()
    return Measured(time.perf_counter() - begun, now.user + now.system - cpu.user - cpu.system, peak_mb())


def best(work: Callable[..., object], *args: object, runs: int = RUNS) -> Measured:
    """Measure `work` a few times, in a process of its own each time."""
    found = []
    for _ in range(runs):
        with ProcessPoolExecutor(1, get_context("spawn")) as process:
            found.append(process.submit(timed, work, *args).result())
    return Measured(
        min(run.wall_s for run in found), min(run.cpu_s for run in found), max(run.peak_mb for run in found)
    )


def load_bare(source: Path, book: Path) -> None:
    """Load a CSV into a table of a fresh database: the least that storing it can cost."""
    book.unlink(missing_ok=True)
    with duckdb.connect(str(book)) as connection:
        connection.execute("set enable_progress_bar = false")
        connection.execute("create table event as from read_csv(?)", [str(source)]).fetchall()


def end_events(book: Path) -> None:
    """Run one window function over the events of a bare database."""
    ends = "lead(occurred_at) over (partition by machine, item order by occurred_at)"
    with duckdb.connect(str(book)) as connection:
        connection.execute("set enable_progress_bar = false")
        connection.execute(f"create or replace table ended as select *, {ends} as ended_at from event").fetchall()


def ingest_anew(exports: Path, shop: Path) -> None:
    """Ingest a folder into a fresh workspace."""
    shutil.rmtree(shop, ignore_errors=True)
    ingest_again(exports, shop)


def ingest_again(exports: Path, shop: Path) -> None:
    """Ingest a folder into a workspace as it is."""
    ingest([exports], Workspace(shop), Null())


def derive_all(shop: Path) -> None:
    """Rebuild the marts of a workspace."""
    workspace = Workspace(shop)
    with open_book(workspace.book_path) as book:
        derive(book, workspace.shop, Null())


def say(text: str) -> None:
    """Print a line at once."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def compare(label: str, source: Path, folder: Path) -> tuple[Measured, Measured]:
    """Ingest one file and load it bare, and say how they compare."""
    bare = best(load_bare, source, folder / "bare.duckdb")
    ours = best(ingest_anew, source, folder / "shop")
    say(
        f"{label}: ingest {ours.wall_s:.2f} s ({ours.cpu_s:.1f} s of all cores), bare load {bare.wall_s:.2f} s "
        f"({bare.cpu_s:.1f}): ratio {ours.wall_s / bare.wall_s:.1f} ({ours.cpu_s / bare.cpu_s:.1f}); "
        f"peak {ours.peak_mb:,.0f} MB, bare {bare.peak_mb:,.0f} MB"
    )
    return ours, bare


def main(events: int) -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for label, write, rows in (
            ("cycles", write_cycles, min(events, OTHER_ROWS)),
            ("tool changes", write_tool_changes, min(events, OTHER_ROWS)),
            ("events", write_events, events),
        ):
            source = folder / f"{label.replace(' ', '_')}.csv"
            best(write, source, rows, runs=1)
            size_mb = source.stat().st_size / 1e6
            ours, bare = compare(f"{rows:,} {label}, {size_mb:,.0f} MB", source, folder)
        load_s, ingest_s = bare.wall_s, ours.wall_s
        window_s = best(end_events, folder / "bare.duckdb").wall_s
        derive_s = best(derive_all, folder / "shop", runs=1).wall_s
        say(f"derive {derive_s:.2f} s, one window {window_s:.2f} s: ratio {derive_s / window_s:.1f}")
        say(f"files to marts against load and window: ratio {(ingest_s + derive_s) / (load_s + window_s):.1f}")
        packed = folder / "events.csv.gz"
        with source.open("rb") as plain, gzip.open(packed, "wb", compresslevel=4) as stream:
            shutil.copyfileobj(plain, stream)
        compare("the same events in gzip", packed, folder)
        small = folder / "small"
        small.mkdir()
        lines = source.read_text().splitlines(keepends=True)
        for number in range(SMALL_FILES):
            at = 1 + number * SMALL_FILE_ROWS
            (small / f"{number:04}.csv").write_text("".join([lines[0], *lines[at : at + SMALL_FILE_ROWS]]))
        anew = best(ingest_anew, small, folder / "many", runs=1).wall_s
        again = best(ingest_again, small, folder / "many").wall_s
        say(
            f"{SMALL_FILES} files of {SMALL_FILE_ROWS} rows: {anew / SMALL_FILES * 1000:.1f} ms a file, "
            f"{again / SMALL_FILES * 1000:.2f} ms a file that is known"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5_000_000)
