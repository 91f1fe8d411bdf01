"""How well the values of a column fit a field, whatever its name: a share from 0 to 1, None where they cannot be it.

Values alone never make a field sure; a name and values together do (`assigning.py`).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Final, NamedTuple

import polars as pl

from pipeline.read.recognition.endings import told_word
from pipeline.read.recognition.names import asked_end, read_name
from pipeline.read.recognition.sample import Column, Knowledge
from schemas.columns import columns
from schemas.concepts import COUNTERS, DURATIONS, ITEM_CONCEPTS, NUMBERS, TIMES, WORDS
from schemas.profile import UNITS, standard_item
from schemas.vocabulary import UTC_TIME, InputKind
from schemas.words import closed_lists, plain, telling_columns

ORDERED: Final = 0.95  # share of steps in one direction from which a column of times counts as a log in order
_COUNTING: Final = 0.7  # share of rising steps from which numbers are a counter
_MOST_COUNT: Final = 1_000_000
_SIGN: Final = re.compile(r"[^\W\d_]{1,5}[ -]?\d{1,3}")  # M4, DR-02, BAZ 5
_JOB_NUMBER: Final = r"^[\w./-]*\d[\w./-]*$"
ANSWERED: Final = 0.95
_SIGN_AND_NUMBER: Final = r"^([^\W\d_]{1,5})[. -]{0,2}\d{1,4}$"
_SIGNED: Final = 0.6
_SIGNS: Final = 0.85
_LETTER: Final = r"^[A-Z]\d?$"
_HARDLY: Final = 0.3
_MARK: Final = "x"
_COUNTED_ROWS: Final = 8
_LOTS: Final = 0.88
_GRADES: Final = 0.91
_FEWEST_GRADES: Final = 2
# Designations of steels, cast iron, light and red metals, plastics, as standards write them (EN 10027, EN 573, AISI).
_GRADE: Final = re.compile(
    r"(?i)(?<![\w.])(?:[1-3]\.[0-9]{4}|EN[ -]?AW[ -]?\d{4}|AISI ?\d{3,4}L?|(?:304|316)L"
    r"|Al(?:Mg|Si|Zn|Cu)\w*|Cu(?:Zn|Sn)\w*|CW ?\d{3}[A-Z]|CK? ?\d{2}E?|S[2-4]\d{2}\w*|E335|\d{1,2}S?Mn(?:Pb)?\d*"
    r"|\d{2,3}Cr\w+|\d{2}Ni\w+|\d{2}MnCr\w*|X\d+Cr\w+|GG?G-?\d{2}|EN[ -]?GJ[LS]-?\d+|GJ[LS]-?\d+"
    r"|Ti ?6 ?Al ?-?4 ?V|Inconel \d+|POM(?:-C)?|PEEK|PA ?6(?:\.?6)?|PTFE"
    r"|60(?:61|63|82)(?:-T\d+)?|7075(?:-T\d+)?|17-4 ?PH)(?!\w)"
)
_PROCESSES: Final = 0.92
_MOST_PROCESS_WORDS: Final = 3
_MOST_LOT: Final = 100_000
_MOSTLY_ROUND: Final = 0.8
_SAYS_PARTS: Final = 0.8
OPPOSITE: Final = {"complete": "aborted", "aborted": "complete"}
_MOST_PLACES: Final = 400  # of the largest magazines; common practice, no source
_MEANT: Final = 0.3
_IDS: Final = frozenset({"operation", "program", "job", "tool", "machine", "part"})
_FEW_VALUES: Final = 30
_ROWS_MEANT: Final = 50  # from the top: further down a sample leaves rows out
_FEWEST_ITEMS: Final = 2
_NAMES_ITEM: Final = 0.6
_FEWEST_STEPS: Final = 3


class Fit(NamedTuple):
    """How well values fit, and what shows it in a person's words."""

    share: float | None
    shown: str = ""


UNFIT: Final = Fit(None)


def fit(kind: InputKind, field: str, column: Column, known: Knowledge) -> Fit:
    """Return how well the values of a column fit one field of a kind."""
    dtype = pl.Float64() if field == "duration_s" else columns(kind)[field]
    if dtype == UTC_TIME:
        return _fit_instant(column)
    if dtype == pl.Date:
        return _fit_date(column)
    if field.endswith("_s"):
        return _fit_duration(column)
    if dtype == pl.Int64:
        if field == "quantity" and _are_lots(column):
            return Fit(_LOTS, "its cells are round numbers, as sizes of lots are")
        return UNFIT if kind == "cycle" and _counts_the_rows(column) else _fit_count(column)
    if dtype == pl.Float64:
        return _fit_number(column)
    by_field: dict[str, Callable[[Column, Knowledge], Fit]] = {
        "machine": _fit_machine,
        "program": _fit_program,
        "tool": _fit_tool,
        "pocket": _fit_pocket,
        "job": _fit_job,
        "operation": _fit_operation,
        "operation_kind": _fit_process,
        "revision": _fit_revision,
        "material": _fit_material,
    }
    if field in ("outcome", "reason", "level"):
        return fit_words(field, column)
    if field == "item":
        return _fit_item(column)
    if field in by_field:
        return UNFIT if _is_instant(column) else by_field[field](column, known)
    return UNFIT if _is_instant(column) else Fit(0.1)


