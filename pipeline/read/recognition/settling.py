"""Chosen columns -> the rules of a profile: formats, units, marks and lookups, and what of them stays open.

What cannot be told from the file becomes a doubt, a sentence for a person; a file with doubts is not read.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

import polars as pl

from pipeline.read.durations import read_durations
from pipeline.read.numbers import read_numbers, read_whole_numbers, without_empty_words
from pipeline.read.recognition.assigning import NOTICED, SURE, Assignment, Guess, unsure
from pipeline.read.recognition.day_order import told_order
from pipeline.read.recognition.duration_forms import (
    has_plain_fractions,
    is_dotted,
    may_be_dotted,
)
from pipeline.read.recognition.endings import told_word
from pipeline.read.recognition.fitting import OPPOSITE, answers, is_marked
from pipeline.read.recognition.names import counts_scrap, known_word, read_name, says, unit_of
from pipeline.read.recognition.number_forms import NumberForm
from pipeline.read.recognition.places import Said, disagree, machine_listed, machines_said
from pipeline.read.recognition.sample import Column, Knowledge, Sample, clock_us, is_of_which, trimmed
from pipeline.read.recognition.sums import are_sums
from pipeline.read.recognition.time_forms import TimeForm, time_forms
from pipeline.read.recognition.tool_kinds import kind_rule
from pipeline.read.recognition.yearless import NO_YEAR, last_month_said
from pipeline.read.recognition.zones import agree, zone_pattern
from pipeline.read.skipping import total_words
from schemas.columns import columns
from schemas.concepts import DURATIONS
from schemas.profile import CELL_UNITS, FIELD_WORDS, UNITS, unit_dimension
from schemas.vocabulary import UTC_TIME
from schemas.words import currencies, currency_codes, unit_spelling

NO_MACHINE: Final = ("machine", "missing")
"""The key of the doubt about a file that names no machine."""
NAME_THE_MACHINE: Final = (
    'add machine = "..." to its [[source]] in shop.toml, or lay it in a folder that is called as the machine'
)
UNKNOWN_WORD: Final = {"outcome": "unknown", "reason": "unknown", "level": "NORMAL"}
CALLED: Final = ("program", "operation", "job", "part", "machine")
"""Fields of names, in which the word of a total may stand."""
_COUNTS: Final = frozenset({"parts", "scrap", "quantity", "parts_per_cycle"})
_TOLD: Final = 0.01
_OWN: Final = 0.99  # of a field by our own name
_FEW_NAMES: Final = 3
_SAY_WHICH: Final = "say which it is under [columns.machine] of a profile"
_STARTS: Final = 0.5
_FEWEST_STAMPS: Final = 8
_CLASH_US: Final = 1_500_000  # durations and stamps are rounded to a second
_CLASHING: Final = 0.1  # share of overlaps from which a reading counts as wrong
_CLASH_FREE: Final = 0.01
_FILLED: Final = 0.1  # of the time from start to start that the middle cycle takes at least
_SIXTY: Final = 60  # seconds that are minutes, minutes that are hours
_FILLS: Final = 0.4
_ODD: Final = 0.1
_AGREEING: Final = 0.8  # share of rows in which end = start + duration before a unit counts as shown
_HALF_A_YEAR_US: Final = 180 * 86_400_000_000
_JOB_AND_OPERATION: Final = r"^\s*\S.*?[\s/._-]+\d{1,4}\s*$"
_JOB_PART: Final = r"^\s*(?P<value>\S.*?)[\s/._-]+\d{1,4}\s*$"
_OPERATION_PART: Final = r"[\s/._-](?P<value>\d{1,4})\s*$"
_EXACT: Final = 0.02  # relative; durations are rounded to their last digit
_HALF_A_UNIT: Final = 0.51  # durations in whole minutes are half a minute off at most
_ROUNDED_S: Final = 1.5
_FAR_S: Final = 1e12  # of what a reading does not read


@dataclass
class Settled:
    """The rules of a profile as TOML would hold them, the notes on each, and what stays open."""

    rules: dict[str, dict[str, Any]] = field(default_factory=dict)
    file: dict[str, Any] = field(default_factory=dict)
    evidence: dict[str, list[str]] = field(default_factory=dict)
    doubts: dict[tuple[str, str], str] = field(default_factory=dict)  # by field (or column) and topic
    open_times: dict[str, list[str | list[str]]] = field(default_factory=dict)  # fields with several ways to read them
    moved: dict[str, str] = field(default_factory=dict)  # field -> the field that its column was chosen for at first
    left: dict[str, str] = field(default_factory=dict)  # fields left out, as they stayed open -> their column

    def tell(self, name: str, what: str) -> None:
        """Add a phrase to what speaks for a field."""
        self.evidence.setdefault(name, []).append(what)

    def doubt(self, name: str, topic: str, what: str) -> None:
        """Add a sentence on what a person must say."""
        self.doubts[name, topic] = what


def settle(found: Assignment, sample: Sample, known: Knowledge, over: Guess | None = None) -> Settled:
    """Return the rules for the columns chosen; `over` are ends of the rows that are no field of theirs."""
    settled = Settled()
    for name, guess in found.guesses.items():
        source = list(guess.columns)
        settled.rules[name] = {"from": source[0] if len(source) == 1 else source}
        settled.evidence[name] = list(guess.evidence)
        if guess.confidence < SURE:
            said = "may be" if guess.confidence >= NOTICED else "could be"
            why = "; ".join(guess.evidence)
            share = f"{unsure(guess.confidence)}, " if guess.confidence >= _TOLD else "its name does not say it, "
            settled.doubt(name, "field", f"{_label(guess)} {said} {name} ({share}{why})")
    dtypes = columns(found.kind)
    for name, guess in found.guesses.items():
        if name != "duration_s" and dtypes[name] in (UTC_TIME, pl.Date):
            other = found.guesses.get("ended_at" if name == "started_at" else "started_at", over)
            _settle_time(settled, name, guess, other, sample, dated=dtypes[name] == pl.Date)
    _settle_alike(settled)
    numeric = {
        name: guess
        for name, guess in found.guesses.items()
        if name == "duration_s" or dtypes[name] in (pl.Float64, pl.Int64)
    }
    others = [column for column in sample.columns if not any(column.name in g.columns for g in found.guesses.values())]
    _settle_marks(settled, numeric, _values(found), others)
    for name, guess in numeric.items():
        if split := next((form.split for form in guess.cells.numbers if form.split), None):
            settled.rules[name]["split"] = split
        if unit_dimension(name):
            _settle_unit(settled, name, guess)
    _dotted_by_others(settled, found.guesses)
    _hold_against_each_other(settled, found.guesses)
    if found.kind == "cycle":
        _settle_scrap(settled, found.guesses)
        _settle_clock(settled, found.guesses)
        _settle_length(settled, found.guesses)
        settle_rhythm(settled, found.guesses)
        _settle_stamp(settled, found.guesses)
    if (cost := found.guesses.get("edge_cost")) is not None and _is_other_money(cost.cells.name, known.currency):
        del settled.rules["edge_cost"]
    for name in FIELD_WORDS:
        if name in found.guesses:
            settle_words(settled, name, found.guesses[name].cells, name)
    if (tool := found.guesses.get("tool")) is not None and found.kind != "event":
        _settle_turret(settled, tool)
    if found.kind in ("cycle", "estimate"):
        _settle_job_and_operation(settled, found.guesses)
    _settle_machine(settled, found, sample, known)
    _settle_above(settled, found, known)
    _settle_totals(settled, found.guesses, numeric, sample)
    if found.kind == "estimate":
        _settle_other_times(settled, found, sample)
        if "tool_type" not in settled.rules:
            _settle_tool_kind(settled, found, sample)
    return settled


def _settle_above(settled: Settled, found: Assignment, known: Knowledge) -> None:
    """Give all rows what lines above the table say of them; two that differ are asked about."""
    for name, said in found.above.items():
        if name in settled.rules:
            continue
        value = said[0].value
        settled.rules[name] = {"constant": known.machines.get(value.casefold(), value) if name == "machine" else value}
        settled.evidence[name] = [f'the line "{said[0].line}" above the table says so']
        if len(said) > 1:
            values = " and ".join(one.value for one in said[:2])
            settled.doubt(name, "above", f"lines above the table say {values}: say which {name} its rows are of")


def _settle_totals(
    settled: Settled, guesses: Mapping[str, Guess], numeric: Mapping[str, Guess], sample: Sample
) -> None:
    """Skip rows that are called a total in a column of names, where their numbers are the sums of the others."""
    cells = sample.table.cells.head(sample.own_rows or sample.rows)
    for name in CALLED:
        column = guesses[name].columns[0] if name in guesses else ""
        words = total_words(cells[column]) if column else []
        if not words:
            continue
        numbers = [
            seconds_of(replace(guess.cells, text=trimmed(cells[guess.columns[0]])), settled.rules[field], settled.file)
            if unit_dimension(field) == "time"
            else read_numbers(
                trimmed(cells[guess.columns[0]]), settled.file.get("decimal", "."), settled.file.get("thousands")
            )
            for field, guess in numeric.items()
            if field in settled.rules
        ]
        if are_sums(cells[column].str.strip_chars().is_in(words).fill_null(False), numbers):
            listed = "|".join(re.escape(word) for word in sorted(words))
            settled.file.setdefault("skip_rows_where", []).append({"column": column, "matches": f"^(?:{listed})$"})


def _settle_job_and_operation(settled: Settled, guesses: Mapping[str, Guess]) -> None:
    """Part a column whose name says an order and its operation ("Order/Op") into both, where all cells are so."""
    name = next(
        (name for name in ("job", "operation") if name in guesses and _says_both(guesses[name].cells.name)), None
    )
    if name is None or {"job", "operation"} <= guesses.keys():
        return
    column = guesses[name].cells
    if not column.text.drop_nulls().str.contains(_JOB_AND_OPERATION).all():
        settled.doubt(name, "both", f"{_label(guesses[name])} may say the job and its operation together: split it")
        return
    for said, split in (("job", _JOB_PART), ("operation", _OPERATION_PART)):
        settled.rules[said] = {"from": column.name, "split": split}
        settled.evidence[said] = ["its name says an order and its operation, and its cells are parted alike"]


def _says_both(name: str) -> bool:
    parts = [read_name(part).concepts for part in re.split(r"[/+&\-]|\band\b|\bund\b", name, maxsplit=1)]
    wanted = ("job", "operation")
    return len(parts) > 1 and all(part.get(said, 0.0) >= _STARTS for part, said in zip(parts, wanted, strict=True))


def _settle_tool_kind(settled: Settled, found: Assignment, sample: Sample) -> None:
    """Take the kind of tool from a description that no other field has and that plainly says it."""
    used = {column for guess in found.guesses.values() for column in guess.columns}
    if (rule := kind_rule(column for column in sample.columns if column.name not in used)) is not None:
        settled.rules["tool_type"] = rule
        settled.evidence["tool_type"] = ["its descriptions say the kind of tool"]


_BRACKETED: Final = re.compile(r"[(\[]([^)\]]*)")
_SIGNS: Final = {"€": "EUR", "$": "USD", "£": "GBP", "euro": "EUR", "zł": "PLN", "kč": "CZK"}
_NATIONAL: Final = frozenset({"kr", "$"})  # of several countries


def _is_other_money(name: str, currency: str) -> bool:
    """Return whether the name of a cost says another currency than the shop's, or in brackets what is none."""
    codes = {text.casefold(): _SIGNS.get(text.casefold(), text.upper()) for text in (*currencies(), "SEK")}
    words = [word for word in re.findall(r"[^\W\d_]+|[€$£]", name.casefold()) if word in codes]
    remarks = [text.strip() for text in _BRACKETED.findall(name) if text.strip()]
    bracketed = {currency_codes().get(unit_spelling(text)) for text in remarks} - {None, ""}
    said = bracketed or {codes[word] for word in words if word not in _NATIONAL}
    if any(not _is_money(text, codes) for text in remarks):
        return True  # of another thing
    return bool(currency) and any(code != currency.upper() for code in said)


