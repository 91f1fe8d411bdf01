"""Columns of times: what was written one way is read back, or the column is called undecided; never another time."""

import re
from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.read.recognition.time_forms import TimeForm, time_forms
from pipeline.read.times import read_dates, read_times
from schemas.time_format import format_fault

# January to December as a date says them (the genitive where the language has one), from the CLDR locale data.
MONTHS = {
    "en": "January February March April May June July August September October November December",
    "de": "Januar Februar März April Mai Juni Juli August September Oktober November Dezember",
    "fr": "janvier février mars avril mai juin juillet août septembre octobre novembre décembre",
    "es": "enero febrero marzo abril mayo junio julio agosto septiembre octubre noviembre diciembre",
    "pt": "janeiro fevereiro março abril maio junho julho agosto setembro outubro novembro dezembro",
    "it": "gennaio febbraio marzo aprile maggio giugno luglio agosto settembre ottobre novembre dicembre",
    "pl": "stycznia lutego marca kwietnia maja czerwca lipca sierpnia września października listopada grudnia",
    "nl": "januari februari maart april mei juni juli augustus september oktober november december",
    "cs": "ledna února března dubna května června července srpna září října listopadu prosince",
    "sv": "januari februari mars april maj juni juli augusti september oktober november december",
    "en short": "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec",
    "de short": "Jan. Feb. März Apr. Mai Juni Juli Aug. Sept. Okt. Nov. Dez.",
    "fr short": "janv. févr. mars avr. mai juin juil. août sept. oct. nov. déc.",
    "es short": "ene feb mar abr may jun jul ago sept oct nov dic",
    "pt short": "jan. fev. mar. abr. mai. jun. jul. ago. set. out. nov. dez.",
    "it short": "gen feb mar apr mag giu lug ago set ott nov dic",
    "pl short": "sty lut mar kwi maj cze lip sie wrz paź lis gru",
    "nl short": "jan feb mrt apr mei jun jul aug sep okt nov dec",
    "sv short": "jan. feb. mars apr. maj juni juli aug. sep. okt. nov. dec.",
}
DATES = (
    *("%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%d-%m-%Y", "%m-%d-%Y", "%Y/%m/%d", "%Y-%m-%d", "%Y.%m.%d", "%Y%m%d"),
    *("%d.%m.%y", "%d/%m/%y", "%m/%d/%y", "%d-%m-%y", "%y-%m-%d", "%y/%m/%d", "%d. %m. %Y", "%d %m %Y"),
    *("%d {month} %Y", "{month} %d, %Y", "%d. {month} %Y", "%d-{month}-%y", "%Y {month} %d", "%d de {month} de %Y"),
    *("%a %d.%m.%Y", "%A, %d {month} %Y"),
)
TIMES = (
    *("%H:%M:%S", "%H:%M", "%I:%M:%S %p", "%I:%M %p", "%I:%M%p", "%H:%M:%S.{ms}", "%H:%M:%S,{ms}", "%H.%M.%S"),
    *("%H:%M:%S:{ms}", "%H:%M:%SZ", "%H:%M:%S+00:00", "%H:%M:%S +0000", "%H:%M:%S UTC", "%I:%M {half}", "%Hh%M"),
)
HALVES = {"AM": "a. m.", "PM": "p. m."}
BETWEEN = (" ", "T", ", ", "  ", " - ")

moments = st.datetimes(datetime.fromisoformat("1990-01-01"), datetime.fromisoformat("2089-12-31"))
gaps = st.integers(0, 60) | st.integers(60, 86_400) | st.integers(86_400, 20 * 86_400)
logs = st.tuples(moments, st.lists(gaps, min_size=1, max_size=60), st.booleans())


def in_order(log: tuple[datetime, list[int], bool]) -> list[datetime]:
    start, steps, falling = log
    times = [start]
    for step in steps:
        times.append(times[-1] + timedelta(seconds=step))
    times = [time.replace(year=2089) if time.year > 2089 else time for time in times if time.year <= 2089]
    return times[::-1] if falling else times


columns = logs.map(in_order) | st.lists(moments, min_size=1, max_size=40)


def written(time: datetime, day: str, clock: str, names: list[str], *, padded: bool) -> str:
    day = day.replace("{month}", names[time.month - 1])
    clock = clock.replace("{ms}", f"{time.microsecond // 1000:03d}").replace("{half}", HALVES[time.strftime("%p")])
    if not padded and day != "%Y%m%d":
        day, clock = (re.sub(r"%([dmHI])", r"%-\1", part) for part in (day, clock))
    return time.strftime(day + clock)


