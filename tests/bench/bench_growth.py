"""Files to marts with events as machines tell them, and what a month costs in a book of three years.

Not collected by pytest and no timed assertion: run `python tests/bench/bench_growth.py [EVENTS]` and read the figures.
The baseline of the first is bare DuckDB: the same files loaded into a table and one window function over them. That of
the second is the same month in an empty book. Each measurement is a process of its own, the best of a few counts.
"""

import shutil
import sys
import tempfile
from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
from bench_run import Measured, best, end_events, ingest_again, say

from flows.steps import derive_marts
from pipeline.progress import Null
from pipeline.workspace import Workspace

MACHINES = 8
YEARS = 3
FIRST = date(2023, 1, 1)
SHIFT_FROM_S, SHIFT_S = 6 * 3600, 16 * 3600  # two shifts from Monday to Friday; what is begun is finished
JOBS = 40
TOOLS_PER_CYCLE = 5
CYCLES_PER_BATCH = 25
SHOP = """
[shop]
timezone = "UTC"

[[shift]]
days = ["Mon", "Tue", "Wed", "Thu", "Fri"]
start = "06:00"
end = "22:00"
"""
MACHINE = '[[machine]]\nid = "M{}"\nrapid_mm_min = 24000\ntool_change_s = 4.0\nrate_per_hour = 60.0\n'

# What a control tells of a cycle, in order: item, value ("" where it is drawn), and the share of cycles that have it.
_TOOL = (
    ("ToolNumber", "", 1.0),
    ("PathFeedrate", "24000", 1.0),
    ("RotaryVelocity", "", 1.0),
    *[("PathFeedrate", "", 1.0)] * 6,
    ("PathFeedrate", "0", 1.0),
    ("RotaryVelocity", "0", 1.0),
)
TEMPLATE = (
    ("Program", "", 1.0),
    ("Execution", "ACTIVE", 1.0),
    *_TOOL * TOOLS_PER_CYCLE,
    ("PathFeedrateOverride", "80", 0.01),
    ("PathFeedrateOverride", "100", 0.01),
    ("Execution", "FEED_HOLD", 0.04),
    ("Execution", "ACTIVE", 0.04),
    ("EmergencyStop", "TRIGGERED", 0.003),
    ("EmergencyStop", "ARMED", 0.003),
    ("PathFeedrate", "300", 1.0),
    ("PartCount", "", 1.0),
    ("Execution", "PROGRAM_COMPLETED", 1.0),
)
ITEMS = np.array([item for item, _, _ in TEMPLATE])
VALUES = np.array([value for _, value, _ in TEMPLATE])
SHARES = np.array([share for _, _, share in TEMPLATE])
OPTIONAL = [slot for slot, share in enumerate(SHARES) if share < 1]
PER_CYCLE = float(SHARES.sum())


def working_days(first: date, last: date) -> list[date]:
    """Mondays to Fridays from `first` up to `last`, which is not among them."""
    days = (first + timedelta(days=number) for number in range((last - first).days))
    return [day for day in days if day.weekday() < 5]


