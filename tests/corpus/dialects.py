"""Random dialects: true rows of a shop written as some shop in some country would, from one source of chance.

The names of columns are those of the trade in ten languages, unambiguous as they stand here. It reads nothing.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final

from export_writing import (
    Row,
    gzipped,
    h_mm_ss,
    json_lines,
    line_of,
    local,
    mm_ss,
    number,
    text_file,
    words,
    workbook,
    zipped,
)
from shop_truth import cycles, edge_changes, estimates, jobs, operations, signals, tool_changes

ZONES: Final = {
    "en": ("Europe/Dublin", "America/Chicago"),
    "de": ("Europe/Berlin", "Europe/Vienna"),
    "fr": ("Europe/Paris",),
    "es": ("Europe/Madrid",),
    "pt": ("Europe/Lisbon", "America/Sao_Paulo"),
    "it": ("Europe/Rome",),
    "pl": ("Europe/Warsaw",),
    "nl": ("Europe/Amsterdam",),
    "cs": ("Europe/Prague",),
    "sv": ("Europe/Stockholm",),
}
_TABLE: Final = [
    [cell.strip() for cell in line.split("|")]
    for line in Path(__file__).with_name("trade_words.txt").read_text(encoding="utf-8").splitlines()
    if not line.startswith("#")
]
LANGUAGES: Final = tuple(_TABLE[0][1:])
HEADS: Final = {
    meaning: {
        language: tuple(name.strip() for name in names.split("/"))
        for language, names in zip(LANGUAGES, wordings, strict=True)
    }
    for meaning, *wordings in _TABLE[1:]
}
EXTRA_TEXTS: Final = {
    "customer": ("Bombas Norte", "Pumpenbau West", "Lakeside", "Officine Riva"),
    "operator": ("JB", "MK", "RL"),
    "shift": ("1", "2", "1", "A"),
    "note": ("", "ok", "checked, fine", "", "waiting for material"),
}
POINT_LANGUAGES: Final = ("en",)
EAST: Final = ("pl", "cs")  # cp1250; the others cp1252


@dataclass(frozen=True)
class Choices:
    """What is the same all over one export."""

    language: str
    zone: str
    decimal: str
    month_first: bool
    text_only: bool  # a text file, whose cells are all text
    plain: bool  # dates with the year first, and nothing around the table but its head


@dataclass
class Column:
    """One column: its name, its unit where a units row says it, its cells."""

    head: str
    cells: list[object]
    unit: str = ""


@dataclass(frozen=True)
class Written:
    """One export and what is true of it."""

    kind: str
    language: str
    zone: str
    file_name: str
    data: bytes
    rows: list[dict[str, Any]]
    within: float
    how: str  # what was chosen, to be read in a failure
    columns: tuple[str, ...]


# --- dates and times ------------------------------------------------------------------------------------------------

TimeForm = Callable[[datetime], object]


def date_forms(made: Choices) -> list[str]:
    """Return the forms of a date that a shop of this language may use."""
    if made.plain:
        return ["%Y-%m-%d", "%Y/%m/%d"]
    if made.month_first:
        return ["%m/%d/%Y", "%m/%d/%y", "%m-%d-%Y"]
    usual = {
        "de": ["%d.%m.%Y", "%d.%m.%y"],
        "pl": ["%d.%m.%Y", "%Y-%m-%d", "%Y.%m.%d"],
        "cs": ["%d.%m.%Y", "%d. %m. %Y"],
        "nl": ["%d-%m-%Y", "%d/%m/%Y"],
        "sv": ["%Y-%m-%d", "%Y%m%d"],
    }
    return [*usual.get(made.language, ["%d/%m/%Y", "%d-%m-%Y", "%d/%m/%y"]), "%Y-%m-%d", "%Y/%m/%d"]


Moments = Callable[[str, Sequence[Row]], dict[str, list[object]]]


def moment(chance: random.Random, made: Choices) -> tuple[str, Moments]:
    """Return a way to write instants: its name, and what makes a field of rows an "instant", or "date" and "clock"."""
    zone = made.zone
    form = chance.choice(date_forms(made))
    twelve = made.month_first and not made.plain and chance.random() < 0.5
    hours = "%I:%M:%S %p" if twelve else "%H:%M:%S"
    way = chance.choices(
        ["joined", "parted", "iso", "utc", "offset", "epoch_s", "epoch_ms", "serial"],
        [40, 18, 12, 7, 7, 5, 5, 0 if made.plain else 6],
    )[0]

    def one(write: TimeForm) -> Moments:
        return lambda name, rows: {"instant": [write(row[name]) for row in rows]}

    def parted(name: str, rows: Sequence[Row]) -> dict[str, list[object]]:
        at = [local(row[name], zone) for row in rows]
        return {"date": [moment.strftime(form) for moment in at], "clock": [moment.strftime(hours) for moment in at]}

    def serial(at: datetime) -> object:
        days = (local(at, zone).replace(tzinfo=None) - datetime(1899, 12, 30)) / timedelta(days=1)  # noqa: DTZ001
        return number(days, 9, made.decimal) if made.text_only else days

    ways: dict[str, Moments] = {
        "joined": one(lambda at: local(at, zone).strftime(f"{form} {hours}")),
        "parted": parted,
        "iso": one(lambda at: local(at, zone).strftime("%Y-%m-%dT%H:%M:%S")),
        "utc": one(lambda at: at.strftime("%Y-%m-%dT%H:%M:%SZ")),
        "offset": one(lambda at: local(at, zone).isoformat()),
        "epoch_s": one(lambda at: int(at.timestamp())),
        "epoch_ms": one(lambda at: int(at.timestamp()) * 1000),
        "serial": one(serial),
    }
    return f"{way} {form} {hours}" if way in ("joined", "parted") else way, ways[way]


def time_columns(chance: random.Random, made: Choices, meaning: str, written: dict[str, list[object]]) -> list[Column]:
    """Return the columns of one instant; parted ones say date and clock in their names."""
    head = chance.choice(HEADS[meaning][made.language])
    if "instant" in written:
        return [Column(head, written["instant"])]
    return [
        Column(chance.choice(HEADS[f"{meaning} {part}"][made.language]), written[part]) for part in ("date", "clock")
    ]


# --- lengths --------------------------------------------------------------------------------------------------------

# name -> how coarse it is in seconds, the unit that a head or a units row gives (empty: the cell shows it)
LENGTHS: Final = {
    "h:mm:ss": (1, "h:mm:ss"),
    "mm:ss": (1, "mm:ss"),
    "s": (1, "s"),
    "min": (6, "min"),
    "h": (36, "h"),
    "words": (1, ""),
    "min in cells": (6, ""),
}


def length_cell(form: str, seconds: float, made: Choices) -> object:
    """Return a duration in one of the forms."""
    match form:
        case "h:mm:ss":
            return h_mm_ss(seconds)
        case "mm:ss":
            return mm_ss(seconds)
        case "s":
            return round(seconds)
        case "min":
            return number(seconds / 60, 1, made.decimal) if made.text_only else round(seconds / 60, 1)
        case "h":
            return number(seconds / 3600, 2, made.decimal) if made.text_only else round(seconds / 3600, 2)
        case "words":
            return words(seconds, HEADS["hour"][made.language][0])
        case _:
            return f"{number(seconds / 60, 1, made.decimal)} min"


def length_column(chance: random.Random, made: Choices, meaning: str, form: str, lengths: Sequence[float]) -> Column:
    """Return the column of a duration; its unit stands in the head, in a units row or in the cells."""
    head = chance.choice(HEADS[meaning][made.language])
    unit = LENGTHS[form][1]
    cells = [length_cell(form, seconds, made) for seconds in lengths]
    if not unit or (form == "h:mm:ss" and chance.random() < 0.5):
        return Column(head, cells)
    if chance.random() < 0.2 and form != "mm:ss" and not made.plain:
        return Column(head, cells, unit)
    return Column(head + chance.choice((" [{}]", " ({})")).format(unit), cells)


# --- kinds ----------------------------------------------------------------------------------------------------------


def plain(chance: random.Random, made: Choices, meaning: str, cells: Sequence[object]) -> Column:
    """Return a column whose cells stand as they are."""
    return Column(chance.choice(HEADS[meaning][made.language]), list(cells))


def figure(value: float, places: int, made: Choices) -> object:
    """Return a number as this shop writes it."""
    return number(value, places, made.decimal) if made.text_only else round(value, places)


def in_words(name: str, rows: Sequence[Row], made: Choices) -> list[object]:
    """Return the words of a field in the shop's language."""
    return [HEADS[row[name]][made.language][0] for row in rows]


