"""What the codes of a table mean by a legend beside it: "F = finished, A = aborted", or a sheet of codes and meanings.

It finds pairs of a code and what it stands for; whether a column holds these codes is the columns' business.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

_LONGEST_CODE: Final = 12
_MOST_TEXTS: Final = 400
_PIECES: Final = re.compile(r"[;,|\n()]")
_NEXT: Final = re.compile(
    r"\s+(?:[-–—/·•+]\s+)?(?=[^\s=:/]{1,12}\s*=\s*[^\s=])"  # "0 = finished  3 = broken off"
    r"|/(?=[^\s=:/]{1,4}\s*=)"
    r"|\s{2,}(?=[^\s=:]{1,4}\s*(?::|->|→|–|—|\s-)\s+[^\W\d_])"
)
_EQUALS: Final = re.compile(r"(?:^|[\s:])([^\s=:]{1,12})\s*=\s*(\S.*)$")
_STANDS_FOR: Final = re.compile(r"^([^\s=:]{1,4})\s*(?::|->|→|–|—|\s-\s)\s*([^\W\d_].*)$")


def legend(texts: Iterable[Sequence[str]]) -> Mapping[str, str]:
    """Return code -> meaning from the cells of lines around a table; a code of two meanings is left out."""
    found: dict[str, set[str]] = {}
    for _, cells in zip(range(_MOST_TEXTS), texts, strict=False):
        if len(cells) == 2 and len(cells[0]) <= _LONGEST_CODE and " " not in cells[0] and "=" not in cells[0]:
            found.setdefault(cells[0].rstrip(":"), set()).add(cells[1])
        for cell in cells:
            for piece in (part for whole in _PIECES.split(cell) for part in _NEXT.split(whole)):
                text = piece.strip()
                if match := _EQUALS.search(text) or _STANDS_FOR.match(text):
                    found.setdefault(match[1], set()).add(match[2].strip().rstrip("."))
    return {code: next(iter(meanings)) for code, meanings in found.items() if len(meanings) == 1}
