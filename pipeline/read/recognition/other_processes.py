"""Signs that rows with a start and an end are no machining cycles, but batches, bookings, plans or transfers."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

import polars as pl

from pipeline.read.durations import read_durations
from pipeline.read.numbers import read_numbers
from pipeline.read.recognition.names import known_word, says
from pipeline.read.recognition.paper_signs import (
    ASKED,
    FEWEST_ROWS,
    HANDED_OUT,
    MEANT,
    STRONG,
    SURE,
    Filled,
    Sign,
    begins,
    has,
    is_description,
    measured,
    varies,
)
from pipeline.read.recognition.sample import Column, clock_us
from schemas.profile import CELL_UNITS, UNITS
from schemas.words import plain, telling_columns

_HOT: Final = 100.0  # degrees: of furnaces and baths, not of machines, coolant or rooms
_WARM: Final = 45.0
_DESIGNATION: Final = re.compile(r"[\W\d_]+")
_SHORT: Final = 2  # letters of a designation beside a word: "Ofen A"
_GRID_US: Final = 300_000_000
_COARSE_US: Final = 900_000_000
_JOINED: Final = 0.8  # share of rows that begin in the instant in which the one before ended
_REPEATED: Final = 3  # rows of one program from which its lengths are compared
_COMPARED: Final = 8
_UNLIKE: Final = 0.2  # of the middle length: runs of one program hardly differ, but for the few that are broken off
_SHORT_US: Final = 30_000_000  # a row this short, minutes apart, is a transfer of a file
_APART: Final = 20.0  # times its own length


def not_machining(filled: Filled) -> Iterator[Sign]:
    """Yield what says that rows are no cycles of a machine tool, and what says that they are."""
    for signs in (_cycles, _equipment, _process):
        yield from signs(filled)
    begun = _begun(filled)
    ended = None if begun is None else _ended(filled, begun)
    if begun is not None and ended is not None and len(begun) >= FEWEST_ROWS:
        yield from _round_times(begun, ended)
        yield from _lengths(filled, begun, ended)


def _cycles(filled: Filled) -> Iterator[Sign]:
    outcome = filled.fields.get("outcome")
    if outcome is not None:
        words = {known_word("outcome", outcome.said(word)) for word in outcome.few_values}
        if {"complete", "aborted"} <= words:
            yield Sign(4.0, "some cycles were broken off")
        waiting = [word for word in outcome.few_values if plain(word) in telling_columns()["waiting"]]
        if waiting:
            yield Sign(ASKED, f'column "{outcome.name}" says "{waiting[0]}", as of tasks')
    for column in filled.unused:
        of_kind = plain(column.name) in telling_columns()["kinds"] | telling_columns()["sorts"]
        if of_kind and column.numbers and column.numbers[0].whole and 1 < len(column.distinct) <= HANDED_OUT:
            if varies(column, filled):
                yield Sign(ASKED, f'column "{column.name}" sorts the rows')
        elif begins(column.name, "wages"):
            yield Sign(STRONG, f'column "{column.name}" is of what people are paid')
        elif says(column.name, "wait") and not column.numbers and not column.times:
            yield Sign(ASKED, f'column "{column.name}" is of stops')
        elif is_description(column) and varies(column, filled):
            yield Sign(0.15, f'column "{column.name}" tells what was done, one way and another with one program')


def _equipment(filled: Filled) -> Iterator[Sign]:
    """Tell machines that are called ovens, washers, presses; what shop.toml lists is a machine of the shop."""
    machine = filled.fields.get("machine")
    if machine is None:
        return
    named = [name for name in machine.few_values if name.casefold() not in filled.machines]
    other = [name for name in named if _is_equipment(name)]
    if other and 2 * len(other) > len(named):
        yield Sign(SURE, f'"{other[0]}" in column "{machine.name}" is no machine tool')


def _is_equipment(name: str) -> bool:
    words = _DESIGNATION.sub(" ", plain(name)).split()
    long = [word for word in words if len(word) > _SHORT]
    return len(long) == 1 and long[0] in telling_columns()["no_machine_tools"]


def _process(filled: Filled) -> Iterator[Sign]:
    """Tell temperatures, pressures, currents and loads of furnaces, baths and presses."""
    for column in filled.unused:
        if begins(column.name, "process") or has(column.name, "process_words"):
            yield Sign(STRONG, f'column "{column.name}" is of a process that is no machining')
            continue
        if not column.numbers:
            continue
        middle, of = column.numbers[0].median, measured(column)
        of_machine = says(column.name, "spindle", "axis", "coolant", "machine", "tool") or begins(
            column.name, "of_machine"
        )
        clamps = of == "pressure" and begins(column.name, "clamping")
        if of == "temperature" and middle >= _HOT:
            yield Sign(SURE, f'column "{column.name}" is of temperatures of a furnace or an oven')
        elif of == "temperature" and middle >= _WARM and not of_machine:
            yield Sign(ASKED, f'column "{column.name}" is of temperatures of a process')
        elif of == "pressure" and not (of_machine or clamps):
            yield Sign(ASKED, f'column "{column.name}" is of the pressure of a process')
        elif of == "foreign" or (of == "hardness" and varies(column, filled)):
            yield Sign(STRONG, f'column "{column.name}" measures what no machine tool does')
        elif of == "electricity" and not of_machine:
            yield Sign(0.25, f'column "{column.name}" is of electric currents')
        elif of == "mass" and varies(column, filled):
            yield Sign(ASKED, f'column "{column.name}" weighs each row')


def _round_times(begun: pl.Series, ended: pl.Series) -> Iterator[Sign]:
    """Tell starts and ends that are all of full five minutes: rows that people planned or booked."""
    times = pl.concat([begun, ended]).drop_nulls()
    for grid, ratio, told in ((_COARSE_US, STRONG, "quarters of an hour"), (_GRID_US, 0.2, "five minutes")):
        if len(times) and bool((times % grid == 0).all()):
            yield Sign(ratio, f"all times are full {told}, as planned or booked ones are")
            break
    rows = pl.DataFrame({"begun": begun, "ended": ended}).drop_nulls().sort("begun")
    joined = rows.select((pl.col("begun") == pl.col("ended").shift(1)).mean()).item() or 0.0
    if (rows["ended"] - rows["begun"]).n_unique() == 1 and joined >= _JOINED:
        yield Sign(STRONG, "each row ends where the next begins, and all are as long: they are readings of a period")


def _lengths(filled: Filled, begun: pl.Series, ended: pl.Series) -> Iterator[Sign]:
    """Tell runs of one program that are nowhere near alike, and rows that are over at once and lie far apart."""
    of = {name: filled.fields[name].text for name in ("program", "machine") if name in filled.fields}
    rows = pl.DataFrame({"begun": begun, "length": ended - begun, **of}).drop_nulls(["begun", "length"])
    if "program" in of:
        again = rows.filter(pl.len().over("program") >= _REPEATED)
        if again.height >= _COMPARED and again["program"].n_unique() > 1:  # one main program may call any other
            middle = pl.col("length").median().over("program")
            spread = again.select(((pl.col("length") - middle).abs() / middle).median()).item()
            if spread is not None and spread >= _UNLIKE:
                yield Sign(0.2, "runs of one program take now this long, now that")
                if any(_names_people(column) for column in filled.sample.columns):
                    yield Sign(0.4, "people are named beside them")
    apart = rows.sort("begun").select(
        (pl.col("begun").diff().over("machine") if "machine" in of else pl.col("begun").diff()).median().alias("gap"),
        pl.col("length").median(),
    )
    gap, length = apart.row(0)
    if gap is not None and 0 < length <= _SHORT_US and gap >= _APART * length:
        yield Sign(ASKED, f"rows take {length / 1e6:.0f} s and lie {gap / 60e6:.0f} min apart")


def _names_people(column: Column) -> bool:
    return column.reading.concepts.get("operator", 0.0) >= MEANT and not column.numbers


def _begun(filled: Filled) -> pl.Series | None:
    started = filled.fields.get("started_at")
    return clock_us(started.text, started.times[0].format) if started is not None and started.times else None


def _ended(filled: Filled, begun: pl.Series) -> pl.Series | None:
    ended = filled.fields.get("ended_at")
    if ended is not None:
        return clock_us(ended.text, ended.times[0].format) if ended.times else None
    lasted = filled.fields.get("duration_s")
    if lasted is None:
        return None
    if lasted.durations and not lasted.durations[0].undecided:
        return begun + read_durations(lasted.text, lasted.durations[0].unit) * 1e6
    form = next(iter(lasted.numbers), None)
    unit = lasted.unit or (form.unit if form else None)
    if form is None or unit is None or UNITS[unit][0] != "time" or unit in CELL_UNITS:
        return None
    return begun + read_numbers(lasted.text, form.decimal or ".", form.thousands, unit) * UNITS[unit][1] * 1e6
