"""Tables that stand in one sheet or text under one another or side by side: where each of them begins and ends.

It looks for heads only; what the parts are, and whether they are read, is decided for each of them as for a file.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from pipeline.read.plan import TABLE_KINDS
from pipeline.read.recognition.heads import holds_data, names_columns
from pipeline.read.recognition.names import is_another_table
from pipeline.read.recognition.places import names_machine
from pipeline.read.recognition.said_above import fields_named, fields_said, says_fields
from pipeline.read.recognition.zones import title_is_universal, title_states_other

Cells = Sequence[str | None]
Line = tuple[int, Cells]
Titles = tuple[tuple[str, ...], ...]

MOST_STRETCHES: Final = 200
"""A log with more blank lines than that is parted by them, and holds no tables that are."""
_TOP: Final = 4  # of a stretch: its titles and its head
_TITLES: Final = 2  # lines of a stretch that may be titles
_FEWEST_ROWS: Final = 2  # below a head, before what follows can be another table: labels and values look so too


@dataclass(frozen=True)
class Part:
    """The lines of one table, titles included, and what the lines above the first table say of all of them."""

    first: int
    last: int
    titles: Titles = ()


def parts(
    stretches: Sequence[tuple[int, int]], line: Callable[[int], Cells], machines: Mapping[str, str]
) -> list[Part]:
    """Return the tables among stretches of filled lines, given as (first, last); `line` gives the cells of a line.

    Another table begins behind a blank line, where a line names other columns, or a title another machine, job or
    program. A sheet or text of one table has no parts.
    """
    if len(stretches) > MOST_STRETCHES:
        return []
    found: list[_Begun] = []
    lone: list[int] = []  # lines that may be titles of what follows
    for first, last in stretches:
        top = {number: line(number) for number in range(first, min(first + _TOP, last + 1))}
        head = next((number for number, cells in top.items() if _is_head(cells)), None)
        if head is None:
            may_be_titles = not found or _may_be_titles([filled(line(number)) for number in range(first, last + 1)])
            if may_be_titles:
                lone += range(first, last + 1)
            elif found:
                found[-1].rows += len(lone) + last - first + 1
                lone = []
            continue
        above = [*lone, *range(first, head)]
        begun = _Begun(min([first, *lone]), _plain(top[head]), tuple(filled(line(number)) for number in above))
        lone = []
        if not found:
            found.append(begun)
        elif found[-1].rows < _FEWEST_ROWS:  # labels and values stand above the table
            found[-1].head, found[-1].titles = begun.head, (*found[-1].titles, *begun.titles)
        elif (
            begun.head != found[-1].head
            or names_machine(begun.titles, machines)
            or fields_named(begun.titles)
            or says_another(begun.titles)
        ):
            found.append(begun)
        found[-1].rows += last - head
    if len(found) < 2:
        return []
    ends = [*(begun.first - 1 for begun in found[1:]), stretches[-1][1]]
    of_blocks = frozenset[str]().union(*(fields_named(begun.titles) for begun in found[1:]))
    said = [(), *(_of_all(found[0].titles, begun.titles, machines, of_blocks) for begun in found[1:])]
    return [Part(begun.first, end, taken) for begun, end, taken in zip(found, ends, said, strict=True)]


@dataclass
class _Begun:
    """A table whose head was found, and how many lines stand below it so far."""

    first: int
    head: tuple[str, ...]
    titles: Titles
    rows: int = 0


def _of_all(titles: Titles, own: Titles, machines: Mapping[str, str], of_blocks: frozenset[str]) -> Titles:
    """Return what the titles of the first table say of another too: zones, and the machine where it names none.

    A job, a program or a material that any later table says of itself is the first table's own, too.
    """
    named = names_machine(own, machines)
    return tuple(
        cells
        for cells in titles
        if title_is_universal([cells])
        or title_states_other([cells])
        or (not named and names_machine([cells], machines))
        or ((fields := fields_said([cells])) and fields.isdisjoint(of_blocks))
    )


def _may_be_titles(lines: Sequence[tuple[str, ...]]) -> bool:
    """Return whether a stretch below a table is of titles of the next: lone cells, or labels and their values."""
    if all(len(cells) == 1 for cells in lines):
        return len(lines) <= _TITLES
    return len(lines) < _TOP and all(says_fields(cells) for cells in lines)


def says_another(titles: Titles) -> bool:
    """Return whether a title says that a table is of another kind: a plan below a log has the same head."""
    return any(is_another_table(kind, " ".join(cells)) for cells in titles for kind in TABLE_KINDS)


def _is_head(cells: Cells) -> bool:
    return names_columns(cells) and not any(holds_data(cell) for cell in cells) and not says_fields(filled(cells))


def _plain(cells: Cells) -> tuple[str, ...]:
    return tuple(text.casefold() for text in filled(cells))


def filled(cells: Cells) -> tuple[str, ...]:
    """Return the cells of a line that hold something, trimmed."""
    return tuple(text for cell in cells if (text := " ".join((cell or "").split())))


def stretches_of(is_filled: Sequence[bool], first: int = 1) -> list[tuple[int, int]]:
    """Return the stretches of filled lines as (first, last); lines are counted from `first`."""
    found: list[tuple[int, int]] = []
    start: int | None = None
    for number, here in enumerate([*is_filled, False], start=first):
        if here and start is None:
            start = number
        elif not here and start is not None:
            found.append((start, number - 1))
            start = None
    return found


def sides(top: Sequence[Cells], is_filled: Sequence[bool]) -> list[tuple[int, int]]:
    """Return the columns of tables that stand side by side, as (first, behind last), [] where there is one.

    A column without any cell parts them, and one line names columns on both sides of it.
    """
    blocks = [(first, last + 1) for first, last in stretches_of(is_filled, 0)]
    heads = [any(_is_head(cells[first:behind]) for cells in top) for first, behind in blocks]
    return blocks if len(blocks) > 1 and all(heads) else []
