"""Which of day and month stands first, where no cell of a column tells: by what else the table and its file say.

A month in a title or in the name of the file, days of the week in another column, runs past midnight, days that follow
one another. What these leave open, or tell differently, stays open.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import date, timedelta
from typing import Final

import polars as pl

from pipeline.clock import now
from pipeline.read.recognition.sample import Column, Sample, clock_us
from pipeline.read.recognition.time_forms import TimeForm
from schemas.words import LANGUAGES, MONTHS, WEEKDAY_NUMBERS, plain, written_words

_US_PER_DAY: Final = 86_400_000_000
_LONGEST_RUN_US: Final = 3 * _US_PER_DAY  # common practice, no source
_ALL: Final = 0.95
_NONE: Final = 0.05
_HALF: Final = 0.5
_WEEKEND_DAYS: Final = 4  # from one working day to the next
_MONTH_DAYS: Final = 28
_ROWS_A_DAY: Final = 3  # of a log; sums of months have one
_FEWEST_DAYS: Final = 3
_ABBREVIATED: Final = 3  # letters of words that are a month beside a year only: "mar", "set", "may"
_FIGURES: Final = re.compile(
    r"(?<!\d)(20\d\d)[-_. /]?(0[1-9]|1[0-2])(?!\d)|(?<!\d)(0?[1-9]|1[0-2])[-_./](20\d\d)(?!\d)"
)
_YEAR: Final = re.compile(r"(?<!\d)20\d\d(?!\d)")
_PART_OF_DATE: Final = re.compile(
    r"(?<!\d)\d{1,2}[-_./]\d{1,2}[-_./]20\d\d(?!\d)|(?<!\d)20\d\d[-_./]?\d\d[-_./]?\d\d(?!\d)"
)
_KNOWN_NAMES: Final = 0.8
_YEAR_FIRST: Final = re.compile(r"(?<!\d)(20\d\d)[-_. /]?(0[1-9]|1[0-2])[-_. /]?([0-3]\d)(?!\d)")
_POINTED: Final = re.compile(r"(?<!\d)(\d{1,2})\.\s?(\d{1,2})\.\s?(20\d\d)(?!\d)")
_IN_WORDS: Final = re.compile(
    r"(?:(?<!\d)(\d{1,2})[. -]+(?:de )?)?([^\W\d_]{3,12})[. -]*(?:(\d{1,2}),? )?(?:de )?(20\d\d)(?!\d)"
)
_DAY_SAID: Final = "a title or the file's name says the day"
_SOFT: Final = (_DAY_SAID,)
"""What a day a month later may say too: an export of an old day."""
_LONGEST_LOG_DAYS: Final = 40
_BEFORE: Final = timedelta(days=1)  # a night's log bears the day on which it began
_AFTER: Final = timedelta(days=3)  # a log is exported on the day after, or after a weekend
_AHEAD: Final = timedelta(days=1)  # clocks of machines and zones differ


def told_order(text: pl.Series, forms: Sequence[TimeForm], ended: pl.Series | None, sample: Sample) -> TimeForm | None:
    """Return the one form of several that all else bears out, None where nothing tells or two things disagree.

    `ended` are the ends of what begins at these times, or the beginnings of what ends.
    """
    read = [clock_us(text, form.format) for form in forms]
    found = [
        (by, why)
        for by, why in (
            (_by_month(read, sample), "a title or the file's name says the month"),
            (_by_day(read, sample), _DAY_SAID),
            (_by_today(read), "read otherwise, days would lie in the future"),
            (_by_weekday(read, sample), "the days of the week beside it say so"),
            (_by_midnight(forms, read, ended), "read otherwise, a run past midnight would last a month"),
            (_by_following(forms, read, sample), "read so, the days follow one another"),
        )
        if by is not None
    ]
    if len({by for by, _ in found}) != 1:
        return None
    by, why = found[0]
    if all(told in _SOFT for _, told in found) and _is_against_custom(forms[by], forms, sample):
        return None
    return replace(forms[by], undecided=False, evidence=why)


def _the_one(shares: Sequence[float], none: float) -> int | None:
    """Return the reading that what is said bears out, where all others speak against it."""
    fitting = [at for at, share in enumerate(shares) if share >= _ALL]
    against = sum(share <= none for share in shares)
    return fitting[0] if len(fitting) == 1 and against == len(shares) - 1 else None


def _dates(micros: pl.Series) -> pl.Series:
    return micros.drop_nulls().cast(pl.Int64).cast(pl.Datetime("us")).dt.date()


def _by_month(read: Sequence[pl.Series], sample: Sample) -> int | None:
    said = set(_months_said(sample))
    if not said:
        return None
    return _the_one([_share(_dates(micros).dt.month().is_in(list(said))) for micros in read], _NONE)


def _by_day(read: Sequence[pl.Series], sample: Sample) -> int | None:
    """Tell by a day that is said outside the table in a form of one order: the rows are of that day or end about it."""
    said = set(_days_said(sample))
    if not said:
        return None
    near = []
    for micros in read:
        days = _dates(micros)
        first, last = days.min(), days.max()
        if not isinstance(first, date) or not isinstance(last, date):
            return None
        sane = (last - first).days <= _LONGEST_LOG_DAYS
        near.append(sane and any(first - _BEFORE <= day <= last + _AFTER for day in said))
    return near.index(True) if sum(near) == 1 else None


def _days_said(sample: Sample) -> Iterator[date]:
    """Yield the days that titles and the name of the file say with the year first, with points, or in words."""
    name = sample.place.replace("\\", "/").rpartition("/")[2].rpartition(".")[0]
    for text in (*(" ".join(cells) for cells in sample.titles), name):
        found = [(y, m, d) for y, m, d in _YEAR_FIRST.findall(text)]
        found += [(y, m, d) for d, m, y in _POINTED.findall(text)]
        for before, word, after, year in _IN_WORDS.findall(text.replace("_", " ")):
            if plain(word) in MONTHS:
                found.append((year, str(MONTHS[plain(word)]), before or after))
        for year, month, day in found:
            with suppress(ValueError):
                yield date(int(year), int(month), int(day))


def _by_today(read: Sequence[pl.Series]) -> int | None:
    """Tell by the computer's day: what a log says has happened."""
    latest = now().date() + _AHEAD
    happened = [bool((_dates(micros) <= latest).all()) for micros in read]
    return happened.index(True) if sum(happened) == 1 else None