def _is_money(text: str, codes: Mapping[str, str]) -> bool:
    """Return whether what stands in brackets is a currency, with or without its tax, or that it is of one edge."""
    named = currency_codes().get(unit_spelling(text)) is not None or any(word in text.casefold() for word in codes)
    return named or (says(text, "per") and says(text, "edge"))


def _settle_scrap(settled: Settled, guesses: Mapping[str, Guess]) -> None:
    """Tell whether a count of parts beside one of scrap is of good parts, as ours is, or of all that were made.

    Rows tell first: no parts and one of scrap can only stand beside each other, and a cycle with scrap makes as many as
    the program makes without. Where rows say nothing, the name does: "Gutteile" are good, "Stück" are all.
    """
    if not {"parts", "scrap"} <= guesses.keys():
        return
    parts, scrap = (_count(settled, guesses[name]) for name in ("parts", "scrap"))
    program = guesses["program"].cells.text if "program" in guesses else pl.repeat("", len(parts), eager=True)
    rows = pl.DataFrame({"program": program, "parts": parts, "scrap": scrap.fill_null(0)}).drop_nulls("parts")
    usual = rows.filter((pl.col("scrap") == 0) & (pl.col("parts") > 0)).group_by("program")
    rows = rows.filter(pl.col("scrap") > 0).join(
        usual.agg(made=pl.col("parts").mode().max(), kinds=pl.col("parts").n_unique()), on="program", how="left"
    )
    if not rows.height:
        return
    certain = rows.filter(pl.col("kinds") == 1)
    outside = int((rows["parts"] < rows["scrap"]).sum())
    beside = outside + int((certain["parts"] + certain["scrap"] == certain["made"]).sum())
    among = int((certain["parts"] == certain["made"]).sum())
    name = guesses["parts"].cells.name
    if says(name, "good") or name == "parts":
        return
    of_which = is_of_which(guesses["scrap"].cells) or counts_scrap(name)
    if not of_which and (outside or (beside and not among)):
        settled.tell("parts", "rows with scrap have it beside the parts")
    elif not beside and (among or of_which or says(name, "pieces")):
        settled.rules["parts"]["with_scrap"] = True
        told = "rows with scrap have as many as rows without" if among else "the names say pieces, and not good ones"
        settled.tell("parts", f"scrap is among them: {told}")
    else:
        what = f"nothing tells whether {_label(guesses['parts'])} counts the scrap of the row too"
        settled.doubt("parts", "scrap", f"{what}: if it does, write with_scrap = true under [columns.parts]")


