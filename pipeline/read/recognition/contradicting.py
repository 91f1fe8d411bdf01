"""What speaks against a kind in a table that has all its fields: other columns, titles, the name of the file.

Four columns make many a list look like a list of cycles; what it is a list of stands in the fifth.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

import polars as pl

from pipeline.read.numbers import read_numbers
from pipeline.read.recognition.duration_forms import is_dotted
from pipeline.read.recognition.endings import told_end
from pipeline.read.recognition.fitting import can_bear
from pipeline.read.recognition.names import asked_end, is_another_table, known_word, says, unit_of
from pipeline.read.recognition.paper_signs import begins
from pipeline.read.recognition.sample import Column, Sample, clock_us, file_share, is_zone, title_share
from pipeline.read.recognition.time_forms import time_forms
from pipeline.read.recognition.zones import is_universal, states_other, title_states_other, values_are_universal
from schemas.concepts import DURATIONS, NUMBERS, WORDS
from schemas.profile import CELL_UNITS, UNITS, with_article
from schemas.vocabulary import InputKind
from schemas.words import plain, telling_columns

_MEANT: Final = 0.5
_PERHAPS: Final = 0.4  # a meaning as weak as this may speak against a kind, where it may not make a field
_FEW: Final = 12  # distinct values of a column that sorts the rows of a table
_BOX: Final = 12  # inserts that are handed out at a time, at most, where they are not whole boxes of five or ten
_ALONE: Final = 0.5
_SURELY: Final = 0.9
_TITLED: Final = 0.6
_LETTERED: Final = frozenset({"shift", "operator", "revision", "department"})  # often said by a letter
_DAY_US: Final = 86_400_000_000
_HOUR_US: Final = 3_600_000_000
_HALF_SECOND_US: Final = 500_000  # stamps are in whole seconds
_FEWEST_CODES: Final = 6
_MOSTLY: Final = 0.6
_NOTHING: Final = r"^(?:0+|[-–—./]+|(?i:none|keine?r?|n/?a))$"  # what stands where there is nothing to say
_SHORT_CODE: Final = 2  # letters
_FEWEST_LOADED: Final = 5
_ONCE: Final = 25  # rows from which some tool of a program comes again
_HOURS_US: Final = 2 * _HOUR_US
_IN_ORDER: Final = 0.7
_ONE_MORE: Final = 0.6  # share of rows that count one more than the row before
_COUNTING: Final = 0.7  # share of rising steps from which numbers are a counter
_DOTTED_CLOCK: Final = re.compile(r"(?i)\b(?:min\.s|m\.ss|mm\.ss|h\.mm|hh\.mm)")
_PER_MANY: Final = re.compile(r"(?i)\b(?:je|pro|per|pour|por|za|na|pr)\s+1\d+\b")
_ISO_CELL: Final = r"^\d{4}-\d\d-\d\d"
_MIXED: Final = 0.02
_LOT_PARTS: Final = 5.0  # parts of a middle row from which rows may be lots
_LOT_S: Final = 3600.0
_ONE_LOAD: Final = 0.6  # share of the rows of a program that make one number of parts: pallets, fixtures, bars
_REPEATED: Final = 0.2

# Meanings of columns that tables of a kind do not have, beside the fields of the kind.
_ALARMS: Final = frozenset({"reason", "native_code", "text", "level"})
_OF_TOOLS: Final = frozenset(
    {
        "size",
        "position",
        "quantity",
        "parts",
        "scrap",
        "cost",
        "value",
        "tool_life",
        "temperature",
        "batch",
        "source",
        "load",
        "rate",
        "power",
        "pressure",
    }
)
_OF_MACHINES: Final = frozenset({"temperature", "load", "power", "pressure"})
"""Of these, what may be said of the machine at the moment of a row."""
_DESCRIBES: Final = frozenset({"size", "position", "tool_life", "cost", "value", "batch", "source"})
"""Of these, what may be said of a tool as such, and not of a row."""
AGAINST: Final[dict[InputKind, frozenset[str]]] = {
    "cycle": _ALARMS,
    "tool_change": _ALARMS | _OF_TOOLS,
    "edge_change": _ALARMS - {"reason"} | {"size", "position", "quantity", "temperature"},
    "estimate": frozenset({"started", "ended", "scrap"}),
    "job": frozenset({"reason", "scrap", "started", "ended"}),
}


def contradictions(kind: InputKind, used: frozenset[str], sample: Sample, machine: str | None = None) -> Iterator[str]:
    """Yield what speaks against a kind, in sentences; `used` are the columns that its fields take.

    `machine` is the column that surely names machines, where its values tell that and not its name.
    """
    titles = [" ".join(cells) for cells in sample.titles]
    name = sample.place.rpartition("/")[2].rpartition(".")[0]
    said = [(text, is_another_table(kind, text)) for text in titles] + [
        (name, is_another_table(kind, name, stems=True))
    ]
    for text, word in said:
        if word is not None:
            yield f'"{text}" says "{word}": the rows may be no {kind.replace("_", " ")} at all'
            break
    tools = next((c for c in sample.columns if c.name in used and c.reading.concepts.get("tool", 0.0) >= _MEANT), None)
    told = next((column for column in sample.columns if column.name in used and _tells_ends(column)), None)
    for column in sample.columns:
        if column.name in used and plain(column.name) in telling_columns()["equipment"]:
            yield f'column "{column.name}" is of no machine tool'
    is_of_changes = _is_of_changes(used, sample)
    for column in sample.columns:
        if kind == "tool_change" and column.name not in used and _is_length_of_change(column, used, sample):
            continue
        describes = column.name not in used and _describes(column, used, sample)
        if column.name not in used and (what := _against(kind, column, describes, tools, told, is_of_changes)):
            yield f'column "{column.name}" {what}'
        elif column.name in used and kind == "cycle" and begins(plain(column.name), "attendance"):
            yield f'column "{column.name}" is of people who come and go, or of plans'
        elif column.name in used and kind == "job" and begins(plain(column.name), "elsewhere"):
            yield f'column "{column.name}" belongs to another list'
    if kind == "event" and (size := next((c for c in sample.columns if _is_size(c)), None)) is not None:
        yield f'column "{size.name}" is a measure of parts: the rows may be inspections, and not signals of a machine'
    yield from _other_zone(used, sample)
    yield from _other_units(used, sample)
    yield from _by_values(kind, used, sample, machine)


def _is_size(column: Column) -> bool:
    return column.reading.concepts.get("size", 0.0) >= _MEANT and bool(column.numbers)


def _other_zone(used: frozenset[str], sample: Sample) -> Iterator[str]:
    """Tell a zone that a title or a column states: times without an offset would be read in the file's own."""
    how = "say it as timezone of the file under [[source]] in shop.toml"
    if (line := title_states_other(sample.titles)) is not None:
        yield f'"{line}" states a time zone; {how}'
    for column in sample.columns:
        naive = column.times and not column.times[0].has_offset
        foreign = is_zone(column) and not values_are_universal(column.few_values)
        if (naive and states_other(column.name)) or foreign:
            yield f'column "{column.name}" states a time zone; {how}'
    instants = [column for column in sample.columns if column.name in used and column.times]
    universal = [column.name for column in instants if is_universal(column.name)]
    if universal and len(universal) < len(instants):
        yield f'column "{universal[0]}" is universal time, and the other times do not say so'


