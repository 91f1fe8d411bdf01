"""Tables of signals: wide logs with a column for each signal, and logs of states with a start for each.

Both are events of a machine; which columns are which signals is weighed here, long tables of item and value elsewhere.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any, Final

import polars as pl

from pipeline.read.recognition.assigning import (
    NOTICED,
    PROPOSED,
    SURE,
    Assignment,
    Guess,
    assign,
    tool_stays,
    unsure,
)
from pipeline.read.recognition.excluding import weighed_together
from pipeline.read.recognition.names import known_word, says
from pipeline.read.recognition.sample import Column, Knowledge, Sample, clock_us, title_share
from pipeline.read.recognition.settling import Settled, seconds_of, settle
from pipeline.read.state_ends import FOLLOWS_US, rounding_us
from schemas.concepts import ITEM_CONCEPTS
from schemas.profile import ITEM_DIMENSIONS, STATE_ENDS, UNITS, standard_item
from schemas.vocabulary import EXECUTION, EXECUTION_ACTIVE
from schemas.words import languages, plain, telling_columns

_UNIT_IN_NAME: Final = re.compile(r"[(\[][^)\]]*[)\]]|\S+/\s*min\b")  # "min" in mm/min is no minimum
_OF_FEED: Final = re.compile(r"feed|vorschub|avance|avanco|avanzamento|posuw|posuv|voeding|aanzet|matning")
WORD_LISTS: Final = {"Execution": "execution", "ControllerMode": "mode", "Availability": "availability"}
"""The closed list of a shop's words for each item that the standard has words for."""
_NUMBERS: Final = frozenset({*ITEM_DIMENSIONS, "PartCount"})
_FEWEST: Final = 2  # signals beside the time that make a table a wide log
_LISTED_TOO: Final = frozenset({"Program", "ToolNumber"})  # columns that lists of cycles and tools have as well
_CHANGES: Final = 0.2  # share of rows with the tool of the row before below which rows are changes of tools
_CHANGES_COST: Final = 1.5
_STATE_WORDS: Final = 0.9  # what words for states of a program run are worth
_GOING_ON: Final = 0.1  # share of rows that say "running": the last row of a list of cycles may, no more
_COUNTS_ON: Final = 0.95  # share of steps up
_COUNTS_WORTH: Final = 0.6
_AS_MODE: Final = 0.8  # what a name for modes says of states: "Driftläge", "Modo"
_AFTER_RUNS: Final = 0.8  # share of stretches of "done" that a run stands before
_AS_LONG: Final = 2  # times as many rows as a run has, at most
_TILED: Final = 0.95
_DAY_US: Final = 86_400_000_000
_TITLE_WORTH: Final = 0.8
_LISTED_WORDS: Final = 6
_NOT_RUNNING: Final = ("MANUAL", "MANUAL_DATA_INPUT")
_STANDING: Final = ("READY", "STOPPED", "PROGRAM_COMPLETED")
_RUNNING_THINGS: Final = frozenset({"cycle", "program", "machine", "control"})
_SAID_OF_ALL: Final = frozenset({EXECUTION_ACTIVE, "READY", "INTERRUPTED", "UNAVAILABLE"})
_STATE_ITEMS: Final = {"Execution": "READY", "ControllerMode": "UNAVAILABLE", "Condition": "NORMAL"}
"""The items that words for states say something of, each with what all other words say of it."""


def of_feed(name: str) -> bool:
    """Return whether an override is that of the feed: rapid and spindle have theirs too."""
    return _OF_FEED.search(plain(name)) is not None


@dataclass(frozen=True)
class Signal:
    """A column that is one item of the standard."""

    column: Column
    item: str
    share: float


def signals(sample: Sample, taken: frozenset[str]) -> list[Signal]:
    """Return the columns that are items of the standard by name and values, beside those already taken.

    What may be Execution is never left out in silence: with no better column for it, it is there and doubted.
    """
    found: list[Signal] = []
    may_run: list[Signal] = []
    for column in sample.columns:
        if column.name in taken:
            continue
        item, share = ("Execution", SURE) if _tells_running(column) else _item_of(column)
        if share < SURE and _is_state(column):
            named = column.reading.concepts.get("execution", 0.0)
            item, share = "Execution", 1 - (1 - named) * (1 - _STATE_WORDS)
        if item is None and (counted := _counts_parts(column)) >= SURE:
            item, share = "PartCount", counted
        if (
            says(_UNIT_IN_NAME.sub(" ", column.name), "planned", "average", "minimum", "maximum")
            and standard_item(column.name) is None
        ):
            continue  # what was asked for, or a sum of many moments, is not what was measured
        if item == "Execution" and PROPOSED <= share < NOTICED:
            may_run.append(Signal(column, item, share))
            continue
        if item is None or share < NOTICED or (item in _NUMBERS and not column.numbers):
            continue
        if item in ("EmergencyStop", "Availability") and not _in_own_words(column, item):
            continue
        found.append(Signal(column, item, share))
    return found if any(signal.item == "Execution" for signal in found) else found + may_run


