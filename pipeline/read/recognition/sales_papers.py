"""Signs that orders are invoices, quotes, deliveries or complaints, and that times are no estimates but taken."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import polars as pl

from pipeline.read.recognition.names import says
from pipeline.read.recognition.paper_signs import (
    ASKED,
    FEWEST_ROWS,
    MEANT,
    STRONG,
    Filled,
    Sign,
    answers_yes_or_no,
    begins,
    has,
    is_description,
    measured,
    recurs,
)
from pipeline.read.recognition.sample import Column
from pipeline.read.times import read_dates
from schemas.words import plain, telling_columns

_SURELY: Final = 0.9
_NOUGHTS: Final = 0.03  # share of rows with a quantity of nought
_TERM_DAYS: Final = (7, 120)
_FEWEST_DAYS: Final = 4


def no_orders(filled: Filled) -> Iterator[Sign]:
    """Yield what says that rows are no orders, and what says that they are."""
    if {"quoted_cycle_s", "quoted_setup_s"} & filled.fields.keys():
        yield Sign(3.0, "it has times that were quoted")
    if {"stock_kg", "part_kg"} & filled.fields.keys():
        yield Sign(1.5, "it has weights of parts")
    quantity = filled.fields.get("quantity")
    if quantity is not None and quantity.numbers:
        noughts = float((quantity.text == "0").mean() or 0.0)  # type: ignore[arg-type]
        if noughts >= _NOUGHTS and quantity.numbers[0].low == 0:
            yield Sign(ASKED, f'column "{quantity.name}" is nought in some rows')
    for column in filled.unused:
        yield from _of_orders(column, filled)
    yield from _terms(filled)


def _of_orders(column: Column, filled: Filled) -> Iterator[Sign]:
    """Tell what a column that orders have no field for says of them."""
    name, concepts = column.name, column.reading.concepts
    words = {plain(word) for word in column.few_values}
    said = set(plain(name).split())
    if said & telling_columns()["taxes"]:
        yield Sign(
            0.3 if said & telling_columns()["before_taxes"] else STRONG, f'column "{name}" is of taxes, as on invoices'
        )
    elif begins(name, "parcels") or has(name, "parcels_words"):
        yield Sign(STRONG, f'column "{name}" is of parcels, as on delivery notes')
    elif words & telling_columns()["won_or_lost"]:
        yield Sign(STRONG, f'column "{name}" says which quotes were won')
    elif words & telling_columns()["judged"]:
        yield Sign(ASKED, f'column "{name}" says what was accepted and what not')
    elif begins(name, "certified") or concepts.get("batch", 0.0) >= _SURELY:
        yield Sign(0.2 if begins(name, "certified") else 0.4, f'column "{name}" is of batches and their papers')
    elif concepts.get("operator", 0.0) >= _SURELY and not column.numbers and not begins(name, "firms"):
        yield Sign(0.45, f'column "{name}" names people')
    elif column.times and begins(name, "came_back"):
        yield Sign(ASKED, f'column "{name}" says when parts came back')
    elif begins(name, "inspectors"):
        yield Sign(0.15, f'column "{name}" is of inspections')
    elif concepts.get("outcome", 0.0) >= _SURELY and len(column.distinct) > 1:
        yield Sign(0.3, f'column "{name}" says how something came out')
    elif words and words <= telling_columns()["terms_of_delivery"]:
        yield Sign(0.3, f'column "{name}" is of terms of delivery')
    elif answers_yes_or_no(column):
        yield Sign(0.5, f'column "{name}" answers yes or no')
    elif column.numbers and measured(column) in ("foreign", "hardness"):
        yield Sign(ASKED, f'column "{name}" is a measurement')
    elif concepts.get("rate", 0.0) >= MEANT and column.numbers and len(column.distinct) > 1:
        yield Sign(0.3, f'column "{name}" is in percent')
    elif begins(name, "payments"):
        yield Sign(0.15, f'column "{name}" is of payments')
    elif begins(name, "spent") and column.numbers and says(name, "hours", "time", "duration"):
        yield Sign(0.2, f'column "{name}" is of times that were taken')
    elif is_description(column) and recurs(column, filled):
        yield Sign(0.4, f'column "{name}" says the same few things of different parts')


def _terms(filled: Filled) -> Iterator[Sign]:
    """Tell dates that all lie the same number of days after the other: terms of payment."""
    first = filled.fields.get("ordered_on")
    if first is None or not first.times or len(first.distinct) < _FEWEST_DAYS:
        return
    begun = _days(first)
    for column in filled.unused:
        if not column.times or column.times[0].weak or column.times[0].holds == "time of day":
            continue
        apart = (_days(column) - begun).drop_nulls()
        same = len(apart) >= FEWEST_ROWS and apart.n_unique() == 1
        if same and _TERM_DAYS[0] <= int(apart[0]) <= _TERM_DAYS[1]:
            yield Sign(0.12, f'"{column.name}" is {apart[0]} days after "{first.name}" in every row')


def _days(column: Column) -> pl.Series:
    return read_dates(column.text, column.times[0].format).cast(pl.Int32)


def no_estimates(filled: Filled) -> Iterator[Sign]:
    """Yield what says that times were taken and not estimated, and what says that they were estimated."""
    if {"cut_s", "noncut_s"} <= filled.fields.keys():
        yield Sign(5.0, "it parts cutting and other times")
    timed = [column for name, column in filled.fields.items() if name in ("cycle_s", "cut_s", "noncut_s")]
    for column in timed:
        if says(column.name, "average"):
            yield Sign(0.2, f'column "{column.name}" is a mean of times that were taken')
    for column in filled.unused:
        name, concepts = column.name, column.reading.concepts
        if begins(name, "spread") or "σ" in name.casefold():
            yield Sign(STRONG, f'column "{name}" is the spread of times that were taken')
        elif says(name, "remaining") and column.numbers:
            yield Sign(ASKED, f'column "{name}" says what is left')
        elif concepts.get("operator", 0.0) >= MEANT and len(column.distinct) > 1:
            yield Sign(0.15, f'column "{name}" names people')
        elif concepts.get("rate", 0.0) >= MEANT and column.numbers and column.numbers[0].high > 1:
            yield Sign(0.3, f'column "{name}" is in percent')
        elif begins(name, "elsewhere"):
            yield Sign(ASKED, f'column "{name}" belongs to another list')
        elif concepts.get("parts", 0.0) >= MEANT and column.numbers:
            yield Sign(0.4, f'column "{name}" counts')
