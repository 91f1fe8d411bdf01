"""Columns of numbers and durations: what was written one way is read back, or the column is called undecided."""

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.read.durations import read_durations
from pipeline.read.numbers import read_numbers
from pipeline.read.recognition.duration_forms import duration_forms
from pipeline.read.recognition.number_forms import NumberForm, number_forms
from schemas.profile import ColumnRule

# (decimal mark, mark of thousands): English, German, French, Swiss, Polish; thin and narrow blanks are blanks.
LOCALES = [
    (".", ""),
    (",", ""),
    (".", ","),
    (",", "."),
    (",", " "),
    (",", "\u202f"),
    (",", "\u2009"),
    (".", "'"),
    (".", "’"),
]
UNIT_WORDS = [
    ("", None),
    (" min", "min"),
    (" Min.", "min"),
    ("s", "s"),
    (" godz.", "h"),
    (" kg", "kg"),
    ("%", "percent"),
]


def written(number: float, places: int, locale: tuple[str, str], *, trailing_minus: bool) -> str:
    decimal, thousands = locale
    text = f"{abs(number):,.{places}f}".replace(",", "\0").replace(".", decimal).replace("\0", thousands)
    if number >= 0:
        return text
    return f"{text}-" if trailing_minus else f"-{text}"


def values(cells: list[str], form: NumberForm) -> list[float | None]:
    decimal = form.decimal or ("," if form.thousands == "." else ".")
    return read_numbers(pl.Series(cells), decimal, form.thousands, form.unit).to_list()


@settings(deadline=None, max_examples=150)
@given(
    st.lists(st.integers(-10_000_000, 10_000_000), min_size=1, max_size=40),
    st.integers(0, 4),
    st.sampled_from(LOCALES),
    st.sampled_from(UNIT_WORDS),
    st.booleans(),
)
def test_numbers_of_any_locale_are_read_back_or_undecided(scaled, places, locale, unit, trailing_minus):
    """Marks of decimals and thousands, a unit behind, a minus behind; never another number."""
    truth = [float(f"{each / 10**places:.{places}f}") for each in scaled]
    cells = [written(number, places, locale, trailing_minus=trailing_minus) + unit[0] for number in truth]

    forms = number_forms(pl.Series(cells))

    assert forms, "a person can read it"
    assert {form.unit for form in forms} == {unit[1]}
    if len(forms) > 1:
        assert all(form.undecided for form in forms)
        assert any(values(cells, form) == truth for form in forms)
    else:
        assert values(cells, forms[0]) == truth
        assert forms[0].whole == all(number == round(number) for number in truth)
        assert (forms[0].low, forms[0].high) == (min(truth), max(truth))


def marks_of(*cells: str) -> list[tuple[str | None, str | None, bool]]:
    return [(form.decimal, form.thousands, form.undecided) for form in number_forms(pl.Series(cells))]


@pytest.mark.parametrize(
    ("cells", "marks"),
    [
        (["12", "5"], [(None, None, False)]),
        (["1,234"], [(",", None, True), (None, ",", True)]),
        (["1.234", "2.5"], [(".", None, False)]),
        (["1.234.567"], [(None, ".", False)]),
        (["0,250", "1,250"], [(",", None, False)]),  # nobody groups a nought
        (["1234,567", "1,250"], [(",", None, False)]),  # grouped, it would be 1.234,567
        (["1.234,5"], [(",", ".", False)]),
        (["1 234", "12"], [(None, " ", False)]),
        (["1’234.5"], [(".", "'", False)]),
        (["1.5e-3"], [(".", None, False)]),
        (["-", "12,5", "n/a"], [(",", None, False)]),
    ],
)
def test_marks_are_told_by_what_fits(cells, marks):
    """A mark before three digits may be either; a nought, four digits or a second mark tell."""
    assert sorted(marks_of(*cells), key=str) == sorted(marks, key=str)


def test_counts_with_thousands_marks_are_told_by_the_small_ones():
    """Decimals cut of their zeros would show one or two digits among so many."""
    cells = [f"{number:,}".replace(",", ".") for number in range(900, 1300)]

    assert marks_of(*cells) == [(None, ".", False)]


@pytest.mark.parametrize(
    "cells",
    [
        ["O1234"],
        ["1234.NC", "1235.NC"],
        ["12A", "13A"],
        ["(12)"],
        ["12 min", "30 s"],
        ["1:30"],
        ["2026-01-05"],
        ["1.2.3"],
        ["."],
        [],
    ],
)
def test_names_clocks_and_dates_are_no_numbers(cells):
    """Nor are accounting parentheses, which nobody at a machine writes."""
    assert number_forms(pl.Series(cells, dtype=pl.String)) == []


@pytest.mark.parametrize(
    ("cells", "suffix", "bare"),
    [
        (["12 Stk", "5 Stk.", "7", "?"], "Stk", ["12", "5", "7", "?"]),
        (["€ 12,50", "€5,00"], "€", ["12,50", "5,00"]),
        (["$12.50", "$5.00"], "$", ["12.50", "5.00"]),
        (["12 kr", "5 kr"], "kr", ["12", "5"]),
        (["5,00 €", "6,00 €"], "€", ["5,00", "6,00"]),
    ],
)
def test_a_word_that_is_no_unit_is_told_with_the_split_that_takes_it_off(cells, suffix, bare):
    """What does not bear it stays as it is, to be told if it is no number."""
    form = number_forms(pl.Series(cells[:3] * 9 + cells))[0]

    assert (form.suffix, form.unit) == (suffix, None)
    rule = ColumnRule.model_validate({"from": "x", "split": form.split})
    assert pl.Series(cells).str.extract_groups(str(rule.split)).struct.field("value").to_list() == bare


