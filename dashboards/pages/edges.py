"""Sections about edges on the tool pages and the list of tools: what is due, the shelf, costs, what was different.

Every figure comes from a mart; caution and verdicts of tools stand in `tools`.
"""

from __future__ import annotations

from typing import Final

import polars as pl

from dashboards import cells, wording
from dashboards.blocks import Block, Cell, Column, Facts, Figure, Section, Table, Text
from dashboards.book import Book, Row
from dashboards.charts.theme import spec_text
from dashboards.charts.tool_life import wear_chart

DUE_SHOWN: Final = 12
COSTS_SHOWN: Final = 8
DUE_WORDS: Final = {
    "due": "▲ due now",
    "in this batch": "◆ in this batch",
    "lasts": "● lasts",
    "suspect": "○ change not noted?",
    "too few": "○ too few",
}
DUE_MARKS: Final = {"due": "bad", "in this batch": "warn", "suspect": "few", "too few": "few"}
BASIS_WORDS: Final = {"like the last": "as large as the last ones", "once more": "the last batch again"}
MEASURES: Final = {"load": "spindle load", "cut_s": "cutting time"}


def due_cell(row: Row) -> Cell:
    """What is said of an edge in use, marked by a sign as well as by colour."""
    return Cell(DUE_WORDS[row["due"]], sort=row["due"], mark=DUE_MARKS.get(row["due"], ""))


def tool_cell(book: Book, row: Row, name: str | None = None) -> Cell:
    """A tool at its machine, leading to the page of what its edges count as."""
    label = wording.tool_label(row["machine"], row["tool"], name)
    return Cell(label, book.tool_href(row["life_machine"], row["life_tool"]))


def batch_words(row: Row) -> str:
    """What the machine makes next with a tool: 8 parts of S-304."""
    if row["batch_parts"] is None:
        return "not in the coming batches"
    return f"{wording.plural(row['batch_parts'], 'part')} of {row['batch_job'] or 'the batch'}"


def due_rows(book: Book) -> list[Row]:
    """The edges in use that may not last the batch at hand, are suspected, or run away from earlier ones."""
    return [
        row
        for row in book.data.in_use.to_dicts()
        if row["due"] in ("due", "in this batch", "suspect") or row["wear_verdict"] == "runs away"
    ]


def due_sentence(book: Book) -> str:
    """Say how many edges in use are due, and how many may not last the batch."""
    if book.data.in_use.is_empty():
        return "No edge is known to be in use."
    count = wording.plural(book.data.in_use.height, "edge")
    due, batch = (sum(row["due"] == word for row in due_rows(book)) for word in ("due", "in this batch"))
    if not due and not batch:
        return f"Of {count} in use none is known to be due, or not to last the batch at hand with 90 % chance."
    return (
        f"Of {count} in use {due} may not make the next part and {batch} may not last the batch at hand "
        "(less than 90 % chance)."
    )


def due_section(book: Book) -> Section:
    """The edges to look at."""
    rows = due_rows(book)
    table = in_use_table(book, rows[:DUE_SHOWN], len(rows))
    return Section("Edges in use", [Text(due_sentence(book), "lead"), table], "in-use")


def in_use_table(book: Book, rows: list[Row], total: int = 0) -> Table:
    """Lay out edges in use."""
    return Table(
        "Edges to look at",
        (
            Column("Tool"),
            Column("Says"),
            Column("Age", True),
            Column("Makes the next part", True),
            Column("Lasts the batch", True),
            Column("Batch"),
            Column("Parts left, 9 in 10", True),
            Column("Half reach", True),
            Column("Early sign"),
        ),
        [
            (
                tool_cell(book, row, row["name"]),
                due_cell(row),
                age_cell(row),
                cells.percent(row["survive_next_part"]),
                cells.percent(row["survive_batch"]),
                Cell(batch_words(row)),
                cells.count(row["parts_left_90"]),
                cells.count(row["parts_left_median"]),
                sign_cell(row),
            )
            for row in rows
        ],
        empty="None.",
        cards=True,
        more=f"The first {len(rows)} of {total}." if total > len(rows) else "",
    ).without_empty("Early sign")


