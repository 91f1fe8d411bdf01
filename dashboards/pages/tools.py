"""The page of all tools and each tool's own page: how long its edges live, whether that changes, when to change it.

Fits, trends and the best change point come from the mart; the caution of the book stands on every page here.
"""

from __future__ import annotations

from typing import Final

import polars as pl

from dashboards import cells, wording
from dashboards.blocks import Block, Cell, Column, Facts, Figure, Page, Section, Table, Text
from dashboards.book import Book, Row, by_key
from dashboards.charts.theme import spec_text
from dashboards.charts.tool_life import edges_chart, survival_chart
from dashboards.pages import edges as of_edges

EDGES_LISTED: Final = 200
EDGES_DRAWN: Final = 300
UNUSED: Final = {"min": "without any cutting", "parts": "without any part made"}
RANK: Final = {"falling": 0, "rising": 1, "steady": 2, "too few": 3}


def tool_rows(book: Book) -> list[Row]:
    """Return the rows of the tool mart, falling lives first, then by machine and tool."""
    rows = book.data.tools.sort("machine", "tool").to_dicts()
    return sorted(rows, key=lambda row: (RANK.get(row["verdict"], 9), row["trend_per_edge"] or 0.0))


def sentence(rows: list[Row]) -> str:
    """Say how many tools' lives are falling."""
    judged = [row for row in rows if row["verdict"] != "too few"]
    falling = [row for row in rows if row["verdict"] == "falling"]
    if not rows:
        return "No change of an edge is in the book, so nothing is known of tool life."
    few = len(rows) - len(judged)
    rest = f" {wording.plural(few, 'tool has', 'tools have')} too few edges for a verdict." if few else ""
    if not judged:
        return f"Too few edges for a verdict on any of {wording.plural(len(rows), 'tool')}."
    if not falling:
        return f"No life is falling among {wording.plural(len(judged), 'judged tool')}.{rest}"
    worst = falling[0]
    named = wording.tool_label(worst["machine"], worst["tool"], worst["name"])
    which = f", most of all for {named}" if len(falling) > 1 else f": {named}"
    by = (
        f"whose edges {_step_words(worst)} since edge {worst['step_at_edge']}"
        if _is_step(worst)
        else f"{_per_edge(worst)} less with each edge"
    )
    judged_tools = wording.plural(len(judged), "judged tool")
    return f"Life is falling for {len(falling)} of {judged_tools}{which}, {by}.{rest}"


def _per_edge(row: Row) -> str:
    return wording.percent(abs(row["trend_per_edge"]), 1) if row["trend_per_edge"] is not None else wording.NONE


def reasons_note(book: Book) -> Text:
    """Say what is taken as the end of a life, and which way that leans."""
    unknown = (
        "Changes without a known reason are treated as lives not seen to their end (unknown_reason in shop.toml): "
        "where they were really worn, true lives are shorter than shown."
        if book.data.unknown_reason == "censored"
        else "Changes without a known reason are counted as worn out (unknown_reason in shop.toml): where they were "
        "really changed early, true lives are longer than shown."
    )
    return Text(
        f"Worn, broken and chipped edges are failures; planned changes and the edge in use are not. {unknown} A "
        "planned change made because the edge looked worn makes lives look longer than they are. The first edge seen "
        "of a tool began before the book did and is in no fit.",
        "note",
    )


def tools_page(book: Book) -> Page:
    """Build tool-life.html."""
    rows = tool_rows(book)
    how = (
        "Tools of which few edges failed lean on others of their kind, and say so. Falling, steady and rising are "
        "tested over all tools together, with false findings held at 5 % "
        "(Benjamini-Hochberg). Medians bear 95 % intervals, the life that 90 % of edges reach bears a 90 % interval. "
        "Change at is the planned change that costs least over time, where costs are in shop.toml."
    )
    return Page(
        "tool-life.html",
        "Tool life",
        [
            Section("", [Text(sentence(rows), "lead"), Text(wording.CAUTION, "caution")]),
            of_edges.due_section(book),
            of_edges.shelf_section(book),
            of_edges.costs_section(book),
            Section("All tools", [tools_table(book, rows), reasons_note(book), Text(how, "note")], "all-tools"),
        ],
        nav="tools",
    )


