"""Fields weighed together: what the kind of a table makes of a column that a name and values alone leave in doubt.

The model is Bayes over what a column can be, given that the table is of a kind: the field, another field that the table
has no column for yet, or a thing that lists of this kind have no field for. With `p` how sure a column is of a field
when it is judged alone (odds o = p / (1 - p)), and `h` the share of lists of the kind that have a column for the field:

    the field is this column       h x o
    it is another free column      h x (odds of that column)
    the field has no column        (1 - h) x (1 + odds of the other fields that this column can be)

What comes out is multiplied by how sure the kind is by all other columns, never by the column in question. Nothing is
made surer where something speaks against the kind, where a field is missing, or where times do not behave as those of
the kind do: a cycle ends after its start and before the next one of its machine.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import replace
from typing import Final

import polars as pl

from pipeline.read.recognition.assigning import (
    KNOWN_WORDS,
    MINOR,
    NOTICED,
    OWN_NAME,
    SURE,
    Assignment,
    Guess,
    ends_by,
    follow,
    needed_fields,
    tool_stays,
)
from pipeline.read.recognition.fitting import can_bear, fit
from pipeline.read.recognition.names import says
from pipeline.read.recognition.sample import Column, Knowledge, Sample, clock_us, file_share, title_share
from schemas.columns import columns
from schemas.concepts import FIELDS, WORDS
from schemas.profile import with_article
from schemas.vocabulary import UTC_TIME, InputKind

# The shares and ratios below are common practice, no source.
_NEEDED: Final = 0.95  # share of lists of a kind that have a column for a field that every row needs
_HAD: Final[Mapping[str, float]] = {"machine": 0.8, "operation": 0.7, "reason": 0.9}
_MAY_BE: Final = 0.5  # of any other field
_PRIOR_ODDS: Final = 0.2  # of one kind against all other lists of a shop: six kinds, and as many lists of none
_RATIOS: Final[Mapping[InputKind, Mapping[str, float]]] = {
    "cycle": {
        "machine": 2,
        "program": 6,
        "started_at": 4,
        "ended_at": 4,
        "duration_s": 3,
        "parts": 4,
        "scrap": 4,
        "outcome": 5,
        "job": 1.5,
        "operation": 2,
        "revision": 2,
    },
    "tool_change": {"machine": 2, "tool": 5, "program": 4, "pocket": 6},
    "edge_change": {"machine": 2, "tool": 5, "reason": 6, "edge_cost": 6},
    "event": {"machine": 2, "item": 6, "value": 4, "data_item_id": 6, "sub_type": 6},
    "estimate": {
        "job": 1.5,
        "program": 3,
        "operation": 2,
        "tool": 3,
        "cut_s": 8,
        "noncut_s": 8,
        "cycle_s": 3,
        "load_s": 6,
        "setup_s": 4,
        "material": 2,
    },
    "job": {
        "job": 1.5,
        "part": 2,
        "material": 2,
        "quantity": 2,
        "quoted_cycle_s": 8,
        "quoted_setup_s": 8,
        "stock_kg": 6,
        "part_kg": 6,
        "ordered_on": 3,
    },
}
"""How many times as often lists of a kind have a column that is surely of a field as other lists of a shop do."""
_SIGNAL_RATIO: Final = 5.0  # of a column that is surely a signal of a control, for a log of events
_TITLED_RATIO: Final = 20.0  # of a title that surely says the kind
_IN_TURN_RATIO: Final = 6.0  # of starts and ends of which none overlap on a machine and that fill its time
_TOOLS_TURN_RATIO: Final = 2.0  # of a tool that changes from row to row
_ALIKE_RATIO: Final = 10.0  # of runs that take as long as others of their program
_ALIKE: Final = 0.15  # of the length, either way
_MOSTLY_ALIKE: Final = 0.75  # share of runs; some are broken off, some wait
_FEWEST_ALIKE: Final = 12
_TOOL_STAYS: Final = 0.2
_FAR_APART_RATIO: Final = 0.2  # of rows that lie hours apart, for changes of tools
_FAR_APART_US: Final = 2 * 3_600_000_000
_UNKNOWN_RATIO: Final = 0.6  # of a column that nobody can say anything of
_FOREIGN_RATIO: Final = 0.5  # of a column of a thing that lists of the kind have no field for
_NAME_UNKNOWN: Final = 0.2  # of a field whose name no word list has: ours are listed, the words of other lists are not
_NAME_OF_ANOTHER: Final = 0.05  # of one whose name is known, for another thing that its cells can be
_NAME_IN_PART: Final = 0.5  # of one of which a word is not known
_WRITTEN_BY_MACHINES: Final = 3.0  # of times counted since 1970, for logs that machines write
_NEUTRAL: Final = frozenset(
    {
        "row_id",
        "note",
        "customer",
        "shift",
        "weekday",
        "department",
        "batch",
        "operator",
        "part",
        "revision",
        "zone",
        "holding",
    }
)
"""What any list of a shop has."""
_TO_THE_SECOND: Final = 0.3  # as often is a time to the second planned, or set as a due time, as any time is
_ROUND: Final = 10.0  # as often is one of full five minutes
_MINUTE_US: Final = 60_000_000
_ROUNDED: Final = 0.5  # share of times that may be round by chance, of minutes and of five minutes
_AGREES_RATIO: Final = 50.0  # of a duration that is the end less the start in every row
_AGREES: Final = 0.95
_ROUNDING_US: Final = 1_500_000
_FEWEST_ROWS: Final = 4
_MEANT: Final = 0.5
_BEGUN_OR_OVER: Final = {"started_at": "start", "ended_at": "end"}
_OF_ANOTHER: Final = ("setup", "planned", "quoted", "due", "idle", "ordered")
_CYCLE_TIMES: Final = frozenset({"started_at", "ended_at", "duration_s"})


def weighed_together(found: Assignment, sample: Sample, known: Knowledge, signals: int = 0) -> Assignment:
    """Return an assignment whose doubtful fields are as sure as the table as a whole makes them.

    `signals` is how many columns are surely signals of a control, for logs of events.
    """
    if found.doubts or found.missing or sample.rows < _FEWEST_ROWS:
        return found
    guesses = dict(found.guesses)
    for name in sorted(guesses, key=lambda name: -guesses[name].confidence):
        guess = guesses[name]
        if guess.confidence < SURE and name not in MINOR:
            guesses[name] = _weighed(guess, replace(found, guesses=guesses), sample, known, signals)
    return replace(found, guesses=guesses)


def _weighed(guess: Guess, found: Assignment, sample: Sample, known: Knowledge, signals: int) -> Guess:
    """Return a guess as sure as it is given the kind, where it is surer so."""
    in_turn = found.kind == "cycle" and _in_turn(found)
    if guess.field in _CYCLE_TIMES and found.kind == "cycle" and not in_turn:
        return guess
    others = _others(guess, found)
    kind = _kind(found, guess.field, sample, signals, in_turn=in_turn and guess.field not in _CYCLE_TIMES)
    had = _had(guess.field, found)
    own = had * _odds(guess.confidence) * _agreement(guess, found)
    elsewhere = had * sum(others.values())
    unsaid = 1 - guess.said
    nothing = (1 - had) * (1 + unsaid * sum(_other_fields(guess, found, known))) * _planned(guess)
    confidence = kind * own / (own + elsewhere + nothing)
    if confidence <= guess.confidence:
        return guess
    only = "the only" if not others else "by far the likeliest"
    told = f"{only} column that can be it, of what is {with_article(found.kind).replace('_', ' ')} table ({kind:.2f})"
    if columns(found.kind).get(guess.field) == UTC_TIME and not others:
        told = f"the only column of times{_beside(found, guess)}, of what is {_a(found.kind)} table ({kind:.2f})"
    return replace(guess, confidence=confidence, evidence=(*guess.evidence, told))


def _a(kind: InputKind) -> str:
    return with_article(kind).replace("_", " ")


def _beside(found: Assignment, guess: Guess) -> str:
    """Return beside which other columns of times a column is the only one."""
    also = [
        " + ".join(other.columns)
        for name, other in found.guesses.items()
        if name != guess.field and columns(found.kind).get(name) == UTC_TIME
    ]
    return f' beside "{also[0]}"' if also else ""


def _odds(share: float) -> float:
    return share / (1 - min(share, OWN_NAME))


def _had(name: str, found: Assignment) -> float:
    """Return the share of lists of a kind that have a column for a field, those filled given."""
    if name in _HAD:
        return _HAD[name]
    without = (found.guesses.keys() | found.above.keys()) - {name}
    return _NEEDED if name in needed_fields(found.kind, without) else _MAY_BE


def _taken(found: Assignment, guess: Guess) -> set[str]:
    """Return the columns that other fields surely have."""
    return {
        column
        for name, other in found.guesses.items()
        if name != guess.field and other.confidence >= NOTICED
        for column in other.columns
    }


def _others(guess: Guess, found: Assignment) -> dict[tuple[str, ...], float]:
    """Return the odds of the other free columns that can be the field; a name that means other things weighs less."""
    taken = _taken(found, guess)
    return {
        rival.columns: _odds(rival.confidence) * (1 - _other_meaning(found.kind, rival))
        for rival in found.candidates
        if rival.field == guess.field and not set(rival.columns) & (taken | set(guess.columns))
    }


def _other_meaning(kind: InputKind, guess: Guess) -> float:
    """Return how surely names of columns mean what is not the field, and what their values allow."""
    meant = (
        share
        for concept, share in guess.cells.reading.concepts.items()
        if FIELDS[kind].get(concept) != guess.field and can_bear(concept, guess.cells)
    )
    return min(1.0, sum(meant))


def _other_fields(guess: Guess, found: Assignment, known: Knowledge) -> Iterator[float]:
    """Yield the odds of the other fields that a column can be by its values, which no column fills yet."""
    for name in columns(found.kind):
        if name == guess.field or name in MINOR or name in found.above or len(guess.columns) > 1:
            continue
        filled = found.guesses.get(name)
        if filled is not None and filled.columns != guess.columns and filled.confidence >= NOTICED:
            continue
        if name == "ended_at" and "duration_s" in found.guesses:
            continue
        if (share := fit(found.kind, name, guess.cells, known).share) is not None:
            had = _had(name, found)
            yield _odds(share) * had / (1 - had)


def _planned(guess: Guess) -> float:
    """Return how much likelier than any time these are planned ones: a plan is of round times, a record seldom is."""
    if not guess.cells.times:
        return 1.0
    us = clock_us(guess.cells.text, guess.cells.times[0].format).drop_nulls()
    if not len(us):
        return 1.0
    if float((us % _MINUTE_US != 0).mean() or 0.0) >= _ROUNDED:  # type: ignore[arg-type]
        return _TO_THE_SECOND
    return 1.0 if float((us % (5 * _MINUTE_US) != 0).mean() or 0.0) >= _ROUNDED else _ROUND  # type: ignore[arg-type]


def kind_share(found: Assignment, without: str, sample: Sample) -> float:
    """Return how sure the kind of a table is by all columns but that of one field."""
    return _kind(found, without, sample, 0, in_turn=found.kind == "cycle" and _in_turn(found))


def _kind(found: Assignment, without: str, sample: Sample, signals: int, *, in_turn: bool) -> float:
    """Return how sure the kind is by the columns that are surely of its fields, those that are of none, and titles."""
    ratios = _RATIOS[found.kind]
    odds = _PRIOR_ODDS * _SIGNAL_RATIO**signals
    for name, guess in found.guesses.items():
        odds *= 1.0 if sample.is_unnamed else _name_ratio(found.kind, guess)
        if name != without and guess.confidence >= SURE:
            odds *= ratios.get(name, 1.0)
    if found.kind in ("cycle", "tool_change", "event") and any(_counts_since_1970(g) for g in found.guesses.values()):
        odds *= _WRITTEN_BY_MACHINES
    used = {column for guess in found.guesses.values() for column in guess.columns}
    for column in sample.columns:
        if column.name not in used and column.text.n_unique() > 1:
            odds *= _unused_ratio(found.kind, column)
    titled = max(title_share(found.kind, sample), 0.5 * file_share(found.kind, sample))
    odds *= 1 + (_TITLED_RATIO - 1) * titled
    if in_turn:
        odds *= _IN_TURN_RATIO
    if found.kind == "cycle" and sample.is_unnamed and _take_alike(found):
        odds *= _ALIKE_RATIO
    if found.kind == "tool_change" and "tool" in found.guesses:
        odds *= _TOOLS_TURN_RATIO if tool_stays(found.guesses) < _TOOL_STAYS else 1.0
        odds *= _FAR_APART_RATIO if _are_far_apart(found) else 1.0
    return odds / (1 + odds)


def _name_ratio(kind: InputKind, guess: Guess) -> float:
    """Return what it says of the kind that the name of a field is not known; words of a closed list speak themselves.

    A word that nobody knows says what the list is of: when doors open, when tools were lent.
    """
    if guess.said >= KNOWN_WORDS or guess.field in MINOR or guess.field in WORDS:
        return 1.0
    if not guess.said and _other_meaning(kind, guess) >= _MEANT:
        return _NAME_OF_ANOTHER
    half = _BEGUN_OR_OVER.get(guess.field)
    says_half = half is not None and says(guess.cells.name, half) and not says(guess.cells.name, *_OF_ANOTHER)
    if guess.said and columns(kind).get(guess.field) == UTC_TIME and half is None:
        return _NAME_UNKNOWN  # that it is a time, its cells say too
    return _NAME_IN_PART if guess.said or says_half else _NAME_UNKNOWN


def _counts_since_1970(guess: Guess) -> bool:
    return bool(guess.cells.times) and str(guess.cells.times[0].format).startswith("epoch")


def _are_far_apart(found: Assignment) -> bool:
    """Return whether the rows of a machine mostly lie hours apart: a program changes tools by the minute."""
    at = found.guesses.get("occurred_at")
    if at is None or not at.cells.times:
        return False
    us = clock_us(at.cells.text, at.cells.times[0].format)
    machine = _machines(found)
    rows = pl.DataFrame({"us": us, "of": machine if machine is not None else pl.repeat("", len(us), eager=True)})
    gap = rows.sort("us").select(pl.col("us").diff().over("of").median()).item()
    return gap is None or gap > _FAR_APART_US


def _unused_ratio(kind: InputKind, column: Column) -> float:
    """Return what a column that fills no field says of the kind."""
    meant = {concept for concept, share in column.reading.concepts.items() if share >= NOTICED / 2}
    if not meant:
        return _UNKNOWN_RATIO
    if kind == "event" or meant & (_NEUTRAL | FIELDS[kind].keys()):
        return 1.0
    return _FOREIGN_RATIO


def _in_turn(found: Assignment) -> bool:
    """Return whether the cycles of each machine end after they start and before the next one starts."""
    started = found.guesses.get("started_at")
    if started is None or not started.cells.times:
        return False
    begun = clock_us(started.cells.text, started.cells.times[0].format)
    return all(
        (ended := ends_by(found.guesses[name], begun)) is not None and follow(begun, ended, _machines(found))
        for name in _ends(found.guesses)
    ) and bool(_ends(found.guesses))


def _take_alike(found: Assignment) -> bool:
    """Return whether each program takes about as long every time, and programs differ: no stop and no shift does."""
    started, program = found.guesses.get("started_at"), found.guesses.get("program")
    if started is None or program is None or not started.cells.times or not _ends(found.guesses):
        return False
    begun = clock_us(started.cells.text, started.cells.times[0].format)
    over = ends_by(found.guesses[_ends(found.guesses)[0]], begun)
    if over is None:
        return False
    runs = pl.DataFrame({"of": program.cells.text, "us": over - begun}).drop_nulls().filter(pl.col("us") > 0)
    again = runs.filter(pl.len().over("of") > 2)
    own, middle = pl.col("us").median().over("of"), pl.col("us").median()
    as_own, as_any = again.select(
        own=((pl.col("us") - own).abs() <= _ALIKE * own).mean(),
        any=((pl.col("us") - middle).abs() <= _ALIKE * middle).mean(),
    ).row(0)
    return again.height >= _FEWEST_ALIKE and as_own >= _MOSTLY_ALIKE and as_any < _MOSTLY_ALIKE


def _ends(guesses: Collection[str]) -> list[str]:
    return [name for name in ("ended_at", "duration_s") if name in guesses]


def _machines(found: Assignment) -> pl.Series | None:
    return found.guesses["machine"].cells.text if "machine" in found.guesses else None


def _agreement(guess: Guess, found: Assignment) -> float:
    """Return what it says of an end or a duration that it is what the other two times of a cycle make it."""
    if found.kind != "cycle" or not {"started_at", "ended_at", "duration_s"} <= found.guesses.keys():
        return 1.0
    if guess.field not in _CYCLE_TIMES:
        return 1.0
    started = found.guesses["started_at"]
    begun = clock_us(started.cells.text, started.cells.times[0].format)
    by_stamp, by_length = (ends_by(found.guesses[name], begun) for name in ("ended_at", "duration_s"))
    if by_stamp is None or by_length is None:
        return 1.0
    near = ((by_stamp - by_length).abs() <= _ROUNDING_US).drop_nulls()
    return _AGREES_RATIO if len(near) and float(near.mean() or 0.0) >= _AGREES else 1.0  # type: ignore[arg-type]