def age_cell(row: Row) -> Cell:
    """The age of an edge in use in both units; one whose start nobody knows is at least so old."""
    told = [wording.life(row["age_min"], "min")] if row["age_min"] is not None else []
    told += [wording.plural(row["age_parts"], "part")] if row["age_parts"] is not None else []
    least = "at least " if row["in_use_at"] is None else ""
    return Cell(least + ", ".join(told), sort=row["age_min"] if row["age_min"] is not None else row["age_parts"])


def sign_cell(row: Row) -> Cell:
    """Whether the parts of the edge in use tell of more wear than those of earlier edges."""
    if row["wear_verdict"] != "runs away":
        return Cell("")
    measure = MEASURES.get(row["wear_measure"], "")
    return Cell(f"▲ {measure} runs away{_since(row)}", mark="bad")


def _since(row: Row) -> str:
    """From which part on an edge runs away, where that is told."""
    return "" if row["wear_since_part"] is None else f" since part {row['wear_since_part']}"


def shelf_section(book: Book) -> Section:
    """The fresh edges that coming batches take, machine by machine."""
    tools: dict[tuple[str, str], list[Row]] = {}
    for row in sorted(book.data.shelf.to_dicts(), key=lambda row: row["place"]):
        tools.setdefault((row["machine"], row["tool"]), []).append(row)
    # the last batch of a tool counts the earlier ones too
    asked = [batches for batches in tools.values() if batches[-1]["edges_90"] != 0]
    cost = sum(batches[-1]["cost_90"] or 0.0 for batches in asked)
    blocks: list[Block] = []
    if not tools:
        blocks.append(Text("No coming batch is known whose tools have edges in the book.", "lead"))
    else:
        total = f": {wording.money(cost, book.currency, 2)} in all" if cost and book.currency else ""
        said = (
            f"To be 90 % sure of the coming batches, have these on the shelf{total}."
            if asked
            else "The edges in use last the coming batches with 90 % chance."
        )
        blocks += [Text(said, "lead"), shelf_table(book, asked)]
        rest = len(tools) - len(asked)
        blocks.append(
            Text(
                "Coming are the batch at hand and the next open order, else the last batch again, as large as the last "
                "ones were. An edge that comes to its end within a part is changed and the part made by the next edge. "
                "Sister tools share a batch as they did so far."
                + (f" {wording.plural(rest, 'more tool')} of these batches need none." if rest and asked else ""),
                "note",
            )
        )
    return Section("On the shelf for the coming batches", blocks, "shelf")


def coming_words(batches: list[Row]) -> str:
    """Name coming batches: 8 parts of S-304, then 18 of S-304."""
    parts = [wording.plural(row["parts_left"], "part") + f" of {row['job'] or 'the batch'}" for row in batches]
    basis = {row["basis"] for row in batches} - {"order"}
    return ", then ".join(parts) + (
        f" ({wording.listed(sorted(BASIS_WORDS[word] for word in basis))})" if basis else ""
    )


def shelf_table(book: Book, tools: list[list[Row]]) -> Table:
    """Lay out what coming batches take, one row a tool."""
    known = {(row["machine"], row["tool"]) for row in book.data.tools.to_dicts() if row["shape"] is not None}
    return Table(
        "Fresh edges for the coming batches",
        (
            Column("Machine"),
            Column("Tool"),
            Column("For"),
            Column("Edges, likely", True),
            Column("Edges to have", True),
            Column("Inserts to have", True),
            Column("Cost of these", True),
        ),
        [
            (
                book.machine_cell(batches[-1]["machine"]),
                Cell(
                    f"T{batches[-1]['tool']}" + (f" ({batches[-1]['name']})" if batches[-1]["name"] else ""),
                    book.tool_href(batches[-1]["life_machine"], batches[-1]["life_tool"]),
                ),
                Cell(coming_words(batches)),
                cells.count(batches[-1]["edges_median"]),
                _many(batches[-1]["edges_90"], (batches[-1]["life_machine"], batches[-1]["life_tool"]) in known),
                cells.count(batches[-1]["inserts_90"]),
                book.money(batches[-1]["cost_90"], 2),
            )
            for batches in sorted(
                tools, key=lambda batches: (batches[-1]["machine"], len(batches[-1]["tool"]), batches[-1]["tool"])
            )
        ],
        empty="None.",
        cards=True,
    ).without_empty("Cost of these")


