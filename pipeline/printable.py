"""Text that is safe to show: control characters and marks that turn the direction of writing become visible.

It changes what is shown only; what is stored, compared and exported as data stays as it is.
"""

from __future__ import annotations

import re
from typing import Final

MAX_NAME: Final = 400

# C0 without tab and line feed, DEL and C1; soft hyphen and marks of width and direction; lone surrogates.
_UNSAFE: Final = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u00ad\u061c\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufff9-\ufffb\ud800-\udfff]"
)
_LINE_ENDS: Final = re.compile(r"[\t\n]")


def printable(text: str) -> str:
    """Return text that no terminal takes for a command and no reader for another text; lines stay lines."""
    return _UNSAFE.sub(_escape, text)


def one_line(text: str) -> str:
    """Return a name or a cell that cannot pass for a line of ours."""
    return _LINE_ENDS.sub(_escape, printable(text))


def shown_name(text: str) -> str:
    """Return the name of a file on one line, its middle left out where it is longer than anybody reads."""
    name = one_line(text)
    half = MAX_NAME // 2
    return name if len(name) <= MAX_NAME else f"{name[:half]}…{name[-half:]}"


def _escape(found: re.Match[str]) -> str:
    return f"\\u{ord(found[0]):04x}"  # as TOML and JSON write it