def _tells_running(column: Column) -> bool:
    """Return whether a column says yes or no to its name, which is a word for a machine that runs: "In cycle"."""
    return (
        known_word("execution", column.name) == EXECUTION_ACTIVE
        and bool(column.few_values)
        and set(map(plain, column.few_values)) <= _yes() | _no()
    )


def _yes() -> frozenset[str]:
    return telling_columns()["yes"] | {"1", "on"}


def _no() -> frozenset[str]:
    return telling_columns()["no"] | {"0", "off"}


def _item_of(column: Column) -> tuple[str | None, float]:
    if (own := standard_item(column.name)) is not None:
        return own, 1.0
    shares = {ITEM_CONCEPTS[name]: share for name, share in column.reading.concepts.items() if name in ITEM_CONCEPTS}
    if not shares or ("PathFeedrateOverride" in shares and not of_feed(column.name)):
        return None, 0.0
    item = max(shares, key=lambda name: shares[name])
    return item, shares[item]


def _counts_parts(column: Column) -> float:
    """Return how surely a column of parts counts on from row to row, as a control's counter does."""
    share = column.reading.concepts.get("parts", 0.0)
    form = next(iter(column.numbers), None)
    counts = form is not None and form.whole and form.rises >= _COUNTS_ON and form.low + 1 < form.high
    return 1 - (1 - share) * (1 - _COUNTS_WORTH) if share and counts else 0.0


def _in_own_words(column: Column, item: str) -> bool:
    words = column.text.drop_nulls().unique().to_list()
    if item == "Availability":
        return all(known_word("availability", word) is not None for word in words)
    return {word.upper() for word in words} <= {"ARMED", "TRIGGERED", "UNAVAILABLE"}


def wide_log(sample: Sample, known: Knowledge) -> tuple[Assignment, Settled, list[dict[str, Any]]] | None:
    """Return a table with a column for each signal, None where it is not one."""
    base = assign("event", sample, known)
    kept = {name: guess for name, guess in base.guesses.items() if name in ("machine", "occurred_at")}
    if "occurred_at" not in kept:
        return None
    found = signals(sample, frozenset(column for guess in kept.values() for column in guess.columns))
    measured = {signal.item for signal in found} - _LISTED_TOO
    if not measured or (len(found) < _FEWEST and "Execution" not in measured):
        return None
    score = sum(guess.confidence for guess in kept.values()) + sum(signal.share for signal in found)
    score += _TITLE_WORTH * title_share("event", sample)
    tools = [signal for signal in found if signal.item == "ToolNumber"]
    if tools and tool_stays({**kept, "tool": Guess("tool", (), tools[0].column, 1.0, ())}) < _CHANGES:
        score -= _CHANGES_COST
    certain = sum(signal.share >= SURE for signal in found)
    assignment = Assignment("event", kept, (), score, candidates=base.candidates)
    assignment = weighed_together(assignment, sample, known, signals=certain)
    settled = settle(assignment, sample, known)
    has_mode = any(signal.item == "ControllerMode" for signal in found)
    items = [
        rule
        for signal in found
        for rule in (
            [signal_rule(signal.column, signal.item, settled)]
            if has_mode or signal.item != "Execution"
            else state_items(signal.column, settled)
        )
    ]
    doubled = {signal.item for signal in found if sum(other.item == signal.item for other in found) > 1}
    for item in sorted(doubled - {"Load"}):
        settled.doubt(item, "several", f"several columns can be {item}")
    if "Execution" in {signal.item for signal in found}:
        _doubt_whose(settled, sample, _columns_of(kept) | {signal.column.name for signal in found})
    for signal in found:
        if signal.share < SURE:
            said = f'column "{signal.column.name}" may be {signal.item} ({unsure(signal.share)})'
            settled.doubt(signal.column.name, "field", said)
    return assignment, settled, items