def tools_table(book: Book, rows: list[Row]) -> Table:
    """Lay out rows of the tool mart, each leading to its edges."""
    return Table(
        "Tool lives",
        (
            Column("Tool"),
            Column("Verdict"),
            Column("Name"),
            Column("Change, per edge or at once", True),
            Column("Edges (failed)", True),
            Column("Median life", True),
            Column("95 % interval", True),
            Column("90 % reach", True),
            Column("Change at", True),
            Column("Edge cost per part", True),
        ),
        [
            (
                Cell(wording.tool_label(row["machine"], row["tool"]), book.tool_href(row["machine"], row["tool"])),
                cells.verdict(row["verdict"]),
                Cell(row["name"] or ""),
                trend_cell(row),
                Cell(f"{wording.number(row['edges'])} ({wording.number(row['failures'])})", sort=row["edges"]),
                cells.life(row["life_median"], row["unit"]),
                cells.life_interval(row["life_low"], row["life_high"], row["unit"]),
                cells.life(row["life_b10"], row["unit"]),
                cells.life(row["change_at"], row["unit"]),
                book.money(row["cost_per_part"], 2),
            )
            for row in rows
        ],
        empty="No edge change is in the book yet.",
    ).without_empty("Name")


def trend_cell(row: Row) -> Cell:
    """The change of life from edge to edge or over a step, or that there are too few edges for one."""
    if row["trend_per_edge"] is None:
        return Cell("too few", mark="few")
    if _is_step(row):
        change = row["step_ratio"] - 1
        return Cell(f"{wording.signed(change * 100)}{wording.NBSP}% at edge {row['step_at_edge']}", sort=change)
    return Cell(f"{wording.signed(row['trend_per_edge'] * 100, 1)}{wording.NBSP}%", sort=row["trend_per_edge"])


def tool_pages(book: Book) -> list[Page]:
    """Build tool/<machine>-<tool>.html for every tool that has a row or an edge."""
    rows = {(row["machine"], row["tool"]): row for row in book.data.tools.to_dicts()}
    edges = by_key(book.data.edges.sort("machine", "tool", "edge_number"), "machine", "tool")
    curves = by_key(book.data.life_curves.sort("life", maintain_order=True), "machine", "tool")
    more = {
        name: by_key(getattr(book.data, name), *key)
        for name, key in (
            ("in_use", ("life_machine", "life_tool")),
            *((of, ("machine", "tool")) for of in ("tooling", "tool_jobs", "tool_differences", "wear_curves")),
        )
    }
    every = book.data.tools.sort("machine", "tool").to_dicts()
    pages = []
    for key in sorted(book.tool_slugs):
        about = {name: frames[key] for name, frames in more.items() if key in frames}
        pages.append(_tool_page(book, key, rows.get(key), edges.get(key), curves.get(key), about, every))
    return pages


def _tool_page(
    book: Book,
    key: tuple[str, str],
    row: Row | None,
    edges: pl.DataFrame | None,
    curves: pl.DataFrame | None,
    about: dict[str, pl.DataFrame],
    every: list[Row],
) -> Page:
    machine, tool = key
    label = wording.tool_label(machine, tool)
    name = row["name"] if row else None
    blocks: list[Block] = []
    if row is None:
        blocks.append(Text("Too few edges for any figure.", "lead"))
    else:
        blocks += [Text(_life_sentence(label, row), "lead"), _facts(book, row)]
    blocks.append(Text(wording.CAUTION, "caution"))
    unit = row["unit"] if row else "min"

    def rows_of(frame: str) -> list[Row]:
        return about[frame].to_dicts() if frame in about else []

    lives: list[Block] = []
    if edges is not None:
        if figure := _edges_figure(book, label, row, edges, unit):
            lives.append(figure)
        if row is not None:
            lives += of_edges.difference_blocks(book, row, rows_of("tool_differences"))
        if row is not None and curves is not None and not curves.is_empty():
            lives.append(_survival_figure(label, row, curves))
    now = of_edges.now_blocks(book, rows_of("in_use"))
    if (
        row is not None
        and "wear_curves" in about
        and (figure := of_edges.wear_figure(label, row, about["wear_curves"]))
    ):
        now.append(figure)
    costs = of_edges.cost_blocks(book, next(iter(rows_of("tooling")), None), rows_of("tool_jobs"))
    table = of_edges.elsewhere_table(book, key, every)
    behind: list[Block] = [] if edges is None else [_edges_table(book, edges, unit), *_unused_note(edges, unit)]
    behind += [*_suspect_note(edges), reasons_note(book)]
    behind += [
        Text("", href=book.machine_href(name), link=f"Machine {name}") for name in book.machines_of(machine, tool)
    ]
    sections = [
        Section("", blocks),
        Section("The edge in use", now, "now"),
        Section("How long edges last", lives, "lives"),
        Section("What they cost", costs, "costs"),
        Section("On other machines", [table] if table else [], "elsewhere"),
        Section("Every edge", behind, "every-edge"),
    ]
    title = f"{label}: {name}" if name else label
    return Page(book.tool_href(machine, tool), title, [section for section in sections if section.blocks], nav="tools")