def can_bear(concept: str, column: Column) -> bool:
    """Return whether the values of a column allow a meaning at all."""
    if concept in TIMES:
        return bool(column.times)
    if concept in DURATIONS:
        return bool(column.numbers or column.durations) and not _is_instant(column)
    if concept in COUNTERS:
        return bool(column.numbers) and column.numbers[0].rises >= _COUNTING
    if concept == "position":
        return bool(column.numbers) and not _is_small_count(column)
    if concept in NUMBERS:
        return bool(column.numbers)
    if concept in _IDS and column.durations and not column.numbers:
        return False
    if concept in ("job", "operator") and column.in_fives:
        return False
    if concept == "text" and column.numbers:
        return False
    if concept == "execution" and [told_word("outcome", word) for word in column.few_values] == ["complete"]:
        return False  # of runs that all ended well; a state that never changes tells nothing
    if concept in WORDS:
        return any(told_word(WORDS[concept], column.said(word)) for word in column.few_values)
    return not _is_instant(column)


def _is_instant(column: Column) -> bool:
    """Return whether the cells are surely dates or instants: nothing else is written so."""
    return bool(column.times) and column.times[0].holds != "time of day" and not column.times[0].weak


def _fit_instant(column: Column) -> Fit:
    forms = [form for form in column.times if form.holds == "instant"]
    if not forms:
        return UNFIT
    if forms[0].weak:
        return Fit(0.3, "numbers that can be times")
    ordered = max(forms[0].rises, forms[0].falls) >= ORDERED and column.filled > 3
    if not ordered:
        return Fit(0.6, "its cells are times")
    return Fit(0.8, f"its cells are times that {'rise' if forms[0].rises >= forms[0].falls else 'fall'} row by row")


def _fit_date(column: Column) -> Fit:
    if not column.times or column.times[0].holds == "time of day":
        return UNFIT
    return Fit(0.2) if column.times[0].weak else Fit(0.6, "its cells are dates")


def _fit_duration(column: Column) -> Fit:
    if _is_instant(column):
        return UNFIT
    if column.durations:
        return Fit(0.6, "its cells are durations")
    if column.numbers and column.numbers[0].low >= 0:
        return _fit_measure(column, "time")
    return UNFIT


def _fit_measure(column: Column, dimension: str) -> Fit:
    """Return how well numbers fit a measure: a unit of it stated beside them says more than numbers alone."""
    unit = column.unit or column.numbers[0].unit
    if unit is not None and UNITS[unit][0] == dimension:
        return Fit(0.65, f"its cells are numbers in {unit}")
    return Fit(0.4, "its cells are numbers")


def _fit_count(column: Column) -> Fit:
    whole = [form for form in column.numbers if form.whole]
    if not whole or whole[0].high > _MOST_COUNT:
        return UNFIT
    if whole[0].low < 0:
        return Fit(0.1)  # a slip in a row or two is for the checks to reject
    return Fit(0.6, "its cells are whole numbers")


def _are_lots(column: Column) -> bool:
    """Return whether whole numbers are round and come again, as sizes of lots do; numbers that name lots do not."""
    form = next((form for form in column.numbers if form.whole), None)
    if form is None or form.low < 1 or form.high > _MOST_LOT or column.filled < _COUNTED_ROWS:
        return False
    again = 2 * len(column.distinct) <= column.filled + 2
    no_order = form.rises < _COUNTING
    round_ones = column.text.drop_nulls().str.contains(r"(?:^[1-9]|[05])$").mean()
    return again and no_order and form.low < form.high and float(round_ones or 0.0) >= _MOSTLY_ROUND  # type: ignore[arg-type]


def _counts_the_rows(column: Column) -> bool:
    """Return whether each row has one more than the row before, or each one less, and no name says parts: it counts on.

    Under a name that does ("Good") a person must say what it is.
    """
    if column.reading.concepts.get("parts", 0.0) >= _SAYS_PARTS:
        return False
    steps = column.text.drop_nulls().cast(pl.Int64, strict=False).diff().drop_nulls()
    return len(steps) >= _COUNTED_ROWS and bool((steps == 1).all() or (steps == -1).all())