def _count(settled: Settled, guess: Guess) -> pl.Series:
    """Return the cells of a count as numbers, null where there is none."""
    split = settled.rules[guess.field].get("split")
    text = guess.cells.text.str.extract_groups(split).struct.field("value") if split else guess.cells.text
    return read_whole_numbers(
        without_empty_words(text), settled.file.get("decimal", "."), settled.file.get("thousands")
    )


def _settle_turret(settled: Settled, guess: Guess) -> None:
    """Read T0909 as tool 9: in four digits a turret lathe writes the tool and its offset."""
    parts = guess.cells.text.drop_nulls().str.extract_groups(r"^[Tt]?(\d\d)(\d\d)$").struct.unnest()
    tool, offset = parts.to_series(0), parts.to_series(1)
    if not parts.height or tool.null_count() > _ODD * parts.height:
        return
    alike = float((tool == offset).mean() or 0.0)  # type: ignore[arg-type]
    if alike >= 1 - _ODD:
        settled.rules["tool"]["split"] = r"^[Tt]?(?P<value>\d\d)\d\d$"
        settled.tell("tool", "four digits are the tool and its offset")
    elif alike >= _ODD:
        settled.doubt("tool", "turret", f"{_label(guess)} may be a tool and its offset, two digits each")


def _settle_other_times(settled: Settled, found: Assignment, sample: Sample) -> None:
    """Ask where an estimate would be of setting up alone, or of some times, and another column is a time too."""
    used = {column for guess in found.guesses.values() for column in guess.columns}
    no_machine_time = not found.guesses.keys() & {"cut_s", "noncut_s", "cycle_s"}
    for column in sample.columns:
        stated = column.unit is not None and UNITS[column.unit][0] == "time"
        meant = any(share >= NOTICED and name in DURATIONS for name, share in column.reading.concepts.items())
        if column.name not in used and (column.numbers or column.durations) and (stated or meant or no_machine_time):
            settled.doubt(column.name, "time", f'column "{column.name}" is a time too, and nothing says of what')