def _suspect_note(edges: pl.DataFrame | None) -> list[Text]:
    """Say how many edges are left out because a change may have gone without a note."""
    count = 0 if edges is None else int(edges["is_suspect"].fill_null(False).sum())
    if not count:
        return []
    one, many = "edge is in no figure: its change", "edges are in no figure: their changes"
    return [
        Text(
            f"{wording.plural(count, one, many)} may not have been noted. An edge is suspected where one life in a "
            "thousand is so long by those before it, or where load or cutting time of a part fell back within it.",
            "note",
        )
    ]


def _life_sentence(label: str, row: Row) -> str:
    counted = f"{wording.plural(row['edges'], 'edge')}, {wording.plural(row['failures'], 'failure')}"
    if row["life_median"] is None:
        return f"{label} has too few failures for a life ({counted})."
    told = f"Half of the edges of {label} last {wording.life(row['life_median'], row['unit'])} or longer"
    if row["life_low"] is not None and row["life_high"] is not None:
        told += (
            f" (95 % interval {cells.life_interval(row['life_low'], row['life_high'], row['unit']).text}, {counted})."
        )
    else:
        told += f" ({counted}; too few for an interval)."
    if row["verdict"] == "too few" or row["trend_per_edge"] is None:
        return f"{told} There are too few edges to say whether that changes."
    if row["verdict"] == "steady":
        return f"{told} No trend is found (q {wording.probability(row['trend_q'])})."
    if _is_step(row):
        told_limits = _change_limits(row)
        interval = f"95 % interval {told_limits}, " if told_limits else ""
        limits = f"({interval}q {wording.probability(row['trend_q'])})"
        return f"{told} Since edge {row['step_at_edge']} they {_step_words(row)} {limits}: a step, not a slope."
    return (
        f"{told} Life is {row['verdict']} by {_per_edge(row)} with each edge (q {wording.probability(row['trend_q'])})."
    )


def _change_limits(row: Row) -> str:
    """Between what limits a life's change lies, from edge to edge or over its step; empty where they are not known."""
    names, less, digits = (("step_low", "step_high"), 1, 0) if _is_step(row) else (("trend_low", "trend_high"), 0, 1)
    limits = [None if row[name] is None else (row[name] - less) * 100 for name in names]
    if None in limits:
        return ""
    low, high = (wording.signed(limit, digits) for limit in limits)
    return f"{low} to {high}{wording.NBSP}%"


def _facts(book: Book, row: Row) -> Facts:
    unit = row["unit"]
    reach = wording.life(row["life_b10"], unit)
    if row["b10_low"] is not None and row["b10_high"] is not None:
        reach += f" (90 % interval {cells.life_interval(row['b10_low'], row['b10_high'], unit).text})"
    trend = trend_cell(row).text
    if limits := _change_limits(row):
        trend += f" (95 % interval {limits})"
    change = wording.life(row["change_at"], unit)
    if row["change_at"] is None:
        change = "changing early does not pay, or costs are not in shop.toml"
    pairs = [
        ("90 of 100 edges reach", reach),
        ("Change of life at once" if _is_step(row) else "Change of life with each edge", trend),
        ("Least costly planned change at", change),
        ("Tooling cost per part", wording.money(row["cost_per_part"], book.currency, 2)),
        ("Median without a model (Kaplan-Meier)", wording.life(row["km_median"], unit)),
        ("Weibull shape", wording.number(row["shape"], 2)),
        ("Weibull scale", wording.life(row["scale"], unit)),
        ("Counted in", _unit_words(row)),
    ]
    if row["pooled"]:
        pairs.append(("Leans on", f"{row['pooled_with']}: too few edges of its own failed"))
    return Facts(pairs)


def _unit_words(row: Row) -> str:
    """In what lives are counted, and why."""
    unit, other = ("minutes of cutting", "parts") if row["unit"] == "min" else ("parts", "minutes")
    because = {
        "alike": f"{other} describe the lives no better",
        "too few": "too few edges to tell which unit describes them better",
        "only minutes known": "parts are not known",
        "only parts known": "minutes are not known",
    }.get(row["unit_because"], f"{unit.split()[0]} describe the lives better")
    return f"{unit} ({because})"


def _life_of(unit: str) -> str:
    return "parts" if unit == "parts" else "cut_min"