def _other_units(used: frozenset[str], sample: Sample) -> Iterator[str]:
    """Tell units of which two are stated, and times of many parts."""
    for column in sample.columns:
        if (
            column.name in used
            and column.reading.unit
            and column.unit_below
            and column.reading.unit != column.unit_below
        ):
            yield f'column "{column.name}" has {column.reading.unit} in its name and {column.unit_below} below it'
        elif column.name in used and column.unit_below == "percent" and column.numbers:
            yield f'column "{column.name}" is in percent'
        elif column.name in used and column.numbers and _is_doubtful_clock(column):
            yield f'column "{column.name}" writes minutes and seconds, or hours and minutes, with a point between'
    for text in (" ".join(cells) for cells in sample.titles):
        if _PER_MANY.search(text):
            yield f'"{text}" may say that times are of many parts'


def _is_doubtful_clock(column: Column) -> bool:
    """Return whether a name says that a point parts minutes and seconds, and cells are not all written so."""
    dotted = _DOTTED_CLOCK.search(column.name)
    return dotted is not None and (dotted[0][0] in "hH" or not is_dotted(column.text))


def _against(
    kind: InputKind,
    column: Column,
    describes: bool,
    tools: Column | None,
    told: Column | None,
    is_of_changes: bool = False,
) -> str:
    """Return why an unused column speaks against a kind, "" where it does not; one that `describes` a tool may.

    Where another column has `told` how each cycle ended, one of yes and no, or of codes, is of something else, and one
    that is filled beside broken-off cycles alone says why they were.
    `is_of_changes` says that a table has what changes of tools have, and no list of tools that are measured.
    """
    name = plain(column.name)
    if name in telling_columns()["units"] and _differ(kind, column):
        return "gives a unit row by row"
    constant = len(column.distinct) < 2
    if kind == "cycle" and column.filled and asked_end(column.name) is not None and not column.times:
        return "may say which cycles were broken off"
    if kind in ("job", "tool_change") and begins(name, "elsewhere"):
        return "belongs to another list"
    noted = column.reading.concepts.get("note", 0.0) >= _SURELY  # "Kommentar" begins as "Kommen"
    if kind == "cycle" and not noted and begins(name, "attendance"):
        return "is of people who come and go, or of plans"
    if kind == "tool_change" and begins(name, "put_in"):
        return "says who put tools in: the rows may be loadings of the magazine, and no tool changes of programs"
    of_row = constant or not describes
    if kind == "tool_change" and ((of_row and begins(name, "checked")) or (not describes and _are_outcomes(column))):
        return "may be of checks or measurements of tools, and not of their changes"
    if kind == "job" and any(told_end(word) == "aborted" for word in column.few_values):
        return "says that some orders were cancelled"
    if kind == "cycle" and told is not None and _explains(column, told):
        return ""
    counted = bool(column.numbers) and "department" not in column.reading.concepts  # ten in each row, one cost centre
    if kind == "edge_change" and begins(name, "store") and (counted if constant else not describes):
        return "is of a store that hands inserts out, and not of edges changed"
    is_pocket = "pocket" in column.reading.concepts  # a magazine is called as a store in some languages
    if kind == "tool_change" and begins(name, "store") and not (constant or describes or is_pocket):
        return "is of a store that hands tools out, and not of their changes"
    if kind == "edge_change" and _are_many(column):
        return "counts several in a row: they may be inserts handed out, and not edges changed"
    if kind == "cycle" and _counts_cycles(column):
        return "counts cycles, several in a row: the rows may be days or batches, and not single cycles"
    if kind == "cycle" and not constant and not describes and _is_inspected(column):
        return "is of what was measured or probed: the rows may be features of parts, and not cycles"
    if kind in ("job", "tool_change") and _are_movements(column):
        return "says what came in and went out"
    meant = max(
        (
            (share, concept)
            for concept, share in column.reading.concepts.items()
            if share >= _PERHAPS and (concept in WORDS or can_bear(concept, column))
        ),
        default=(0.0, ""),
    )[1]
    if "reason" in AGAINST.get(kind, ()) and says(column.name, "reason"):
        meant = "reason"
    measured = kind == "tool_change" and meant in _OF_TOOLS and bool(column.numbers)  # no two tools are one length
    if constant and not (meant in _ALARMS or name in telling_columns()["sorts"] or measured):
        return ""  # the same in every row: it says nothing of a row
    if kind == "tool_change" and meant in _OF_MACHINES and is_of_changes and not says(column.name, "tool"):
        return ""  # what the machine was like when it changed the tool
    if meant in AGAINST.get(kind, ()) and not (describes and not constant and meant in _DESCRIBES):
        return f"is of {meant.replace('_', ' ')}, which {with_article(kind).replace('_', ' ')} has no use for"
    of_kinds = name in telling_columns()["kinds"] and bool(column.few_values) and not column.numbers and not describes
    if kind == "cycle" and (name in telling_columns()["sorts"] or of_kinds or _are_states(column)):
        return "sorts the rows: they may be stops, setups or states, and not all of them cycles"
    if kind == "tool_change" and not describes and name in telling_columns()["sorts"]:
        return "sorts the rows: they may be checks, loadings or bookings, and not all of them tool changes"
    if kind == "cycle" and (_are_flags(column) if told is None else _are_flags_of_an_end(column)):
        return "may say which cycles were broken off"
    if kind == "cycle" and told is None and _are_codes(column):
        return "may say which cycles were broken off"
    if kind in ("cycle", "estimate") and column.numbers and unit_of(column.name) is not None:
        return "is a part of a time, and nothing says of which"
    said = any(concept not in NUMBERS and can_bear(concept, column) for concept in column.reading.concepts)
    unknown = not said and meant not in NUMBERS and not _are_tools(column, tools)
    if kind == "tool_change" and unknown and column.numbers and not describes:
        return "varies from row to row, and nothing tells what it is: the rows may be tools as they were measured"
    return ""


