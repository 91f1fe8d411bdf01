"""Rows of a table that are no rows of the log: repeated headers, units below the header, what a profile says.

Total lines and remarks are told from rows later, when it is known that they cannot be read (`mapping.py`).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache
from typing import Final

import polars as pl

from pipeline.read.rawtable import LINE, RAW, skipped_rows
from pipeline.read.recognition.names import known_word, read_name, says, unit_of
from pipeline.read.recognition.stated_units import stated_unit
from pipeline.read.rows import no_skipped
from schemas.profile import UNITS, SkipRule
from schemas.words import MONTHS, WEEKDAYS, plain

UNITS_ROW: Final = "units row"
_UNIT_WORDS: Final = {
    *UNITS,
    *(
        "sec",
        "secs",
        "hh:mm:ss",
        "[h]:mm:ss",
        "rpm",
        "1/min",
        "%",
        "°c",
        "a",
        "kw",
        "v",
        "pcs",
        "pc",
        "pce",
        "ea",
        "stk",
        "st",
        "stück",
        "pz",
        "szt",
        "ks",
        "stuks",
        "un",
        "u",
        "uds",
        "-",
        "–",
    ),
}
_SHORT_PIECES: Final = 4  # letters of "pç", "pcs", which stand below a head as units do
TOTAL_LINE: Final = "total line"
REMARK_LINE: Final = "remark line"
ANOTHER_TABLE: Final = "another table"
RULED_LINE: Final = "ruled line"
HEADING_LINE: Final = "heading line"
PAGE_LINE: Final = "page line"
TITLE_AGAIN: Final = "repeated title"
UNITS_AGAIN: Final = "repeated units row"
UNREAD_LINES: Final = (TOTAL_LINE, REMARK_LINE, HEADING_LINE, PAGE_LINE, UNITS_AGAIN, RULED_LINE)
"""Lines that were numbered as rows before they turned out to be none."""
_WIDE: Final = 4  # columns from which a lone cell is no row
_REMARK: Final = (  # a few words, a label, a ruled line, "4 rows selected"
    r"\p{L}.*(?:\s\S+){2}|\p{L}{3,}\s*:|^[-=*_#+~|\s]{3,}$|^\(?\d+\s+\p{L}{3,}[\p{L}\s]*"
)
_WORDS: Final = r"^\p{L}{4,}[.!]?$|^\p{L}{2,}(?:[\s/,-]+\p{L}{2,})+[.!]?$"  # "holiday", "taller cerrado"
_LABEL: Final = r"^\p{L}[^\d:]{2,40}:$"  # "Signed:", with a name or nothing behind it
_MOST_LABELLED: Final = 2
_LEGEND: Final = r"(?:^|[\s:(])[^\s=:]{1,12}\s*=\s*\p{L}"  # "F = finished"
_PERIOD_PARTS: Final = re.compile(r"[^\W\d_]+\.?|\d+")
_MOST_PERIOD_PARTS: Final = 4
_PERIOD_NUMBER: Final = re.compile(r"\d{1,2}|20\d\d")
_SURELY: Final = 0.9
_SHORTEST_DAY: Final = 4
CALENDAR_SIGNS: Final = frozenset(
    ["kw", "cw", "wk", "wk.", "sem.", "set.", "sett.", "tydz.", "tyd.", "týd.", "v.", "w.", "s.", "t.", "kt"]
)
"""Signs of a week in front of its number."""
_DRAWN: Final = r"^\s*$|^\s*:?[-=_~+*]{2,}:?\s*$"
_MOST_OF_A_PAGE: Final = 4  # cells of a line that counts pages: a word, a number, "of", a number
_LINKING: Final = 3
_LONGEST_PAGE: Final = 3
_MOST_BEGINNINGS: Final = 2_000
_LONGEST_BEGINNING: Final = 80
_BARE: Final = ("-", "–")
_LONGEST_UNIT: Final = 14
_UNIT_DRESS: Final = " []()"


def skip_rows(
    cells: pl.DataFrame,
    names: Sequence[str],
    header_raw: str | None,
    header_line: int,
    rules: Sequence[SkipRule],
    *,
    repeated: bool = True,
    titles: Sequence[str] = (),
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Part rows (LINE, RAW and the named columns) into those of the log and skipped ones with the reason.

    `repeated` is False where the caller knows that the header's text is in none of them; `titles` are the lines above
    the header, which a list that is laid out in pages repeats with it.
    """
    why = pl.Series("why", [None], dtype=pl.String).new_from_index(0, cells.height)
    if header_raw is not None:
        if repeated:
            again = (cells[RAW].str.strip_chars() == header_raw.strip()).fill_null(False)
            if again.any():
                why = why.set(_titles_again(cells[RAW], again, titles), TITLE_AGAIN).set(again, "repeated header")
        if cells.height and cells[LINE][0] <= header_line + 2 and _is_units_row(cells.row(0, named=True), names):
            why = why.set(cells[LINE] == cells[LINE][0], UNITS_ROW)
    for rule in rules:
        column = next((name for name in names if name.casefold() == rule.column.casefold()), None)
        if column is not None:
            matches = cells[column].str.strip_chars().str.contains(rule.matches).fill_null(False)
            why = why.set(matches & why.is_null(), f"{column} matches {rule.matches}")
    if why.null_count() == len(why):
        return cells, no_skipped()
    rows = cells.with_columns(why)
    return cells.filter(why.is_null()), skipped_rows(rows.filter(pl.col("why").is_not_null()), pl.col("why"))