def _life_title(unit: str) -> str:
    return "Life (parts)" if unit == "parts" else "Life (min of cutting)"


def _end(edge: Row) -> str:
    if edge["is_suspect"]:
        return "suspect"
    return "in use" if edge["removed_at"] is None else str(edge["reason"] or "unknown")


def _edges_figure(book: Book, label: str, row: Row | None, edges: pl.DataFrame, unit: str) -> Figure | None:
    known = edges.filter((pl.col(_life_of(unit)) > 0) & pl.col("in_use_at").is_not_null()).tail(EDGES_DRAWN).to_dicts()
    counted = [edge["edge_number"] for edge in known if not edge["is_suspect"]]
    if not known:
        return None
    drawn = [
        {
            "edge": edge["edge_number"],
            "life": edge[_life_of(unit)],
            "end": _end(edge),
            "known": not edge["censored"] and not edge["is_suspect"],
            "told": f"Edge {edge['edge_number']}, {_end(edge)}: {wording.life(edge[_life_of(unit)], unit)}"
            + (", life not seen to its end" if edge["censored"] else ""),
        }
        for edge in known
    ]
    trend = [] if row is None else _trend_line(row, counted)
    title = f"{label}: too few edges to say whether life changes"
    if row is not None and row["verdict"] in ("falling", "rising") and row["trend_per_edge"] is not None:
        title = f"Life of {label} is {row['verdict']} by {_per_edge(row)} with each edge"
        if _is_step(row):
            title = f"Edges of {label} {_step_words(row)} since edge {row['step_at_edge']}"
    elif row is not None and row["verdict"] == "steady":
        title = f"Life of {label} holds steady"
    note = f"{wording.plural(len(drawn), 'edge')} in order of use. Open: life not seen to its end."
    idle = _without_use(edges, unit).height
    if idle:
        note += f" Left out: {wording.plural(idle, 'edge')} {UNUSED[unit]}."
    if trend:
        is_step = row is not None and _is_step(row)
        note += (
            " Dashed: the median life before and after the step."
            if is_step
            else " Dashed: the median life."
            if row is not None and row["verdict"] == "steady"
            else " Dashed: the fitted trend, through the median life at the middle edge."
        )
    chart = edges_chart(drawn, trend, _life_title(unit))
    return Figure(title, spec_text(chart, title, 240), note, see="Edges and their source rows", see_anchor="edges")


def _trend_line(row: Row, numbers: list[int]) -> list[dict[str, float]]:
    if row["trend_per_edge"] is None or row["life_median"] is None or len(numbers) < 2:
        return []
    if _is_step(row):
        return _step_line(row, numbers)
    first, last = numbers[0], numbers[-1]
    middle, steps = (first + last) / 2, min(last - first, 40)
    places = [first + (last - first) * step / steps for step in range(steps + 1)]
    # the fraction by which life changes from one edge to the next; none was found where lives are steady
    change = 0.0 if row["verdict"] == "steady" else row["trend_per_edge"]
    return [{"edge": place, "life": row["life_median"] * (1.0 + change) ** (place - middle)} for place in places]


def _is_step(row: Row) -> bool:
    """Whether lives changed at one edge and hold their level since."""
    return row["trend_kind"] == "step" and row["step_at_edge"] is not None and row["step_ratio"] is not None


def _step_line(row: Row, numbers: list[int]) -> list[dict[str, float]]:
    """Two levels whose mean of logarithms, weighted by edges, is that of the median life."""
    before = [number for number in numbers if number < row["step_at_edge"]]
    after = [number for number in numbers if number >= row["step_at_edge"]]
    if not before or not after:
        return []
    low = row["life_median"] / row["step_ratio"] ** (len(after) / len(numbers))
    high = low * row["step_ratio"]
    edge = row["step_at_edge"] - 0.5
    return [
        {"edge": before[0], "life": low},
        {"edge": edge, "life": low},
        {"edge": edge, "life": high},
        {"edge": after[-1], "life": high},
    ]


def _step_words(row: Row) -> str:
    """How much longer or shorter edges last after the step."""
    change = row["step_ratio"] - 1
    return f"last {wording.percent(abs(change))} {'longer' if change > 0 else 'less'}"