def _is_of_changes(used: frozenset[str], sample: Sample) -> bool:
    """Return whether a table names the program of each tool, and its pocket or in a title that tools are changed.

    A table with a size of tools is none: they are measured.
    """
    meant = {
        concept
        for column in sample.columns
        if column.name in used
        for concept, share in column.reading.concepts.items()
        if share >= _SURELY
    }
    titled = max(title_share("tool_change", sample), file_share("tool_change", sample)) >= _TITLED
    is_of_changes = "program" in meant and ("pocket" in meant or titled)
    return is_of_changes and not any(_is_size(column) for column in sample.columns)


def _describes(column: Column, used: frozenset[str], sample: Sample) -> bool:
    """Return whether a column is the same wherever an id is: it describes the tool or the program, not the row."""
    for other in sample.columns:
        if other.name in used and not other.times and not other.reading.concepts.keys() & NUMBERS:
            pairs = pl.DataFrame({"id": other.text, "told": column.text}).drop_nulls()
            ids = pairs["id"].n_unique()
            if 2 * ids <= pairs.height and ids > 1 and pairs.unique().height == ids:
                return True
    return False


def _is_length_of_change(column: Column, used: frozenset[str], sample: Sample) -> bool:
    """Return whether a column may tell how long changes took: times that are over before the next row of the machine.

    Its unit is one of time, or its name says change and is in seconds then; a life of tools would be longer.
    """
    if column.reading.concepts.get("tool_life", 0.0) >= _PERHAPS or not column.numbers:
        return False
    stated = column.unit if column.unit and UNITS[column.unit][0] == "time" and column.unit not in CELL_UNITS else None
    unit = stated or ("s" if says(column.name, "change") and says(column.name, "time", "duration") else None)
    at_us = next(iter(_times_of(used, sample)), None)
    if unit is None or at_us is None:
        return False
    form = column.numbers[0]
    length_us = read_numbers(column.text, form.decimal or ".", form.thousands, unit) * UNITS[unit][1] * 1e6
    machine = next((c for c in sample.columns if c.reading.concepts.get("machine", 0.0) >= _SURELY), None)
    of = machine.text if machine else pl.repeat("", len(at_us), eager=True)
    rows = pl.DataFrame({"at": at_us, "length": length_us, "of": of}).drop_nulls(["at", "length"]).sort("at")
    gap = pl.col("at").shift(-1).over("of") - pl.col("at")
    over = [(gap + _HALF_SECOND_US >= pl.col("length").shift(step).over("of")).mean() for step in (0, -1)]
    shares = rows.select(as_start=over[0], as_end=over[1]).row(0)
    return any(share is not None and share >= _SURELY for share in shares)