def hms(seconds: int) -> str:
    return f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"


def in_words(words: tuple[str, str, str], between: str):
    def write(seconds: int) -> str:
        parts = zip((seconds // 3600, seconds // 60 % 60, seconds % 60), words, strict=True)
        told = [f"{number}{word}" for number, word in parts if number]
        return between.join(told) or f"0{words[2]}"

    return write


WRITERS = {
    "h:mm:ss": hms,
    "hh:mm:ss": lambda s: hms(s).zfill(8),
    "h:mm:ss.0": lambda s: f"{hms(s)}.0",
    "h:mm:ss,0": lambda s: f"{hms(s)},0",
    "mm:ss": lambda s: f"{s // 60}:{s % 60:02d}",
    "m:ss or h:mm:ss": lambda s: hms(s) if s >= 3600 else f"{s // 60}:{s % 60:02d}",
    "d.hh:mm:ss": lambda s: f"{s // 86400}.{hms(s % 86400).zfill(8)}",
    "days": lambda s: f"{s // 86400} days, {hms(s % 86400)}" if s >= 86400 else hms(s),
    "ISO 8601": lambda s: f"PT{s // 3600}H{s // 60 % 60}M{s % 60}S",
    "en": in_words((" h", " min", " s"), " "),
    "en close": in_words(("h", "m", "s"), " "),
    "en long": in_words((" hours", " minutes", " seconds"), " and "),
    "de": in_words((" Std.", " Min.", " Sek."), " "),
    "de long": in_words((" Stunden", " Minuten", " Sekunden"), ", "),
    "fr": in_words((" heures", " minutes", " secondes"), " et "),
    "es": in_words((" horas", " min", " seg"), " y "),
    "pt": in_words((" horas", " minutos", " segundos"), " e "),
    "it": in_words((" ore", " minuti", " secondi"), " "),
    "pl": in_words((" godz.", " min", " sek."), " "),
    "nl": in_words((" uur", " min", " sec"), " "),
    "cs": in_words((" hod", " min", " s"), " "),
    "sv": in_words((" tim", " min", " sek"), " "),
    "signs": lambda s: f"{s // 60}'{s % 60:02d}\"",
}


@settings(deadline=None, max_examples=150)
@given(
    st.lists(st.integers(0, 40_000) | st.integers(0, 400_000), min_size=1, max_size=40),
    st.sampled_from(sorted(WRITERS)),
)
def test_durations_in_any_writing_are_read_back_or_undecided(seconds, writer):
    """Clocks, days and words of ten languages; never another length."""
    cells = [WRITERS[writer](each) for each in seconds]
    text = pl.Series(cells)

    forms = duration_forms(text)

    if not forms:  # all are minutes, say: numbers with a unit behind them
        (form,) = number_forms(text)
        worth = {"h": 3600, "min": 60, "s": 1}[str(form.unit)]
        assert [number * worth for number in read_numbers(text, unit=form.unit).to_list()] == seconds
        return
    readings = [read_durations(text, form.unit).to_list() for form in forms]
    if len(forms) > 1 or forms[0].undecided:
        assert all(form.undecided for form in forms)
        assert seconds in readings
    else:
        assert readings == [seconds]
        assert (forms[0].low_s, forms[0].high_s) == (min(seconds), max(seconds))


def units_of(*cells: str) -> list[tuple[str, bool]]:
    return [(form.unit, form.undecided) for form in duration_forms(pl.Series(cells))]


@pytest.mark.parametrize(
    ("cells", "units"),
    [
        (["12:30", "11:20"], [("h:mm:ss", True), ("mm:ss", True)]),
        (["75:30", "11:20"], [("mm:ss", False)]),
        (["1234:30", "11:20"], [("h:mm:ss", True), ("mm:ss", True)]),  # running hours
        (["12:30", "9:40", "1:02:30"], [("mm:ss", False)]),
        (["12:30", "9:40", "0:02:30"], [("h:mm:ss", True), ("mm:ss", True)]),
        (["12:30.5"], [("mm:ss", False)]),
        (["12:30 h"], [("h:mm:ss", False)]),
        (["12:30 min"], [("mm:ss", False)]),
        (["0:12:30", "30:12:30"], [("h:mm:ss", False)]),
        (["1 h 12 min", "5 min"], [("words", False)]),
        (["1h12", "2h05"], [("words", False)]),
        (["72m"], [("words", True)]),
        (["72m 15s"], [("words", False)]),
        (["1.250 h", "30 min"], [("words", True)]),
        (["1899-12-31 00:12:30"], [("h:mm:ss", False)]),
        (["12 min", "13 min"], []),  # numbers with a unit
        (["12.5", "13"], []),
        (["75 rpm"], []),
        (["2026-01-05 06:00:00"], []),
    ],
)
def test_two_parts_are_told_by_the_others(cells, units):
    """More than 59 in front is minutes; where hours have a third part, two parts are minutes and seconds."""
    assert units_of(*cells) == units


@settings(deadline=None, max_examples=80)
@given(st.lists(st.text(max_size=20) | st.text("0123456789:.,-'hms ", max_size=12), max_size=12))
def test_any_text_gives_a_list(cells):
    """Nothing in a cell makes it fail."""
    text = pl.Series(cells, dtype=pl.String)

    assert all(form.share >= 0.9 for form in [*number_forms(text), *duration_forms(text)])
