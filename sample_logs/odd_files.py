"""Two files of the demo shop that are not as they should be: a list kept by hand with mistakes in it, and a letter.
They are there so that the quality page has something to show; what should be rejected is told beside them.
"""

from __future__ import annotations

from typing import Any

BAD_FILE = "exports/lathe/cycles-by-hand.csv"
LETTER_FILE = "exports/office/letter.txt"

_HEADER = "machine,program,started_at,ended_at,parts,scrap,outcome,job,operation,revision"
_BAD_ROWS: tuple[tuple[str, str | None, str], ...] = (
    (
        "L1,O3021,2026-02-12T10:41:00+00:00,2026-02-12T10:28:00+00:00,1,0,complete,26-9001,10,A",
        "ended_at",
        "ends_before_start",
    ),
    (
        "L1,O3021,2026-02-12T10:55:00+00:00,2026-02-12T11:08:00+00:00,2x,0,complete,26-9001,10,A",
        "parts",
        "not_a_number",
    ),
    (
        ",O3021,2026-02-12T11:10:00+00:00,2026-02-12T11:23:00+00:00,1,0,complete,26-9001,10,A",
        "machine",
        "missing_value",
    ),
    (
        "L1,O3021,2026-02-12T11:25:00+00:00,2026-02-12T11:38:00+00:00,1,0,looked fine,26-9001,10,A",
        "outcome",
        "not_allowed",
    ),
    (
        "L1,O3021,2026-02-30T11:40:00+00:00,2026-02-28T11:53:00+00:00,1,0,complete,26-9001,10,A",
        "started_at",
        "not_a_time",
    ),
)

_LETTER = """To the workshop

The mounts that you sent us in May run without play. Two customers have asked for a longer dovetail
saddle; we will send a drawing after the summer and would be glad of a quote.

One crate arrived with a broken lid. Nothing inside was damaged, but please use the stronger box
for the fork arms.

With kind regards
The dealer in the north
"""


def bad_cycles(good: str) -> bytes:
    """Give the list kept by hand: a header, one row that is in the lathe's own list too, and the bad rows."""
    header, row = good.splitlines()
    if header != _HEADER:
        raise ValueError(f"the lathe's columns are now {header}: bring the bad rows into line with them")
    return ("\n".join([header, row, *(text for text, _, _ in _BAD_ROWS)]) + "\n").encode()


def expected_rejects() -> list[dict[str, Any]]:
    """Say which rows should be rejected, by record number (the good row is 1), column and reason."""
    return [
        {"file": BAD_FILE, "row_number": number, "column": column, "reason": reason}
        for number, (_, column, reason) in enumerate(_BAD_ROWS, start=2)
    ]


def letter() -> bytes:
    """Give the letter that somebody filed among the exports."""
    return _LETTER.encode()