def _survival_figure(label: str, row: Row, curves: pl.DataFrame) -> Figure:
    points = curves.select("which", "life", "survival", "low", "high").to_dicts()
    observed, fitted = (
        [
            {name: point[name] for name in ("life", "survival", "low", "high")}
            for point in points
            if point["which"] == which
        ]
        for which in ("observed", "fitted")
    )
    if observed and observed[0]["life"] > 0:
        observed = [{"life": 0.0, "survival": 1.0, "low": 1.0, "high": 1.0}, *observed]
    unit = row["unit"]
    counted = f"{wording.plural(row['edges'], 'edge')}, {row['failures']} of them worn, broken or chipped"
    if row["life_median"] is not None:
        title = f"Half of the edges of {label} last {wording.life(row['life_median'], unit)} ({counted})"
    else:
        title = f"Edges of {label} still in use by age ({counted})"
    table = Table(
        "Share of edges still in use, as observed",
        (Column(_life_title(unit), True), Column("Still in use", True), Column("95 % interval", True)),
        [
            (
                Cell(wording.number(point["life"], 1), sort=point["life"]),
                cells.percent(point["survival"]),
                Cell(wording.percent_range(point["low"], point["high"])),
            )
            for point in observed
        ],
    )
    note = "Steps: as observed. Dashed: Weibull fit by maximum likelihood, with edges not seen to their end censored."
    return Figure(title, spec_text(survival_chart(observed, fitted, _life_title(unit)), title, 240), note, table)


def _edges_table(book: Book, edges: pl.DataFrame, unit: str) -> Table:
    listed = edges.tail(EDGES_LISTED).reverse().to_dicts()
    shared = edges.select("at_machine", "at_tool").n_unique() > 1
    return Table(
        "Edges and their source rows",
        (
            Column("Edge", True),
            Column("In use from"),
            Column("Removed"),
            Column("End"),
            Column("Cutting", True),
            Column("Parts", True),
            Column("In the fit as"),
            Column("Source file"),
            Column("Row", True),
            Column("Material"),
            Column("Programs"),
            Column("Feed, m", True),
            Column("Override", True),
            Column("Used as"),
            Column("Grinds", True),
            Column("Insert batch"),
            Column("Cost", True),
        ),
        [
            (
                cells.count(edge["edge_number"]),
                Cell(wording.local_time(edge["in_use_at"], book.zone) if edge["in_use_at"] else "before the book"),
                Cell(wording.local_time(edge["removed_at"], book.zone) if edge["removed_at"] else "in use"),
                Cell(_end(edge)),
                Cell(wording.life(edge["cut_min"], "min"), sort=edge["cut_min"]),
                cells.count(edge["parts"]),
                Cell(_fitted_as(edge, unit)),
                book.file_cell(edge["file_id"]),
                cells.count(edge["row_number"]),
                Cell(edge["material_list"] or ""),
                Cell(edge["program_list"] or ""),
                Cell(wording.number(edge["feed_m"]) if edge["feed_m"] is not None else "", sort=edge["feed_m"]),
                cells.percent(edge["override"]) if edge["override"] is not None else Cell(""),
                Cell(f"{edge['at_machine']} T{edge['at_tool']}" if shared else ""),
                Cell("" if edge["regrind_number"] is None else wording.number(edge["regrind_number"])),
                Cell(edge["insert_batch"] or ""),
                book.money(edge["edge_cost"], 2),
            )
            for edge in listed
        ],
        more=f"The newest {EDGES_LISTED} of {edges.height} edges." if edges.height > EDGES_LISTED else "",
        anchor="edges",
    ).without_empty("Material", "Programs", "Feed, m", "Override", "Used as", "Grinds", "Insert batch")


def _without_use(edges: pl.DataFrame, unit: str) -> pl.DataFrame:
    """The edges that have a beginning and no use at all; they are in no fit."""
    return edges.filter(pl.col("in_use_at").is_not_null() & (pl.col(_life_of(unit)).fill_null(0) <= 0))


def _unused_note(edges: pl.DataFrame, unit: str) -> list[Text]:
    followed = _without_use(edges, unit).filter(pl.col("removed_at").is_not_null()).height
    if not followed:
        return []
    one = "change followed the one before it"
    many = "changes followed each other"
    return [
        Text(
            f"{wording.plural(followed, one, many)} {UNUSED[unit]} between them; "
            f"{'that edge is' if followed == 1 else 'those edges are'} in no fit.",
            "note",
        )
    ]


def _fitted_as(edge: Row, unit: str) -> str:
    if edge["is_suspect"]:
        return f"not used: {edge['suspect_why']}"
    if edge["in_use_at"] is None:
        return "not used: start unknown"
    if not edge[_life_of(unit)]:
        return "not used: no part made" if unit == "parts" else "not used: no cutting seen"
    return "at least this long" if edge["censored"] else "failure"