def _many(edges: int | None, is_life_known: bool) -> Cell:
    """A number of edges; more than are counted, or a life that nobody knows, have none."""
    if edges is not None:
        return Cell(wording.number(edges), sort=edges)
    return Cell("more than 60", sort=61) if is_life_known else Cell("not known", mark="few")


def costs_section(book: Book) -> Section:
    """What today's habit of changing edges costs against the change that costs least."""
    rows = [row for row in book.data.tooling.to_dicts() if row["habit_cost_month"] is not None]
    saving = [row for row in rows if _clearly_saves(row)]
    if not rows:
        said = (
            "What edges cost is not known: costs, or enough failures, are missing (insert_cost, failure_cost in "
            "shop.toml)."
        )
        return Section("What habit costs", [Text(said, "lead")], "costs")
    spent = sum(row["habit_cost_month"] for row in rows)
    saved = sum(row["saving_month"] for row in saving)
    said = f"Edges and what their ends cost came to {wording.money(spent, book.currency)} a month. " + (
        f"Changing {wording.plural(len(saving), 'tool')} at the age that costs least would have saved about "
        f"{wording.money(saved, book.currency)} of it."
        if saving
        else "No tool is changed so that another age would clearly cost less."
    )
    note = (
        "Of a month of 30.4 days at the use of the past. Failures cost what failure_cost in shop.toml says beyond the "
        "edge and the minutes of the change. Where the saving is within the uncertainty of the habit's cost it is not "
        "counted above."
    )
    return Section(
        "What habit costs",
        [Text(said, "lead"), costs_table(book, rows[:COSTS_SHOWN], len(rows)), Text(note, "note")],
        "costs",
    )


def _clearly_saves(row: Row) -> bool:
    """Whether the best change costs less than the habit does at the low end of its interval."""
    if row["best_cost_month"] is None or row["habit_low"] is None:
        return False
    return bool(row["habit_low"] > row["best_cost_month"])


def costs_table(book: Book, rows: list[Row], total: int = 0) -> Table:
    """Lay out what tools cost as they are changed and as they could be."""
    return Table(
        "Cost a month, as edges are changed and at the best change",
        (
            Column("Tool"),
            Column("Changed at, mean", True),
            Column("Ends unplanned", True),
            Column("Habit a month", True),
            Column("90 % interval", True),
            Column("Best change at", True),
            Column("Best a month", True),
            Column("Saving", True),
            Column("Edge cost per part", True),
        ),
        [
            (
                Cell(
                    wording.tool_label(row["machine"], row["tool"], row["name"]),
                    book.tool_href(row["machine"], row["tool"]),
                ),
                cells.life(row["habit_age"], row["unit"]),
                cells.percent(row["habit_failed_share"]),
                book.money(row["habit_cost_month"]),
                Cell(
                    f"{wording.number(row['habit_low'])} to {wording.number(row['habit_high'])}", sort=row["habit_low"]
                ),
                cells.life(row["change_at"], row["unit"]),
                book.money(row["best_cost_month"]),
                book.money(row["saving_month"]),
                book.money(row["cost_per_part"], 2),
            )
            for row in rows
        ],
        cards=True,
        more=f"The {len(rows)} with most to save of {total}." if total > len(rows) else "",
    )


# --- one tool -------------------------------------------------------------------------------------------------------