def machines_of(chance: random.Random) -> tuple[str, ...]:
    """Return one to three machines, named as shops name them."""
    stem = chance.choice(("F", "VMC-", "CNC ", "BAZ", "M0", "L"))
    return tuple(f"{stem}{place + 1}" for place in range(chance.choice((1, 2, 2, 3))))


Table = tuple[list[Column], list[dict[str, Any]], float, str]


def first_day(chance: random.Random, *, sure: bool) -> str:
    """Return a morning; a sure one lies so that a fortnight of rows shows which number is the day."""
    day = chance.randint(13, 18) if sure else chance.randint(1, 28)
    return f"2026-{chance.randint(1, 9):02}-{day:02} 06:10:{chance.randint(0, 59):02}"


def cycle_table(chance: random.Random, made: Choices, *, sure: bool, count: int) -> Table:
    form = chance.choice(list(LENGTHS))
    rows = cycles(
        count,
        seed=chance.randint(0, 10**9),
        zone=made.zone,
        machines=machines_of(chance),
        first=first_day(chance, sure=sure),
        length_step_s=LENGTHS[form][0],
        per_day=chance.choice((3, 4)),
    )
    name, write = moment(chance, made)
    ends = chance.choice(("end", "duration", "both"))
    columns = [
        plain(chance, made, "machine", [row["machine"] for row in rows]),
        plain(chance, made, "program", [row["program"] for row in rows]),
        *time_columns(chance, made, "start", write("started_at", rows)),
    ]
    if ends != "duration":
        columns += time_columns(chance, made, "end", write("ended_at", rows))
    if ends != "end":
        columns.append(length_column(chance, made, "duration", form, [row["length_s"] for row in rows]))
    told = ["machine", "program", "started_at", "ended_at"]
    for field_name in ("parts", "scrap", "job", "operation"):
        if chance.random() < 0.5:
            told.append(field_name)
            columns.append(plain(chance, made, field_name, [row[field_name] for row in rows]))
    if chance.random() < 0.4:
        told.append("outcome")
        columns.append(plain(chance, made, "outcome", in_words("outcome", rows, made)))
    within = 0.01 if name == "serial" else 1e-6
    return columns, [{key: row[key] for key in told} for row in rows], within, f"{name}, {ends}, {form}"