def _differ(kind: InputKind, column: Column) -> bool:
    """Return whether units of rows are not all the ones that we count in."""
    units = [unit for value in column.few_values if (unit := unit_of(value)) is not None and unit in UNITS]
    if kind == "event":
        return any(UNITS[unit][1] != 1.0 for unit in units)
    return len(column.few_values) > 1


def _are_flags(column: Column) -> bool:
    """Return whether all values are words that answer whether, or how, something ended, or marks below such a name."""
    words = column.few_values
    if asked_end(column.name) is not None and words:
        return len(words) <= _FEW
    flags = telling_columns()["flags"]
    letters = all(len(word) == 1 for word in words)
    if letters and any(column.reading.concepts.get(concept, 0.0) >= _MEANT for concept in _LETTERED):
        return False
    return 1 < len(words) <= _FEW and all(plain(word) in flags or told_end(word) for word in words)


def _are_flags_of_an_end(column: Column) -> bool:
    """Return whether values are flags of which some say that a cycle was broken off."""
    return _are_flags(column) and any(told_end(word) == "aborted" for word in column.few_values)


def _tells_ends(column: Column) -> bool:
    """Return whether a column says in each row how its cycle ended."""
    words = column.few_values
    said = [told_end(column.said(word)) for word in words]
    named = column.reading.concepts.get("outcome", 0.0) >= _MEANT or len(set(said)) > 1
    return named and bool(words) and None not in said and column.filled == len(column.text)