def resolution(time: datetime, pattern: str) -> datetime:
    """Return what a pattern keeps of a moment."""
    if "ms}" in pattern:
        return time.replace(microsecond=time.microsecond // 1000 * 1000)
    return time.replace(microsecond=0, second=time.second if "%S" in pattern else 0)


def read_back(text: pl.Series, form: TimeForm) -> list[object]:
    assert format_fault(form.format) is None
    if form.holds == "date":
        return read_dates(text, form.format).to_list()
    read = read_times(text, form.format)
    assert read.utc.null_count() in (0, len(text))
    times = read.utc.to_list() if form.has_offset else read.naive.to_list()
    return [time.replace(tzinfo=None) if time else time for time in times]


def never_read_wrongly(cells: list[str], truth: list[object]) -> None:
    text = pl.Series(cells)
    forms = time_forms(text)
    assert forms, "a person can read it"
    if len(forms) > 1:
        assert all(form.undecided for form in forms)
        assert any(read_back(text, form) == truth for form in forms)
    else:
        assert read_back(text, forms[0]) == truth


@settings(deadline=None, max_examples=150)
@given(
    columns,
    st.sampled_from(DATES),
    st.sampled_from(BETWEEN),
    st.sampled_from(TIMES),
    st.sampled_from(sorted(MONTHS)),
    st.booleans(),
)
def test_instants_in_any_writing_are_read_back_or_undecided(times, day, between, clock, language, padded):
    """Any order of day, month and year, any clock, months in ten languages, with and without leading zeros."""
    names = MONTHS[language].split()
    never_read_wrongly(
        [written(time, day, between + clock, names, padded=padded) for time in times],
        [resolution(time, clock) for time in times],
    )


@settings(deadline=None, max_examples=150)
@given(columns, st.sampled_from(DATES), st.sampled_from(sorted(MONTHS)), st.booleans())
def test_dates_in_any_writing_are_read_back_or_undecided(times, day, language, padded):
    """Dates alone."""
    cells = [written(time, day, "", MONTHS[language].split(), padded=padded) for time in times]
    never_read_wrongly(cells, [time.date() for time in times])


@settings(deadline=None, max_examples=50)
@given(columns, st.sampled_from(["epoch_s", "epoch_ms", "epoch_us"]))
def test_epochs_are_told_by_their_years(times, format):
    """Seconds, milliseconds and microseconds cannot be taken for one another."""
    per_s = {"epoch_s": 1, "epoch_ms": 1000, "epoch_us": 1_000_000}[format]
    epoch = datetime(1970, 1, 1, tzinfo=UTC)
    micros = [(time.replace(tzinfo=UTC) - epoch) // timedelta(microseconds=1) for time in times]
    whole = [each * per_s // 1_000_000 for each in micros]

    forms = time_forms(pl.Series([str(each) for each in whole]))

    assert [(form.format, form.has_offset) for form in forms] == [(format, True)]
    seconds = read_times(pl.Series([str(each) for each in whole]), format).utc.dt.timestamp("us").to_list()
    assert seconds == [each * 1_000_000 // per_s for each in whole]


@settings(deadline=None, max_examples=50)
@given(st.lists(moments.filter(lambda time: time.year > 1995), min_size=1, max_size=40), st.sampled_from(".,"))
def test_serial_days_of_spreadsheets_are_read_back_to_the_millisecond(times, mark):
    """Day 25569 is 1970-01-01, day 45292 is 2024-01-01 (1900 system)."""
    zero = datetime.fromisoformat("1899-12-30")
    kept = [time.replace(microsecond=time.microsecond // 1000 * 1000) for time in times]
    cells = [f"{(time - zero) / timedelta(days=1):.10f}".replace(".", mark) for time in kept]

    form = time_forms(pl.Series(cells))[0]

    assert form.format == "spreadsheet_days"
    assert read_times(pl.Series(cells), form.format).naive.to_list() == kept


def forms_of(*cells: str) -> list[tuple[object, str, bool, bool]]:
    return [(form.format, form.holds, form.undecided, form.weak) for form in time_forms(pl.Series(cells))]


@pytest.mark.parametrize(
    ("cells", "form"),
    [
        (["2026-01-05T06:07:08Z", "2026-01-05T06:07:08.5Z"], ("iso", "instant", False, False)),
        (
            ["05.01.2026 06:07:08", "06.01.2026 06:07"] * 5,
            (["%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M"], "instant", False, False),
        ),
        (["03.04.2026"], ("%d.%m.%Y", "date", False, False)),
        (["01/16/26 6:07 PM"], ("%m/%d/%y %I:%M %p", "instant", False, False)),
        (["Mo, 5. Jan. 2026 06:07"], ("%a, %d. %b %Y %H:%M", "instant", False, False)),
        (["Mon Jan  5 06:07:08 2026"], ("%a %b %d %H:%M:%S %Y", "instant", False, False)),
        (["20260314073000"], ("%Y%m%d%H%M%S", "instant", False, True)),
        (["20260314", "20260315", "20260411"], ("%Y%m%d", "date", False, False)),
        (["20260314 073000"], ("%Y%m%d %H%M%S", "instant", False, False)),
        (["46090", "46091", "46095"], ("spreadsheet_days", "date", False, True)),
        (["46090.25", "46091.5"], ("spreadsheet_days", "instant", False, True)),
        (["7:30", "14:05"], ("%H:%M", "time of day", False, False)),
        (["07:30:15,250"], ("%H:%M:%S,%f", "time of day", False, False)),
        (["063015", "145959", "150000"], ("%H%M%S", "time of day", False, True)),
        (["065015", "075959"], ("%H%M%S", "time of day", False, True)),
        (["1899-12-31 07:30:00", "1899-12-31 15:00:00"], ("%H:%M:%S", "time of day", False, False)),
        (["2026-01-05 00:00:00", "2026-01-06 00:00:00"], ("iso", "date", False, False)),
        (["14.03.2026 24:00", "14.03.2026 23:00"], ("%d.%m.%Y %H:%M", "instant", False, False)),
        (["06:30 14.03.2026"], ("%H:%M %d.%m.%Y", "instant", False, False)),
    ],
)
def test_one_form_where_one_reading_is_borne_out(cells, form):
    """The form as a profile says it."""
    assert forms_of(*cells) == [form]


@pytest.mark.parametrize(
    "cells",
    [
        ["O1234", "O1235"],
        ["12.5", "7.30"],
        ["1", "2", "3"],
        ["2026-01-05 06:00:00 CET"],  # a name that some write in summer too
        ["13.13.2026 06:00"],
        ["1.2.3"],
        ["32:10", "75:00"],
        ["05.01.0026 06:00"],
        ["05.01.1826"],
        ["-", "n/a"],
        [],
    ],
)
def test_what_is_no_time_has_no_form(cells):
    """Programs, numbers, durations and impossible dates."""
    assert time_forms(pl.Series(cells, dtype=pl.String)) == []


def rows(start: str, count: int, step: timedelta, pattern: str) -> pl.Series:
    first = datetime.fromisoformat(start)
    return pl.Series([(first + step * at).strftime(pattern) for at in range(count)])


def test_a_day_above_twelve_tells():
    """340 rows, of which some say it."""
    forms = time_forms(rows("2026-03-01T06:00:00", 340, timedelta(hours=1), "%m/%d/%Y %H:%M"))

    assert [form.format for form in forms] == ["%m/%d/%Y %H:%M"]
    assert "days above 12" in forms[0].evidence


def test_the_order_of_rows_tells_where_no_day_is_above_twelve():
    """Read day first the log jumps to and fro, read month first it is in order."""
    days = [(month, day) for month in range(1, 7) for day in (3, 5, 9)]
    text = pl.Series([f"{month:02d}/{day:02d}/2026 06:{day:02d}" for month, day in days])

    assert [form.format for form in time_forms(text)] == ["%m/%d/%Y %H:%M"]
    assert "the rows are in order" in time_forms(text)[0].evidence
    shuffled = text.sample(fraction=1.0, shuffle=True, seed=3)
    assert {form.undecided for form in time_forms(shuffled)} == {True}


@pytest.mark.parametrize(
    ("pattern", "other"), [("%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M"), ("%m/%d/%Y %H:%M", "%d/%m/%Y %H:%M")]
)
def test_days_that_follow_one_another_tell(pattern, other):
    """A log of eight days is no log of one day in each of eight months."""
    forms = time_forms(rows("2026-04-03T06:00:00", 150, timedelta(minutes=75), pattern))

    assert [form.format for form in forms] == [pattern]
    assert [form.format for form in time_forms(rows("2026-04-03T06:00:00", 2, timedelta(days=1), other))] != [other]


def test_one_date_a_month_stays_undecided():
    """Sums of months dated on the first are not days of January."""
    text = pl.Series([f"{month:02d}/01/2026" for month in range(1, 9)])

    assert {form.format for form in time_forms(text)} == {"%m/%d/%Y", "%d/%m/%Y"}
    assert all(form.undecided for form in time_forms(text))


def test_years_of_two_digits_are_told_by_how_the_days_lie():
    """26-03-04 of a log of 2026 is no day 26 of another year each day."""
    forms = time_forms(rows("2026-03-02T06:00:00", 60, timedelta(hours=7), "%y-%m-%d %H:%M"))

    assert [form.format for form in forms] == ["%y-%m-%d %H:%M"]


@pytest.mark.parametrize(
    ("cells", "format"),
    [
        (["14.03.26", "15.03.26", "16.03.26"], "%d.%m.%y"),
        (["03.03.26"] * 4, "%d.%m.%y"),
        (["05.03.26", "06.03.26", "09.03.26"], "%d.%m.%y"),
        (["26-03-09", "26-03-10", "26-03-11"], "%y-%m-%d"),
        (["10.05.26", "10.06.59", "10.07.02", "10.09.44"], "%H.%M.%S"),
    ],
)
def test_short_dates_are_told_from_one_another_and_from_times(cells, format):
    """Three days of a week are no day of three years, and seconds no years."""
    assert [form.format for form in time_forms(pl.Series(cells))] == [format]


def test_a_twelve_hour_clock_that_says_no_half_is_undecided():
    """A log in which 12:50 is followed by 01:10 on the same day, even once, or one that knows no other hours."""
    pattern = "%d.%m.%Y %I:%M"
    over_noon = rows("2026-03-14T10:30:00", 20, timedelta(minutes=10), pattern)
    days = rows("2026-03-14T06:00:00", 100, timedelta(minutes=70), pattern)

    for text in (over_noon, over_noon.reverse(), days, days.shuffle(seed=1)):
        forms = time_forms(text)
        assert [form.undecided for form in forms] == [True]
        assert "12-hour clock" in forms[0].evidence


def test_a_morning_shift_is_no_twelve_hour_clock():
    """Hours from 6 to 12 in order."""
    days = [datetime(2026, 3, day, 6, tzinfo=UTC) for day in range(2, 28)]
    text = pl.Series([(day + timedelta(hours=hour)).strftime("%d.%m.%Y %H:%M") for day in days for hour in range(7)])

    assert [form.undecided for form in time_forms(text)] == [False]


def test_the_steps_of_a_log_are_counted_without_repeats():
    """A falling log with two rows a minute."""
    form = time_forms(pl.Series(["14.03.2026 07:30", "14.03.2026 07:30", "14.03.2026 07:10", "13.03.2026 07:20"]))[0]

    assert (form.rises, form.falls) == (0.0, 1.0)


def test_a_rare_form_beyond_the_sample_is_read_too():
    """One cell in thousands without its seconds."""
    text = rows("2026-03-01T06:00:00", 5000, timedelta(minutes=7), "%d.%m.%Y %H:%M:%S").to_list()
    text[4001] = text[4001][:-3]

    form = time_forms(pl.Series(text))[0]

    assert form.format == ["%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M"]
    assert form.share == 1.0


def test_some_cells_may_be_no_times():
    """Nine in ten must be read; what is left becomes rejects."""
    good = rows("2026-03-01T06:00:00", 95, timedelta(hours=7), "%d.%m.%Y %H:%M:%S").to_list()

    assert time_forms(pl.Series([*good, *["?"] * 5]))[0].share == pytest.approx(0.95)
    assert time_forms(pl.Series([*good, *["?"] * 20])) == []


@settings(deadline=None, max_examples=80)
@given(
    st.lists(
        st.text(max_size=20) | st.sampled_from(["05/13/26", "٣.٤.٢٠٢٦ 06:00", "²:³", "1e400", "9" * 40]), max_size=12
    )
)
def test_any_text_gives_a_list(cells):
    """Nothing in a cell makes it fail."""
    for form in time_forms(pl.Series(cells, dtype=pl.String)):
        assert form.share >= 0.9
        assert isinstance(form.evidence, str)


def test_dates_hold_days():
    """A date's form reads dates."""
    form = time_forms(pl.Series(["03.04.2026", "14.04.2026"]))[0]

    assert read_dates(pl.Series(["03.04.2026"]), form.format).to_list() == [date(2026, 4, 3)]
