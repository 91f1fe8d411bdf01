"""Blocks of a job's page that say why: the waterfall of causes, what changed with the level, what is set apart.

Figures come from the marts; here they are ordered, worded and laid end to end.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import polars as pl

from dashboards import cells, wording
from dashboards.blocks import Block, Cell, Column, Figure, Table, Text
from dashboards.book import Book, Row
from dashboards.charts.theme import spec_text
from dashboards.charts.waterfall import stacked_steps, waterfall_chart

CAUSES_DRAWN: Final = 12
LEAST_DRAWN_S: Final = 0.05
EDGES_NAMED: Final = 3
LEAST_SETUP_HOURS: Final = 0.1
"""Of setup beyond the quote in all, from which on it is called an overrun."""
UNITS: Final = {"cause": "s", "estimate": "s", "tool changes": "a run"}
"""Of what is no share of the runs."""
NAMES_OF_CHANGES: Final = {
    "estimate": "The estimate itself",
    "tool changes": "Tool changes",
    "machine": "Runs of this operation on this machine",
    "program": "Runs of this operation under this program and revision",
}


def cause_name(cause: Row) -> str:
    """Name a cause and its tool."""
    name = wording.CAUSE_NAMES.get(cause["cause"], cause["cause"])
    return f"{name}, T{cause['tool']}" if cause["tool"] else str(name)


def _sentence_case(text: str) -> str:
    return text[:1].upper() + text[1:]


def _ranked(causes: pl.DataFrame) -> list[Row]:
    order = ["seconds_per_run", "cause", "tool"]
    return causes.sort(*order, descending=[True, False, False], nulls_last=True).to_dicts()


def drawn_steps(ranked: list[Row]) -> list[tuple[str, float]]:
    """Return the causes to draw, the largest ones by name, and what is left as one step: they add up to all of them."""
    by_size = sorted(ranked, key=lambda cause: -abs(cause["seconds_per_run"]))
    named = [cause for cause in by_size[:CAUSES_DRAWN] if abs(cause["seconds_per_run"]) >= LEAST_DRAWN_S]
    steps = [(cause_name(cause), cause["seconds_per_run"]) for cause in ranked if cause in named]
    others = [cause for cause in ranked if cause not in named]
    if others:
        name = cause_name(others[0]) if len(others) == 1 else wording.plural(len(others), "smaller cause")
        steps.append((name, sum(cause["seconds_per_run"] for cause in others)))
    return steps


def causes_figure(book: Book, row: Row, causes: pl.DataFrame) -> Figure:
    """Draw the way from the estimate to the mean of the complete runs, cause by cause."""
    ranked = _ranked(causes)
    total = sum(cause["seconds_per_run"] for cause in ranked)
    money = book.money_row(row)
    known = None if money is None else money["estimate_mean_s"]
    estimate = row["estimate_s"] if known is None else known
    actual = None if estimate is None else estimate + total
    steps = [
        {
            **step,
            "told": f"{step['label']}: {wording.signed(step['end'] - step['start'], 1)} s per run",
            "label": f"{step['label']}\n{wording.signed(step['end'] - step['start'], 1)} s",
        }
        for step in stacked_steps(drawn_steps(ranked))
    ]
    first = {"label": f"estimate\n{wording.number(estimate, 1)} s", "start": 0.0, "end": 0.0, "side": "sum"}
    last = {"label": f"actual, mean\n{wording.number(actual, 1)} s", "start": 0.0, "end": total, "side": "sum"}
    chain = [
        {**first, "told": f"estimate: {wording.duration(estimate)}"},
        *steps,
        {**last, "told": f"actual: {wording.duration(actual)}, {wording.signed(total, 1)} s per run"},
    ]
    for above, below in pairwise(chain):
        above["next"] = below["label"]
    chain[-1].pop("next", None)
    worst = ranked[0]
    title = "No cause takes longer than estimated"
    if worst["seconds_per_run"] >= LEAST_DRAWN_S:
        extra = wording.duration(worst["seconds_per_run"])
        title = f"{_sentence_case(cause_name(worst))} takes most of it: {extra} per run more than estimated"
    runs = row["runs"] if money is None or money["compared_runs"] is None else money["compared_runs"]
    note = (
        f"Read from top to bottom: each bar begins where the one above ends. Means over "
        f"{wording.plural(runs, 'complete run')}, first articles and proving runs included; the causes add up to "
        f"actual less estimate, {wording.signed(total, 1)} s."
    )
    return Figure(title, spec_text(waterfall_chart(chain), title, 32 * len(chain)), note, _causes_table(book, ranked))


def _causes_table(book: Book, ranked: list[Row]) -> Table:
    return Table(
        "Causes of the difference from the estimate",
        (Column("Cause"), Column("Seconds per run", True), Column("Hours in all", True), Column("Cost", True)),
        [
            (
                Cell(cause_name(cause), book.tool_href(cause["machine"], cause["tool"]) if cause["tool"] else ""),
                Cell(wording.signed(cause["seconds_per_run"], 1), sort=cause["seconds_per_run"]),
                Cell(wording.signed(cause["hours"], 2), sort=cause["hours"]),
                book.money(cause["cost"]),
            )
            for cause in ranked
        ],
    )


def apart_notes(book: Book, row: Row) -> list[Text]:
    """Say which runs are no drift: first articles, proving runs, learning over a batch."""
    said = []
    if row["first_articles"] or row["proving_runs"]:
        counts = [
            wording.plural(row[column], one, many)
            for column, one, many in (
                ("first_articles", "first article", "first articles"),
                ("proving_runs", "proving run", "proving runs"),
            )
            if row[column]
        ]
        told = f"Set apart, in no median and no verdict: {wording.listed(counts)}"
        if row["first_article_s"] is not None:
            told += f" (median {wording.duration(row['first_article_s'])})"
        said.append(f"{told}. Their time is in the hours and the causes.")
    if row["learning_rate"] is not None:
        hours = "" if row["learning_hours"] is None else f", {wording.hours(row['learning_hours'])} in all"
        said.append(
            f"Learning over the batch, not drift: with each doubling of the runs of a batch a cycle takes "
            f"{wording.percent(row['learning_rate'], 1)} of its time before{hours}."
        )
    if row["alarm"] is not None and row["shifted_at"] is None:
        said.append(
            f"To watch: batch by batch this job seems to run {row['alarm']} since "
            f"{wording.local_day(row['alarm_since_at'], book.zone)} (signal of "
            f"{wording.local_day(row['alarm_at'], book.zone)}); no test over all jobs stands behind it yet."
        )
    return [Text(sentence, "note") for sentence in said]


def change_blocks(book: Book, row: Row) -> list[Block]:
    """Say within which days the level changed, and what was different from then on."""
    if row["shifted_at"] is None:
        return []
    since, until = row["shifted_from_at"], row["shifted_until_at"]
    when = f"The change lies at the batch of {wording.local_day(row['shifted_at'], book.zone)}"
    if since is not None and until is not None:
        first, last = wording.local_day(since, book.zone), wording.local_day(until, book.zone)
        when += (
            " (the 95 % interval holds that batch alone)"
            if since == until
            else f" (95 % interval: from the batch of {first} to that of {last})"
        )
    found = book.level_changes(row)
    same = f"Program {row['program']}" + (f" revision {row['revision']}" if row["revision"] else "")
    note = (
        f"{same} and machine {row['machine']} are the same on both sides. Compared are the estimate, where the time "
        "went, edges, materials, tools, tool changes in a run, the hour, and how much of this operation ran on other "
        "machines or under another program or revision. An edit under the same revision shows only where it changed "
        "one of these. What was different is a hint where to look, not a proof."
    )
    if not found:
        return [Text(f"{when}. Nothing in the data was clearly different from then on.", "plain"), Text(note, "note")]
    table = Table(
        "What was different since then",
        (Column("What"), Column("Before", True), Column("Since", True), Column("Difference", True)),
        _change_rows(book, found),
    )
    return [Text(f"{when}.", "plain"), table, Text(note, "note")]


def _change_rows(book: Book, found: list[Row]) -> list[tuple[Cell, ...]]:
    lines: list[tuple[Cell, ...]] = []
    edges: dict[str, list[Row]] = {}
    for change in found:
        if change["what"] == "edge":
            edges.setdefault(change["tool"], []).append(change)
            continue
        is_share = change["what"] not in UNITS
        scale, unit, digits = (100.0, "%", 0) if is_share else (1.0, UNITS[change["what"]], 1)
        is_signed = change["what"] == "cause"
        before, after = change["before"] * scale, change["after"] * scale
        tool = book.tool_href(change["machine"], change["tool"]) if change["tool"] else ""
        lines.append(
            (
                Cell(_change_name(change), tool),
                Cell(f"{_level(before, digits, is_signed)}{wording.NBSP}{unit}", sort=before),
                Cell(f"{_level(after, digits, is_signed)}{wording.NBSP}{unit}", sort=after),
                Cell(f"{wording.signed(after - before, digits)}{wording.NBSP}{unit}", sort=after - before),
            )
        )
    for tool, changes in edges.items():
        days = [wording.local_day(change["changed_at"], book.zone) for change in changes]
        shown = wording.listed(days[:EDGES_NAMED]) if len(days) <= EDGES_NAMED else f"{days[0]} to {days[-1]}"
        told = f"T{tool}: {wording.plural(len(days), 'new edge')}"
        lines.append((Cell(told, book.tool_href(changes[0]["machine"], tool)), Cell(""), Cell(shown), Cell("")))
    return lines


def _level(value: float, digits: int, is_signed: bool) -> str:
    return wording.signed(value, digits) if is_signed else wording.number(value, digits)


def _change_name(change: Row) -> str:
    if change["what"] == "cause":
        return _sentence_case(cause_name({"cause": change["which"], "tool": change["tool"]})) + " over the estimate"
    if change["what"] == "material":
        return f"Runs in {change['which']}"
    if change["what"] == "tool":
        return f"Runs with T{change['tool']}"
    return NAMES_OF_CHANGES.get(change["what"], f"Runs begun {change['which']}")


def setup_table(book: Book, row: Row) -> list[Block]:
    """Set setup and loading, which are in no cycle, against what was quoted for them."""
    money = book.money_row(row)
    if money is None:
        return []
    lines = []
    for name, taken, quoted, hours, count in (
        (
            "Setup, mean per batch",
            money["setup_each_s"],
            money["quoted_setup_each_s"],
            money["setup_over_hours"],
            money["quoted_batches"],
        ),
        (
            "Loading, median between cycles",
            money["load_each_s"],
            money["quoted_load_s"],
            money["load_over_hours"],
            money["batches"],
        ),
    ):
        over = None if taken is None or quoted is None else taken - quoted
        share = None if over is None or not quoted else over / quoted
        lines.append(
            (
                Cell(name),
                cells.seconds(quoted) if quoted is not None else Cell("not quoted", mark="few"),
                cells.seconds(taken),
                Cell("" if over is None else _signed_duration(over), sort=over),
                Cell("" if share is None else f"{wording.signed(share * 100)}{wording.NBSP}%", sort=share),
                cells.hours(hours) if hours is not None else Cell(""),
                book.money(cost_of(money, hours)),
                cells.count(count),
            )
        )
    if all(line[2].text == wording.NONE for line in lines):
        return []
    table = Table(
        "Setup and loading against the quote, beside the causes and not in them",
        (
            Column("Time"),
            Column("Quoted", True),
            Column("Taken", True),
            Column("Over", True),
            Column("Over, share", True),
            Column("Hours over, in all", True),
            Column("Cost over", True),
            Column("Batches", True),
        ),
        lines,
    )
    return [*_setup_sentence(book, row, money), table.without_empty("Cost over")]


def cost_of(money: Row, hours: float | None) -> float | None:
    """Hours at the rate of the machine of a row of money; None where one of them is not known."""
    return None if hours is None or money["rate_per_hour"] is None else hours * money["rate_per_hour"]


def _setup_sentence(book: Book, row: Row, money: Row) -> list[Text]:
    """Say it where setup takes more beyond the quote than the cycles do."""
    hours, in_cycles = money["setup_over_hours"], row["overrun_hours"] or 0.0
    if hours is None or hours < LEAST_SETUP_HOURS or hours <= in_cycles:
        return []
    cost = cost_of(money, hours)
    priced = "" if cost is None else f", {wording.money(cost, book.currency)}"
    batches = wording.plural(money["quoted_batches"], "batch", "batches")
    runs = money["compared_runs"] or row["runs"]
    each = f"{wording.number(runs / max(money['batches'], 1), 0)} cycles a batch"
    told = f"Setup is the overrun here: {wording.hours(hours)} beyond the quote in {batches}{priced}"
    cycles = f"the cycles took {wording.hours(abs(in_cycles))} {'more' if in_cycles >= 0 else 'less'} than estimated"
    return [Text(f"{told}, at {each}; {cycles}.", "plain")]


def _signed_duration(seconds: float) -> str:
    told = wording.duration(seconds)
    return f"+{told}" if seconds > 0 else told


__all__ = ["apart_notes", "cause_name", "causes_figure", "change_blocks", "cost_of", "drawn_steps", "setup_table"]
