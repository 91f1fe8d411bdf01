"""Tells central European text from western text, which share their bytes and differ in a dozen letters.

It weighs in which of the ten languages the words are, those with the letters in question first: the same bytes are
"qualità" and "qualitŕ", "è" and "č". UTF-8 and UTF-16 are told by their bytes elsewhere (`text.py`).
"""

from __future__ import annotations

import re
from codecs import getincrementaldecoder
from collections.abc import Iterable
from typing import Final

from pipeline.read.text import sniff_encoding
from schemas.words import LANGUAGES, written_words

CENTRAL: Final = "cp1250"
WESTERN: Final = "cp1252"
_ENCODING: Final = {code: CENTRAL if code in ("pl", "cs") else WESTERN for code in LANGUAGES}
_LETTERS: Final = {
    "en": "éèçïö",
    "de": "äöüßé",
    "fr": "àâæçéèêëîïôœùûüÿ",
    "es": "áéíñóúü",
    "pt": "áâãàçéêíóôõúü",
    "it": "àèéìíîòóùú",
    "pl": "ąćęłńóśźż",
    "nl": "éëïóöüáèêçä",
    "cs": "áčďéěíňóřšťúůýž",
    "sv": "åäöéü",
}
"""The letters beyond a to z that a language writes."""
_WORD: Final = re.compile(r"[^\W\d_]{2,}")
_SIGNS_IN_WORDS: Final = re.compile(r"[^\W\d_]+[¹²³¼½¾¿¡¶§£¢¥¤¦¨ª«¬®¯°±´·¸º»Ÿ]+|[¹³¼½¾¿¡¢£¥]+[^\W\d_]")
_SIGN_COST: Final = 0.5
_MOST_SIGNS: Final = 40
_MOST_WORDS: Final = 4_000
_KNOWN_WORTH: Final = 3.0  # of a word of the trade that is written with letters in question
_LANGUAGE_WORTH: Final = 1.0  # of a word of the trade in plain letters: it tells the language only


def central_encoding(head: bytes) -> str | None:
    """Return cp1250 for the first bytes of a text that reads better in it than in cp1252, else None."""
    if sniff_encoding(head)[0] is not None or head.isascii() or _is_utf8(head):
        return None
    central, western = (_worth(head, name) for name in (CENTRAL, WESTERN))
    return CENTRAL if central > western else None


def _is_utf8(head: bytes) -> bool:
    try:
        getincrementaldecoder("utf-8")().decode(head)  # a letter may be cut in two at the end
    except UnicodeDecodeError:
        return False
    return True


def _worth(head: bytes, encoding: str) -> float:
    """Return how well text reads in the likeliest language that is written in an encoding."""
    text = head.decode(encoding, "replace")
    words = list(dict.fromkeys(word.casefold() for word in _WORD.findall(text)))[:_MOST_WORDS]
    signs = min(len(_SIGNS_IN_WORDS.findall(text)), _MOST_SIGNS) + text.count("\ufffd")
    spoken = (code for code, written in _ENCODING.items() if written == encoding)
    return max(_spoken(code, words) for code in spoken) - _SIGN_COST * signs


def _spoken(code: str, words: Iterable[str]) -> float:
    """Return how well words are of a language: those of the trade, and all with letters beyond a to z."""
    known, letters = written_words(code), set(_LETTERS[code])
    worth = 0.0
    for word in words:
        beyond = {letter for letter in word if not letter.isascii()}
        if word in known:
            worth += _KNOWN_WORTH if beyond else _LANGUAGE_WORTH
        elif beyond:
            worth += 1.0 if beyond <= letters else -1.0
    return worth