def events_of(machine: int, days: Sequence[date], cycles: int, seed: int) -> pl.DataFrame:
    """The events of one machine: cycles of some minutes, spread evenly over the shifts of some days."""
    rng = np.random.default_rng([seed, machine])
    starts_s = np.sort(rng.uniform(0, SHIFT_S * len(days), cycles))
    midnights_s = np.array([(day - date(1970, 1, 1)).days * 86_400 for day in days])
    on_day = np.minimum((starts_s // SHIFT_S).astype(np.int64), len(days) - 1)
    begin_s = midnights_s[on_day] + SHIFT_FROM_S + starts_s - on_day * SHIFT_S
    room_s = np.diff(begin_s, append=begin_s[-1] + 600)
    length_s = np.clip(room_s * rng.uniform(0.6, 0.9, cycles), 1, 900)
    steps = rng.exponential(1.0, (cycles, len(TEMPLATE)))
    steps[:, OPTIONAL] *= 0.2
    at_s = begin_s[:, None] + np.cumsum(steps, axis=1) / steps.sum(axis=1)[:, None] * length_s[:, None]
    pairs = rng.random((cycles, len(OPTIONAL) // 2)) < SHARES[OPTIONAL[::2]]
    told = np.ones((cycles, len(TEMPLATE)), dtype=np.bool_)
    told[:, OPTIONAL] = np.repeat(pairs, 2, axis=1)
    job = (np.arange(cycles) // CYCLES_PER_BATCH * 7 + machine * 3) % JOBS
    drawn = {
        "Program": np.char.add("O", job.astype(str))[:, None],
        "ToolNumber": np.tile(np.arange(1, TOOLS_PER_CYCLE + 1).astype(str), (cycles, 1)),
        "RotaryVelocity": rng.integers(8, 120, (cycles, TOOLS_PER_CYCLE)).astype(str),
        "PathFeedrate": rng.integers(80, 2400, (cycles, 6 * TOOLS_PER_CYCLE)).astype(str),
        "PartCount": np.arange(1, cycles + 1).astype(str)[:, None],
    }
    value = np.tile(VALUES.astype("U18"), (cycles, 1))
    for item, values in drawn.items():
        value[:, (item == ITEMS) & (VALUES == "")] = values
    sub_type = np.where(ITEMS == "PathFeedrateOverride", "PROGRAMMED", "")
    return pl.DataFrame(
        {
            "at_ms": (at_s[told] * 1000).astype(np.int64),
            "item": np.broadcast_to(ITEMS, told.shape)[told],
            "value": value[told],
            "sub_type": np.broadcast_to(sub_type, told.shape)[told],
        }
    ).select(
        pl.lit(f"M{machine}").alias("machine"),
        pl.from_epoch("at_ms", "ms").dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ").alias("occurred_at"),
        "item",
        "value",
        pl.col("sub_type").replace("", None),  # an empty cell, not an empty text in quotes
    )


def write_events(folder: Path, first: date, last: date, events: int) -> None:
    """Write a file a machine of about so many events in all."""
    folder.mkdir(parents=True, exist_ok=True)
    days = working_days(first, last)
    for machine in range(MACHINES):
        frame = events_of(machine, days, max(1, round(events / MACHINES / PER_CYCLE)), first.toordinal())
        frame.write_csv(folder / f"M{machine}_{first:%Y%m%d}.csv")


def write_office(folder: Path) -> None:
    """Write what the office knows: an estimate by tool and an order for each job."""
    folder.mkdir(parents=True, exist_ok=True)
    number = np.repeat(np.arange(JOBS), TOOLS_PER_CYCLE)
    pl.DataFrame({"n": number, "tool": np.tile(np.arange(1, TOOLS_PER_CYCLE + 1), JOBS)}).select(
        pl.format("J{}", "n").alias("job"),
        pl.format("O{}", "n").alias("program"),
        pl.lit("10").alias("operation"),
        "tool",
        pl.lit(40.0).alias("cut_s"),
        pl.lit(12.0).alias("noncut_s"),
        pl.lit(1200.0).alias("setup_s"),
    ).write_csv(folder / "estimates.csv")
    pl.DataFrame({"n": np.arange(JOBS)}).select(
        pl.format("J{}", "n").alias("job"),
        pl.format("part {}", "n").alias("part"),
        pl.lit("42CrMo4").alias("material"),
        pl.lit(500).alias("quantity"),
        pl.lit(FIRST.isoformat()).alias("ordered_on"),
    ).write_csv(folder / "orders.csv")


def open_shop(folder: Path) -> None:
    """Make an empty workspace with machines and shifts."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    (folder / "shop.toml").write_text(SHOP + "".join(MACHINE.format(number) for number in range(MACHINES)))


def take_in(exports: Path, shop: Path) -> None:
    """Files to marts: ingest a folder into a workspace as it is, and derive."""
    ingest_again(exports, shop)
    derive_marts(Workspace(shop), Null())


def take_in_anew(exports: Path, shop: Path) -> None:
    """The same into an empty workspace."""
    open_shop(shop)
    take_in(exports, shop)


def append(exports: Path, shop: Path, book: Path, runs: int) -> Measured:
    """Measure files to marts on a fresh copy of a workspace each time."""
    found = []
    for _ in range(runs):
        shutil.rmtree(shop, ignore_errors=True)
        shutil.copytree(book, shop)
        found.append(best(take_in, exports, shop, runs=1))
    return Measured(*(min(run[place] for run in found) for place in (0, 1)), max(run.peak_mb for run in found))


def load_bare(exports: Path, book: Path) -> None:
    """Load all files of events into a table of a fresh database."""
    book.unlink(missing_ok=True)
    with duckdb.connect(str(book)) as connection:
        connection.execute("set enable_progress_bar = false")
        files = sorted(map(str, exports.glob("M*.csv")))
        connection.execute("create table event as from read_csv(?)", [files]).fetchall()


def said(label: str, run: Measured) -> str:
    return f"{label} {run.wall_s:.2f} s ({run.cpu_s:.2f} s of all cores, peak {run.peak_mb:,.0f} MB)"


def files_to_marts(folder: Path, events: int) -> None:
    """Eight machines' events, each in one file of a year, against bare DuckDB."""
    exports = folder / "year"
    write_events(exports, FIRST, FIRST + timedelta(days=364), events)
    write_office(exports)
    size_mb = sum(path.stat().st_size for path in exports.iterdir()) / 1e6
    runs = 3 if events <= 5_000_000 else 1
    load = best(load_bare, exports, folder / "bare.duckdb")
    window = best(end_events, folder / "bare.duckdb")
    ours = best(take_in_anew, exports, folder / "shop", runs=runs)
    say(
        f"{events:,} events of {MACHINES} machines, {size_mb:,.0f} MB: {said('files to marts', ours)}, "
        f"{said('bare load', load)}, {said('one window', window)}: "
        f"ratio {ours.wall_s / (load.wall_s + window.wall_s):.2f} ({ours.cpu_s / (load.cpu_s + window.cpu_s):.2f})"
    )


def month_appended(folder: Path, events: int) -> None:
    """The month after three years of so many events, in the book of these years and in an empty one."""
    last = FIRST.replace(year=FIRST.year + YEARS)
    years, month = folder / "years", folder / "month"
    write_events(years, FIRST, last, events)
    write_office(years)
    write_events(month, last, last + timedelta(days=31), events // (12 * YEARS))
    write_office(month)
    book, empty = folder / "book", folder / "empty"
    open_shop(empty)
    grown = best(take_in_anew, years, book, runs=1)
    say(f"{YEARS} years, {events:,} events: {said('files to marts', grown)}")
    anew = append(month, folder / "try", empty, 3)
    appended = append(month, folder / "try", book, 3)
    say(
        f"a month of {events // (12 * YEARS):,} events: {said(f'after {YEARS} years', appended)}, "
        f"{said('in an empty book', anew)}: ratio {appended.wall_s / anew.wall_s:.2f} "
        f"({appended.cpu_s / anew.cpu_s:.2f})"
    )


def main(events: int) -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as name:
        month_appended(Path(name) / "growth", events)
    with tempfile.TemporaryDirectory() as name:
        files_to_marts(Path(name), events)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20_000_000)