def _label(guess: Guess) -> str:
    named = " and ".join(f'"{name}"' for name in guess.columns)
    return f"column{'s' * (len(guess.columns) > 1)} {named}"


def _settle_time(
    settled: Settled, name: str, guess: Guess, other: Guess | None, sample: Sample, *, dated: bool
) -> None:
    """Choose the form of times; `other` are the ends of what begins at them, or the other way round."""
    forms = [form for form in guess.cells.times if dated or form.holds == "instant"]
    if forms[0].undecided:
        forms = _by_the_whole_column(guess, sample, dated=dated) or forms
    if forms[0].undecided and len(forms) > 1:
        told = told_order(guess.cells.text, forms, None if other is None else other.cells.text, sample)
        forms = forms if told is None else [told]
    form = forms[0]
    if (format := guess.cells.clock or form.format) != "iso":
        settled.rules[name]["format"] = format
    settled.tell(
        name, f"times of day behind the date of the start: {form.evidence}" if guess.cells.clock else form.evidence
    )
    if not dated and not form.has_offset and sample.is_universal(guess.columns):
        settled.rules[name]["utc"] = True
        settled.tell(name, "the file says universal time")
    if guess.cells.year is not None:
        _settle_year(settled, name, guess, form, sample)
    if guess.cells.zones:
        _settle_zones(settled, name, guess, form, sample)
    if form.undecided:
        ways = " or ".join(f'"{_first(other.format)}"' for other in forms)
        settled.open_times[name] = [other.format for other in forms]
        settled.doubt(name, "format", f"{_label(guess)} can be read as {ways}: {form.evidence}")


def _settle_year(settled: Settled, name: str, guess: Guess, form: TimeForm, sample: Sample) -> None:
    """Put the year that a title or the file's name says in front of dates that have none."""
    year = guess.cells.year
    settled.rules[name]["year"] = year
    if year == NO_YEAR:
        what = f"{_label(guess)} has dates without a year, and neither a title nor the file's name says one: "
        settled.doubt(name, "year", what + f"write it as year under [columns.{name}]")
        return
    settled.tell(name, f"the year {year} is said outside the table")
    us = clock_us(guess.cells.text, form.format).drop_nulls()
    month = last_month_said(sample.titles, sample.place)
    months = us.cast(pl.Int64).cast(pl.Datetime("us")).dt.month()
    later = month is not None and bool((months > month).any())
    if later or (len(us) and float(us.max()) - float(us.min()) > _HALF_A_YEAR_US):  # type: ignore[arg-type]
        settled.doubt(name, "year", f"{_label(guess)} has no year, and its dates may lie in two of them")


def _settle_zones(settled: Settled, name: str, guess: Guess, form: TimeForm, sample: Sample) -> None:
    """Leave out words for zones behind times that say what the file's own zone says; ask about all others."""
    settled.rules[name]["split"] = zone_pattern(guess.cells.zones)
    words = trimmed(sample.cells[guess.columns[-1]])
    if agree(words, clock_us(guess.cells.text, form.format), sample.zone):
        settled.tell(name, f"{' and '.join(guess.cells.zones)} behind it is the time of {sample.zone}")
    else:
        what = f"{_label(guess)} says {' and '.join(guess.cells.zones)}, which is not the time of {sample.zone}; say "
        settled.doubt(name, "zone", what + "the zone as timezone of the file under [[source]] in shop.toml")