def _explains(column: Column, told: Column) -> bool:
    """Return whether a column is filled beside cycles that were broken off, and beside no others."""
    filled = column.text.is_not_null() & ~column.text.str.contains(_NOTHING).fill_null(False)
    ends = {word: told_end(told.said(word)) for word in told.few_values}
    broken = told.text.is_in([word for word, end in ends.items() if end == "aborted"]).fill_null(False)
    return bool(filled.any()) and not bool((filled & ~broken).any())


def _are_outcomes(column: Column) -> bool:
    """Return whether a column says of rows that some went well and others did not."""
    words = column.few_values
    known = all(told_end(word) for word in words)
    return column.reading.concepts.get("outcome", 0.0) >= _MEANT and 1 < len(words) <= _FEW and known


def _are_codes(column: Column) -> bool:
    """Return whether a column under a name that nobody knows holds a few short codes: they may be of anything."""
    words = column.few_values
    if column.reading.concepts or not 1 < len(words) <= _FEWEST_CODES:
        return False
    if all(word.isdigit() for word in words):  # nought in most rows, as codes of errors are
        return float((column.text == "0").mean() or 0.0) >= _MOSTLY  # type: ignore[arg-type]
    return all(word.isalpha() and len(word) <= _SHORT_CODE for word in words)


def _are_many(column: Column) -> bool:
    """Return whether a column counts things, mostly several in a row, that need not be the parts that an edge made.

    Inserts come out of their store by the few or by the box; edges make parts in tens and in any number.
    """
    meant = max((column.reading.concepts.get(concept, 0.0) for concept in ("parts", "quantity")), default=0.0)
    if meant < _PERHAPS or not column.numbers or column.numbers[0].median <= 1:
        return False
    if says(column.name, "made"):
        return False
    by_the_box = bool(column.text.drop_nulls().str.contains("[05]$").all())
    return not says(column.name, "pieces", "part") or column.numbers[0].median <= _BOX or by_the_box


def _counts_cycles(column: Column) -> bool:
    """Return whether a column tells how many cycles a row is of; a counter of the machine grows from row to row."""
    if not says(column.name, "cycles") or not column.numbers:
        return False
    number = column.numbers[0]
    return number.whole and number.median > 1 and number.rises < _COUNTING


def _is_inspected(column: Column) -> bool:
    """Return whether a column gives lengths, or names or measures features of parts."""
    if column.reading.concepts.get("holding", 0.0) >= _SURELY:
        return False  # "côté" is a side, and "cote" a dimension
    length = column.reading.unit is not None and UNITS[column.reading.unit][0] == "length"
    return (bool(column.numbers) and length) or begins(plain(column.name), "inspected")


def _are_movements(column: Column) -> bool:
    words = column.few_values
    return len(words) > 1 and all(plain(word) in telling_columns()["movements"] for word in words)


def _are_tools(column: Column, tools: Column | None) -> bool:
    """Return whether numbers may be tools as those of another column are: the tool before, the next."""
    if tools is None or column.facts.tool_like < _SURELY:
        return False
    mine, theirs = (
        set(cells.text.drop_nulls().str.strip_chars_start("Tt 0").unique().to_list()) for cells in (column, tools)
    )
    return 2 * len(mine & theirs) >= len(mine)


def _are_states(column: Column) -> bool:
    """Return whether some words of a column are states in which no program runs, and none an outcome."""
    words = column.few_values if len(column.few_values) <= _FEW else []
    states = [known_word("execution", word) for word in words]
    modes = {known_word("mode", word) for word in words}
    if len(words) > 1 and modes & {"MANUAL", "MANUAL_DATA_INPUT"} and None not in modes:
        return True
    return any(state in ("READY", "STOPPED", "INTERRUPTED", "WAIT") for state in states) and not any(
        known_word("outcome", word) for word in words
    )