def signal_rule(column: Column, item: str, settled: Settled) -> dict[str, Any]:
    """Return the rule by which cells become values of an item."""
    rule: dict[str, Any] = {"name": column.name, "type": item}
    dimension = ITEM_DIMENSIONS.get(item)
    if dimension is not None and column.unit and UNITS[column.unit][0] == dimension:
        rule["unit"] = column.unit
    elif dimension == "feed" and standard_item(column.name) is None:
        rule["unit"] = "mm/min"
        settled.doubt(column.name, "unit", f'column "{column.name}" ({item}) does not say its unit')
    if (list_name := WORD_LISTS.get(item)) is not None:
        rule["values"] = _words(column, list_name, item, settled)
    if item in _NUMBERS and column.numbers:
        form = column.numbers[0]
        if form.undecided:
            what = f'column "{column.name}" can be read with a decimal point or a decimal comma: {form.evidence}'
            settled.doubt(column.name, "marks", what)
        settled.file.update(
            {key: mark for key, mark in (("decimal", form.decimal), ("thousands", form.thousands)) if mark}
        )
    return rule if rule.get("values", True) else {key: value for key, value in rule.items() if key != "values"}


def _words(column: Column, list_name: str, item: str, settled: Settled) -> dict[str, str]:
    words = sorted(column.text.drop_nulls().unique().to_list())
    if item == "Execution" and _tells_running(column):
        return {word: EXECUTION_ACTIVE if plain(word) in _yes() else "READY" for word in words}
    found = {word: known_word(list_name, word) for word in words}
    if item == "Execution":
        found |= {word: state.get(item) for word, state in _states(column).items() if found[word] is None}
    strange = [word for word, meaning in found.items() if meaning is None and word.upper() not in EXECUTION]
    _doubt_words(column, strange, item, settled)
    return {word: meaning for word, meaning in found.items() if meaning is not None and meaning != word.upper()}


def _doubt_words(column: Column, strange: Sequence[str], item: str, settled: Settled) -> None:
    """Ask what words mean, those first that stand in most rows."""
    if not strange:
        return
    counts = column.text.filter(column.text.is_in(list(strange))).value_counts(sort=True)
    listed = ", ".join(f'"{word}" ({count} rows)' for word, count in counts.head(_LISTED_WORDS).iter_rows())
    what = f'column "{column.name}" says {listed}: tell which word of the standard for {item} it is'
    if item == "Execution" and any(_is_break(word) for word in strange):
        what += " (FEED_HOLD where the control holds a program, READY where people rest)"
    settled.doubt(column.name, "words", what)


def _state(word: str) -> dict[str, str]:
    """Return what a word for a state says of Execution, the mode and alarms; nothing where it is not known.

    Setting up is a mode of the control and an alarm a condition: the standard has no Execution for them.
    """
    if word.upper() in EXECUTION:
        return {"Execution": word.upper()}
    if (run := known_word("execution", word)) is not None:
        return {"Execution": run}
    if (run := _of_whole_machine(word)) is not None:
        return {"Execution": run}
    if (mode := known_word("mode", word)) in _NOT_RUNNING:
        return {"Execution": "READY", "ControllerMode": str(mode)}
    if known_word("level", word) == "FAULT":
        return {"Execution": "STOPPED", "Condition": "FAULT"}
    return {}


def _of_whole_machine(word: str) -> str | None:
    """Return what a word says of Execution beside words for what runs: "Zyklus läuft", "Machine off".

    What stands may be the program, which is held, or the machine: that is said by phrases alone.
    """
    tokens = plain(word).split()
    bare = [token for token in tokens if not _RUNNING_THINGS & _tags(token)]
    run = known_word("execution", " ".join(bare)) if 0 < len(bare) < len(tokens) else None
    return run if run in _SAID_OF_ALL else None


@cache
def _tags(token: str) -> frozenset[str]:
    return frozenset(tag for language in languages().values() for tag in language.words.get(token, ()))


def _states(column: Column) -> dict[str, dict[str, str]]:
    """Return what each word of a column of states says; nothing for those that are not known.

    A pause is a program held where the words beside it are those of a control, which tells a machine that stands apart
    from it. Among bookings of a shop it may be people who rest: nothing is known of it. "Done" is a program that has
    ended where it comes after runs, and the outcome of a run in a list of them.
    """
    states = {word: _state(word) for word in column.distinct.to_list()}
    known = [state for state in states.values() if state]
    runs = [word for word, state in states.items() if state.get("Execution") == EXECUTION_ACTIVE]
    stands = any(state.get("Execution") in _STANDING for state in known)
    booked = any(len(state) > 1 for state in known) or any(_says_producing(word) for word in runs)
    if runs and stands and not booked:
        states |= {word: {"Execution": "FEED_HOLD"} for word, state in states.items() if not state and _is_break(word)}
    done = [word for word, state in states.items() if not state and known_word("done", word) is not None]
    if done and _come_after(column.text, done, runs):
        states |= {word: {"Execution": "PROGRAM_COMPLETED"} for word in done}
    return states