def _share(flags: pl.Series) -> float:
    mean = flags.mean()
    return float(mean) if isinstance(mean, float) else 0.0


def _months_said(sample: Sample) -> Iterator[int]:
    """Yield the months that titles and the name of the file say as a period; a day's date is that of an export too."""
    name = sample.place.replace("\\", "/").rpartition("/")[2].rpartition(".")[0]
    for text in (*(" ".join(cells) for cells in sample.titles), name):
        dated = _YEAR.search(text.replace("_", " ")) is not None
        words = [word for word in re.split(r"[\W\d_]+", text) if plain(word) in MONTHS]
        yield from (MONTHS[plain(word)] for word in words if dated or len(word) > _ABBREVIATED)
        for found in _FIGURES.finditer(_PART_OF_DATE.sub(" ", text)):
            yield int(found[2] or found[3])


def _by_weekday(read: Sequence[pl.Series], sample: Sample) -> int | None:
    columns = [column for column in sample.columns if _are_weekdays(column)]
    if len(columns) != 1 or any(len(micros) != len(columns[0].text) for micros in read):
        return None
    words = {word: list(WEEKDAY_NUMBERS[plain(word)]) for word in columns[0].few_values}
    shares = []
    for micros in read:
        rows = pl.DataFrame({"at": micros, "said": columns[0].text}).drop_nulls()
        days = rows.select(day=_dates(rows["at"]).dt.weekday(), said="said")
        shares.append(_share(pl.Series([day in words[said] for day, said in days.iter_rows()])))
    return _the_one(shares, _HALF)


def _are_weekdays(column: Column) -> bool:
    words = column.few_values
    return bool(words) and all(plain(word) in WEEKDAY_NUMBERS for word in words)


def _by_midnight(forms: Sequence[TimeForm], read: Sequence[pl.Series], ended: pl.Series | None) -> int | None:
    """Tell by runs that begin on one day and end on the next: by another order they would last a month."""
    if ended is None:
        return None
    sane = []
    for form, micros in zip(forms, read, strict=True):
        length = (clock_us(ended, form.format) - micros).abs().drop_nulls()
        if not len(length):
            return None
        sane.append(bool((length <= _LONGEST_RUN_US).all()))
    return sane.index(True) if sum(sane) == 1 else None


def _by_following(forms: Sequence[TimeForm], read: Sequence[pl.Series], sample: Sample) -> int | None:
    """Tell by days: all next to one another by one reading, by the other on the same day of several months.

    Two days may lie a month apart by chance: they tell where the order is also that of the table's language.
    """
    if len(read) != 2 or any(form.holds != "instant" for form in forms):
        return None
    for by, (one, other) in enumerate(((read[0], read[1]), (read[1], read[0]))):
        days, others = (micros.drop_nulls() // _US_PER_DAY for micros in (one, other))
        steps, far = (kind.unique().sort().diff().drop_nulls() for kind in (days, others))
        if not len(steps) or len(days) < _ROWS_A_DAY * days.n_unique() or len(steps) != len(far):
            continue
        if not (steps <= _WEEKEND_DAYS).all() or not (far >= _MONTH_DAYS).all():
            continue
        return by if days.n_unique() >= _FEWEST_DAYS or _is_custom(forms[by], sample) else None
    return None


def _is_against_custom(form: TimeForm, forms: Sequence[TimeForm], sample: Sample) -> bool:
    """Return whether another form is the one that people who name columns so write dates in."""
    return not _is_custom(form, sample) and any(_is_custom(other, sample) for other in forms if other != form)


def _is_custom(form: TimeForm, sample: Sample) -> bool:
    """Return whether people who name columns so write dates so: day first in all languages but English."""
    format = form.format if isinstance(form.format, str) else form.format[0]
    day_first = format.find("%d") < format.find("%m")
    told = [column.reading.languages for column in sample.columns if column.reading.languages]
    if day_first and any("en" not in codes for codes in told) and not any(codes == {"en"} for codes in told):
        return True
    names = [words for column in sample.columns if (words := re.findall(r"[^\W\d_]{2,}", column.name.casefold()))]
    known = {code: sum(set(words) <= written_words(code) for words in names) / len(names) for code in LANGUAGES}
    english = known.pop("en")
    if day_first:
        return max(known.values()) >= _KNOWN_NAMES and english < max(known.values())
    return sample.zone.startswith("America/") and english >= _KNOWN_NAMES