def tool_change_table(chance: random.Random, made: Choices, *, sure: bool, count: int) -> Table:
    rows = tool_changes(
        count,
        seed=chance.randint(0, 10**9),
        zone=made.zone,
        machines=machines_of(chance),
        first=first_day(chance, sure=sure),
        per_day=4,
    )
    name, write = moment(chance, made)
    dress = chance.choice(("{}", "T{}", "T{:0>2}", "{:0>2}"))
    columns = [
        plain(chance, made, "machine", [row["machine"] for row in rows]),
        *time_columns(chance, made, "instant", write("occurred_at", rows)),
        plain(chance, made, "tool", [dress.format(row["tool"]) for row in rows]),
    ]
    told = ["machine", "occurred_at", "tool"]
    for field_name in ("pocket", "program"):
        if chance.random() < 0.5:
            told.append(field_name)
            columns.append(plain(chance, made, field_name, [row[field_name] for row in rows]))
    if chance.random() < 0.4:
        columns.append(plain(chance, made, "previous", [dress.format(row["previous"]) for row in rows]))
    within = 0.01 if name == "serial" else 1e-6
    return columns, [{key: row[key] for key in told} for row in rows], within, f"{name}, tools {dress}"


def edge_change_table(chance: random.Random, made: Choices, *, sure: bool, count: int) -> Table:
    rows = edge_changes(
        count,
        seed=chance.randint(0, 10**9),
        zone=made.zone,
        machines=machines_of(chance),
        first=first_day(chance, sure=sure),
    )
    name, write = moment(chance, made)
    columns = [
        plain(chance, made, "machine", [row["machine"] for row in rows]),
        *time_columns(chance, made, "instant", write("occurred_at", rows)),
        plain(chance, made, "tool", [row["tool"] for row in rows]),
        plain(chance, made, "reason", in_words("reason", rows, made)),
    ]
    told = ["machine", "occurred_at", "tool", "reason"]
    if chance.random() < 0.4:
        told.append("edge_cost")
        columns.append(plain(chance, made, "cost", [figure(row["edge_cost"], 2, made) for row in rows]))
    within = 0.01 if name == "serial" else 1e-6
    return columns, [{key: row[key] for key in told} for row in rows], within, name