def now_blocks(book: Book, rows: list[Row]) -> list[Block]:
    """The state of a tool's edges in use."""
    if not rows:
        return []
    blocks: list[Block] = [Text(now_sentence(row)) for row in rows]
    return [*blocks, in_use_table(book, rows)]


def now_sentence(row: Row) -> str:
    """Say how an edge in use stands, in parts."""
    where = wording.tool_label(row["machine"], row["tool"])
    age = age_cell(row).text
    if row["due"] == "suspect":
        return (
            f"The edge in use of {where} ({age}) may not be one edge: {row['suspect_why']}. If it was changed, note "
            "the change in the list; until then it is in no figure."
        )
    if row["parts_left_90"] is None:
        return f"The edge in use of {where} has cut {age}; too little is known to say how long it will last."
    sure = (
        f"Nine of ten such edges make at least {wording.plural(row['parts_left_90'], 'more part')}"
        if row["parts_left_90"]
        else f"It makes the next part with a chance of {wording.percent(row['survive_next_part'])}"
    )
    half = f"half of such edges make at least {wording.number(row['parts_left_median'])}"
    told = f"The edge in use of {where} has cut {age}. {sure}; {half}"
    if row["survive_batch"] is not None:
        told += f"; it lasts {batch_words(row)} with a chance of {wording.percent(row['survive_batch'])}"
    return told + "."


def wear_figure(label: str, row: Row, points: pl.DataFrame) -> Figure | None:
    """The parts of the edge in use against those of earlier edges."""
    if row["wear_verdict"] not in ("runs away", "as before") or points.is_empty():
        return None
    measure = MEASURES.get(row["wear_measure"], "measure")
    in_use = points.filter(pl.col("which") == "in use").select("part_number", "value").to_dicts()
    shown = (pl.col("which") == "earlier") & (pl.col("part_number") <= 1.5 * len(in_use) + 5)
    earlier = points.filter(shown).select("part_number", "value", "low", "high").to_dicts()
    if row["wear_verdict"] == "runs away":
        title = f"The {measure} of {label} runs away from earlier edges{_since(row)}"
    else:
        title = f"The {measure} of {label} rises no more than with earlier edges"
    note = (
        f"Each part over the edge's own first three parts, without what its program asks. Line and band: the middle of "
        f"{wording.plural(row['wear_edges'], 'earlier edge')} and what eight of ten lay between. Points: the edge in "
        "use. An edge that wears like the earlier ones is called running away once in twenty lives."
    )
    table = Table(
        "Parts of the edge in use",
        (Column("Part", True), Column("Over its first parts", True)),
        [(cells.count(point["part_number"]), cells.percent(point["value"], 1)) for point in in_use],
        folded=True,
    )
    spec = wear_chart(in_use, earlier, f"{measure.capitalize()} over the first parts", row["wear_since_part"])
    return Figure(title, spec_text(spec, title, 220), note, table)


def difference_blocks(book: Book, row: Row, rows: list[Row]) -> list[Block]:
    """What was different when lives began to fall or rise."""
    if row["verdict"] not in ("falling", "rising"):
        return []
    is_step = row["trend_kind"] == "step" and row["step_at_edge"] is not None
    since = f"From edge {row['step_at_edge']} on" if is_step else "In the later half of the edges"
    if not rows:
        return [
            Text(
                f"{since} nothing that the records tell was different: not the materials, jobs and programs, nor "
                "override, load, feed, speed and cost of an edge, nor the batch of the inserts where the list of "
                "changes names it. Of the coolant or the clamping they do not tell.",
                "plain",
            )
        ]
    table = Table(
        f"{since}, what was different",
        (Column("What"), Column("Which"), Column("Before", True), Column("After", True)),
        [
            (
                Cell(one["what"]),
                Cell(one["which"] or ""),
                _measured(book, one["before"], one["unit"]),
                _measured(book, one["after"], one["unit"]),
            )
            for one in rows
        ],
    )
    note = "Shares are of the time cut. That something changed with the lives does not show that it is the reason."
    blocks: list[Block] = [table.without_empty("Which"), Text(note, "note")]
    return blocks