def _come_after(text: pl.Series, done: Sequence[str], runs: Sequence[str]) -> bool:
    """Return whether words for what is done stand behind words for a run again and again, each as long as those.

    In a list of runs one done row follows another; rows may stand in order of time or the other way round.
    """
    words = text.drop_nulls().to_frame("word").select("word", stretch=pl.col("word").rle_id())
    stretches = words.group_by("stretch", maintain_order=True).agg(pl.col("word").first(), rows=pl.len())
    word = stretches["word"]
    is_done, is_run = word.is_in(list(done)), word.is_in(list(runs))
    before, after = (is_run.shift(step).fill_null(False).filter(is_done) for step in (1, -1))
    long_done, long_run = (stretches["rows"].filter(which).median() for which in (is_done, is_run))
    if int(is_done.sum()) < _FEWEST or not isinstance(long_done, float) or not isinstance(long_run, float):
        return False
    return max(before.sum(), after.sum()) >= _AFTER_RUNS * len(before) and long_done <= _AS_LONG * long_run


def _is_break(word: str) -> bool:
    return plain(word) in telling_columns()["breaks"]


def _says_producing(word: str) -> bool:
    return plain(word).startswith(tuple(telling_columns()["producing"]))


def state_items(column: Column, settled: Settled) -> list[dict[str, Any]]:
    """Return the items that a column of states is: Execution, and where some words say so the mode and alarms."""
    if _tells_running(column):
        return [signal_rule(column, "Execution", settled)]
    states = _states(column)
    _doubt_words(column, [word for word, state in states.items() if not state], "Execution", settled)
    items: list[dict[str, Any]] = []
    for item, else_put in _STATE_ITEMS.items():
        if items and not any(item in state for state in states.values()):
            continue
        values = {word: state.get(item, else_put) for word, state in states.items() if state}
        rule: dict[str, Any] = {"name": column.name, "type": item}
        if items:
            rule["data_item_id"] = f"{column.name} ({item})"  # what is told apart by it at one moment
        if values := {word: put for word, put in values.items() if put != word.upper()}:
            rule["values"] = values
        items.append(rule)
    return items


def state_log(sample: Sample, known: Knowledge) -> tuple[Assignment, Settled, list[dict[str, Any]]] | None:
    """Return a table of states of a machine, each with the time at which it began, None where it is not one."""
    base = assign("cycle", sample, known)
    started = base.guesses.get("started_at")
    states = [column for column in sample.columns if _is_state(column)]
    if started is None or len(states) != 1 or started.confidence < PROPOSED:
        return None
    column = states[0]
    kept = {"occurred_at": _renamed(started, "occurred_at")}
    if "machine" in base.guesses:
        kept["machine"] = base.guesses["machine"]
    concepts = column.reading.concepts
    share = max(
        concepts.get("execution", 0.0), _AS_MODE * concepts.get("mode", 0.0), 0.5 * concepts.get("outcome", 0.0)
    )
    confidence = 1 - (1 - share) * (1 - _STATE_WORDS)
    if share < PROPOSED:
        confidence = share  # whose state it is, its name does not say
    kept["value"] = Guess("value", (column.name,), column, confidence, ("its cells are states of a program run",))
    assignment = Assignment("event", kept, (), sum(guess.confidence for guess in kept.values()) + 1.0)
    settled = settle(assignment, sample, known, base.guesses.get("ended_at"))
    items = state_items(column, settled)
    if len(items) == 1:
        lookup = {word: state.get("Execution", "UNAVAILABLE") for word, state in _states(column).items()}
        settled.rules["value"]["lookup"] = lookup
        settled.rules["item"] = {"constant": "Execution"}
        items = []
    else:
        del settled.rules["value"]
    _settle_ends(settled, started, base, column.few_values, sample, known)
    ends = {name: base.guesses[name] for name in STATE_ENDS if name in settled.rules}
    _doubt_whose(settled, sample, _columns_of({**kept, **ends}))
    return replace(assignment, guesses={**kept, **ends}), settled, items


