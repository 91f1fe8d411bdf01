"""Finds the head of a table that nobody has described: its delimiter, the line of its column names, its title lines.

It weighs the first lines only; what the columns mean is decided later, from names and values together.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

from pipeline.read.aligned import Span, cells_of, cells_of_title
from pipeline.read.header import DELIMITERS, SEARCHED_LINES, split_line, under_groups
from pipeline.read.rawtable import unique_names
from pipeline.read.recognition.alignment import columns_aligned
from pipeline.read.recognition.names import read_name, unit_of
from schemas.concepts import CONCEPTS

Cells = Sequence[str | None]
_DATA: Final = re.compile(r"^[\s\d.,:;/+\-TZ%'€$]*\d[\s\d.,:;/+\-TZ%'€$]*(?:[AaPp]\.?\s?[Mm]\.?)?$")
_NAMED: Final = 1.4  # what the names of a line must add up to before it counts as the head of a table
_DATA_COST: Final = 0.6  # of a cell that is a number or a time: heads hold none
_LONE_NAMED: Final = 0.5  # what names above empty cells must say on average
_MORE_SAID: Final = 0.3  # what names joined with their groups must say more
_OPEN_LINES: Final = 5  # physical lines that a quoted cell of the head may span


@dataclass(frozen=True)
class Head:
    """Where a table begins: `line` is the 1-based line of its column names, 0 where it has none."""

    line: int
    rows: int  # lines of the head that name columns: 2 where groups stand above the names
    delimiter: str
    names: list[str]
    titles: tuple[tuple[str, ...], ...]  # the filled cells of each line above
    score: float
    spans: tuple[Span, ...] = ()  # where columns stand that are aligned by blanks; there is no delimiter then


def find_text_head(lines: Sequence[str]) -> Head | None:
    """Return the head of a text, None where neither a delimiter nor aligned columns make a table of it."""
    found = [head for mark in DELIMITERS if (head := _find(_records(lines[:SEARCHED_LINES], mark), mark))]
    parted = max(found, key=lambda head: head.score, default=None)
    if parted is not None and parted.score >= _NAMED and _parts_rows(parted, lines):
        return parted
    return find_aligned_head(lines) or _find_by_blanks(lines) or parted


def _parts_rows(head: Head, lines: Sequence[str]) -> bool:
    """Return whether lines below a head have its delimiter too; a title may have a comma where no row has one."""
    below = [line for line in lines[head.line : SEARCHED_LINES] if line.strip()]
    return not below or 2 * sum(head.delimiter in line for line in below) >= len(below)


def _find_by_blanks(lines: Sequence[str]) -> Head | None:
    """Return the head of text in which single blanks part as many words in every line, None where they do not."""
    searched = [line.rstrip() for line in lines[:SEARCHED_LINES] if line.strip()]
    if len({line.count(" ") for line in searched}) != 1 or any("  " in line for line in searched):
        return None
    head = _find(_records(lines[:SEARCHED_LINES], " "), " ")
    return head if head is not None and head.score >= _NAMED else None


def find_aligned_head(lines: Sequence[str]) -> Head | None:
    """Return the head of text whose columns are aligned by blanks, None where no line names such columns."""
    found = []
    for first, spans in columns_aligned(lines):
        records: list[tuple[int, list[str | None]]] = [
            (number, list(cells_of(line, spans)))
            for number, line in enumerate(lines[:SEARCHED_LINES], start=1)
            if line.strip()
        ]
        head = _find([record for record in records if not _is_ruled(record[1])], "")
        named = head is not None and head.score >= _NAMED and len(head.names) == len(spans)
        if head is not None and named and (head.line == first or (head.rows > 1 and head.line > first)):
            above = lines[: first - 1]
            titles = tuple(cells for line in above if (cells := tuple(cells_of_title(line))) and not _is_ruled(cells))
            found.append(replace(head, titles=titles, spans=tuple(spans)))
    return max(found, key=lambda head: head.score, default=None)


def _is_ruled(cells: Cells) -> bool:
    return not any(character.isalnum() for cell in cells for character in cell or "")


def find_cells_head(rows: Sequence[tuple[int, Cells]]) -> Head | None:
    """Return the head of a sheet, given as (line, cells)."""
    return _find([(number, list(cells)) for number, cells in rows[:SEARCHED_LINES]], "")


def _records(lines: Sequence[str], mark: str) -> list[tuple[int, list[str | None]]]:
    """Return (last line, cells) of each record; a head may hold line ends inside quotes."""
    records: list[tuple[int, list[str | None]]] = []
    at = 0
    while at < len(lines):
        text, count = lines[at], 1
        if text.count('"') % 2:
            for more in range(1, _OPEN_LINES):
                joined = "\n".join(lines[at : at + more + 1])
                if joined.count('"') % 2 == 0:
                    text, count = joined, more + 1
                    break
        if text.strip():
            records.append((at + count, list(split_line(text, mark))))
        at += count
    return records


def _find(records: Sequence[tuple[int, list[str | None]]], mark: str) -> Head | None:
    records = [(number, _trimmed(cells)) for number, cells in records]
    widths = Counter(len(cells) for _, cells in records if len(cells) > 1)
    if not widths:
        return None
    best: tuple[float, int] | None = None
    for place, (_, cells) in enumerate(records):
        score = _score(cells)
        if len(cells) > 1 and score >= _NAMED and not _is_labelled(cells) and (best is None or score > best[0]):
            best = (score, place)
    if best is not None:
        return _named_head(records, best[1], best[0], mark)
    return _unnamed_head(records, widths, mark)


def _named_head(records: Sequence[tuple[int, list[str | None]]], place: int, score: float, mark: str) -> Head:
    number, cells = records[place]
    rows = 1
    is_under = place > 0 and _stands_under(records[place - 1][1], cells)
    if not is_under and place + 1 < len(records) and (below := _below(cells, records[place + 1][1])):
        return Head(
            records[place + 1][0],
            2,
            mark,
            unique_names(below),
            tuple(_filled(above) for _, above in records[:place]),
            score,
        )
    if place and (group := _groups(records[place - 1][1], cells)):
        cells, rows = group, 2
    titles = tuple(_filled(above) for _, above in records[: place - rows + 1])
    return Head(number, rows, mark, unique_names(cells), titles, score)


def _stands_under(above: Sequence[str | None], cells: Sequence[str | None]) -> bool:
    """Return whether a line leaves several columns open that the line above it names: they are one head."""
    widest = [*cells, *[None] * (len(above) - len(cells))]
    open_above = [high for high, low in zip(above, widest, strict=False) if (high or "").strip() and not (low or "")]
    return len(open_above) > 1 and sum(map(_named, map(str, open_above))) >= _LONE_NAMED * len(open_above)


def _below(cells: list[str | None], below: list[str | None]) -> list[str | None] | None:
    """Return the names of a head whose second line says less than its first, None where the head has one line.

    The line below names what the one above leaves open: it stands under its groups, with no cell that is data.
    """
    filled = [cell for cell in below if (cell or "").strip()]
    widest = max(len(cells), len(below))
    above = [*cells, *[None] * (widest - len(cells))]
    under = [*below, *[None] * (widest - len(below))]
    opened = sum(bool((low or "").strip()) and not (high or "").strip() for high, low in zip(above, under, strict=True))
    if len(filled) < 2 or any(holds_data(cell) for cell in filled):
        return None
    joined = under_groups(above, under)
    if not opened:
        return joined if _goes_on(above, under, joined) else None
    return joined if sum(_named((cell or "").strip()) for cell in filled) >= _LONE_NAMED * len(filled) else None


def _goes_on(above: Sequence[str | None], under: Sequence[str | None], joined: Sequence[str | None]) -> bool:
    """Return whether a line below a full head goes on with its names: words that begin small, that were cut by a
    hyphen, or that tell apart what is named alike.

    A line of units does not, nor does one that makes the names say less.
    """
    pairs = [((high or "").strip(), (low or "").strip()) for high, low in zip(above, under, strict=True)]
    below = [(high, low) for high, low in pairs if low]
    if all(unit_of(low.strip("[]()")) for _, low in below) or any(mark.isdigit() for _, low in below for mark in low):
        return False
    doubled = {high for high, count in Counter(high for high, _ in pairs).items() if count > 1}
    if not all(low[0].islower() or low[0] in "([" or high.endswith("-") or high in doubled for high, low in below):
        return False
    return _score(joined) >= _score(above)


def _groups(above: Sequence[str | None], cells: list[str | None]) -> list[str | None] | None:
    """Return the names joined with the group names above them, None where the line above holds no groups.

    Groups stand above several columns each and tell apart names that are otherwise doubled (start: date, time; end:
    date, time). A line above counts as groups where a name is doubled, where it names columns that the line below
    leaves empty, or where the names together say more than those below alone.
    """
    cells = [*cells, *[None] * (len(above) - len(cells))]
    texts = [" ".join((cell or "").split()).casefold() for cell in cells]
    doubled = len({text for text in texts if text}) < sum(bool(text) for text in texts)
    filled = [cell for cell in above if (cell or "").strip()]
    if len(filled) < 2 or any(holds_data(cell) for cell in filled):
        return None
    lone = [over for over, cell in zip(above, cells, strict=False) if (over or "").strip() and not (cell or "").strip()]
    named = sum(_named((over or "").strip()) for over in lone)
    joined = under_groups(above, cells)
    if doubled or (lone and named >= _LONE_NAMED * len(lone)) or _score(joined) >= _score(cells) + _MORE_SAID:
        return joined
    return None


def _unnamed_head(records: Sequence[tuple[int, list[str | None]]], widths: Counter[int], mark: str) -> Head | None:
    """Return the head of a table whose names say nothing: its first line of the usual width, or no line at all."""
    width, lines = max(widths.items(), key=lambda item: (item[1], item[0]))
    if lines < 2 or lines < 0.4 * len(records):
        return None
    place = next(place for place, (_, cells) in enumerate(records) if len(cells) == width)
    number, cells = records[place]
    titles = tuple(_filled(above) for _, above in records[:place])
    filled = [cell for cell in cells if (cell or "").strip()]
    if len(filled) == width and not any(holds_data(cell) for cell in filled):
        return Head(number, 1, mark, unique_names(cells), titles, 0.0)
    return Head(0, 0, mark, unique_names([None] * width), (), 0.0) if place == 0 else None


def _trimmed(cells: Sequence[str | None]) -> list[str | None]:
    kept = list(cells)
    while kept and not (kept[-1] or "").strip():
        kept.pop()
    return kept


def _filled(cells: Cells) -> tuple[str, ...]:
    return tuple(text for cell in cells if (text := " ".join((cell or "").split())))


@lru_cache(maxsize=4096)
def _named(cell: str) -> float:
    reading = read_name(cell)
    return max((share for concept, share in reading.concepts.items() if concept in CONCEPTS), default=0.0)


def holds_data(cell: str | None) -> bool:
    """Return whether a cell is a number or a time: heads hold none."""
    return bool(_DATA.match((cell or "").strip()))


def _score(cells: Cells) -> float:
    texts = [(cell or "").strip() for cell in cells]
    return sum(-_DATA_COST if holds_data(text) else _named(text) for text in texts if text)


def names_columns(cells: Cells) -> bool:
    """Return whether the cells of a line name columns; a label and what it says are no columns."""
    if _is_labelled(cells):
        return False
    return len([cell for cell in cells if (cell or "").strip()]) > 1 and _score(cells) >= _NAMED


def _is_labelled(cells: Cells) -> bool:
    """Return whether a line is a label with its value: "Machine:" and "M2"."""
    filled = [text for cell in cells if (text := (cell or "").strip())]
    return len(filled) in (1, 2) and filled[0].endswith((":", "="))


def unnamed_columns(lines: Sequence[str], delimiter: str | None, spans: Sequence[Span] = ()) -> Head:
    """Return the columns of a text without a head: as many as most of its first lines have cells."""
    if spans:
        return Head(0, 0, "", unique_names([None] * len(spans)), (), 0.0, tuple(spans))
    found = []
    for mark in [delimiter] if delimiter else DELIMITERS:
        widths = Counter(len(cells) for _, cells in _records(lines[:SEARCHED_LINES], mark))
        width, count = max(widths.items(), key=lambda item: (item[1] * (item[0] > 1), item[0]), default=(1, 0))
        found.append((count * (width > 1), mark, width))
    _, mark, width = max(found, key=lambda entry: entry[0])
    return Head(0, 0, mark, unique_names([None] * width), (), 0.0)