def _fit_number(column: Column) -> Fit:
    if not column.numbers or column.numbers[0].low < 0:
        return UNFIT
    return _fit_measure(column, "mass")


def answers(column: Column) -> dict[str, str]:
    """Return for a column that asks whether a cycle was completed, or aborted, what yes and no mean; {} for others.

    "Aborted: no" is a complete cycle.
    """
    asked = asked_end(column.name)
    yes, no = telling_columns()["yes"] | {"1", _MARK}, telling_columns()["no"] | {"0"}
    words = {word: plain(word) for word in column.few_values}
    if asked is None or not words or not all(word in yes or word in no for word in words.values()):
        return {}
    counted = column.reading.concepts.get("parts", 0.0) >= _MEANT and "?" not in column.name
    if counted and not set(words.values()).isdisjoint("01"):
        return {}  # of parts, as well
    if len(words) == 1 and column.filled < len(column.text) and not is_marked(column):
        return {}  # what the other rows mean, nobody says
    return {word: asked if said in yes else OPPOSITE[asked] for word, said in words.items()}


def is_marked(column: Column) -> bool:
    """Return whether a column marks the few cycles that were broken off, with a cross or a yes, and leaves the others.

    Where most are marked, or those that ran to their end, a mark may have been forgotten.
    """
    words = [plain(word) for word in column.few_values]
    marks = telling_columns()["yes"] | {_MARK}
    return (
        len(words) == 1
        and words[0] in marks
        and asked_end(column.name) == "aborted"
        and 2 * column.filled < len(column.text)
    )


def fit_words(field: str, column: Column) -> Fit:
    """Return how well the values are words of a closed list."""
    words = column.few_values
    if field == "outcome" and answers(column):
        return Fit(ANSWERED, "its name asks how a cycle ended, and its cells answer yes or no")
    if not words:
        return UNFIT
    meanings = {word: told_word(field, column.said(word)) for word in words}
    known = [word for word, meaning in meanings.items() if meaning is not None]
    asked = asked_end(column.name) is not None
    if field == "outcome" and len(known) == len(words) and (asked or set(meanings.values()) >= set(OPPOSITE)):
        return Fit(ANSWERED, f"its cells say how cycles ended: {', '.join(sorted(known)[:4])}")
    if not known:  # "Run" says an outcome only where its cells do
        hardly = field == "outcome" and column.reading.concepts.get("outcome", 0.0) <= _HARDLY
        return UNFIT if hardly else Fit(0.02)
    if len(known) == len(words):
        return Fit(0.8, f"its cells are words of {field}: {', '.join(sorted(known)[:4])}")
    return Fit(0.4, f"some of its cells are words of {field}")


def _fit_machine(column: Column, known: Knowledge) -> Fit:
    values = column.distinct.to_list()
    matched = [value for value in values if value.casefold() in known.machines]
    if matched and len(matched) == len(values):
        return Fit(0.95, f"its cells are machines of shop.toml: {', '.join(sorted(matched)[:4])}")
    if values and not column.numbers and known.machines_seen.issuperset(value.casefold() for value in values):
        return Fit(0.92, "its cells are machines that the book knows")
    if matched:
        return Fit(0.6, f"some of its cells are machines of shop.toml: {', '.join(sorted(matched)[:4])}")
    if len(values) > _FEW_VALUES or column.numbers:
        return Fit(0.05)
    named = column.reading.concepts.get("machine", 0.0) >= _MEANT
    if named and all(_SIGN.fullmatch(value) for value in values):
        return Fit(0.7, "its cells are a few designations")
    return Fit(0.2)


def _fit_program(column: Column, known: Knowledge) -> Fit:
    if known.programs and _share_in(column.text, known.programs) >= 0.9:
        return Fit(0.92, "its cells are programs that the book knows")
    if column.facts.program_like >= 0.8:
        return Fit(0.6, "its cells look like programs")
    return UNFIT if any(not form.whole for form in column.numbers[:1]) else Fit(0.15)


def _fit_tool(column: Column, known: Knowledge) -> Fit:
    if column.facts.tool_like >= 0.9:
        return Fit(0.25 if column.numbers else 0.5, "its cells look like tool numbers")
    return UNFIT if any(not form.whole for form in column.numbers[:1]) else Fit(0.15)


def _fit_pocket(column: Column, known: Knowledge) -> Fit:
    if _is_small_count(column):
        return Fit(0.5, "its cells are small numbers, as places of a magazine are")
    return Fit(0.1)


