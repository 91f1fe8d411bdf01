"""Which column of a sample is which field of a kind, how surely, and why: names and values weighed together.

It chooses columns only; formats and units are settled in `settling.py`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

import polars as pl

from pipeline.read.durations import read_durations
from pipeline.read.numbers import read_numbers
from pipeline.read.plan import ESTIMATE_TIMES, text_of
from pipeline.read.recognition.contradicting import contradictions
from pipeline.read.recognition.elsewhere import belongs_elsewhere
from pipeline.read.recognition.fitting import ORDERED, can_bear, fit
from pipeline.read.recognition.names import read_name, says
from pipeline.read.recognition.paper_signs import Filled
from pipeline.read.recognition.places import disagree, machines_said
from pipeline.read.recognition.said_above import SaidAbove, said_above
from pipeline.read.recognition.sample import Column, Knowledge, Sample, clock_us, file_share, title_share
from pipeline.read.recognition.yearless import with_year
from schemas.columns import STATE_FIELDS, columns, required
from schemas.concepts import CONCEPTS, FIELD_CONCEPTS, FIELDS
from schemas.profile import CELL_UNITS, UNITS, ColumnRule, spared, unit_dimension
from schemas.vocabulary import UTC_TIME, InputKind
from schemas.words import plain

SURE: Final = 0.9
"""A file is read without a profile only where every field that is used is at least this sure."""
NOTICED: Final = 0.6
"""From here on a column may be meant for a field: below SURE a person must say so, and the file waits."""
PROPOSED: Final = 0.3
"""From here on a column is proposed for a field that every row needs."""
OWN_NAME: Final = 0.999
"""How sure our own name of a field makes it."""
_NUMBERED: Final = 0.9
_PLAIN_DATE: Final = 0.8
KNOWN_WORDS: Final = 0.6
"""What a name of which every word is known is worth at least."""
_VALUES_ALONE: Final = 0.88  # what values are worth at most where the name says nothing
_NAMED: Final = 0.8  # a name this sure of another meaning is not overruled by values
_NEAR: Final = 0.08  # runners-up this close put the winner in doubt
_DOUBT: Final = 0.7
_TOOL_LIST_COST: Final = 1.5
_UNUSED_COST: Final = 0.3
_TITLE_WORTH: Final = 0.8
_TITLED: Final = 0.6
_PLACE: Final = 0.5
_ONLY_DATE: Final = 0.92
_TELL_CYCLES: Final = frozenset({"parts", "scrap", "outcome"})
_STAYS: Final = 0.5  # share of rows without a change from which a table is a log of signals
_FEWEST_ROWS: Final = 4
_TOOL_WORD: Final = r"^[Tt]\d{1,4}$"
_OF_A_RUN: Final = frozenset({"execution"})
_TURNS_WORTH: Final = 0.35
_PLACED_WORTH: Final = 0.8
_MOST_PLACES: Final = 400  # of the largest magazines; common practice, no source
_MEANT: Final = 0.5
_PAIRED: Final = 0.8
_BESIDE: Final = {
    "parts": ("parts", "scrap"),
    "stock_kg": ("stock_mass", "part_mass"),
    "part_kg": ("part_mass", "stock_mass"),
}
"""What makes a weak name surer: what was made beside what was scrapped, a gross weight beside a net one."""
_FEWEST_STEPS: Final = 3
_MOST_STAYING: Final = 0.1  # share of rows with the tool of the row before, in a list of changes
_GROWING: Final = 2  # rises for each fall from which a count may be a running one
_FOLLOWING: Final = 0.98  # share of rows whose end is after their start
_DISJOINT: Final = 0.7  # share of rows that end before the next starts: machines run side by side in one list
_FILLED: Final = 0.3  # of the time from start to start that the middle cycle takes
_ROUNDED_US: Final = 1_500_000
_FOLLOWS_WORTH: Final = 0.7
_ELSEWHERE: Final = 0.25  # what a meaning counts that only tables of other kinds have a field for
_IMPOSSIBLE: Final = 0.1  # what a meaning counts that the values do not allow
_SAME_TIME_US: Final = 1_500_000  # clocks are rounded to a second
_STEPS: Final = 0.8
_MOST_OPERATION: Final = 999
_TAKEN: Final = 0.2  # what a meaning counts that another column surely bears
MINOR: Final = frozenset(
    {
        "material",
        "stock_kg",
        "part_kg",
        "operation_kind",
        "tool_type",
        "source",
        "note",
        "edge_cost",
        "insert_batch",
        "pocket",
        "text",
        "operator",
    }
)
"""Fields that change no time and no count: where a column may be one of them, it is left out without asking."""


def unsure(share: float) -> str:
    """Return a share that is not sure enough in two digits, rounded down: what failed 0.90 must not read as 0.90."""
    return f"{math.floor(100 * share) / 100:.2f}"


@dataclass(frozen=True)
class Guess:
    """A field, the columns that fill it (a date and a time of day are two), how surely, and why."""

    field: str
    columns: tuple[str, ...]
    cells: Column  # what stands in them, joined by a blank where they are two
    confidence: float
    evidence: tuple[str, ...]
    named: bool = False  # the name of the column is ours
    said: float = 0.0  # how surely the name alone says it


@dataclass(frozen=True)
class Assignment:
    """What a table is if it is of this kind; `score` compares kinds."""

    kind: InputKind
    guesses: dict[str, Guess]
    missing: tuple[str, ...]  # fields that every row needs and no column fills
    score: float
    doubts: tuple[str, ...] = field(default=())
    candidates: tuple[Guess, ...] = field(default=(), repr=False)  # all that was weighed, chosen or not
    above: Mapping[str, list[SaidAbove]] = field(default_factory=dict)  # fields that lines above say of all rows


def assign(kind: InputKind, sample: Sample, known: Knowledge) -> Assignment:
    """Return the best reading of a sample as a table of one kind."""
    candidates = list(_candidates(kind, sample, known))
    if kind == "cycle":
        candidates = _with_sequence(candidates)
    if kind == "tool_change":
        candidates = _of_changes_unnamed(_with_places(_with_turns(candidates)), sample)
    if kind == "job" and title_share(kind, sample) >= _TITLED:
        candidates = _with_only_date(candidates, sample)
    if kind in ("cycle", "tool_change", "edge_change"):
        candidates = _of_the_machine_above(candidates, sample, known)
    candidates.sort(key=lambda guess: -guess.confidence)
    chosen: dict[str, Guess] = {}
    taken: dict[str, str] = {}
    for guess in candidates:
        if guess.field in chosen or guess.confidence < PROPOSED:
            continue
        if all(column not in taken for column in guess.columns) or _shares_a_date(guess, chosen, taken):
            chosen[guess.field] = guess
            taken.update(dict.fromkeys(guess.columns, guess.field))
    chosen = {name: _doubted(guess, candidates, chosen, taken, sample, known) for name, guess in chosen.items()}
    above = _above(kind, chosen, sample)
    needed = set(needed_fields(kind, {**chosen, **above}))
    chosen = {name: guess for name, guess in chosen.items() if guess.confidence >= _least(name, needed)}
    chosen = {name: guess for name, guess in chosen.items() if name not in above}
    given = {**chosen, **above}
    missing = tuple(name for name in needed_fields(kind, given) if name not in given and name != "machine")
    used = frozenset(column for guess in chosen.values() for column in guess.columns)
    score = _score(kind, chosen, missing, sample)
    machine = chosen["machine"].columns[0] if "machine" in chosen and chosen["machine"].confidence >= SURE else None
    doubts = list(contradictions(kind, used, sample, machine))
    if not missing:
        cells = {name: guess.cells for name, guess in chosen.items()}
        doubts += belongs_elsewhere(Filled(kind, cells, used, sample, known.machines))
    return Assignment(kind, chosen, missing, score, tuple(doubts), tuple(candidates), above)


def _above(kind: InputKind, chosen: Mapping[str, Guess], sample: Sample) -> dict[str, list[SaidAbove]]:
    """Return the fields that lines above a table say of all rows and that no column surely is.

    That a run of rows is of one program makes them no cycles: a title, or counts of parts, must say so.
    """
    found = {
        name: said
        for name, said in said_above(kind, sample.titles).items()
        if name not in chosen or chosen[name].confidence < SURE
    }
    is_told = chosen.keys() & _TELL_CYCLES or title_share(kind, sample) >= _TITLED
    return found if kind != "cycle" or is_told else {n: said for n, said in found.items() if n not in required(kind)}


def _least(name: str, needed: set[str]) -> float:
    """Return how sure a guess must be to be proposed at all."""
    return PROPOSED if name in needed else SURE if name in MINOR else NOTICED


def _with_only_date(candidates: list[Guess], sample: Sample) -> list[Guess]:
    """Return the guesses with the only date of what a title calls orders surer, where its name may say their date."""
    dates = [column.name for column in sample.columns if column.times and column.times[0].holds != "time of day"]
    if len(dates) != 1:
        return candidates
    return [
        replace(
            guess,
            confidence=max(guess.confidence, _ONLY_DATE),
            evidence=(*guess.evidence, "it is the only date of what the title calls orders"),
        )
        if guess.field == "ordered_on" and guess.columns == (dates[0],) and guess.said
        else guess
        for guess in candidates
    ]


def _with_sequence(candidates: list[Guess]) -> list[Guess]:
    """Return the guesses with ends and durations surer where each cycle ends after its start and before the next."""
    starts = [guess for guess in candidates if guess.field == "started_at" and guess.confidence >= NOTICED]
    best = max(starts, key=lambda guess: guess.confidence, default=None)
    if best is None or len(best.cells.text) < _FEWEST_ROWS or not best.cells.times:
        return candidates
    begun = clock_us(best.cells.text, best.cells.times[0].format)
    machines = max(
        (guess for guess in candidates if guess.field == "machine" and guess.confidence >= SURE),
        key=lambda guess: guess.confidence,
        default=None,
    )
    machine = None if machines is None else machines.cells.text
    shown = f'with "{" + ".join(best.columns)}" it makes cycles that follow one another'
    return [
        replace(
            guess,
            confidence=min(1 - (1 - guess.confidence) * (1 - _FOLLOWS_WORTH), 1.0 if guess.said else _VALUES_ALONE),
            evidence=(*guess.evidence, shown),
        )
        if guess.field in ("ended_at", "duration_s")
        and guess.confidence < OWN_NAME
        and (ended := ends_by(guess, begun)) is not None
        and follow(begun, ended, machine)
        else guess
        for guess in candidates
    ]


def _with_turns(candidates: list[Guess]) -> list[Guess]:
    """Return the guesses with tools surer that change from row to row and come again, as those that programs call do.

    Numbers that do not are no tools where their name says a change of tools and no more: they may count them.
    """
    machines = {guess.field: guess for guess in candidates if guess.field == "machine" and guess.confidence >= SURE}
    return [
        replace(
            guess,
            confidence=1 - (1 - guess.confidence) * (1 - _TURNS_WORTH),
            evidence=(*guess.evidence, "it changes from row to row and comes again"),
        )
        if guess.field == "tool" and KNOWN_WORDS <= guess.said < 1.0 and _turns(guess, machines)
        else guess
        for guess in candidates
        if guess.field != "tool" or not _may_count_changes(guess.cells) or _turns(guess, machines)
    ]


def _with_places(candidates: list[Guess]) -> list[Guess]:
    """Return the guesses with pockets surer where each tool of a machine has a place of its own, as in a magazine."""
    best = {
        name: max((g for g in candidates if g.field == name), key=lambda g: g.confidence, default=None)
        for name in ("tool", "machine")
    }
    tool, machine = best["tool"], best["machine"]
    if tool is None or tool.confidence < SURE:
        return candidates
    of = machine.cells.text if machine is not None and machine.confidence >= SURE else None
    return [
        replace(
            guess,
            confidence=1 - (1 - guess.confidence) * (1 - _PLACED_WORTH),
            evidence=(*guess.evidence, "each tool has a place of its own"),
        )
        if guess.field == "pocket"
        and guess.said >= PROPOSED
        and guess.columns != tool.columns
        and _are_places(tool.cells, guess.cells, of)
        else guess
        for guess in candidates
    ]


def _are_places(tools: Column, places: Column, machine: pl.Series | None) -> bool:
    """Return whether tools and small numbers beside them come again in the same pairs, one to one on each machine."""
    form = next(iter(places.numbers), None)
    if form is None or not form.whole or form.low < 0 or form.high > _MOST_PLACES:
        return False
    of = machine if machine is not None else pl.repeat("", len(tools.text), eager=True)
    rows = pl.DataFrame({"of": of, "tool": tools.text, "place": places.text}).drop_nulls()
    pairs = rows.unique()
    if pairs.height < _FEWEST_STEPS or 2 * pairs.height > rows.height:
        return False
    return pairs.height == pairs.select("of", "tool").n_unique() == pairs.select("of", "place").n_unique()


def _of_the_machine_above(candidates: list[Guess], sample: Sample, known: Knowledge) -> list[Guess]:
    """Return the guesses without bare numbers for machines by a weak name, where a title says the machine: "Poste"."""
    if not machines_said(sample.titles, "", known.machines):
        return candidates
    return [
        guess
        for guess in candidates
        if guess.field != "machine" or guess.confidence >= SURE or not guess.cells.numbers or guess.named
    ]


def _of_changes_unnamed(candidates: list[Guess], sample: Sample) -> list[Guess]:
    """Return the guesses of a list without a head that the file's name says is of tool changes: its times, its T01.

    What else stands in it says what the name of the file does, in every row: its machine.
    """
    if not sample.is_unnamed or file_share("tool_change", sample) < SURE:
        return candidates
    times = [column.name for column in sample.columns if column.times]
    tools = [column.name for column in sample.columns if column.distinct.str.contains(_TOOL_WORD).all()]
    others = [column.distinct for column in sample.columns if column.name not in (*times, *tools)]
    if any(len(said) > 1 or plain(said[0]) not in plain(sample.place) for said in others):
        return candidates
    only = {"occurred_at": (times, "its only times"), "tool": (tools, "its only cells that are tools: T and a number")}
    told = f'of a file called "{sample.place.rpartition("/")[2]}"'
    return [
        replace(guess, confidence=SURE, evidence=(*guess.evidence, f"{only[guess.field][1]}, {told}"))
        if guess.field in only and only[guess.field][0] == [*guess.columns] and guess.confidence < SURE
        else guess
        for guess in candidates
    ]


def _may_count_changes(column: Column) -> bool:
    return bool(column.numbers) and "tool_changed" in column.reading.concepts and "tool" not in column.reading.concepts


def _turns(guess: Guess, machines: dict[str, Guess]) -> bool:
    column = guess.cells
    again = column.filled >= _FEWEST_ROWS * len(column.distinct) and len(column.distinct) > 1
    return again and tool_stays({**machines, "tool": guess}) < _MOST_STAYING


def ends_by(guess: Guess, begun: pl.Series) -> pl.Series | None:
    """Return when cycles would end by a guess, None where it does not say in which unit."""
    column = guess.cells
    if guess.field == "ended_at":
        return clock_us(column.text, column.times[0].format) if column.times else None
    if column.durations and not column.durations[0].undecided:
        return begun + read_durations(column.text, column.durations[0].unit) * 1e6
    form = next(iter(column.numbers), None)
    unit = column.unit or (form.unit if form else None)
    if form is None or unit is None or UNITS[unit][0] != "time" or unit in CELL_UNITS:
        return None
    return begun + read_numbers(column.text, form.decimal or ".", form.thousands, unit) * UNITS[unit][1] * 1e6


def follow(begun: pl.Series, ended: pl.Series, machine: pl.Series | None = None) -> bool:
    """Return whether cycles end after they begin and before the next begins, and fill a good part of the time.

    They follow one another on each machine, where a column says which; in one list otherwise.
    """
    of = machine if machine is not None else pl.repeat("", len(begun), eager=True)
    frame = pl.DataFrame({"first": begun, "last": ended, "of": of}).drop_nulls(["first", "last"]).sort("first")
    following = pl.col("first").shift(-1).over("of")
    gap = following - pl.col("first")
    after, before, filled = frame.select(
        (pl.col("last") > pl.col("first")).mean().alias("after"),
        (pl.col("last") <= following + _ROUNDED_US).mean().alias("before"),
        ((pl.col("last") - pl.col("first")) / gap).median().alias("filled"),
    ).row(0)
    if frame.height < _FEWEST_ROWS or filled is None:
        return False
    return bool(after >= _FOLLOWING and before >= _DISJOINT and filled >= _FILLED)


def needed_fields(kind: InputKind, given: Iterable[str]) -> list[str]:
    """Return the fields that every row of a kind needs, given that some are filled."""
    names = required(kind)
    has = set(given)
    if kind == "cycle":
        names = [name for name in names if name not in spared(has)]
    if kind == "estimate":
        names += [] if has & {"job", "program"} else ["job"]
        names += [] if has & set(ESTIMATE_TIMES) else ["cycle_s"]
    return names


def _candidates(kind: InputKind, sample: Sample, known: Knowledge) -> Iterator[Guess]:
    fields = [*columns(kind), *(("duration_s",) if kind == "cycle" else ())]
    for name in fields:
        if kind == "event" and name in STATE_FIELDS:  # a log of states is told by its rows: `event_logs.py`
            continue
        dtype = pl.Float64() if name == "duration_s" else columns(kind)[name]
        for column in sample.columns:
            share = name_share(kind, name, column, sample)
            if (guess := _weigh(kind, name, column, (column.name,), share, known)) is not None:
                yield guess
        if dtype == UTC_TIME:
            for column, pair, share in _pairs(kind, name, sample):
                if (guess := _weigh(kind, name, column, pair, share, known)) is not None:
                    yield replace(guess, evidence=(*guess.evidence, "date and time of day stand in two columns"))


def name_share(kind: InputKind, name: str, column: Column, sample: Sample) -> float:
    """Return how surely the name of a column means a field in a table of a kind; 1 for our own name of it.

    A name of several meanings is weighed by those that a table of this kind has a use for, and a meaning that another
    column bears surely counts little: beside a column "Operator", a column "Op" is no operator.
    """
    if " ".join(column.name.split()).casefold() == name:
        return 1.0
    concepts = column.reading.concepts
    if kind != "job" and "instant" in concepts:  # any date may be that of an order, but only among orders
        concepts = {concept: share for concept, share in concepts.items() if concept != "ordered_on"}
    if kind in ("estimate", "job") and unit_dimension(name) == "time" and says(column.name, "actual"):
        return 0.0
    if name == "operation" and concepts.get("row_id", 0.0) >= SURE and column.in_fives and _comes_again(column):
        return _STEPS  # a sequence of tens that come again is of operations, and numbers no rows
    if (beside := _BESIDE.get(name)) is not None and sample.borne_elsewhere(beside[1], column) >= NOTICED:
        concepts = {
            concept: max(share, _PAIRED) if concept == beside[0] and share >= _MEANT else share
            for concept, share in concepts.items()
        }
    if kind == "estimate" and name == "cycle_s" and not _is_by_tools(sample):
        concepts = {concept: share for concept, share in concepts.items() if concept != "cut_time"}
    if name == "ended_at" and sample.borne_elsewhere("started", column) >= SURE:  # "Stop" beside "Start"
        concepts = {concept: share for concept, share in concepts.items() if concept != "idle_time"}
    if kind == "cycle" and name == "parts" and sample.scrap_is_of_a_total and not _counts_on(column):
        concepts = {"parts" if concept == "part_count" else concept: share for concept, share in concepts.items()}
    meant, others = 0.0, 0.0
    for concept, share in concepts.items():
        if FIELDS[kind].get(concept) == name:
            meant = max(meant, share)
        else:
            weight = _ELSEWHERE if concept in FIELD_CONCEPTS and concept not in FIELDS[kind] else 1.0
            weight *= 1.0 if can_bear(concept, column) else _IMPOSSIBLE
            # of two that are called machine in one language or another, numbers are no machine beside names
            surer = SURE if concept == "machine" and column.numbers else max(SURE, math.nextafter(share, 1))
            weight *= _TAKEN if sample.borne_elsewhere(concept, column) >= surer else 1.0
            weight *= _TAKEN if concept == "operator" and name == "operation" and _follows_job(column, sample) else 1.0
            others += weight * share
    total = min(1.0, sum(concepts.values()))
    return total * meant / (meant + others) if meant else 0.0


def _comes_again(column: Column) -> bool:
    return 2 * len(column.distinct) <= column.filled


def _is_by_tools(sample: Sample) -> bool:
    """Return whether estimates are told tool by tool, or by cutting and all else: without, machining is the cycle."""
    return any(
        column.reading.concepts.get(concept, 0.0) >= NOTICED
        for column in sample.columns
        for concept in ("tool", "noncut_time", "cut_time")
        if concept != "cut_time" or "cycle_time" not in column.reading.concepts
    )


def _follows_job(column: Column, sample: Sample) -> bool:
    """Return whether small numbers stand just behind a column of jobs, as those of operations do: "WO", "Op"."""
    names = [each.name for each in sample.columns]
    at = names.index(column.name) if column.name in names else 0
    if not at or not column.numbers or not column.numbers[0].whole or column.numbers[0].high > _MOST_OPERATION:
        return False
    return sample.columns[at - 1].reading.concepts.get("job", 0.0) >= SURE


def _counts_on(column: Column) -> bool:
    """Return whether a count grows more than it falls: it may be of all rows so far."""
    steps = column.text.drop_nulls().cast(pl.Float64, strict=False).diff().drop_nulls()
    return len(steps) < _FEWEST_ROWS or int((steps > 0).sum()) > _GROWING * int((steps < 0).sum())


def _weigh(
    kind: InputKind, name: str, column: Column, from_: tuple[str, ...], share: float, known: Knowledge
) -> Guess | None:
    fits, shown = fit(kind, name, column, known)
    if fits is None:
        return None
    if share >= 1.0:
        return Guess(name, from_, column, OWN_NAME, ("the name is ours", *_said(shown)), True, 1.0)
    if share == 0.0:
        if name not in (*required(kind), "duration_s") and fits < SURE:
            return None  # what a row may lack is not taken from values alone
        if len(from_) == 1 and _means_another(kind, name, column):
            return None
        confidence = fits if fits > SURE else min(fits, _VALUES_ALONE)  # only ids that the shop knows are surer
        return Guess(name, from_, column, confidence, _said(shown))
    confidence = 1 - (1 - share) * (1 - fits)
    if share < KNOWN_WORDS and name in required(kind) and fits < _VALUES_ALONE:
        confidence = min(confidence, _VALUES_ALONE)  # a word of it is not known: what it is of may be another thing
    told = f"the name means {name.replace('_', ' ')} ({share:.2f})"
    return Guess(name, from_, column, confidence, (told, *_said(shown)), said=share)


def _said(shown: str) -> tuple[str, ...]:
    return (shown,) if shown else ()


def _means_another(kind: InputKind, name: str, column: Column) -> bool:
    """Return whether the name of a column surely means something other than a field.

    "Run status" is a state in a log of states; where its cells say how runs ended, it is that of each run.
    """
    same = _OF_A_RUN if name == "outcome" else frozenset()
    return any(
        share >= _NAMED and FIELDS[kind].get(concept) != name and concept not in same
        for concept, share in column.reading.concepts.items()
        if concept in CONCEPTS and can_bear(concept, column)
    )


def _pairs(kind: InputKind, name: str, sample: Sample) -> Iterator[tuple[Column, tuple[str, str], float]]:
    """Yield columns of a date and a time of day joined, with how surely the two names mean the field."""
    dates = [column for column in sample.columns if column.times and column.times[0].holds == "date"]
    clocks = [
        column for column in sample.columns if any(form.holds == "time of day" or form.weak for form in column.times)
    ]  # 061040 may be a time of day or a day of a spreadsheet: behind a date it is told
    for date in dates:
        for clock in clocks:
            if clock.name == date.name:
                continue
            share = _pair_share(kind, name, date, clock, sample)
            if share <= 0.0:
                continue
            rule = ColumnRule.model_validate({"from": [date.name, clock.name]})
            joined = text_of(sample.cells, rule)
            joined = joined if date.year is None else with_year(joined, date.year)
            yield Column(f"{date.name} {clock.name}", joined, None, date.year), (date.name, clock.name), share


def _pair_share(kind: InputKind, name: str, date: Column, clock: Column, sample: Sample) -> float:
    """Return how surely a date and a time of day mean one field: one may name it, the other must not contradict."""
    by_date, by_clock = name_share(kind, name, date, sample), name_share(kind, name, clock, sample)
    plain_date, plain_clock = _is_plain(kind, date, "date", sample), _is_plain(kind, clock, "time of day", sample)
    if by_date and by_clock and not (plain_date and plain_clock):
        return min(max(by_date, 0.9 * plain_date), max(by_clock, 0.9 * plain_clock))
    if plain_date and by_clock:
        return by_clock
    if by_date and plain_clock:
        return by_date
    return 0.0


def _is_plain(kind: InputKind, column: Column, part: str, sample: Sample) -> bool:
    """Return whether a name says date or time of day and not of what; meanings that its cells do not allow aside."""
    concepts = column.reading.concepts
    said = concepts.get("instant", 0.0)
    if part == "date" and any(not can_bear(concept, column) for concept in concepts):
        said = max(said, name_share(kind, FIELDS[kind]["instant"], column, sample))  # "Tag" is a day, or a mark
    other = max(
        (share for concept, share in concepts.items() if concept != "instant" and can_bear(concept, column)),
        default=0.0,
    )
    if part == "date" and said < _PLAIN_DATE:
        return False  # the day of an entry or an export is not that of the run
    return said > 0 and (column.reading.part in (part, None)) and other < _NAMED


def _shares_a_date(guess: Guess, chosen: dict[str, Guess], taken: dict[str, str]) -> bool:
    """Return whether the only column that is taken is the date of a start, and this is the end of the same rows."""
    if len(guess.columns) != 2 or guess.field not in ("started_at", "ended_at"):
        return False
    date, clock = guess.columns
    other = chosen.get("started_at" if guess.field == "ended_at" else "ended_at")
    return clock not in taken and other is not None and len(other.columns) == 2 and other.columns[0] == date


def _numbered_part(guess: Guess, rival: Guess) -> Guess | None:
    """Return which of two columns is the number of the part where the other is its name, None where neither is."""
    numbered = [bool(each.cells.distinct.str.contains(r"\d").all()) for each in (guess, rival)]
    worded = [not each.cells.distinct.str.contains(r"\d").any() for each in (guess, rival)]
    if numbered[0] and worded[1]:
        return guess
    return rival if numbered[1] and worded[0] else None


def _doubted(
    guess: Guess,
    candidates: list[Guess],
    chosen: dict[str, Guess],
    taken: dict[str, str],
    sample: Sample,
    known: Knowledge,
) -> Guess:
    """Lower a guess where another column fits the field nearly as well, is free, and says other things."""
    if guess.confidence >= OWN_NAME:
        return guess
    for rival in candidates:
        if rival.field != guess.field or rival.columns == guess.columns:
            continue
        if guess.field == "tool" and _is_its_number(guess, rival, taken, sample):
            evidence = (*guess.evidence, "it is the number of the tool that another column names")
            return replace(rival, confidence=guess.confidence, evidence=evidence)
        if rival.confidence < guess.confidence - _NEAR or rival.confidence < PROPOSED:
            continue
        if guess.field == "parts" and says(guess.cells.name, "good") and not says(rival.cells.name, "good"):
            continue  # a count that nothing is said of is that of the order, or of all that were made
        if any(taken.get(column, guess.field) != guess.field for column in rival.columns):
            continue
        if set(rival.columns) & set(guess.columns):
            continue
        if _say_the_same(guess.cells, rival.cells) and not _are_two_machines(guess, rival):
            continue
        if guess.field == "machine" and (likelier := _likelier_machine(guess, rival, known)) is not None:
            if likelier is guess:
                continue
            return replace(rival, evidence=(*rival.evidence, f'column "{guess.columns[0]}" says where it stands'))
        if guess.field == "part" and (numbered := _numbered_part(guess, rival)) is not None:
            if numbered is guess:
                continue
            return replace(rival, confidence=guess.confidence, evidence=(*rival.evidence, "the other is its name"))
        if guess.field == "tool" and _is_next(guess.columns[0], rival.columns[0], sample):
            continue
        if guess.field == "tool" and _is_next(rival.columns[0], guess.columns[0], sample):
            return replace(rival, evidence=(*rival.evidence, "it becomes the other tool column of the next row"))
        also = f'column "{" + ".join(rival.columns)}" fits as well'
        return replace(guess, confidence=guess.confidence * _DOUBT, evidence=(*guess.evidence, also))
    return guess


def _is_its_number(guess: Guess, rival: Guess, taken: dict[str, str], sample: Sample) -> bool:
    """Return whether a column is the number of the tool that the chosen one calls by name."""
    by_name = guess.cells.facts.tool_like < _NUMBERED <= rival.cells.facts.tool_like
    free = taken.get(rival.columns[0], "tool") == "tool"
    return by_name and free and rival.named and _say_the_same(guess.cells, rival.cells)


def _say_the_same(one: Column, other: Column) -> bool:
    """Return whether two columns tell the same rows apart, as a number and its name do, or are the same times.

    Where each row has a value of its own any two columns would: then only the same cells say the same.
    """
    if one.times and other.times:
        apart_us = (clock_us(one.text, one.times[0].format) - clock_us(other.text, other.times[0].format)).abs()
        return bool((apart_us <= _SAME_TIME_US).all())
    cells = pl.DataFrame({"one": one.text, "other": other.text}).drop_nulls()
    pairs = cells.unique().height
    if pairs == cells.height:
        return bool((cells["one"] == cells["other"]).all())
    return pairs > 0 and pairs == cells["one"].n_unique() == cells["other"].n_unique()


def _are_two_machines(guess: Guess, rival: Guess) -> bool:
    """Return whether two columns name one machine each, and plainly not the same."""
    if guess.field != "machine":
        return False
    one, other = (column.text.drop_nulls().unique().to_list() for column in (guess.cells, rival.cells))
    return len(one) == len(other) == 1 and disagree(one[0], other[0], {})


def _likelier_machine(guess: Guess, rival: Guess, known: Knowledge) -> Guess | None:
    """Return which of two columns names the machines where the other one says a hall or a plant, None if none does.

    What shop.toml knows is a machine; a column of one value beside one of several is what they stand in.
    """
    values = {one.columns: one.cells.distinct.to_list() for one in (guess, rival)}
    if any(value.casefold() in known.machines for listed in values.values() for value in listed):
        return None
    places = [one for one in (guess, rival) if all(map(_is_place, values[one.columns]))]
    constant = [one for one in (guess, rival) if len(values[one.columns]) == 1]
    if len(places) != 1 and len(constant) == 1 and constant[0].cells.filled == len(constant[0].cells.text):
        places = constant
    return (rival if places[0] is guess else guess) if len(places) == 1 else None


def _is_place(value: str) -> bool:
    """Return whether a value is a word for a part of a shop with its number or letter: "Halle 2", "Plant B"."""
    words = [word for word in plain(value).split() if not word.isdigit() and len(word) > 1]
    return bool(words) and read_name(" ".join(words)).concepts.get("department", 0.0) >= _PLACE


def _is_next(new: str, old: str, sample: Sample) -> bool:
    """Return whether a column of tools holds what another says one row later: the tool after a change and before it."""
    cells = sample.cells
    agree = (cells[new] == cells[old].shift(-1)).drop_nulls()
    return len(agree) > 1 and float(agree.mean() or 0.0) >= 0.8 and cells[new].n_unique() > 1  # type: ignore[arg-type]


def _score(kind: InputKind, chosen: dict[str, Guess], missing: tuple[str, ...], sample: Sample) -> float:
    used = {column for guess in chosen.values() for column in guess.columns}
    score = sum(guess.confidence for guess in chosen.values()) - 2.0 * len(missing)
    for column in sample.columns:
        concepts = column.reading.concepts
        if column.name not in used and any(share >= SURE for name, share in concepts.items() if name in _SAID):
            score -= _UNUSED_COST
        if kind == "cycle" and concepts.get("tool", 0.0) >= SURE and column.text.n_unique() > 1:
            score -= _TOOL_LIST_COST
    if kind == "tool_change" and "tool" in chosen and tool_stays(chosen) > _STAYS:
        score -= _TOOL_LIST_COST
    return score + _TITLE_WORTH * max(title_share(kind, sample), 0.5 * file_share(kind, sample))


def tool_stays(chosen: Mapping[str, Guess]) -> float:
    """Return the share of rows whose tool is that of the row before on the same machine: none in a list of changes."""
    cells = pl.DataFrame({"tool": chosen["tool"].cells.text})
    machine = chosen["machine"].cells.text if "machine" in chosen else pl.repeat("", cells.height, eager=True)
    same = cells.with_columns(machine=machine).select(
        (pl.col("tool") == pl.col("tool").shift(1).over("machine")).mean()
    )
    return float(same.item() or 0.0)


_SAID: Final = frozenset(concept for fields in FIELDS.values() for concept in fields)


def in_order(column: Column) -> bool:
    """Return whether the times of a column rise or fall all the way."""
    return bool(column.times) and max(column.times[0].rises, column.times[0].falls) >= ORDERED
