"""The one-screen answer that `run` prints: what overruns, what wears faster, how busy, what to re-quote."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import polars as pl

from pipeline.report.queries import query
from pipeline.report.restating import restatements
from pipeline.report.stated import stated_months
from pipeline.store.accounts import FileCounts
from pipeline.store.book import Book
from pipeline.workspace import Workspace

MOST_LINES = 4
MOST_EXAMPLES = 2


def summary(book: Book, workspace: Workspace, account: str, notes: Sequence[str]) -> str:
    """Return the summary of a run."""
    shop = workspace.shop.shop
    blocks = [
        ("Files", account.splitlines()),
        ("Overruns", _overruns(query(book, "jobs"), shop.currency, shop.timezone)),
        ("Tool life", _tools(query(book, "tools"))),
        ("Spindles", _spindles(stated_months(book))),
        ("Restated", _restated(restatements(book, workspace.shop))),
        ("Quoting", _quoting(query(book, "quoting"))),
        ("Note", list(notes)),
        ("Site", [str(workspace.site_folder / "index.html")]),
    ]
    lines = [shop.name]
    for title, said in blocks:
        lines += [f"{title if number == 0 else '':<10} {line}" for number, line in enumerate(said)]
    return "\n".join(lines)


def correction_lines(corrections: pl.DataFrame) -> list[str]:
    """Say how many rows exports gave otherwise or filled in, with examples: file, row, column, old value, new value."""
    lines = []
    for what, words in (("corrected", "overruled by another export"), ("filled in", "filled in from another export")):
        told = corrections.filter(pl.col("what") == what)
        if told.is_empty():
            continue
        lines.append(f"{count(told.height, 'value')} {words}; `spindlebook report corrections` lists what changed:")
        for row in told.head(MOST_EXAMPLES).iter_rows(named=True):
            old = "empty" if row["old"] is None else row["old"]
            new = "empty" if row["new"] is None else row["new"]
            lines.append(
                f"  {row['file']} row {row['row_number']}, {row['column']}: {old} -> {new} "
                f"({row['by_file']} row {row['by_row_number']})"
            )
    return lines


def taken_up_lines(counts: FileCounts) -> list[str]:
    """Say what became of rows that were rejected before, of this file or of the one that it replaced."""
    lines = []
    for told in counts.taken_up:
        of = f"{told.rows:,} of {told.before:,} rejected rows of {counts.name} came in"
        if not told.exported_again:
            if told.rows:
                lines.append(f"{of} after its profile or shop.toml changed; {counts.rows_rejected:,} still rejected")
        elif told.rows:
            lines.append(f"{of} with the new export; {counts.rows_rejected:,} rejected now")
        else:
            lines.append(
                f"{counts.name} was exported again: the {count(told.before, 'rejected row')} of the old export "
                f"{'is' if told.before == 1 else 'are'} closed, {counts.rows_rejected:,} rejected now"
            )
    return lines


def count(number: int, one: str) -> str:
    """Write a count with its noun, for example "1 job", "2 jobs"."""
    return f"{number:,} {one}" + "s" * (number != 1)


def _job(row: dict[str, Any]) -> str:
    operation = f" operation {row['operation']}" if row["operation"] else ""
    return f"{row['part'] or row['job'] or row['program']}{operation} on {row['machine']}"


def _percent(ratio: float) -> str:
    return f"{abs(ratio - 1) * 100:.1f} %"


def _overruns(jobs: pl.DataFrame, currency: str, zone: str) -> list[str]:
    over = jobs.filter(pl.col("verdict") == "over")
    unjudged = pl.col("verdict") == "too few"
    counted = {
        "over their estimate": pl.col("verdict") == "over",
        "on it": pl.col("verdict") == "on",
        "under it": pl.col("verdict") == "under",
        "with too few runs to say": unjudged & pl.col("estimate_s").is_not_null(),
        "without an estimate": unjudged & pl.col("estimate_s").is_null(),
    }
    heights = {words: jobs.filter(which).height for words, which in counted.items()}
    counts = ", ".join(
        f"{height} {words}" for words, height in heights.items() if height or words == "over their estimate"
    )
    lines = [f"{count(jobs.height, 'operation')} of {count(jobs['job_key'].n_unique(), 'job')}: {counts}"]
    for row in over.head(MOST_LINES).iter_rows(named=True):
        money = "" if row["overrun_cost"] is None else f", {row['overrun_cost']:,.0f} {currency}".rstrip()
        since = ""
        if row["shifted_at"] is not None:
            local = pl.Series([row["shifted_at"]]).dt.convert_time_zone(zone)[0]
            since = f", {_signed(row['drift_after'])} since {local:%Y-%m-%d}"
        interval = f"{_signed(row['drift_low'])} to {_signed(row['drift_high'])}"
        lines.append(
            f"{_job(row)}: {_percent(row['drift'])} over ({interval}), "
            f"{row['overrun_hours']:.1f} h{money} in {count(row['runs'], 'run')}{since}"
        )
    return lines


def _signed(ratio: float | None) -> str:
    return "?" if ratio is None else f"{(ratio - 1) * 100:+.1f} %"


def _tools(tools: pl.DataFrame) -> list[str]:
    falling = tools.filter(pl.col("verdict") == "falling")
    few = tools.filter(pl.col("verdict") == "too few").height
    lines = [f"{count(tools.height, 'tool')}: {falling.height} with falling lives, {few} with too few edges to say"]
    for row in falling.head(MOST_LINES).iter_rows(named=True):
        name = f" ({row['name']})" if row["name"] else ""
        if row["trend_kind"] == "step":
            said = f"edges last {(1 - row['step_ratio']) * 100:.0f} % less since edge {row['step_at_edge']}"
        else:
            said = f"each edge lasts {-row['trend_per_edge'] * 100:.1f} % less than the one before"
        lines.append(f"tool {row['tool']}{name} on {row['machine']}: {said}, over {count(row['edges'], 'edge')}")
    return lines


def _spindles(months: pl.DataFrame) -> list[str]:
    latest = months.filter(pl.col("spindle_utilisation").is_not_null()).group_by("machine", maintain_order=True).last()
    return [
        f"{row['machine']} cut {row['spindle_utilisation']:.0%} of its observed planned time in {row['month']} "
        f"({row['coverage']:.0%} of it observed, {row['basis']})"
        for row in latest.head(MOST_LINES).iter_rows(named=True)
    ] + ([f"and {count(latest.height - MOST_LINES, 'more machine')}"] if latest.height > MOST_LINES else [])


def _restated(changes: pl.DataFrame) -> list[str]:
    """Name the frozen months that later data would change; their frozen figures stand everywhere."""
    lines = [
        f"{month} is frozen and would be different today on {', '.join(machines)}; "
        "`spindlebook report restatements` says by how much and why"
        for month, machines in changes.group_by("month", maintain_order=True)
        .agg(pl.col("machine").unique(maintain_order=True))
        .iter_rows()
    ]
    return [*lines[:MOST_LINES], *([f"and {count(len(lines) - MOST_LINES, 'more month')}"] * (len(lines) > MOST_LINES))]


def _quoting(factors: pl.DataFrame) -> list[str]:
    whole = factors.filter(
        (pl.col("time_kind") == "cycle") & pl.all_horizontal(pl.col("machine", "material", "tool_type").is_null())
    )
    if whole.is_empty():
        return ["no estimates to compare with yet"]
    row = whole.row(0, named=True)
    interval = "" if row["factor_low"] is None else f" ({row['factor_low']:.3f} to {row['factor_high']:.3f})"
    told = count(row["jobs"], "operation")  # each revision of a job, and each machine, counts as one
    return [f"real cycle times are {row['factor']:.3f}{interval} of the estimates, from {told}"]
