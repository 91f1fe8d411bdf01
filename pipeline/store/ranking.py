"""The rank of a source file: of two files that give one fact other values, the one of the higher rank holds.

Ranks are texts that sort; they come from what a file says and from what stood at its path before, never from its own
date.
"""

from __future__ import annotations

from typing import Final

_BEFORE_ALL: Final = 10**18  # makes every time of the calendar, in microseconds since 1970, a positive number


def own_rank(last_us: int | None, cells: int, sha256: str, *, above: str = "") -> str:
    """Return the rank of a file: the later last record, then the more filled cells, then the larger hash.

    A tie of last records is thus won by the export with more rows or more columns. `above` is the highest rank of what
    stood at the path of the file before: who exports over an old file wants the new one to hold.
    """
    last = 0 if last_us is None else last_us + _BEFORE_ALL
    rank = f"{last:020d} {cells:014d} {sha256}"
    return rank if rank > above else f"{above} {sha256[:12]}"
