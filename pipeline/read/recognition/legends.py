"""What the codes of a table mean by a legend beside it: "F = finished, A = aborted", or a sheet of codes and meanings.

It finds pairs of a code and what it stands for; whether a column holds these codes is the columns' business.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cache
from typing import Final

from schemas.words import LANGUAGES, spoken_list

_LONGEST_CODE: Final = 12
_MOST_TEXTS: Final = 400
_MOST_CELLS: Final = 3  # of a line that explains one code: the code, what it means, a remark
_FEWEST_LISTED: Final = 2
_PIECES: Final = re.compile(r"[;,|\n()]|\s/\s")
_NEXT: Final = re.compile(
    r"\s+(?:[-–—/·•+]\s+)?(?=[^\s=:/]{1,12}\s*=\s*[^\s=])"  # "0 = finished  3 = broken off"
    r"|/(?=[^\s=:/]{1,4}\s*=)"
    r"|\s{2,}(?=[^\s=:]{1,4}\s*(?::|->|→|–|—|\s-)\s+[^\W\d_])"
)
_LABEL: Final = re.compile(r"^[^\W\d_][^:=\d]{3,30}:\s*(?=\S)")
_EQUALS: Final = re.compile(r"(?:^|[\s:])([^\s=:]{1,12})\s*=\s*(\S.*)$")
_STANDS_FOR: Final = re.compile(r"^([^\s=:]{1,4})\s*(?::|->|→|–|—|\s-\s)\s*([^\W\d_].*)$")
_BRACKETED: Final = re.compile(r"[(\[]\s*(\w{1,4})\s*[)\]]\s*([^\W\d_][^()\[\];,|]*)")
_LISTED: Final = re.compile(r"^(\d{1,2}|[A-Z]{1,2})\s+([^\W\d_][^:=]*)$")
_SIGNS: Final = frozenset({"=", ":", "-", "–", "—", "->", "→"})
_QUOTES: Final = "\"'“”„‚‘’«»"


def legend(texts: Iterable[Sequence[str]]) -> Mapping[str, str]:
    """Return code -> meaning from the cells of lines around a table; a code of two meanings is left out."""
    found: dict[str, set[str]] = {}
    for _, cells in zip(range(_MOST_TEXTS), texts, strict=False):
        for code, meaning in (*_in_cells(cells), *(pair for cell in cells for pair in _in_text(cell))):
            found.setdefault(code.strip(_QUOTES), set()).add(meaning.strip().strip(_QUOTES).rstrip("."))
    return {code: next(iter(meanings)) for code, meanings in found.items() if len(meanings) == 1}


def _in_cells(cells: Sequence[str]) -> Iterator[tuple[str, str]]:
    """Yield a code and its meaning that stand in cells of their own."""
    said = [cell for cell in cells if cell not in _SIGNS]
    short = 1 < len(said) <= _MOST_CELLS and len(said[0]) <= _LONGEST_CODE
    if short and " " not in said[0] and "=" not in said[0]:
        yield said[0].rstrip(":"), said[1]


def _in_text(cell: str) -> Iterator[tuple[str, str]]:
    """Yield the codes that a text explains."""
    yield from (match.groups() for match in _BRACKETED.finditer(cell))  # type: ignore[misc]
    pieces = [part.strip() for piece in _PIECES.split(cell) for part in _NEXT.split(piece)]
    pieces = [_spelt(piece) for piece in (_LABEL.sub("", piece) for piece in pieces) if piece]
    pairs = [match.groups() for piece in pieces if (match := _EQUALS.search(piece) or _STANDS_FOR.match(piece))]
    listed = [match.groups() for piece in pieces if (match := _LISTED.match(piece))]
    if not pairs and len(listed) == len(pieces) >= _FEWEST_LISTED:
        pairs = listed  # "1 finished, 2 aborted"
    yield from pairs  # type: ignore[misc]


def _spelt(piece: str) -> str:
    """Return a piece with a sign of equality in place of words for it behind a code: "F means finished"."""
    return _words().sub(r"\1 = ", piece)


@cache
def _words() -> re.Pattern[str]:
    words = sorted({word for code in LANGUAGES for word in spoken_list(code, "stands_for")}, key=len, reverse=True)
    return re.compile(rf"(?i)^([^\s=:]{{1,4}})\s+(?:{'|'.join(map(re.escape, words))})\s+")