def estimate_table(chance: random.Random, made: Choices, *, sure: bool, count: int) -> Table:
    form = chance.choice(list(LENGTHS))
    step_s = LENGTHS[form][0]
    if chance.random() < 0.5:
        rows = estimates(count // 3 + 1, seed=chance.randint(0, 10**9), step_s=step_s)
        told = ["job", "program", "operation", "tool", "cut_s", "noncut_s"]
        lengths = {"cut": "cut_s", "noncut": "noncut_s"}
    else:
        rows = operations(count // 3 + 1, seed=chance.randint(0, 10**9), step_s=step_s, setup_step_s=180)
        told = ["job", "program", "operation", "machine", "cycle_s", "setup_s"]
        lengths = {"cycle": "cycle_s", "setup": "setup_s"}
    columns = [plain(chance, made, key, [row[key] for row in rows]) for key in told[:4]]
    columns += [length_column(chance, made, key, form, [row[name] for row in rows]) for key, name in lengths.items()]
    if chance.random() < 0.5:
        told.append("material")
        columns.append(plain(chance, made, "material", [row["material"] for row in rows]))
    return columns, [{key: row[key] for key in told} for row in rows], 1e-3, form


def job_table(chance: random.Random, made: Choices, *, sure: bool, count: int) -> Table:
    form = chance.choice(["s", "min", "h:mm:ss"])
    first = first_day(chance, sure=sure).partition(" ")[0]
    rows = jobs(max(count, 14), seed=chance.randint(0, 10**9), first=first, step_s=LENGTHS[form][0])
    day = chance.choice(date_forms(made))
    columns = [
        plain(chance, made, "job", [row["job"] for row in rows]),
        plain(chance, made, "part", [row["part"] for row in rows]),
        plain(chance, made, "quantity", [row["quantity"] for row in rows]),
        plain(chance, made, "ordered", [row["ordered_on"].strftime(day) for row in rows]),
    ]
    told = ["job", "part", "quantity", "ordered_on"]
    if chance.random() < 0.5:
        told.append("material")
        columns.append(plain(chance, made, "material", [row["material"] for row in rows]))
    if chance.random() < 0.5:
        told.append("quoted_cycle_s")
        columns.append(length_column(chance, made, "quoted", form, [row["quoted_cycle_s"] for row in rows]))
    if chance.random() < 0.5:
        unit, factor, places = chance.choice((("kg", 1.0, 3), ("g", 1000.0, 0)))
        for meaning, name in (("stock", "stock_kg"), ("finished", "part_kg")):
            told.append(name)
            column = plain(chance, made, meaning, [figure(row[name] * factor, places, made) for row in rows])
            columns.append(Column(f"{column.head} ({unit})", column.cells))
    if chance.random() < 0.5:
        columns.append(plain(chance, made, "due", [row["due_on"].strftime(day) for row in rows]))
    return columns, [{key: row[key] for key in told} for row in rows], 1e-3, f"{day}, {form}"


EVENT_ITEMS: Final = ("Execution", "Program", "ToolNumber", "PartCount", "ControllerMode")


def event_table(chance: random.Random, made: Choices, *, sure: bool, count: int) -> Table:
    snapshots = signals(
        count, seed=chance.randint(0, 10**9), zone=made.zone, machine="F1", first=first_day(chance, sure=sure)
    )
    name, write = moment(chance, replace(made, plain=True))
    items = [item for item in EVENT_ITEMS if item == "Execution" or chance.random() < 0.6]
    if chance.random() < 0.5:
        rows = [
            {"machine": row["machine"], "occurred_at": row["occurred_at"], "item": item, "value": str(row[item])}
            for row in snapshots
            for item in items
        ]
        columns = [
            *time_columns(chance, made, "instant", write("occurred_at", rows)),
            plain(chance, made, "machine", [row["machine"] for row in rows]),
            plain(chance, made, "item", [row["item"] for row in rows]),
            plain(chance, made, "value", [row["value"] for row in rows]),
        ]
        return columns, rows, 1e-6, f"long, {name}"
    columns = [
        *time_columns(chance, made, "instant", write("occurred_at", snapshots)),
        plain(chance, made, "machine", [row["machine"] for row in snapshots]),
        *(Column(item, [row[item] for row in snapshots]) for item in items),
    ]
    for meaning, item, unit in (("feed", "PathFeedrate", "mm/min"), ("speed", "RotaryVelocity", "rpm")):
        if chance.random() < 0.6:
            items.append(item)
            column = plain(chance, made, meaning, [row[item] for row in snapshots])
            columns.append(Column(f"{column.head} [{unit}]", column.cells))
    rows = [
        {"machine": row["machine"], "occurred_at": row["occurred_at"], "item": item, "value": str(row[item])}
        for row in snapshots
        for item in items
    ]
    return columns, rows, 1e-6, f"wide, {name}"


TABLES: Final[dict[str, tuple[int, Callable[..., Table]]]] = {
    "cycle": (40, cycle_table),
    "tool_change": (15, tool_change_table),
    "edge_change": (13, edge_change_table),
    "estimate": (13, estimate_table),
    "job": (12, job_table),
    "event": (10, event_table),
}


# --- the whole ------------------------------------------------------------------------------------------------------


def extra_columns(chance: random.Random, made: Choices, kind: str, count: int) -> list[Column]:
    """Return columns that belong to no field, of the sorts that stand in every export."""
    wanted = ["customer", "operator", "shift", "running", "price"]
    wanted += ["note"] if kind != "edge_change" else []
    extras = []
    for meaning in chance.sample(wanted, chance.choice((0, 0, 1, 2, 3))):
        if meaning == "running":
            cells: list[object] = [place + 1 for place in range(count)]
        elif meaning == "price":
            cells = [figure(40 + chance.randint(0, 9000) / 10, 2, made) for _ in range(count)]
        else:
            cells = [chance.choice(EXTRA_TEXTS[meaning]) for _ in range(count)]
        extras.append(plain(chance, made, meaning, cells))
    return extras


def encoding_of(chance: random.Random, made: Choices, text: str) -> str:
    """Return an encoding that can hold the text."""
    eight_bit = "cp1250" if made.language in EAST else chance.choice(("cp1252", "latin-1"))
    encoding = chance.choices(["utf-8", "utf-8-sig", "utf-16-le", "utf-16-be", eight_bit], [30, 20, 8, 5, 37])[0]
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        return "utf-8"
    return encoding


def text_lines(
    chance: random.Random, made: Choices, columns: Sequence[Column], delimiter: str
) -> tuple[list[str], str]:
    """Return the lines of a text file with what stands above, between and below the rows."""
    quoting = chance.choices(["needed", "all", "text"], [70, 20, 10])[0]
    head = line_of([column.head for column in columns], delimiter, quoting)
    body = [line_of(cells, delimiter, quoting) for cells in zip(*(column.cells for column in columns), strict=True)]
    if made.plain:
        return [head, *body], quoting
    how = [quoting]
    above: list[str] = []
    if chance.random() < 0.3:
        above = [HEADS["title"][made.language][0], ""][: chance.choice((1, 2))]
        how.append(f"{len(above)} lines above")
    if any(column.unit for column in columns):
        above_rows = [head, line_of([column.unit for column in columns], delimiter)]
        how.append("units row")
    else:
        above_rows = [head]
    if chance.random() < 0.12 and len(body) > 8:
        place = chance.randint(3, len(body) - 3)
        body = [*body[:place], head, *body[place:]]
        how.append("head repeated")
    if chance.random() < 0.12:
        body.insert(chance.randint(1, len(body)), "")
        how.append("blank line")
    if chance.random() < 0.15:
        counted = next((column for column in columns[1:] if isinstance(column.cells[0], int)), None)
        cells = [sum(column.cells) if column is counted else "" for column in columns[1:]]  # type: ignore[arg-type]
        body.append(line_of([HEADS["total"][made.language][0], *cells], delimiter))
        how.append("total line")
    return [*above, *above_rows, *body], ", ".join(how)


def written(chance: random.Random, *, sure: bool = False, plain_text: bool = False, kind: str | None = None) -> Written:
    """Return a random export.

    A sure one can be told by its rows alone where names leave a doubt (day before month); plain text is sure, UTF-8,
    has the year first in its dates and nothing around the table but its head.
    """
    language = chance.choice(LANGUAGES)
    zone = chance.choice(ZONES[language])
    container = "text" if plain_text else chance.choices(["text", "json", "workbook"], [84, 8, 8])[0]
    decimal = "." if language in POINT_LANGUAGES or container != "text" else ","
    made = Choices(language, zone, decimal, zone == "America/Chicago", container == "text", plain_text)
    kind = kind or chance.choices(list(TABLES), [weight for weight, _ in TABLES.values()])[0]
    sure = sure or plain_text
    count = chance.randint(16, 36) if sure else chance.randint(4, 36)
    columns, rows, within, how = TABLES[kind][1](chance, made, sure=sure, count=count)
    taken = {column.head.casefold() for column in columns}
    assert len(taken) == len(columns), f"two columns of one name: {[column.head for column in columns]}"
    extras = extra_columns(chance, made, kind, len(columns[0].cells))
    columns += [column for column in extras if column.head.casefold() not in taken]
    if chance.random() < 0.6:
        chance.shuffle(columns)
    if container == "text":
        name = "log.csv"
        data, layout = text_bytes(chance, made, columns)
        how = f"{how}; {layout}"
    else:
        name = "log.jsonl" if container == "json" else "log.xlsx"
        data = other_bytes(container, columns)
    packing = "" if plain_text else chance.choices(["", "gz", "zip"], [80, 12, 8])[0]
    if packing == "gz":
        data, name = gzipped(data), f"{name}.gz"
    elif packing == "zip":
        data, name = zipped({f"export/2026/{name}": data}), "logs.zip"
    heads = tuple(column.head for column in columns)
    return Written(kind, language, zone, name, data, rows, within, f"{how}; {name}", heads)


def aligned_lines(chance: random.Random, made: Choices, columns: Sequence[Column]) -> tuple[list[str], str]:
    """Return the lines of a printout, whose columns are aligned by blanks: numbers to the right, if at all."""
    gap = " " * chance.choice((1, 2, 2, 3))
    to_right = chance.random() < 0.7
    heads_to_right = to_right and chance.random() < 0.7
    set_out: list[list[str]] = []
    for column in columns:
        head = f"{column.head} [{column.unit}]" if column.unit else column.head
        texts = [str(cell) for cell in column.cells]
        width = max(len(text) for text in (head, *texts)) + chance.choice((0, 0, 3))
        number = to_right and all(text.replace(",", "").replace(".", "").isdigit() for text in texts if text)
        heading = head.rjust(width) if number and heads_to_right else head.ljust(width)
        set_out.append([heading, *(text.rjust(width) if number else text.ljust(width) for text in texts)])
    lines = [gap.join(cells).rstrip() for cells in zip(*set_out, strict=True)]
    ruled = len(gap) > 1 and chance.random() < 0.4
    if ruled:
        lines.insert(1, gap.join("-" * len(cells[0]) for cells in set_out))
    if chance.random() < 0.3 and not made.plain:
        lines = [HEADS["title"][made.language][0], "", *lines]
    return lines, f"aligned, {len(gap)} blanks between{', ruled' if ruled else ''}"


def text_bytes(chance: random.Random, made: Choices, columns: Sequence[Column]) -> tuple[bytes, str]:
    """Return a delimited or aligned text, and how it is laid out."""
    delimiter = chance.choices([";", ",", "\t", "|", " "], [50, 22 if made.decimal == "." else 4, 20, 8, 10])[0]
    if delimiter == " ":
        lines, layout = aligned_lines(chance, made, columns)
    else:
        lines, layout = text_lines(chance, made, columns, delimiter)
    encoding = "utf-8" if made.plain else encoding_of(chance, made, "\n".join(lines))
    newline = "\n" if made.plain else chance.choice(("\r\n", "\r\n", "\n"))
    return text_file(lines, encoding, newline), f"{delimiter!r} {encoding} {newline!r} {layout}"


def other_bytes(container: str, columns: Sequence[Column]) -> bytes:
    """Return JSON Lines or a workbook; there is no units row there, the heads say the units."""
    for column in columns:
        column.head += f" ({column.unit})" if column.unit else ""
    heads = [column.head for column in columns]
    rows = [list(cells) for cells in zip(*(column.cells for column in columns), strict=True)]
    if container == "workbook":
        return workbook({"Log": [heads, *rows]})
    return json_lines({head: head for head in heads}, [dict(zip(heads, cells, strict=True)) for cells in rows])