def _by_values(kind: InputKind, used: frozenset[str], sample: Sample, machine: str | None) -> Iterator[str]:
    columns = {column.name: column for column in sample.columns}
    if kind in ("cycle", "tool_change", "edge_change", "event"):
        yield from _steps_back(used, sample, machine)
    if kind == "cycle":
        yield from _no_parts_of_a_row(used, sample)
        yield from _times_of_pieces(used, sample)
        yield from _whole_hours(used, sample)
        yield from _lots(used, sample)
        yield from _scrap_of_what(used, sample)
    for column in sample.columns:
        if column.name in used and column.times and sample.in_sheet and _mixed_cells(column):
            yield f'column "{column.name}" has dates beside texts: a spreadsheet may have exchanged day and month'
    if kind == "estimate":
        timed = [c.name for c in sample.columns if c.name in used and c.reading.concepts.keys() & DURATIONS]
        if timed and all(_holds_setup_alone(columns[name]) for name in timed):
            yield f'column "{timed[0]}" is the only time: the rows may be setups as they were booked'
        for column in sample.columns:
            if (
                _holds(column, "instant")
                and column.filled > _FEW / 2
                and column.text.n_unique() >= _ALONE * column.filled
            ):
                yield f'column "{column.name}" has a time of day in each row: the times may be measured'
                break
    if kind == "job":
        dates = [column for column in columns.values() if column.times]
        planned = [column.name for column in dates if column.reading.concepts.get("planned_instant", 0.0) >= _MEANT]
        if len(planned) > 1 and not any(column.name in used for column in dates):
            yield (
                f'columns "{planned[0]}" and "{planned[1]}" say when work is planned, and nothing says when it was '
                "ordered: it may be a plan of the machines"
            )
        if len(dates) == 1 and begins(plain(dates[0].name), "delivered"):
            yield f'column "{dates[0].name}" is the only date: it may be a list of deliveries'
        elif len(dates) == 1 and dates[0].name not in used and _says_nothing(dates[0]) and not _is_quoted(used, sample):
            yield f'column "{dates[0].name}" is the only date, and nothing tells of what: the rows may be no orders'
        ids = [name for name in used if {"job", "part"} & columns[name].reading.concepts.keys()]
        rows = sample.cells.select(ids)
        if ids and rows.height > 1 and rows.n_unique() < (1 - _REPEATED) * rows.height:
            yield "one order stands in several rows: it may be a list of bookings or deliveries"
    if kind == "tool_change":
        yield from _hours_apart(used, sample)
        yield from _each_once(used, sample)
        times = [columns[name] for name in used if _holds(columns[name], "instant")]
        for column in times:
            if column.filled > _FEW / 2 and column.text.n_unique() < _ALONE * column.filled:
                yield f'column "{column.name}" says one time for many tools: they may be tools as they stand'
                break
    if kind in ("estimate", "job"):
        for column in sample.columns:
            if column.name in used and says(column.name, "minimum") and _has_sibling(column, sample):
                yield f'column "{column.name}" may be a minimum, and not in minutes'


def _hours_apart(used: frozenset[str], sample: Sample) -> Iterator[str]:
    """Tell rows that lie hours apart and name no program: no program changes tools so seldom."""
    named = [column for column in sample.columns if column.name in used]
    whole = [column for column in named if column.times and column.times[0].holds == "instant"]
    if len(whole) != 1 or any(column.reading.concepts.get("program", 0.0) >= _MEANT for column in named):
        return
    of = next((column.text for column in named if column.reading.concepts.get("machine", 0.0) >= _MEANT), None)
    us = clock_us(whole[0].text, whole[0].times[0].format)
    rows = pl.DataFrame({"us": us, "of": pl.repeat("", len(us), eager=True) if of is None else of})
    gap = rows.drop_nulls().sort("us").select(pl.col("us").diff().over("of").median()).item()
    if gap is not None and gap > _HOURS_US:
        yield "its rows lie hours apart: they may be tools lent, checked or worn, and not tool changes of programs"


def _each_once(used: frozenset[str], sample: Sample) -> Iterator[str]:
    """Tell tools of which none comes twice: a magazine is loaded so, while programs call their tools again and again.

    A few rows may be the first run of one program, unless the name of their column says that tools were loaded.
    """
    for column in sample.columns:
        if column.name not in used or column.reading.concepts.get("tool", 0.0) < _MEANT:
            continue
        loaded = any(word.startswith(tuple(telling_columns()["loaded"])) for word in plain(column.name).split())
        if column.filled >= (_FEWEST_LOADED if loaded else _ONCE) and len(column.distinct) == column.filled:
            yield f'no tool of column "{column.name}" comes twice: they may be tools put into a magazine'