def _titles_again(raw: pl.Series, heads: pl.Series, titles: Sequence[str]) -> pl.Series:
    """Return the lines above repeated heads that repeat the titles: none if one of them says something else there.

    Another title may name another machine: what it is said of must not seem to be of the first.
    """
    said = {_unpaged(title) for title in titles if title.strip()}
    found: list[int] = []
    for head in heads.arg_true().to_list():
        above = raw[max(0, head - len(titles)) : head].to_list()
        again = [_unpaged(text or "") in said for text in above]
        kept = len(again) - (again[::-1].index(False) if False in again else len(again))
        if said and kept == len(again):
            return pl.repeat(False, len(raw), eager=True)
        found += range(head - len(above) + kept, head)
    return pl.Series([False]).new_from_index(0, len(raw)).scatter(found, True) if found else heads & False


def _unpaged(text: str) -> str:
    """Return a line of a page's head without the number of the page."""
    words = text.split()
    for at, word in enumerate(words):
        if at + 1 < len(words) and words[at + 1][:1].isdigit() and known_word("page", word.rstrip(".:")) is not None:
            counted = 2 + sum(len(rest) <= _LINKING or rest.isdigit() for rest in words[at + 2 : at + 4])
            return " ".join([*words[:at], *words[at + counted :]])
    return " ".join(words)


def _is_units_row(row: dict[str, object], names: Sequence[str]) -> bool:
    """Return whether a row holds units below names: no digit, and at least half of its cells words for units."""
    texts = [str(row[name]).strip(_UNIT_DRESS).lower() for name in names if row[name] is not None]
    filled = [text for text in texts if text]
    if not filled or any(character.isdigit() for text in filled for character in _plain_unit(text)):
        return False
    units = [text for text in filled if text not in _BARE and _is_unit(text)]
    short = all(len(text) <= _LONGEST_UNIT for text in filled)
    return short and bool(units) and 2 * len(units) >= sum(text not in _BARE for text in filled)


def unit_cell(text: str) -> str | None:
    """Return the unit that a cell below a head states; one per piece (min/pz) is that unit, one per hundred is none."""
    unit = unit_of(text)
    if unit is None and "/" in text and not any(character.isdigit() for character in text):
        return unit_of(text.partition("/")[0])
    return unit