def _settle_alike(settled: Settled) -> None:
    """Read times that can be read in several ways as another column of the file is surely read: one hand wrote both."""
    settings = [(name, rule["format"]) for name, rule in settled.rules.items() if "format" in rule]
    sure = [format for name, format in settings if name not in settled.open_times]
    for name, ways in settled.open_times.items():
        told = [way for way in ways if way in sure]
        if len(told) == 1 and len(ways) > 1:
            settled.rules[name]["format"] = told[0]
            settled.tell(name, "another column is written like it")
            settled.doubts.pop((name, "format"))


def _first(format: str | list[str]) -> str:
    return format if isinstance(format, str) else format[0]


def _by_the_whole_column(guess: Guess, sample: Sample, *, dated: bool) -> list[TimeForm]:
    """Return the forms of the first stretch of the table that decides between them, [] where none does."""
    for cells in sample.rest():
        parts = [trimmed(cells[name]) for name in guess.columns]
        text = parts[0] if len(parts) == 1 else pl.select(pl.concat_str(parts, separator=" ")).to_series()
        forms = [form for form in time_forms(text) if dated or form.holds == "instant"]
        if forms and not forms[0].undecided:
            return forms
    return []


def _values(found: Assignment) -> list[Column]:
    """Return the values of a long event table that are numbers, as a column of their own."""
    value = found.guesses.get("value")
    if value is None:
        return []
    text = value.cells.text.drop_nulls()
    numbers = text.filter(text.str.contains(r"^[+-]?\d[\d.,' ]*$"))
    return [Column(value.cells.name, numbers, None)] if len(numbers) else []


def _settle_marks(
    settled: Settled, numeric: Mapping[str, Guess], values: Iterable[Column], others: Iterable[Column]
) -> None:
    """Choose the decimal mark and the thousands mark of the file: one locale for all of its columns.

    Columns that fill no field (prices, say) tell it too, where those that do leave it open.
    """
    cells = [
        (guess.cells.name, _whole(guess.cells.numbers) if name in _COUNTS else guess.cells.numbers)
        for name, guess in numeric.items()
        if not guess.cells.durations
    ]
    cells += [(column.name, column.numbers) for column in values]
    decided = {form.decimal for _, forms in cells for form in forms[:1] if not form.undecided and form.decimal}
    if not decided:
        forms_of_others = [column.numbers[0] for column in others if column.numbers]
        told = {form.decimal for form in forms_of_others if form.decimal and not form.undecided}
        decided = told if len(told) == 1 else set()
    masses = all(unit_dimension(name) == "mass" for name in numeric if name not in _COUNTS)  # times are told by cycles
    if not decided and masses and _writes_dotted_dates(settled):
        commas = [forms for _, forms in cells if forms and forms[0].undecided]
        decided = {","} if commas and all(any(form.decimal == "," for form in forms) for forms in commas) else set()
    if len(decided) > 1:
        settled.doubt("", "marks", "some columns have a decimal comma and others a decimal point")
        return
    marks = [form for name, forms in cells if (form := _form_by(forms, decided)) is not None]
    for name, forms in cells:
        if forms and forms[0].undecided and not decided:
            ways = "with a decimal point or a decimal comma"
            settled.doubt(name, "marks", f'column "{name}" can be read {ways}: {forms[0].evidence}')
    decimal = next((form.decimal for form in marks if form.decimal), None)
    thousands = next((form.thousands for form in marks if form.thousands), None)
    if decimal == ",":
        settled.file["decimal"] = ","
    if thousands:
        settled.file["thousands"] = thousands
        if thousands == "," and decimal is None:
            settled.file["decimal"] = "."
        if thousands == "." and decimal is None:
            settled.file["decimal"] = ","


def _writes_dotted_dates(settled: Settled) -> bool:
    """Return whether dates have points behind day and month: where that is the custom, no comma parts thousands."""
    formats = [_first(rule["format"]) for rule in settled.rules.values() if "format" in rule]
    return any(format.startswith("%d.%m.") for format in formats)


def _whole(forms: list[NumberForm]) -> list[NumberForm]:
    """Return the forms of a count: it is whole, so `1.200` in it is one thousand two hundred."""
    whole = [form for form in forms if form.whole]
    return [replace(whole[0], undecided=False)] if len(whole) == 1 else whole or forms


def _form_by(forms: list[NumberForm], decided: set[Any]) -> NumberForm | None:
    fitting = [
        form for form in forms if not decided or (form.decimal in (None, *decided) and form.thousands not in decided)
    ]
    return fitting[0] if fitting else None


