"""Tells before a workbook is opened what it will take: unpacked bytes, the span of its sheets, the text of its cells.

The library that reads workbooks lays a sheet out whole, from its first to its last filled cell, and ends the program
where memory does not do. This module only measures and refuses; it reads no values.
"""

from __future__ import annotations

import copy
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from io import BytesIO
from typing import IO, Final

import numpy as np
import numpy.typing as npt

from pipeline.read.files import PACKING_ERRORS
from schemas.shop import LimitSettings

_PIECE_BYTES: Final = 1 << 20
_PLACE_BYTES: Final = 12  # of `XFD1048576"`, and one more
_LONGEST_TAG_BYTES: Final = 1 << 16
_TEXT_CELL: Final = re.compile(rb"""\st=["']s["']""")
_FILLED: Final = rb"(?<!/)>(?!</)"  # a cell that only has a format takes no room
_CELL: Final = re.compile(rb"<(?:\w+:)?c(?:\s[^<>]*)?" + _FILLED)
PLACED_CELL: Final = re.compile(
    rb"""<(?:\w+:)?c(?:\s[^<>]*?)?\sr=["']([A-Za-z]{1,8})([0-9]{1,12})["'][^<>]*?""" + _FILLED
)
_SHARED_CELL: Final = re.compile(rb"""<(?:\w+:)?c\s[^<>]*?\bt=["']s["'][^<>]*><(?:\w+:)?v>([0-9]{1,9})<""")
_STRING: Final = re.compile(rb"<(?:\w+:)?si[\s>/]")


class TooLargeError(Exception):
    """A workbook asks for more than the limits allow; `str()` is a sentence for the user."""


@dataclass
class _Span:
    """The rows and columns of the filled cells seen so far."""

    top: int = 1 << 60
    bottom: int = 0
    left: int = 1 << 60
    right: int = 0

    def include(self, row: int, column: int) -> None:
        self.top, self.bottom = min(self.top, row), max(self.bottom, row)
        self.left, self.right = min(self.left, column), max(self.right, column)

    @property
    def width(self) -> int:
        return max(0, self.right - self.left + 1)

    @property
    def cells(self) -> int:
        return max(0, self.bottom - self.top + 1) * self.width


@dataclass
class _Text:
    """How much text the cells of all sheets take, as far as it stands in the list of shared strings."""

    cells: int = 0
    longest: int = 0  # an upper bound
    list_name: str = ""


def require_modest(data: bytes, limits: LimitSettings) -> None:
    """Raise TooLargeError where a workbook takes more than the limits allow, and PACKING_ERRORS where it is damaged."""
    most_bytes = limits.workbook_mib << 20
    if len(data) > most_bytes:
        raise TooLargeError(_too_large(limits))
    unpacked = 0
    text = _Text()
    with zipfile.ZipFile(BytesIO(data)) as book:
        infos = book.infolist()
        if not any(info.filename == "xl/workbook.xml" for info in infos):
            raise TooLargeError("This is a packed document, but no XLSX workbook. Save it as XLSX, or as CSV.")
        for info in infos:
            span = _Span()
            careful = False
            with _open_whole(book, info, most_bytes) as member:
                for piece in _pieces(member):
                    unpacked += piece.new_bytes
                    if unpacked > most_bytes:
                        raise TooLargeError(_too_large(limits))
                    all_placed = _measure(piece.tags, span, text, info.filename)
                    careful |= piece.torn or not all_placed
            if careful:
                with _open_whole(book, info, most_bytes) as member:
                    span = _measure_carefully(member)
            _require_span(span, limits)
        if text.cells * text.longest > most_bytes:
            _require_text(book, text, most_bytes, limits)


def _too_large(limits: LimitSettings) -> str:
    return (
        f"The workbook unpacks to more than {limits.workbook_mib} MiB. Export it as CSV, or raise workbook_mib under "
        "[limits] in shop.toml."
    )


