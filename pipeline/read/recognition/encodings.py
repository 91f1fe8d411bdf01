"""Tells central European text from western text, which share their bytes and differ in a dozen letters.

It weighs what the words become; UTF-8 and UTF-16 are told by their bytes elsewhere (`text.py`).
"""

from __future__ import annotations

import re
from typing import Final

from pipeline.read.recognition.heads import find_text_head
from pipeline.read.text import sniff_encoding

CENTRAL: Final = "cp1250"
_SIGNS_IN_WORDS: Final = re.compile(r"[^\W\d_][¹²³¼½¾¿¡¶§£¢¥¤¦¨ª«¬®¯°±´·¸º»Ÿ]+|[¹³¼½¾¿¡¢£¥]+[^\W\d_]")
_SIGN_COST: Final = 0.25
_MOST_SIGNS: Final = 20


def central_encoding(head: bytes) -> str | None:
    """Return cp1250 for the first bytes of a text that reads better in it than in cp1252, else None."""
    if sniff_encoding(head)[0] is not None or head.isascii() or _is_utf8(head):
        return None
    central, western = (_worth(head, name) for name in (CENTRAL, "cp1252"))
    return CENTRAL if central > western else None


def _is_utf8(head: bytes) -> bool:
    for cut in range(4):  # a letter may be cut in two at the end
        try:
            head[: len(head) - cut].decode("utf-8")
        except UnicodeDecodeError:
            continue
        return True
    return False


def _worth(head: bytes, encoding: str) -> float:
    """Return how well text reads: names that words of the trade know, less signs that stand in the middle of words."""
    text = head.decode(encoding, "replace").replace("\r\n", "\n").replace("\r", "\n")
    found = find_text_head(text.split("\n"))
    signs = min(len(_SIGNS_IN_WORDS.findall(text)), _MOST_SIGNS) + text.count("\ufffd")
    return (found.score if found else 0.0) - _SIGN_COST * signs