def _settle_unit(settled: Settled, name: str, guess: Guess) -> None:
    """Choose the unit of a duration or a mass: what cells bear, what the name or a units row states."""
    column, dimension = guess.cells, unit_dimension(name)
    stated = column.unit if column.unit and UNITS[column.unit][0] == dimension else None
    if column.durations:
        form = column.durations[0]
        unit: str | None = form.unit
        if form.undecided and unit == "words":
            if stated is None:
                settled.doubt(name, "unit", f'column "{column.name}" can be read in two ways: {form.evidence}')
        elif form.undecided and stated in ("min", "mm:ss"):
            unit = "mm:ss"
        elif form.undecided and stated in ("h", "h:mm:ss"):
            unit = "h:mm:ss"
        elif form.undecided:
            ways = "hours and minutes or minutes and seconds"
            settled.doubt(name, "clock", f'column "{column.name}" can be {ways}: {form.evidence}')
        settled.rules[name]["unit"] = unit
        settled.tell(name, form.evidence)
        return
    borne = next((form.unit for form in column.numbers if form.unit), None)
    if stated == "mm:ss" and borne is None and is_dotted(column.text):
        settled.rules[name]["unit"] = "mm.ss"
        settled.tell(name, "minutes and seconds with a point between")
        return
    own = name if column.name.casefold() == name else None
    unit = borne or stated or ({"time": "s", "mass": "kg"}[dimension or "time"] if own else None)
    if unit in CELL_UNITS:
        unit = None
    if unit is None or UNITS[unit][0] != dimension:
        settled.rules[name]["unit"] = "min" if dimension == "time" else "kg"
        settled.tell(name, "the unit is a guess")
        settled.doubt(name, "unit", f'column "{column.name}" ({name}) does not say its unit')
    elif UNITS[unit][1] != 1.0 or borne:
        settled.rules[name]["unit"] = unit
        settled.tell(name, f"the unit is {unit}")
    if unit in (None, "min", "h") and borne is None and may_be_dotted(column.text):
        ways = "hours and minutes" if unit == "h" else "minutes and seconds"
        what = f'column "{column.name}" may be {ways} with a point between: no cell has more than .59 behind the mark'
        settled.doubt(name, "dotted", what)


def _dotted_by_others(settled: Settled, guesses: Mapping[str, Guess]) -> None:
    """Take numbers for decimals where a column of times beside them, of one unit, has fractions that no clock has."""
    for name in [key[0] for key in settled.doubts if key[1] == "dotted"]:
        unit = settled.rules[name].get("unit")
        beside = (
            other.cells
            for field, other in guesses.items()
            if field != name and unit_dimension(field) == "time" and settled.rules.get(field, {}).get("unit") == unit
        )
        if any(has_plain_fractions(column.text) for column in beside):
            settled.doubts.pop((name, "dotted"))
            settled.tell(name, "a column beside it has decimals")


def seconds_of(column: Column, rule: Mapping[str, Any], file: Mapping[str, Any]) -> pl.Series:
    """Return a column of durations in seconds by a rule, null where it is none."""
    unit = rule.get("unit", "s")
    if unit in CELL_UNITS:
        return read_durations(column.text, unit, file.get("decimal", "."), file.get("thousands"))
    numbers = read_numbers(column.text, file.get("decimal", "."), file.get("thousands"), unit)
    return numbers * UNITS[unit][1]


def _hold_against_each_other(settled: Settled, guesses: Mapping[str, Guess]) -> None:
    """Use that an end is a start plus a duration: to find a unit, or to see that a duration is of something else."""
    if not {"started_at", "ended_at", "duration_s"} <= guesses.keys():
        return
    started, ended = (
        clock_us(guesses[name].cells.text, settled.rules[name].get("format")) for name in ("started_at", "ended_at")
    )
    length_s = (ended - started) / 1e6
    column = guesses["duration_s"].cells
    rule = settled.rules["duration_s"]
    open_keys = {("duration_s", topic) for topic in ("unit", "clock", "dotted")} | {(column.name, "marks")}
    is_open = bool(open_keys & settled.doubts.keys())
    dotted = not column.durations and may_be_dotted(column.text)
    undecided = bool(column.numbers) and column.numbers[0].undecided and not column.durations
    for unit, decimal in _ways(column, rule, settled.file, dotted=dotted):
        file = {**settled.file, "decimal": decimal}
        if undecided and ("thousands" not in file or file["thousands"] == decimal):
            file["thousands"] = "," if decimal == "." else "."
        told = seconds_of(column, {"unit": unit}, file)
        off = (told - length_s).abs().set(told.is_null() & length_s.is_not_null() & column.text.is_not_null(), _FAR_S)
        near = off <= (_ROUNDED_S if dotted else _ROUNDED_S + UNITS[unit][1] * _HALF_A_UNIT)
        agrees = (near if dotted else near | (off <= _EXACT * length_s)).mean()
        if length_s.median() and agrees is not None and float(agrees) >= _AGREEING:  # type: ignore[arg-type]
            if is_open or rule.get("unit", "s") == unit:
                settled.rules["duration_s"] = {**rule, "unit": unit}
                settled.file.update(file)
                settled.tell("duration_s", "start and duration give the end")
                for key in open_keys:
                    settled.doubts.pop(key, None)
            else:
                said = rule.get("unit", "s")
                what = f'column "{column.name}" says {said}, but by start and end it is {unit}'
                settled.doubt("duration_s", "another unit", what)
            return
    settled.rules.pop("duration_s")  # it is the length of something else, and the end is known
    settled.doubts = {key: what for key, what in settled.doubts.items() if key[0] not in ("duration_s", column.name)}
    if unit_of(column.name) is not None:
        what = f'column "{column.name}" is a part of a time, and nothing says of which'
        settled.doubt("ended_at", "part", what)


