"""Finds the columns of text that is aligned by blanks: by a ruled line, or by gaps that run through head and rows.

It tells where columns may stand; which line names them is decided with all other ways to part the text (`heads.py`).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import Final

from pipeline.read.aligned import RULED, Span, part_line
from pipeline.read.recognition.names import read_name

_SEARCHED_LINES: Final = 60
_MOST_LINES: Final = 500  # whose cells tell where columns stand
_MOST_HEADS: Final = 6
_LONGEST: Final = 600  # characters of a line that are looked at
_FEWEST_ROWS: Final = 2
_LIKE_ROWS: Final = 0.6  # of the words that the middle row has
_ODD_ROWS: Final = 0.02  # rows in which a cell may reach into a gap
_PUSHED_ROWS: Final = 0.3  # the same where long cells push what follows
_FITTING: Final = 0.9
_WIDE: Final = 2  # blanks between columns, where one blank alone stands inside of cells
_NAMED: Final = 0.7
_FEWEST_NAMES: Final = 3
_BELOW_HEAD: Final = 3  # lines of names, of units, ruled ones, before the first row
_RULED: Final = re.compile(RULED)
_GROUP: Final = re.compile(r"[-=_~*—─═]+")
_PHRASE: Final = re.compile(r"\S+(?: \S+)*")
_INNER_GAP: Final = re.compile(r"\s{2}(?!\d:)\S")  # two cells, unless it is the hour before ten of a time
_DIGITS: Final = re.compile(r"\d+")
_DIGIT: Final = re.compile(r"\d")


def columns_aligned(lines: Sequence[str]) -> list[tuple[int, list[Span]]]:
    """Return the ways in which columns may stand in lines, [] where they are not aligned by blanks.

    Each is given with the line, counted from 1, whose words would be the first of the names.
    """
    texts = [line.replace("\x0c", "").rstrip()[:_LONGEST] for line in lines[:_MOST_LINES]]
    if sum("\t" in line for line in texts) * 10 > len(texts):
        return []
    found: list[tuple[int, list[Span]]] = []
    for line, head, rows in _tables(texts):
        ruled = _by_rule(texts, rows)
        if ruled is not None and _fits(ruled, texts, rows):
            ways: list[list[Span] | None] = [ruled]
        else:
            ways = [_by_gaps(head, texts, rows, odd) for odd in (_ODD_ROWS, _PUSHED_ROWS)]
        found += [(line, spans) for spans in ways if spans is not None]
    return found


def names_without_columns(lines: Sequence[str]) -> bool:
    """Return whether a line of words that name columns stands above rows: where the columns stand was not found."""
    texts = [line.replace("\x0c", "").rstrip()[:_LONGEST] for line in lines[:_MOST_LINES]]
    named = (sum(_is_name(word) for word in head[0].split()) for _, head, _ in _tables(texts))
    return any(count >= _FEWEST_NAMES for count in named)


def _tables(texts: Sequence[str]) -> Iterator[tuple[int, list[str], list[int]]]:
    """Yield lines that may name columns, the number of the first before them, the places of those that may be rows."""
    dated = [number for number, text in enumerate(texts) if _DIGIT.search(text)]
    heads = 0
    for number, text in enumerate(texts[:_SEARCHED_LINES]):
        if not text.strip() or _RULED.match(text) or _DIGIT.search(text) or len(text.split()) < _FEWEST_ROWS:
            continue
        first = next((line for line in dated if line > number), None)
        if first is None or heads == _MOST_HEADS:
            return
        between = [line for line in range(number + 1, first) if texts[line].strip()]
        if len(between) > _BELOW_HEAD:
            continue
        counts = [len(texts[line].split()) for line in dated if line >= first]
        usual = median(counts)
        phrases = [len(_PHRASE.findall(texts[line])) for line in dated if line >= first]
        parted = median(phrases) >= _FEWEST_NAMES  # a line of one phrase is then a heading: "Monday, 16 February"
        titles = {_DIGITS.sub("#", title) for title in texts[: number + 1]}
        rows = [
            line
            for line, count, said in zip((line for line in dated if line >= first), counts, phrases, strict=True)
            if count >= _LIKE_ROWS * usual
            and not (parted and said == 1)
            and _DIGITS.sub("#", texts[line]) not in titles
        ]
        if len(rows) >= _FEWEST_ROWS:
            heads += 1
            yield number + 1, [text, *(texts[line] for line in between if not _RULED.match(texts[line]))], rows


def _by_rule(texts: Sequence[str], rows: Sequence[int]) -> list[Span] | None:
    """Return the columns that a ruled line just above the rows draws, one stroke a column."""
    for line in range(max(0, rows[0] - _BELOW_HEAD), rows[0]):
        strokes = [match.span() for match in _GROUP.finditer(texts[line])] if _RULED.match(texts[line]) else []
        if len(strokes) > 1:
            return strokes
    return None


def _fits(spans: Sequence[Span], texts: Sequence[str], rows: Sequence[int]) -> bool:
    parted = [part_line(texts[line], spans) for line in rows]
    fitting = sum(cells is not None and not any(_INNER_GAP.search(cell) for cell in cells) for cells in parted)
    return len(spans) > 1 and fitting >= _FITTING * len(rows)


@dataclass
class _Run:
    """A run of characters in which something stands, above or below."""

    first: int
    behind: int
    named: bool
    filled: bool

    @property
    def is_whole(self) -> bool:
        """Whether a name stands above its cells."""
        return self.named and self.filled


def _by_gaps(head: Sequence[str], texts: Sequence[str], rows: Sequence[int], odd: float) -> list[Span] | None:
    """Return the columns between gaps that run through the head and the rows, None where names cannot be told to cells.

    In a share of `odd` rows cells may reach into gaps.
    A gap inside of what one name stands above is one of its cells (a date and its time); a word of a name without
    cells of its own belongs to the name that it is written with.
    """
    width = max(len(text) for text in (*head, *(texts[line] for line in rows)))
    below = [0] * (width + 1)
    for line in rows:
        for place, character in enumerate(texts[line]):
            below[place] += not character.isspace()
    above = [any(place < len(text) and not text[place].isspace() for text in head) for place in range(width + 1)]
    allowed = int(odd * len(rows))
    runs: list[_Run] = []
    open_run = False
    for place in range(width + 1):
        held = above[place] or below[place] > allowed
        if held and not open_run:
            runs.append(_Run(place, place, named=False, filled=False))
        open_run = held
        if held:
            runs[-1].behind = place + 1
            runs[-1].named |= above[place]
            runs[-1].filled |= below[place] > allowed
    runs = _with_words(runs, head, texts, rows)
    for way in (_without_inner_gaps(runs, head), runs):
        joined = _paired(_with_cells(way))
        spans = [(run.first, run.behind) for run in joined or ()]
        if spans and _fits(spans, texts, rows):
            return spans
    return None


def _with_words(runs: list[_Run], head: Sequence[str], texts: Sequence[str], rows: Sequence[int]) -> list[_Run]:
    """Join words of one name: those above no cells belong to the word beside them, one blank away."""
    joined: list[_Run] = []
    at = 0
    while at < len(runs):
        run = runs[at]
        before = joined[-1] if joined and _are_one(joined[-1], run, head) else None
        after = runs[at + 1] if at + 1 < len(runs) and _are_one(run, runs[at + 1], head) else None
        if run.named and not run.filled and (before or after):
            to_right = after is not None and (before is None or _stands_right(after, texts, rows))
            if to_right and after is not None:
                runs[at + 1] = _Run(run.first, after.behind, named=True, filled=after.filled)
            elif before is not None:
                joined[-1] = _Run(before.first, run.behind, named=True, filled=before.filled)
        else:
            joined.append(run)
        at += 1
    return joined


def _are_one(left: _Run, right: _Run, head: Sequence[str]) -> bool:
    """Return whether one blank parts two runs, and words above them are written with one blank between."""
    phrases = (match.span() for line in head for match in _PHRASE.finditer(line))
    return right.first - left.behind == 1 and any(
        first < left.behind and right.first < behind for first, behind in phrases
    )


def _without_inner_gaps(runs: list[_Run], head: Sequence[str]) -> list[_Run]:
    """Join what one blank parts below one name, where two part all columns: "4 min 12 s"."""
    pairs = list(pairwise(runs))
    apart = [right.first - left.behind for left, right in pairs if right.named and not _are_one(left, right, head)]
    if not apart or min(apart) < _WIDE:
        return runs
    joined = runs[:1]
    for run in runs[1:]:
        last = joined[-1]
        if _are_one(last, run, head) and not all(_is_name(_word(one, head)) for one in (last, run)):
            joined[-1] = _Run(last.first, run.behind, named=True, filled=last.filled or run.filled)
        else:
            joined.append(run)
    return joined


def _word(run: _Run, head: Sequence[str]) -> str:
    return " ".join(line[run.first : run.behind].strip() for line in head).strip()


def _is_name(text: str) -> bool:
    """Return whether words name a column by themselves: two such words are two names."""
    return max(read_name(text).concepts.values(), default=0.0) >= _NAMED


def _stands_right(run: _Run, texts: Sequence[str], rows: Sequence[int]) -> bool:
    """Return whether cells end where their name ends and begin here and there: numbers are set so."""
    cells = [texts[line][run.first : run.behind].ljust(run.behind - run.first) for line in rows]
    filled = [cell for cell in cells if cell.strip()]
    return bool(filled) and all(cell[-1] != " " for cell in filled) and any(cell[0] == " " for cell in filled)


def _with_cells(runs: list[_Run]) -> list[_Run]:
    """Join what stands below no name, one blank behind other cells: "2026-03-02 06:10", "12 min", two words."""
    joined: list[_Run] = []
    for run in runs:
        if joined and run.filled and not run.named and joined[-1].filled and run.first - joined[-1].behind == 1:
            joined[-1] = _Run(joined[-1].first, run.behind, joined[-1].named, filled=True)
        else:
            joined.append(run)
    return joined


def _paired(runs: list[_Run]) -> list[_Run] | None:
    """Join names with cells that stand beside and not below them: to the left they are names, to the right numbers."""
    paired: list[_Run] = []
    at = 0
    while at < len(runs):
        end = at
        while end < len(runs) and not runs[end].is_whole:
            end += 1
        lone = runs[at:end]
        names, cells = sum(run.named for run in lone), sum(run.filled for run in lone)
        if not names or not cells:
            paired += lone
        elif names == cells and all(one.named != other.named for one, other in pairwise(lone)):
            paired += [
                _Run(one.first, other.behind, named=True, filled=True)
                for one, other in zip(lone[::2], lone[1::2], strict=True)
            ]
        else:
            return None
        if end < len(runs):
            paired.append(runs[end])
        at = end + 1
    return paired