def _is_small_count(column: Column) -> bool:
    """Return whether cells are whole numbers no higher than places of a magazine, and no coordinates of an axis."""
    form = next(iter(column.numbers), None)
    return form is not None and form.whole and form.low >= 0 and form.high <= _MOST_PLACES and form.suffix is None


def _fit_job(column: Column, known: Knowledge) -> Fit:
    if known.jobs and _share_in(column.text, known.jobs) >= 0.9:
        return Fit(0.92, "its cells are jobs that the book knows")
    if any(not form.whole for form in column.numbers[:1]) or _numbers_rows(column):
        return UNFIT
    numbered = float(column.text.drop_nulls().str.contains(_JOB_NUMBER).mean() or 0.0)  # type: ignore[arg-type]
    return Fit(0.4, "its cells look like numbers of jobs") if numbered >= 0.9 else Fit(0.15)


def _numbers_rows(column: Column) -> bool:
    """Return whether "No." counts the rows, up or down by one: its name says as much as that of a job."""
    concepts = column.reading.concepts
    if concepts.get("row_id", 0.0) <= concepts.get("job", 0.0):
        return False
    steps = column.text.head(_ROWS_MEANT).cast(pl.Int64, strict=False).diff().drop_nulls()
    return len(steps) >= _FEWEST_STEPS and (bool((steps == 1).all()) or bool((steps == -1).all()))


def _fit_item(column: Column) -> Fit:
    """Return how well cells are names of signals that come again and again: the standard's own say so by themselves."""
    if _is_instant(column) or column.numbers:
        return UNFIT if _is_instant(column) else Fit(0.1)
    names = column.few_values
    if len(names) < _FEWEST_ITEMS or 2 * len(names) > column.filled:
        return Fit(0.1)
    told = [name for name in names if standard_item(name) is not None]
    if 2 * len(told) >= len(names) and len(told) >= _FEWEST_ITEMS:
        return Fit(0.95, f"its cells are items of the standard: {', '.join(told[:4])}")
    meant = [name for name in names if _is_item(name)]
    if 2 * len(meant) >= len(names):
        return Fit(0.6, f"its cells are names of signals: {', '.join(meant[:4])}")
    return Fit(0.1)


def _is_item(name: str) -> bool:
    return standard_item(name) is not None or any(
        share >= _NAMES_ITEM for concept, share in read_name(name).concepts.items() if concept in ITEM_CONCEPTS
    )


def _fit_operation(column: Column, known: Knowledge) -> Fit:
    if column.in_fives:
        return Fit(0.7, "its cells are numbers in fives or tens")
    signs = column.distinct.str.extract(_SIGN_AND_NUMBER, 1).unique().to_list()
    if signs and all(sign and read_name(sign).concepts.get("operation", 0.0) >= _SIGNED for sign in signs):
        return Fit(_SIGNS, f"its cells are operations: {', '.join(column.distinct.sort().head(4))}")
    return Fit(0.15)


def _fit_revision(column: Column, known: Knowledge) -> Fit:
    """Return how well cells are letters, with or without a number, as drawings and programs are revised: A, B, C1."""
    if len(column.distinct) and column.distinct.str.contains(_LETTER).all():
        return Fit(0.5, "its cells are letters, as revisions are")
    return Fit(0.1)


def _fit_process(column: Column, known: Knowledge) -> Fit:
    """Return how well cells say kinds of machining: "Turning", "Fräsen", "finition"; each says one in few words."""
    words = column.few_values
    if words and all(_is_process(word) for word in words):
        return Fit(_PROCESSES, f"its cells are kinds of machining: {', '.join(sorted(words)[:4])}")
    return Fit(0.1)


def _fit_material(column: Column, known: Knowledge) -> Fit:
    """Return how well cells are designations of metals and plastics: "C45", "EN AW-6082", "1.4301"."""
    told = column.distinct.to_list()
    graded = [value for value in told if _GRADE.search(value)]
    if len(told) >= _FEWEST_GRADES and len(graded) >= ANSWERED * len(told):
        return Fit(_GRADES, f"its cells are designations of materials: {', '.join(sorted(graded)[:4])}")
    return UNFIT if _is_instant(column) else Fit(0.1)


def _is_process(text: str) -> bool:
    said, listed = plain(text), closed_lists()["processes"]
    parts = said.split()
    return said in listed or (1 < len(parts) <= _MOST_PROCESS_WORDS and parts[0] in listed)


def _share_in(text: pl.Series, known: frozenset[str]) -> float:
    filled = text.drop_nulls()
    return float(filled.is_in(list(known)).mean() or 0.0) if len(filled) else 0.0  # type: ignore[arg-type]