@dataclass(frozen=True)
class _Piece:
    new_bytes: int
    tags: bytes  # whole cells, where it can be had
    torn: bool = False  # something longer than a tag was cut in two


def _pieces(member: IO[bytes]) -> Iterator[_Piece]:
    """Yield a member piece by piece, each ending behind a cell or, where there is none, before a tag."""
    rest = b""
    while new := member.read(_PIECE_BYTES):
        tags = rest + new
        cut = tags.rfind(b"c>") + 2
        if cut < 2 or len(tags) - cut > _LONGEST_TAG_BYTES:
            cut = tags.rfind(b"<")
            if tags[cut + 1 : cut + 2] in (b"/", b""):  # an empty cell and its end stay together
                cut = tags.rfind(b"<", 0, cut)
        cut = max(cut, 0)
        torn = len(tags) - cut > _LONGEST_TAG_BYTES
        cut = len(tags) if torn else cut
        rest = tags[cut:]
        yield _Piece(len(new), tags[:cut], torn)
    if rest:
        yield _Piece(0, rest)


def _open_whole(book: zipfile.ZipFile, info: zipfile.ZipInfo, most_bytes: int) -> IO[bytes]:
    """Open a member so that all that it unpacks to is seen, whatever length the directory gives."""
    honest = copy.copy(info)
    honest.file_size = most_bytes + _PIECE_BYTES
    return book.open(honest)


def _measure(tags: bytes, span: _Span, text: _Text, name: str) -> bool:
    """Widen the span by the cells of a piece; False where a cell does not say where it stands."""
    if strings := [found.start() for found in _STRING.finditer(tags)]:
        gaps = np.diff([*strings, len(tags)])
        text.longest = max(text.longest, int(gaps.max()))
        text.list_name = name
    elif text.list_name == name:
        text.longest += len(tags)  # one string of more than a piece
    text.cells += tags.count(b't="s"') + tags.count(b"t='s'")
    return _measure_usual(tags, span) or _measure_any(tags, span)


def _measure_usual(tags: bytes, span: _Span) -> bool:
    """Widen the span by cells that are all written as most programs do: `<c r="B7"`; False where one is not."""
    if b":c " in tags or b":c>" in tags:
        return False
    at = np.frombuffer(tags + b"\0" * (_PLACE_BYTES + 8), dtype=np.uint8)
    opened = np.flatnonzero(at == ord("<"))
    opened = opened[(at[opened + 1] == ord("c")) & ~_is_letter(at[opened + 2])]
    if not len(opened):
        return True
    closed = np.flatnonzero(at == ord(">"))
    nearest = np.searchsorted(closed, opened)
    if nearest[-1] == len(closed) or not all((at[opened + 2 + k] == mark).all() for k, mark in enumerate(b' r="')):
        return False
    ends = closed[nearest]
    empty = (at[ends - 1] == ord("/")) | ((at[ends + 1] == ord("<")) & (at[ends + 2] == ord("/")))
    places = at[opened[~empty][:, None] + 6 + np.arange(_PLACE_BYTES)]
    if not len(places):
        return True
    column, row, length = (np.zeros(len(places), dtype=np.int64) for _ in range(3))
    in_letters = np.ones(len(places), dtype=bool)
    in_digits = np.ones(len(places), dtype=bool)
    for k in range(_PLACE_BYTES):
        mark = places[:, k]
        in_letters &= _is_letter(mark)
        column = np.where(in_letters, column * 26 + (mark & 31), column)
        digit = (mark >= ord("0")) & (mark <= ord("9"))
        in_digits &= digit | in_letters
        row = np.where(in_digits & digit, row * 10 + mark - ord("0"), row)
        length += in_digits
    last = np.minimum(length, _PLACE_BYTES - 1)
    if (places[np.arange(len(places)), last] != ord('"')).any() or (row == 0).any() or (column == 0).any():
        return False
    span.include(int(row.min()), int(column.min()))
    span.include(int(row.max()), int(column.max()))
    return True


