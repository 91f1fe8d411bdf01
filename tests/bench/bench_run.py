"""How much slower than bare DuckDB ingest and derive are, as ratios to a baseline of the same process and file.

Not collected by pytest and no timed assertion: run `python tests/bench/bench_run.py [EVENTS]` and read the figures.
The baseline of ingest loads the same CSV into a table; the baseline of derive runs one window function over it.
"""

import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import numpy as np
import polars as pl

from flows.steps import ingest
from pipeline.derive.deriving import derive
from pipeline.progress import Null
from pipeline.store.book import open_book
from pipeline.workspace import Workspace

MACHINES = 4
SECONDS_PER_CYCLE = 600
EVENTS_PER_CYCLE = 120


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
        start = int(datetime(2026, 1, 1, tzinfo=UTC).timestamp() * 1000)
        frames.append(
            pl.DataFrame({"at_ms": start + (at_s * 1000).astype(np.int64), "item": item, "value": value}).select(
                pl.lit(f"M{machine}").alias("machine"),
                pl.from_epoch("at_ms", "ms").dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ").alias("occurred_at"),
                "item",
                "value",
            )
        )
    pl.concat(frames).write_csv(path)


def timed(work: Callable[[], object]) -> float:
    """Return the seconds that `work` takes."""
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def main(events: int) -> None:
    """Print the ratios."""
    with tempfile.TemporaryDirectory() as folder:
        exports = Path(folder) / "exports"
        exports.mkdir()
        write_events(exports / "events.csv", events)
        bare = duckdb.connect(str(Path(folder) / "bare.duckdb"))
        source = str(exports / "events.csv")
        load_s = timed(lambda: bare.execute("create table event as from read_csv(?)", [source]).fetchall())
        ends = "lead(occurred_at) over (partition by machine, item order by occurred_at)"
        window = f"create table ended as select *, {ends} as ended_at from event"
        window_s = timed(lambda: bare.execute(window).fetchall())
        bare.close()
        workspace = Workspace(Path(folder) / "shop")
        ingest_s = timed(lambda: ingest([exports], workspace, Null()))
        with open_book(workspace.book_path) as book:
            derive_s = timed(lambda: derive(book, workspace.shop, Null()))
            spans = book.rows("select count(*) from core.span")[0][0]
    sys.stdout.write(
        f"{events:,} events, {spans:,} spans\n"
        f"ingest {ingest_s:.2f} s, bare load {load_s:.2f} s: ratio {ingest_s / load_s:.1f}\n"
        f"derive {derive_s:.2f} s, one window {window_s:.2f} s: ratio {derive_s / window_s:.1f}\n"
        f"files to marts against load and window: ratio {(ingest_s + derive_s) / (load_s + window_s):.1f}\n"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
