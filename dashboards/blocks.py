"""The parts that a page is put together from: tables, figures, facts, sentences. Frozen, and free of HTML.

Links are written from the site's top folder; the templates add the way back up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import ClassVar, Final, Literal

CARD_CELLS: Final = 60
"""Tables of up to so many cells stand as cards on a phone; larger ones scroll, with their first column kept."""


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell: its text, where it leads, and the value it sorts by (the text where empty)."""

    text: str
    href: str = ""
    sort: float | str | None = None
    mark: str = ""
    """Style words: `bad`, `good`, `few`, `wrap`, `lines` (line breaks count) ..., never the only bearer of meaning."""


@dataclass(frozen=True, slots=True)
class Column:
    """A heading; numbers stand to the right."""

    name: str
    numeric: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under headings. `empty` is said instead where there are none; `more` stands below."""

    part: ClassVar[str] = "table"
    caption: str
    columns: tuple[Column, ...]
    rows: Sequence[Sequence[Cell]]
    empty: str = "Nothing to show."
    more: str = ""
    more_href: str = ""
    anchor: str = ""
    row_anchors: Sequence[str] = ()
    cards: bool = False
    """Stands as cards on a phone, however many rows it has."""
    folded: bool = False
    """Shown only when its caption is clicked: figures that stand behind others."""

    @property
    def as_cards(self) -> bool:
        """Whether each row stands as a card on a phone."""
        return self.cards or len(self.rows) * len(self.columns) <= CARD_CELLS

    def without_empty(self, *names: str) -> Table:
        """Return the table without those of the named columns in which no row says anything."""
        kept = [
            place
            for place, column in enumerate(self.columns)
            if column.name not in names or any(row[place].text for row in self.rows)
        ]
        rows = [[row[place] for place in kept] for row in self.rows]
        return replace(self, columns=tuple(self.columns[place] for place in kept), rows=rows)


@dataclass(frozen=True, slots=True)
class Figure:
    """A chart: what it says, its Vega-Lite text, and the same figures as a table (or where that table is)."""

    part: ClassVar[str] = "figure"
    title: str
    spec: str
    note: str = ""
    table: Table | None = None
    see: str = ""
    """Text and anchor of the table below that carries the figures, where `table` is None."""
    see_anchor: str = ""


@dataclass(frozen=True, slots=True)
class Facts:
    """Short pairs of a label and a value."""

    part: ClassVar[str] = "facts"
    pairs: Sequence[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph; `kind` is `plain`, `lead`, `note` or `caution`."""

    part: ClassVar[str] = "text"
    text: str
    kind: Literal["plain", "lead", "note", "caution"] = "plain"
    href: str = ""
    link: str = ""


Block = Table | Figure | Facts | Text


@dataclass(frozen=True, slots=True)
class Section:
    """Blocks under a heading (none where it is empty)."""

    heading: str
    blocks: Sequence[Block]
    anchor: str = ""


@dataclass(frozen=True, slots=True)
class Page:
    """One HTML file of the site. `files` are what lies beside it: path from the top folder -> text."""

    path: str
    title: str
    sections: Sequence[Section]
    nav: str = ""
    template: str = "page.html"
    lead: str = ""
    files: dict[str, str] = field(default_factory=dict)

    @property
    def up(self) -> str:
        """The way from this page to the top folder."""
        return "../" * self.path.count("/")