def _holds_setup_alone(column: Column) -> bool:
    concepts = column.reading.concepts
    return max(concepts, key=lambda concept: concepts[concept]) in ("setup_time", "load_time")


def _says_nothing(column: Column) -> bool:
    """Return whether a name says nothing that its cells can be."""
    return not any(can_bear(concept, column) for concept in column.reading.concepts)


def _is_quoted(used: frozenset[str], sample: Sample) -> bool:
    """Return whether a table has times or weights of parts, as lists of orders that were quoted do."""
    said = {concept for column in sample.columns if column.name in used for concept in column.reading.concepts}
    return bool(said & (DURATIONS | {"stock_mass", "part_mass"}))


def _no_parts_of_a_row(used: frozenset[str], sample: Sample) -> Iterator[str]:
    """Tell counts that are not of the rows they stand in: running counters, quantities of the order."""
    jobs = [column for column in sample.columns if column.reading.concepts.get("job", 0.0) >= _SURELY]
    for column in sample.columns:
        meant = max(
            (column.reading.concepts.get(concept, 0.0) for concept in ("parts", "scrap", "quantity")), default=0.0
        )
        if column.name not in used or meant < _MEANT or not column.numbers:
            continue
        number = column.numbers[0]
        many = column.filled > _FEW / 2 and column.text.n_unique() >= _ALONE * column.filled
        counts = pl.DataFrame({"count": column.text.cast(pl.Int64, strict=False)}).drop_nulls()
        one_more = counts.select((pl.col("count").diff() == 1).mean()).item() or 0.0
        if (number.rises >= _COUNTING and many) or (one_more >= _ONE_MORE and counts.height > _FEW / 2):
            yield f'column "{column.name}" grows from row to row: it may be a counter'
        for job in jobs:
            pairs = pl.DataFrame({"job": job.text, "count": column.text}).drop_nulls()
            of_jobs = pairs.unique()
            repeated = 2 * of_jobs.height <= pairs.height
            if (
                repeated
                and of_jobs["job"].n_unique() == of_jobs.height > 1
                and number.low > 1
                and number.low < number.high
            ):
                yield f'column "{column.name}" is the same in all rows of a job: it may be the quantity of the order'


def _times_of_pieces(used: frozenset[str], sample: Sample) -> Iterator[str]:
    """Tell a time of one piece beside cycles of several."""
    several = any(
        column.name in used and column.numbers and column.numbers[0].median > 1
        for column in sample.columns
        if column.reading.concepts.get("parts", 0.0) >= _MEANT
    )
    for column in sample.columns:
        if several and column.name in used and (column.numbers or column.durations) and not column.times:
            timed = any(column.reading.concepts.get(concept, 0.0) >= _MEANT for concept in ("cycle_time", "duration"))
            if timed and says(column.name, "pieces", "part"):
                yield f'column "{column.name}" may be the time of one piece, and the cycles make several'


def _whole_hours(used: frozenset[str], sample: Sample) -> Iterator[str]:
    """Tell starts and ends that all lie on full hours: a row is an hour or a shift then, not a cycle."""
    instants = [column for column in sample.columns if column.name in used and _holds(column, "instant")]
    if len(instants) < 2 or sample.rows <= _FEW / 2:
        return
    us = [clock_us(column.text, column.times[0].format).drop_nulls() for column in instants]
    if all(len(times) and bool((times % _HOUR_US == 0).all()) for times in us):
        yield "all times are full hours: the rows may be sums of hours or shifts"


def _lots(used: frozenset[str], sample: Sample) -> Iterator[str]:
    """Tell rows of hours with many parts, not the same number for one program: lots that were booked, not cycles.

    Pallets, fixtures and bars make several parts in a cycle too, but mostly the same number of them.
    """
    counts = [
        column
        for column in sample.columns
        if column.name in used and column.numbers and column.reading.concepts.get("parts", 0.0) >= _MEANT
    ]
    spans = [column for column in sample.columns if column.name in used and _holds(column, "instant")]
    if len(counts) != 1 or counts[0].numbers[0].median < _LOT_PARTS or len(spans) != 2 or sample.rows <= _FEW / 2:
        return
    program = next(
        (c for c in sample.columns if c.name in used and c.reading.concepts.get("program", 0.0) >= _MEANT), None
    )
    first, second = (clock_us(column.text, column.times[0].format) for column in spans)
    rows = pl.DataFrame(
        {
            "program": program.text if program else pl.repeat("", len(first), eager=True),
            "parts": counts[0].text,
            "length_s": (second - first).abs() / 1e6,
        }
    ).drop_nulls()
    repeated = rows.filter(pl.len().over("program") > 2)
    of = repeated if repeated.height > _FEW / 2 else rows.with_columns(program=pl.lit(""))
    usual = of.group_by("program", "parts").len().group_by("program").agg(pl.col("len").max())["len"].sum()
    length_s = rows["length_s"].median()
    if usual < _ONE_LOAD * of.height and isinstance(length_s, float) and length_s >= _LOT_S:
        yield (
            f'column "{counts[0].name}" differs from row to row and the middle row takes {length_s / 3600:.1f} h: '
            "tell whether a row is one cycle, or a lot of many"
        )