def _ways(
    column: Column, rule: Mapping[str, Any], file: Mapping[str, Any], *, dotted: bool
) -> Iterable[tuple[str, str]]:
    """Yield the units (and decimal marks) in which durations can be read, the one settled on first."""
    first = (rule.get("unit", "s"), file.get("decimal", "."))
    units = list(CELL_UNITS) if column.durations else ["s", "min", "h", "ms", *(["mm.ss"] if dotted else [])]
    marks = [first[1]] if not column.numbers or not column.numbers[0].undecided else [".", ","]
    yield first
    yield from ((unit, mark) for unit in units for mark in marks if (unit, mark) != first)


def _settle_clock(settled: Settled, guesses: Mapping[str, Guess]) -> None:
    """Tell hours and minutes from minutes and seconds by the next cycle: it cannot begin before this one ends."""
    if "duration_s" not in settled.rules or "ended_at" in guesses or "started_at" not in settled.rules:
        return
    column = guesses["duration_s"].cells
    if ("duration_s", "clock") not in settled.doubts:
        return
    at_us = clock_us(guesses["started_at"].cells.text, settled.rules["started_at"].get("format"))
    clashes = {
        unit: _clashes(guesses, at_us, seconds_of(column, {"unit": unit}, settled.file) * 1e6)[0]
        for unit in ("h:mm:ss", "mm:ss")
    }
    if len(at_us) >= _FEWEST_STAMPS and clashes["mm:ss"] <= _CLASH_FREE and clashes["h:mm:ss"] >= _CLASHING:
        settled.rules["duration_s"]["unit"] = "mm:ss"
        settled.tell("duration_s", "read as hours, cycles would overlap")
        settled.doubts.pop(("duration_s", "clock"))


def _settle_length(settled: Settled, guesses: Mapping[str, Guess]) -> None:
    """Tell a decimal mark from one of thousands by the next cycle: lengths a thousand times apart cannot both fit."""
    guess = guesses.get("duration_s")
    if guess is None or "started_at" not in guesses or (guess.cells.name, "marks") not in settled.doubts:
        return
    at_us = clock_us(guesses["started_at"].cells.text, settled.rules["started_at"].get("format"))
    gap = at_us.sort().diff().median()
    fitting = []
    for decimal, thousands in ((".", ","), (",", ".")):
        file = {**settled.file, "decimal": decimal, "thousands": thousands}
        length_us = seconds_of(guess.cells, settled.rules["duration_s"], file) * 1e6
        middle = length_us.filter(guess.cells.text.str.contains(r"[.,]")).median()  # of those that the mark is in
        if not isinstance(middle, float) or not isinstance(gap, float) or length_us.null_count():
            continue
        if _clashes(guesses, at_us, length_us)[0] <= _CLASH_FREE and middle >= _FILLED * gap:
            fitting.append(file)
    if len(fitting) == 1 and len(at_us) >= _FEWEST_STAMPS:
        settled.file.update(fitting[0])
        settled.tell("duration_s", "by the other mark, cycles would overlap or last next to nothing")
        settled.doubts.pop((guess.cells.name, "marks"))


def settle_rhythm(settled: Settled, guesses: Mapping[str, Guess]) -> None:
    """Ask where cycles would last next to nothing by the unit said, and fill the time by one sixty times as long."""
    guess = guesses.get("duration_s")
    at = next((guesses[name] for name in ("started_at", "ended_at") if name in guesses), None)
    rule = settled.rules.get("duration_s", {})
    if guess is None or at is None or {"started_at", "ended_at"} <= guesses.keys() or rule.get("unit") in CELL_UNITS:
        return
    at_us = clock_us(at.cells.text, settled.rules[at.field].get("format"))
    length_us = seconds_of(guess.cells, rule, settled.file) * 1e6
    machine = guesses["machine"].cells.text if "machine" in guesses else pl.repeat("", len(at_us), eager=True)
    rows = pl.DataFrame({"machine": machine, "at": at_us, "length": length_us}).drop_nulls().sort("machine", "at")
    if rows.height < _FEWEST_STAMPS:
        return
    filled = rows.select((pl.col("length") / pl.col("at").diff().over("machine").abs()).median()).item()
    if filled is None or filled * _SIXTY > 1 or filled * _SIXTY < _FILLS:
        return
    if min(_clashes(guesses, at_us, length_us * _SIXTY)) <= _CLASHING:
        what = f"by its unit, {_label(guess)} takes {filled:.1%} of the time from one cycle to the next"
        settled.doubt("duration_s", "rhythm", f"{what}; in one sixty times as long it would fill it: say which it is")


def _clashes(guesses: Mapping[str, Guess], at_us: pl.Series, length_us: pl.Series) -> tuple[float, float]:
    """Return the share of cycles that would overlap the next on their machine, the times being starts, and ends."""
    machine = guesses["machine"].cells.text if "machine" in guesses else pl.repeat("", len(at_us), eager=True)
    rows = pl.DataFrame({"machine": machine, "at": at_us, "length": length_us}).drop_nulls().sort("machine", "at")
    gap = pl.col("at").shift(-1).over("machine") - pl.col("at")
    as_start, as_end = rows.select(
        as_start=(gap < pl.col("length") - _CLASH_US).mean(),
        as_end=(gap < pl.col("length").shift(-1).over("machine") - _CLASH_US).mean(),
    ).row(0)
    return as_start or 0.0, as_end or 0.0