def _plain_unit(text: str) -> str:
    return "" if text in _UNIT_WORDS else text


def why_no_row(cells: pl.DataFrame, table: pl.DataFrame | None = None) -> pl.Series:
    """Return for rows that cannot be read why they are none: "total line", "remark line", null where they may be one.

    A total begins with a word for it, or ends with one ("A-4711 total"); a remark is a sentence, alone in a row that
    has room for many cells, or words that no other row of the `table` has in a cell (of the rows themselves, where it
    is not given); a page line counts the sheets of paper that a list was laid out for ("Page 2 / 5").
    """
    filled = [(pl.col(name).str.strip_chars().str.len_bytes() > 0).fill_null(False) for name in cells.columns]
    first = pl.coalesce(pl.when(has).then(pl.col(name)) for name, has in zip(cells.columns, filled, strict=True))
    rows = cells.select(first=first.str.strip_chars(), count=pl.sum_horizontal(filled))
    beginnings = rows["first"].drop_nulls().unique()
    called = pl.any_horizontal(pl.col(name).str.strip_chars().is_in(total_words(cells[name])) for name in cells.columns)
    rows = rows.with_columns(cells.select(called=called))
    joined = pl.concat_str([pl.col(name).str.strip_chars() for name in cells.columns], separator=" ", ignore_nulls=True)
    few = cells.filter(rows["count"].is_between(1, _MOST_OF_A_PAGE)).select(joined.alias("text"))["text"]
    pages = [text for text in few.unique().head(_MOST_BEGINNINGS).to_list() if _is_page(text)]
    rows = rows.with_columns(cells.select(page=joined.is_in(pages))) if pages else rows.with_columns(page=pl.lit(False))
    totals = [text for text in beginnings.head(_MOST_BEGINNINGS).to_list() if _is_total(text)]
    marks = [pl.col(name).is_null() | _states_unit(cells[name]) for name in cells.columns]
    rows = rows.with_columns(cells.select(units=pl.all_horizontal(marks)))
    drawn = [pl.col(name).is_null() | pl.col(name).str.contains(_DRAWN) for name in cells.columns]
    rows = rows.with_columns(cells.select(ruled=pl.all_horizontal(drawn)))
    alone = pl.lit(cells.width >= _WIDE) & (pl.col("count") == 1)
    lone = rows.filter(alone & pl.col("first").str.contains(_WORDS))["first"].unique().head(_MOST_BEGINNINGS)
    words = _said_by_no_row(lone, cells if table is None else table) if len(lone) else []
    labelled = pl.lit(cells.width >= _WIDE) & (pl.col("count") <= _MOST_LABELLED) & pl.col("first").str.contains(_LABEL)
    explained = joined.str.contains(_LEGEND) & ~joined.str.contains(r"\d[-./:]\d")  # a row has a date or a time
    rows = rows.with_columns(cells.select(explained=explained.fill_null(False)))
    lone = rows.filter(alone)["first"].unique().head(_MOST_BEGINNINGS)
    periods = [text for text in lone.to_list() if is_period(text)]
    return rows.select(
        pl.when(pl.col("first").is_in(totals) | pl.col("called"))
        .then(pl.lit(TOTAL_LINE))
        .when(pl.col("units"))
        .then(pl.lit(UNITS_AGAIN))
        .when(pl.col("page"))
        .then(pl.lit(PAGE_LINE))
        .when(pl.col("ruled"))
        .then(pl.lit(RULED_LINE))
        .when(
            (alone & (pl.col("first").str.contains(_REMARK) | pl.col("first").is_in([*words, *periods])))
            | labelled
            | pl.col("explained")
        )
        .then(pl.lit(REMARK_LINE))
        .alias("why")
    ).to_series()