def _is_state(column: Column) -> bool:
    """Return whether the cells are states of a program run and not the outcomes of cycles.

    "Stopped" may be either; a state that is no outcome, or a run that is still going on in many rows, tells.
    """
    words = {word: state.get("Execution") for word, state in _states(column).items()} if column.few_values else {}
    known = [word for word, meaning in words.items() if meaning]
    active = [word for word, meaning in words.items() if meaning == EXECUTION_ACTIVE]
    if len(known) < _FEWEST:
        return False
    if len(known) < len(words):  # some are the shop's own
        named = max(column.reading.concepts.get(name, 0.0) for name in ("execution", "mode")) >= PROPOSED
        return named and bool(active) and 2 * column.text.is_in(known).sum() >= column.filled
    if any(known_word("outcome", word) is None for word in words):
        return True
    return float(column.text.drop_nulls().is_in(active).mean() or 0.0) >= _GOING_ON  # type: ignore[arg-type]


def has_states(sample: Sample) -> bool:
    """Return whether a column holds states of a program run: rows are states then, no cycles."""
    return any(_is_state(column) for column in sample.columns)


def _renamed(guess: Guess, name: str) -> Guess:
    return Guess(name, guess.columns, guess.cells, guess.confidence, guess.evidence)


def _columns_of(guesses: Mapping[str, Guess]) -> set[str]:
    return {name for guess in guesses.values() for name in guess.columns}


def _doubt_whose(settled: Settled, sample: Sample, used: set[str]) -> None:
    """Ask where a column may say whose state it is: a pump or a door runs and stops too."""
    for column in sample.columns:
        if column.name not in used and _may_be_of_another(column):
            settled.doubt("value", "whose", f'column "{column.name}" may say that states are of a part of the machine')


def _may_be_of_another(column: Column) -> bool:
    """Return whether a column names parts of a machine, or has a few words that nothing explains."""
    if plain(column.name) in telling_columns()["components"] and column.text.n_unique() > 1:
        return True
    return not column.reading.concepts and not column.numbers and not column.times and len(column.few_values) > 1


def _settle_ends(
    settled: Settled, started: Guess, base: Assignment, words: Sequence[str], sample: Sample, known: Knowledge
) -> None:
    """Take the ends or durations of states, where the table gives them, and ask where they run over one another.

    A log of stops and alarms alone is none of states: what lies between its rows is the machine at work.
    """
    name = next((name for name in STATE_ENDS if name in base.guesses), None)
    if name is None:
        return
    guess = base.guesses[name]
    alone = settle(Assignment("cycle", {name: guess}, (), 0.0), sample, known)
    begun = clock_us(started.cells.text, settled.rules["occurred_at"].get("format"))
    slack_us = float(FOLLOWS_US)
    if name == "ended_at":
        as_starts = settled.rules["occurred_at"].get("format")
        alike = clock_us(guess.cells.text, as_starts).null_count() == guess.cells.text.null_count()
        if alike and guess.cells.clock is None:
            alone.rules[name] = {"from": alone.rules[name]["from"], **({"format": as_starts} if as_starts else {})}
        over = clock_us(guess.cells.text, alone.rules[name].get("format"))
        if len(guess.columns) > 1 and set(guess.columns) & set(started.columns):
            over = over.zip_with(~(over < begun).fill_null(False), over + _DAY_US)
    else:
        over = begun + seconds_of(guess.cells, alone.rules[name], alone.file) * 1e6
        unit, decimal = alone.rules[name].get("unit", "s"), alone.file.get("decimal", ".")
        slack_us += rounding_us(guess.cells.text, unit, decimal)
    machine = base.guesses["machine"].cells.text if "machine" in base.guesses else pl.repeat("", len(begun), eager=True)
    frame = pl.DataFrame({"machine": machine, "begun": begun, "over": over}).sort("machine", "begun")
    gaps = frame.select(pl.col("begun").shift(-1).over("machine") - pl.col("over")).to_series().drop_nulls()
    tiled = len(gaps) == 0 or float((gaps.abs() <= slack_us).mean() or 0.0) >= _TILED  # type: ignore[arg-type]
    disjoint = len(gaps) == 0 or float((gaps >= -slack_us).mean() or 0.0) >= _TILED  # type: ignore[arg-type]
    runs = any(_state(word).get("Execution") == EXECUTION_ACTIVE for word in words)
    if not tiled and (not disjoint or not runs):
        how = "gaps between one state and the next" if disjoint else "states that begin before the one before has ended"
        settled.doubt("occurred_at", "gaps", f"there are {how}: nothing says what the machine did")
    if not tiled and (guess.confidence < SURE or (name, "unit") in alone.doubts or (name, "field") in alone.doubts):
        settled.doubt(name, "field", f'column "{" + ".join(guess.columns)}" may say when states end')
    settled.rules[name] = alone.rules[name]
    settled.evidence[name] = [*alone.evidence.get(name, ()), "a state ends there; nothing is known till the next"]
    settled.file.update({key: mark for key, mark in alone.file.items() if key not in settled.file})