def _settle_stamp(settled: Settled, guesses: Mapping[str, Guess]) -> None:
    """Tell whether the one time of a cycle is its start or its end, where its name says neither.

    Cycles of one machine follow one another: by the wrong one of the two, long cycles after short ones would overlap.
    """
    stamp = guesses.get("started_at")
    if stamp is None or "duration_s" not in settled.rules or "ended_at" in guesses or _says_start(stamp):
        return
    at_us = clock_us(stamp.cells.text, settled.rules["started_at"].get("format"))
    length_us = seconds_of(guesses["duration_s"].cells, settled.rules["duration_s"], settled.file) * 1e6
    as_start, as_end = _clashes(guesses, at_us, length_us)
    enough = len(at_us) >= _FEWEST_STAMPS
    if enough and as_end >= _CLASHING and as_start <= _CLASH_FREE:
        settled.tell("started_at", "read as an end, cycles would overlap")
    elif enough and as_start >= _CLASHING and as_end <= _CLASH_FREE:
        settled.rules["ended_at"] = settled.rules.pop("started_at")
        settled.moved["ended_at"] = "started_at"
        settled.evidence["ended_at"] = [*settled.evidence.pop("started_at"), "read as a start, cycles would overlap"]
    else:
        settled.doubt("started_at", "stamp", f"nothing tells whether {_label(stamp)} is the start or end of a cycle")


def _says_start(guess: Guess) -> bool:
    return guess.confidence > _OWN or guess.cells.reading.concepts.get("started", 0.0) >= _STARTS


def settle_words(settled: Settled, name: str, column: Column, list_name: str) -> None:
    """Map the words of a column to those of a closed list; a word that is not known is for a person to say."""
    words = [word for word in column.text.drop_nulls().unique().sort().to_list() if not known_word("total", word)]
    own = {word.casefold() for word in FIELD_WORDS.get(list_name, ())}
    answered = answers(column) if list_name == "outcome" else {}
    lookup = {
        word: _meaning(list_name, column.said(word), answered.get(word))
        for word in words
        if word.casefold() not in own or word in column.legend
    }
    if strange := [word for word, meaning in lookup.items() if meaning is None]:
        listed = ", ".join(f'"{word}"' for word in strange[:6])
        one_of = ", ".join(FIELD_WORDS.get(list_name, ()))
        settled.doubt(name, "words", f'column "{column.name}" says {listed}: tell which of {one_of} it is')
    if any(word in column.legend for word in words):
        settled.tell(name, "a legend says what its codes mean")
    if answered and is_marked(column):
        settled.rules[name]["default"] = OPPOSITE["aborted"]
        settled.tell(name, "the others are not marked")
    if lookup:
        settled.rules[name]["lookup"] = {word: meaning or UNKNOWN_WORD[list_name] for word, meaning in lookup.items()}


def _meaning(list_name: str, word: str, answered: str | None) -> str | None:
    """Return what a word means in a closed list; a mark alone ("?", "-") says that it is not known."""
    if not any(character.isalnum() for character in word):
        return UNKNOWN_WORD[list_name]
    return answered or told_word(list_name, word)


def _settle_machine(settled: Settled, found: Assignment, sample: Sample, known: Knowledge) -> None:
    """Name the machines by their ids; where no column names one, take that of the file. Two that disagree are asked."""
    said = [] if found.kind in ("estimate", "job") else machines_said(sample.titles, sample.place, known.machines)
    if known.machine is not None:
        said.insert(0, Said(known.machine, "its path or shop.toml"))
    if (guess := found.guesses.get("machine")) is not None:
        values = guess.cells.text.drop_nulls().unique().sort().to_list()
        ids = [known.machines.get(value.casefold()) for value in values]
        if all(ids) and ids != values:
            settled.rules["machine"]["lookup"] = dict(sorted(known.machines.items()))
        for machine, where in said[:1] if known.machine_given else said:
            if values and all(disagree(machine, value, known.machines) for value in values):
                listed = ", ".join(values[:_FEW_NAMES])
                what = f"{where} says {machine}, {_label(guess)} says {listed}: {_SAY_WHICH}"
                settled.doubt("machine", "two", what)
        return
    if found.kind in ("estimate", "job"):
        return
    if not said and (elsewhere := machine_listed(sample.titles, sample.beside)) is not None:
        said = [elsewhere]
    if not said:
        settled.doubt(*NO_MACHINE, "nothing in it says which machine it is of: " + NAME_THE_MACHINE)
        return
    first, *others = said
    if known.machine is None:
        settled.rules["machine"] = {"constant": first.machine}
        settled.evidence["machine"] = [f"{first.where} says so"]
    for machine, where in others if not known.machine_given else ():
        if disagree(first.machine, machine, known.machines):
            what = f"{first.where} says {first.machine}, {where} says {machine}: {_SAY_WHICH}"
            settled.doubt("machine", "two", what)
