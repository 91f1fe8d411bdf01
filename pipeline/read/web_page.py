"""Tables of a web page, which terminals save under names like export.xls, -> text with a tab between cells.

A line is a row of a table, or a text that stands outside one; lines are counted so, whatever lines the page has. What
the rows mean is the business of `delimited.py` and recognition. Nothing that a page refers to is fetched.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from io import BytesIO
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from schemas.shop import LimitSettings

if TYPE_CHECKING:
    from lxml.etree import _Element

STARTS: Final = re.compile(
    r"(?is)\A[\ufeff\s]*(?:<\?xml[^>]*>\s*|<!doctype\s+html[^>]*>\s*|<!--.*?-->\s*)*"
    r"<(?:html|head|body|meta|title|style|table|center|div|font|h[1-6]|p)\b"
)
"""How the text of a page begins."""
_CELLS: Final = ("td", "th")
_UNSEEN: Final = ("script", "style", "noscript", "template", "select")
_NUMBER: Final = re.compile(r"[-+]?[\d.,]+")
_CHARSET: Final = re.compile(rb"(?i)charset\s*=\s*[\"']?\s*([\w.:-]{1,40})")
_DECLARED_BYTES: Final = 4096


class WebPageError(Exception):
    """A web page cannot be read as a table; `str()` is a sentence for the user."""


@dataclass
class _Spans:
    """Cells of one table that reach down over rows: by column, how many rows are left and what is said of them."""

    left: dict[int, tuple[int, str]] = field(default_factory=dict)

    def filled(self, cells: list[tuple[str, int, int]], most: int) -> list[str]:
        """Return the cells of a row, given as (text, columns, rows), with those that reach down into it."""
        row: list[str] = []
        waiting = list(cells)
        while len(row) < most and (waiting or len(row) in self.left):
            at = len(row)
            if at in self.left:
                count, text = self.left.pop(at)
                row.append(text)
                if count > 1:
                    self.left[at] = (count - 1, text)
                continue
            text, wide, high = waiting.pop(0)
            below = "" if _NUMBER.fullmatch(text) else text  # a number is said once
            for column in range(at, min(at + wide, most)):
                row.append(text if column == at else "")
                if high > 1:
                    self.left[column] = (high - 1, below if column == at else "")
        return row


def page_text(data: bytes, limits: LimitSettings) -> bytes:
    """Return the tables of a page and the texts around them as UTF-8 lines, a blank line behind each table.

    Raises
    ------
    WebPageError
        The page holds no table, or more than the limits allow.
    """
    if len(data) > limits.workbook_mib << 20:
        raise WebPageError(
            f"The web page is larger than {limits.workbook_mib} MiB. Export it as CSV, or raise workbook_mib under "
            "[limits] in shop.toml."
        )
    lines: list[str] = []
    cells = tables = 0
    for row in _rows(data, limits.columns):
        cells += len(row)
        tables += row == []
        if cells > limits.sheet_cells:
            raise WebPageError(
                f"The tables of the web page have more than {limits.sheet_cells:,} cells. Export fewer rows, or raise "
                "sheet_cells under [limits] in shop.toml."
            )
        lines.append("\t".join(_quoted(cell) for cell in row))
    if not tables:
        raise WebPageError("This is a web page without a table. Export the log as CSV, or as XLSX.")
    return "\n".join([*lines, ""]).encode()


def _quoted(cell: str) -> str:
    return '"' + cell.replace('"', '""') + '"' if '"' in cell else cell


def _rows(data: bytes, most: int) -> Iterator[list[str]]:
    """Yield the rows of tables and texts outside them (one cell) in the order of the page, [] behind each table."""
    from lxml import etree

    spans: list[_Spans] = []
    root: _Element | None = None
    events = etree.iterparse(
        BytesIO(data),
        events=("start", "end"),
        html=True,
        recover=True,
        no_network=True,
        huge_tree=False,
        remove_comments=True,
        remove_pis=True,
        encoding=_encoding(data),
    )
    try:
        for event, element in events:
            tag = element.tag
            root = element if root is None else root
            if tag == "table" and event == "start":
                yield from ([text] for text in _said_before(element))
                spans.append(_Spans())
            elif event == "start":
                continue
            elif tag == "table" and spans:
                spans.pop()
                yield []
                element.clear(keep_tail=True)
            elif tag == "tr" and spans:
                row = spans[-1].filled([_cell(each, most) for each in element if each.tag in _CELLS], most)
                if any(row):
                    yield row
                element.clear()
            elif tag in _UNSEEN:
                element.clear(keep_tail=True)
    except etree.XMLSyntaxError:
        return  # it breaks off here
    if root is not None:
        yield from ([text] for text in _texts(root))


def _cell(element: _Element, most: int) -> tuple[str, int, int]:
    text = " ".join(" ".join(element.itertext()).split())
    return text, _span(element.get("colspan"), most), _span(element.get("rowspan"), 1 << 20)


def _span(said: str | None, most: int) -> int:
    return max(1, min(int(said), most)) if said and said.isascii() and said.isdigit() and len(said) < 8 else 1


def _said_before(table: _Element) -> list[str]:
    """Return the texts that stand before a table and were not told yet, and take them out of the page."""
    found: list[str] = []
    inside = [table, *table.iterancestors()]
    for child, parent in reversed(list(pairwise(inside))):
        found += _lines(parent.text)
        parent.text = None
        for before in list(parent)[: parent.index(child)]:
            found += [*_texts(before), *_lines(before.tail)]
            parent.remove(before)
    return found


def _texts(element: _Element) -> list[str]:
    """Return the texts in an element, one for each block of it."""
    if element.tag in _UNSEEN:
        return []
    if not len(element):
        return _lines(element.text)
    found: list[str] = []
    told = element.text or ""
    for child in element:
        if child.tag in _INLINE:
            told += f" {' '.join(child.itertext())} {child.tail or ''}"
            continue
        found += [*_lines(told), *_texts(child)]
        told = child.tail or ""
    return [*found, *_lines(told)]


_INLINE: Final = ("b", "i", "u", "em", "strong", "span", "font", "small", "big", "a", "sub", "sup", "label")


def _lines(text: str | None) -> list[str]:
    said = " ".join((text or "").split())
    return [said] if said else []


def _encoding(data: bytes) -> str | None:
    """Return the encoding of a page: what its bytes show, else what it says; a page that says none is in Windows's."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    declared = _CHARSET.search(data[:_DECLARED_BYTES])
    for name in ("utf-8", declared[1].decode("ascii") if declared else "cp1252", "cp1252"):
        try:
            data.decode(name)
        except (UnicodeError, LookupError):
            continue
        return name
    return None