def _scrap_of_what(used: frozenset[str], sample: Sample) -> Iterator[str]:
    """Tell scrap without parts, where a column left out counts parts and does not grow: "total" may be of the row."""
    taken = {concept for column in sample.columns if column.name in used for concept in column.reading.concepts}
    for column in sample.columns if "scrap" in taken and "parts" not in taken else ():
        total = column.reading.concepts.get("part_count", 0.0) >= _MEANT and bool(column.numbers)
        if total and column.name not in used and column.numbers[0].rises < _COUNTING:
            yield f'column "{column.name}" may be the parts of each row, scrap among them, or of all rows so far'


def _mixed_cells(column: Column) -> bool:
    """Return whether some cells are dates of the spreadsheet, handed over in ISO form, and others texts."""
    iso = float(column.text.drop_nulls().str.contains(_ISO_CELL).mean() or 0.0)  # type: ignore[arg-type]
    return _MIXED < iso < 1 - _MIXED


def _steps_back(used: frozenset[str], sample: Sample, of: str | None) -> Iterator[str]:
    """Tell times that go back by hours within one day of a log that is in order otherwise.

    The night after midnight stands under the date of the shift then, or a clock shows twelve hours and no AM or PM.
    """
    named = (c for c in sample.columns if c.reading.concepts.get("machine", 0.0) >= _SURELY or c.name == of)
    machine = next(named, None)
    for us in _times_of(used, sample):
        rows = pl.DataFrame({"us": us, "machine": machine.text if machine else pl.repeat("", len(us), eager=True)})
        rows = rows.head(sample.own_rows or rows.height)  # the next sheet begins again
        steps = rows.drop_nulls("us").select(
            step=pl.col("us").diff().over("machine"),
            same_day=(pl.col("us") // _DAY_US == pl.col("us").shift(1).over("machine") // _DAY_US),
            stays=(pl.col("us").shift(-1) < pl.col("us").shift(1)).over("machine"),  # one wrong time alone does not
        )
        rising = steps.select((pl.col("step") >= 0).mean()).item()
        back = steps.select(((pl.col("step") < -_HOURS_US) & pl.col("same_day") & pl.col("stays")).sum()).item()
        if back and rising is not None and rising >= _IN_ORDER:
            yield (
                f"times go back by hours within a day ({back} times): the night may stand under the date of the day "
                "before, or the clock may show twelve hours"
            )
            return


def _times_of(used: frozenset[str], sample: Sample) -> Iterator[pl.Series]:
    """Yield the times of the columns used, as microseconds in the order of rows; a date and its clock times joined."""
    dates = [column for column in sample.columns if column.name in used and _holds(column, "date")]
    for column in sample.columns:
        if column.name not in used or not column.times:
            continue
        if _holds(column, "instant"):
            yield clock_us(column.text, column.times[0].format)
        elif _holds(column, "time of day") and len(dates) == 1:
            joined = pl.select(pl.concat_str([dates[0].text, column.text], separator=" ")).to_series()
            forms = time_forms(joined)
            if forms:
                yield clock_us(joined, forms[0].format)
            return  # an end may well lie past midnight


def _holds(column: Column, what: str) -> bool:
    return bool(column.times) and column.times[0].holds == what


def _has_sibling(column: Column, sample: Sample) -> bool:
    """Return whether another column differs by saying maximum or average where this one says min."""
    return any(
        says(other.name, "maximum", "average") and not other.reading.concepts.keys() & {"operation", "row_id"}
        for other in sample.columns
        if other.name != column.name and (other.numbers or other.durations)  # "moyen" is a machine, too
    )
