"""The ways in which a column of text can be read as durations written as clocks (`1:05:30`) or in words (`1 h 5 min`).

Plain numbers, with a unit behind them or not, are `number_forms.py`'s business; whether a clock is a time of day or a
duration is the assigner's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

import polars as pl

from pipeline.read.durations import read_durations
from pipeline.read.numbers import NUMBER_AND_WORD, without_empty_words
from schemas.unit_words import unit_behind

ENOUGH: Final = 0.9  # share of the filled cells that a form must read
_SAMPLE: Final = 400
_HOPELESS: Final = 0.8
_TWO_PARTS: Final = r"^[+\-−]?\d+:\d\d?$"
_THREE_PARTS: Final = r"^[+\-−]?\d+:\d\d?:\d\d?(?:[.,]\d+)?$"
_UNDER_AN_HOUR: Final = r"^[+\-−]?0+:\d\d?:\d\d?(?:[.,]\d+)?$"
_FIRST_PART: Final = r"^[+\-−]?(\d+):\d\d?$"
_MOST_MINUTES: Final = 600  # more than ten hours written in minutes: running hours of a machine look so too
_OR_THOUSANDS: Final = r"(?:^|\D)[1-9]\d{0,2}[.,]\d{3}(?:\D|$)"

_ONLY_M: Final = r"(?i)^[\d.,]+\s*m$"

_DOTTED: Final = r"^\d+(?:[.,]\d{1,2})?$"
_BEHIND: Final = r"[.,](\d{1,2})$"
_FEWEST_DOTTED: Final = 12  # of decimal minutes, one in 460 columns of as many rows has no fraction above .59
_FEWEST_FRACTIONS: Final = 6  # halves and quarters of an hour go no higher than .50 either

ClockUnit = Literal["h:mm:ss", "mm:ss", "words"]


@dataclass(frozen=True)
class DurationForm:
    """One way in which a column can be read as durations."""

    unit: ClockUnit  # as a profile says it
    share: float  # of the filled cells that it reads
    low_s: float
    median_s: float
    high_s: float
    undecided: bool  # another form of the list reads other lengths, and nothing in the column tells which is right
    evidence: str  # a short phrase for a person


def duration_forms(text: pl.Series) -> list[DurationForm]:
    """Return the forms that read at least nine in ten filled cells, the best first; [] for no durations.

    `12:30` alone is hours and minutes or minutes and seconds: both are returned, both `undecided`.
    """
    filled = without_empty_words(text).drop_nulls()
    filled = filled.filter(filled != "")
    sample = filled.gather_every(max(1, len(filled) // _SAMPLE)).head(_SAMPLE)
    if not len(sample):
        return []
    clocks: tuple[ClockUnit, ...] = ("h:mm:ss", "mm:ss")
    for unit in clocks:  # one of the two reads any clock; two parts with a fraction are mm:ss alone
        if read_durations(sample, unit).is_not_null().sum() >= _HOPELESS * len(sample):
            return _clock_forms(filled, unit)
    if read_durations(sample, "words").is_not_null().sum() >= _HOPELESS * len(sample) and not _one_unit(sample):
        return _word_forms(filled)
    return []


def may_be_dotted(text: pl.Series) -> bool:
    """Return whether numbers may be minutes and seconds (or hours and minutes) with a point between.

    No fraction exceeds .59, over enough rows and different fractions that decimals would.
    """
    filled = text.drop_nulls()
    if len(filled) < _FEWEST_DOTTED or not filled.str.contains(_DOTTED).all():
        return False
    fractions = filled.str.extract(_BEHIND).drop_nulls()
    return (
        fractions.n_unique() >= _FEWEST_FRACTIONS and (fractions.str.len_chars() == 2).any() and _sixtieths(fractions)
    )


def has_plain_fractions(text: pl.Series) -> bool:
    """Return whether numbers have a fraction above .59: then they are decimals, and no clock's."""
    fractions = text.drop_nulls().str.extract(_BEHIND).drop_nulls()
    return len(fractions) > 0 and not _sixtieths(fractions)


def is_dotted(text: pl.Series) -> bool:
    """Return whether numbers can be nothing but minutes and seconds, where their name says that a point parts them."""
    fractions = text.drop_nulls().str.extract(r"^\d+[.,](\d\d)$")
    return len(fractions) > 0 and not fractions.null_count() and _sixtieths(fractions)


def _sixtieths(fractions: pl.Series) -> bool:
    return bool((fractions.str.pad_end(2, "0").cast(pl.Int64) < 60).all())


def _one_unit(sample: pl.Series) -> bool:
    """Return whether the cells are numbers with one unit behind all of them."""
    words = sample.str.extract(NUMBER_AND_WORD, 2)
    return (
        not words.null_count()
        and len(units := {unit_behind(word) for word in words.unique()}) == 1
        and None not in units
    )


def _clock_forms(filled: pl.Series, fits: ClockUnit) -> list[DurationForm]:
    units, why = _parts(filled, fits)
    forms = [form for unit in units if (form := _form(filled, unit, why)) is not None]
    return [replace(form, undecided=len(forms) > 1) for form in forms]


def _parts(filled: pl.Series, fits: ClockUnit) -> tuple[tuple[ClockUnit, ...], str]:
    """Return the units that clocks can be of: those of two parts may be hours and minutes or minutes and seconds."""
    two = filled.str.contains(_TWO_PARTS)
    count, three = int(two.sum()), bool(filled.str.contains(_THREE_PARTS).any())
    if not count:
        return (fits,), "hours, minutes, seconds" if fits == "h:mm:ss" else "minutes and seconds"
    longest = filled.filter(two).str.extract(_FIRST_PART).cast(pl.Float64).max()
    minutes = longest if isinstance(longest, float) else 0.0
    if 59 < minutes <= _MOST_MINUTES and not three:
        return ("mm:ss",), f"minutes and seconds: the first part goes up to {minutes:.0f}"
    hours_are_third = three and minutes <= 59 and not filled.str.contains(_UNDER_AN_HOUR).any()
    if hours_are_third and count >= 0.2 * len(filled):
        return ("mm:ss",), "minutes and seconds: cells with hours have three parts"
    return ("h:mm:ss", "mm:ss"), "two parts: hours and minutes, or minutes and seconds"


def _word_forms(filled: pl.Series) -> list[DurationForm]:
    undecided, why = False, "durations in words"
    if filled.str.contains(_OR_THOUSANDS).any():
        undecided, why = True, "durations in words; a mark before three digits may be one of thousands"
    elif filled.str.contains(_ONLY_M).all():
        undecided, why = True, "m is minutes, or metres"
    form = _form(filled, "words", why)
    return [] if form is None else [replace(form, undecided=undecided)]


def _form(filled: pl.Series, unit: ClockUnit, why: str) -> DurationForm | None:
    seconds = read_durations(filled, unit)
    share = 1 - seconds.null_count() / len(seconds)
    if share < ENOUGH:
        return None
    frame = seconds.alias("s").to_frame()
    low, median, high = frame.select(low=pl.col("s").min(), mid=pl.col("s").median(), high=pl.col("s").max()).row(0)
    return DurationForm(unit, share, float(low), float(median), float(high), False, why)