def _is_letter(mark: npt.NDArray[np.uint8]) -> npt.NDArray[np.bool_]:
    small = mark | 32
    return (small >= ord("a")) & (small <= ord("z"))


def _measure_any(tags: bytes, span: _Span) -> bool:
    """Widen the span by all cells of a piece that say where they stand; False where one does not."""
    cells = len(_CELL.findall(tags))
    placed = PLACED_CELL.findall(tags)
    for letters in {letters for letters, _ in placed}:
        column = _column_number(letters)
        span.left, span.right = min(span.left, column), max(span.right, column)
    rows = [int(row) for row in {row for _, row in placed}]
    if rows:
        span.top, span.bottom = min(span.top, *rows), max(span.bottom, *rows)
    return len(placed) == cells


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters.upper():
        number = number * 26 + letter - 64
    return number


def _measure_carefully(member: IO[bytes]) -> _Span:
    """Return the span of a sheet whose cells do not all say where they stand: each follows the one before it."""
    from lxml import etree

    span = _Span()
    row = column = 0
    try:
        parser = etree.iterparse(
            member, events=("start", "end"), tag=("{*}row", "{*}c"), resolve_entities=False, no_network=True
        )
        for event, element in parser:
            is_row = element.tag.rpartition("}")[2] == "row"
            said = element.get("r", "")
            if event == "start" and is_row:
                row, column = int(said) if said.isdigit() else row + 1, 0
            elif event == "start":
                place = re.fullmatch(r"([A-Za-z]{1,8})([0-9]{1,12})", said)
                column = _column_number(place[1].encode()) if place else column + 1
                row = int(place[2]) if place else row
            else:
                if not is_row and len(element):
                    span.include(row, column)
                element.clear()
                while is_row and element.getprevious() is not None:
                    del element.getparent()[0]
    except (SyntaxError, ValueError):
        return span  # whoever reads it is told
    return span


def _require_span(span: _Span, limits: LimitSettings) -> None:
    if span.width > limits.columns:
        raise TooLargeError(
            f"A sheet has {span.width:,} columns, and {limits.columns:,} are allowed. Delete what stands far right of "
            "the table, export it as CSV, or raise columns under [limits] in shop.toml."
        )
    if span.cells > limits.sheet_cells:
        raise TooLargeError(
            f"A sheet spans {span.cells:,} cells, and {limits.sheet_cells:,} are allowed. Delete what stands far below "
            "the table, export it as CSV, or raise sheet_cells under [limits] in shop.toml."
        )


def _require_text(book: zipfile.ZipFile, text: _Text, most_bytes: int, limits: LimitSettings) -> None:
    """Raise TooLargeError where long strings are used so often that the cells together take more than allowed."""
    from lxml import etree

    lengths: list[int] = []
    try:
        with book.open(text.list_name) as member:
            for _, element in etree.iterparse(member, tag="{*}si", resolve_entities=False, no_network=True):
                lengths.append(sum(len(part) for part in element.itertext()))
                element.clear()
    except SyntaxError:
        return  # whoever reads it is told
    sizes = np.array(lengths, dtype=np.int64)
    total = 0
    for info in book.infolist():
        if info.filename != text.list_name and info.filename.endswith(".xml"):
            with book.open(info) as member:
                for piece in _pieces(member):
                    cited = np.array(_SHARED_CELL.findall(piece.tags), dtype=np.int64)
                    unclear = len(_TEXT_CELL.findall(piece.tags)) - len(cited)
                    total += int(sizes[cited[cited < len(sizes)]].sum()) + max(0, unclear) * int(sizes.max(initial=0))
    if total > most_bytes:
        raise TooLargeError(
            f"The text of the workbook's cells takes more than {limits.workbook_mib} MiB together. Export it as CSV, "
            "or raise workbook_mib under [limits] in shop.toml."
        )


DAMAGED: Final = (*PACKING_ERRORS, RuntimeError, ValueError, LookupError, OverflowError)