def _measured(book: Book, value: float | None, unit: str) -> Cell:
    if unit == "share":
        return cells.percent(value)
    if unit == "money":
        return book.money(value, 2)
    return Cell(wording.NONE if value is None else f"{wording.number(value)}{wording.NBSP}{unit}", sort=value)


def cost_blocks(book: Book, cost: Row | None, jobs: list[Row]) -> list[Block]:
    """What the edges of a tool cost, today and at best, and by job."""
    blocks: list[Block] = []
    if cost is not None and cost["habit_cost_month"] is not None:
        pairs = [
            ("Edges taken out", wording.number(cost["changes"])),
            *([("Regrinds", wording.number(cost["regrinds"]))] if cost["regrinds"] else []),
            ("Cost a month as changed today", _cost_range(book, cost)),
            ("Cost a month at the best change", wording.money(cost["best_cost_month"], book.currency)),
            ("Ends that were not planned", wording.percent(cost["habit_failed_share"])),
        ]
        if cost["taylor_n"] is not None:
            low, high = wording.number(cost["taylor_low"], 2), wording.number(cost["taylor_high"], 2)
            pairs += [
                ("Taylor exponent n", f"{wording.number(cost['taylor_n'], 2)} (95 % interval {low} to {high})"),
                ("Life of least cost", wording.life(cost["min_cost_life"], "min")),
                ("Life of most output", wording.life(cost["max_output_life"], "min")),
            ]
        blocks.append(Facts(pairs))
    if jobs:
        blocks.append(
            Table(
                "What each job took",
                (
                    Column("Job"),
                    Column("Material"),
                    Column("Edges", True),
                    Column("Parts", True),
                    Column("Cutting", True),
                    Column("Per part", True),
                    Column("Cost per part", True),
                    Column("Cost", True),
                ),
                [
                    (
                        Cell(job["job_key"]),
                        Cell(job["material_list"] or ""),
                        cells.count(job["edges"]),
                        cells.count(job["parts"]),
                        cells.life(job["cut_min"], "min"),
                        cells.life(job["cut_min"] / job["parts"] if job["cut_min"] and job["parts"] else None, "min"),
                        book.money(job["cost_per_part"], 2),
                        book.money(job["cost"], 2),
                    )
                    for job in jobs
                ],
            ).without_empty("Material", "Cost per part", "Cost")
        )
    return blocks


def _cost_range(book: Book, cost: Row) -> str:
    low, high = wording.number(cost["habit_low"]), wording.number(cost["habit_high"])
    return f"{wording.money(cost['habit_cost_month'], book.currency)} (90 % interval {low} to {high})"


def elsewhere_table(book: Book, key: tuple[str, str], rows: list[Row]) -> Table | None:
    """The same tool number, or the same name, on other machines: side by side, not pooled."""
    own = next((row for row in rows if (row["machine"], row["tool"]) == key), None)
    alike = [
        row
        for row in rows
        if (row["machine"], row["tool"]) == key
        or (row["tool"] == key[1] and row["machine"] != key[0] and (not row["name"] or not own or not own["name"]))
        or (own is not None and own["name"] and row["name"] == own["name"])
    ]
    if len(alike) < 2:
        return None
    return Table(
        "The same tool on other machines",
        (
            Column("Tool"),
            Column("Edges (failed)", True),
            Column("Median life", True),
            Column("95 % interval", True),
            Column("Changed at, mean", True),
            Column("Verdict"),
        ),
        [
            (
                Cell(wording.tool_label(row["machine"], row["tool"]), book.tool_href(row["machine"], row["tool"])),
                Cell(f"{wording.number(row['edges'])} ({wording.number(row['failures'])})", sort=row["edges"]),
                cells.life(row["life_median"], row["unit"]),
                cells.life_interval(row["life_low"], row["life_high"], row["unit"]),
                cells.life(row["habit_age"], row["unit"]),
                cells.verdict(row["verdict"]),
            )
            for row in alike
        ],
    )