def _said_by_no_row(lone: pl.Series, table: pl.DataFrame) -> list[str]:
    """Return of texts that stand alone in their rows those that stand in no row beside other cells."""
    names = [name for name in table.columns if table[name].dtype == pl.String]
    trimmed = table.select(pl.col(names).str.strip_chars())
    count = pl.sum_horizontal((pl.col(name).str.len_bytes() > 0).fill_null(False) for name in names)
    said = trimmed.filter(count > 1).select(pl.col(names).filter(pl.col(names).is_in(lone.implode())).implode())
    taken = {text for name in names for text in said[name][0]}
    return [text for text in lone.to_list() if text not in taken]


@lru_cache(maxsize=4096)
def is_period(text: str) -> bool:
    """Return whether a text says a time of the calendar and no more: "Week 12", "KW 12/2026", "March 2026", "Monday".

    Such lines part the rows of a list; they say nothing that the dates of its rows do not.
    """
    parts = _PERIOD_PARTS.findall(text)
    words = [part for part in parts if not part.isdigit()]
    numbers = [part for part in parts if part.isdigit()]
    if not words or len(parts) > _MOST_PERIOD_PARTS or not all(_PERIOD_NUMBER.fullmatch(number) for number in numbers):
        return False
    first, said = plain(words[0]), plain(" ".join(words))
    named = len(said) > 1 and read_name(said).concepts.get("weekday", 0.0) >= _SURELY
    if numbers and (named or words[0].casefold() in CALENDAR_SIGNS):
        return True
    if first in WEEKDAYS and len(first) >= _SHORTEST_DAY:
        return all(plain(word) in MONTHS for word in words[1:])
    dated = any(len(number) > len("31") for number in numbers)  # "Out 3" may be anything, "Out 2026" is a month
    return all(plain(word) in MONTHS for word in words) and (dated or len(first) >= _SHORTEST_DAY)


def _states_unit(cells: pl.Series) -> pl.Expr:
    """Return whether cells are units, as a row below a head repeats them on each page, or empty."""
    texts = cells.drop_nulls().str.strip_chars().unique()
    short = texts.filter((texts.str.len_chars() <= _LONGEST_UNIT) & ~texts.str.contains(r"\d")).head(_MOST_BEGINNINGS)
    units = [text for text in short.to_list() if not text or _is_unit(text)]
    return pl.col(cells.name).str.strip_chars().is_in(units)


def _is_unit(text: str) -> bool:
    bare = text.strip(_UNIT_DRESS)
    known = bare.lower() in _UNIT_WORDS or unit_cell(bare) is not None or stated_unit(bare).tag is not None
    return bool(bare) and (known or (len(bare) <= _SHORT_PIECES and says(bare, "pieces")))


def _is_page(text: str) -> bool:
    """Return whether a line is "Page 2", "Seite 2 von 5" and no more."""
    first, *rest = plain(text).split() or [""]
    numbers = sum(word.isdigit() for word in rest)
    return (
        known_word("page", first) is not None
        and 1 <= numbers <= 2
        and all(word.isdigit() or len(word) <= _LINKING for word in rest)
        and len(rest) <= _LONGEST_PAGE
    )


def total_words(cells: pl.Series) -> list[str]:
    """Return the cells of a column that are a word for a total and no more."""
    words = cells.drop_nulls().str.strip_chars().unique()
    short = words.filter(words.str.contains(r"^\D{2,30}$")).head(_MOST_BEGINNINGS).to_list()
    return [word for word in short if known_word("total", word) is not None]


def _is_total(text: str) -> bool:
    words = plain(text).split()
    return begins_with_total(text) or (len(words) > 1 and known_word("total", words[-1]) is not None)


def begins_with_total(text: str) -> bool:
    """Return whether the first words of a text are one for a total: "Summa 1410 st"."""
    words = plain(text[:_LONGEST_BEGINNING]).split()
    return any(known_word("total", " ".join(words[:count])) is not None for count in (1, 2) if len(words) >= count)
