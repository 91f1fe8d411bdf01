"""Tells the shape of a file from its first bytes and lines, whatever its name says.

It decides how a file is read, not what its columns mean.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from io import BytesIO
from typing import Final

from pipeline.read.adapter_text import LINE_START
from pipeline.read.header import DELIMITERS, SEARCHED_LINES, split_line
from pipeline.read.jsonlines import parse_object
from pipeline.read.recognition.alignment import names_without_columns
from pipeline.read.recognition.heads import find_text_head
from pipeline.read.text import decode_head, sniff_encoding
from pipeline.read.web_page import STARTS

_MEDIA: Final = (
    (b"\x89PNG", "a picture (PNG)"),
    (b"\xff\xd8\xff", "a picture (JPEG)"),
    (b"GIF8", "a picture (GIF)"),
    (b"BM", "a picture (BMP)"),
    (b"II*\x00", "a picture (TIFF)"),
    (b"MM\x00*", "a picture (TIFF)"),
    (b"%PDF", "a PDF document"),
    (b"{\\rtf", "a formatted letter (RTF)"),
    (b"7z\xbc\xaf", "a 7z archive; unpack it into a folder"),
    (b"Rar!", "a RAR archive; unpack it into a folder"),
    (b"SQLite format 3", "a database file"),
    (b"MZ", "a program"),
)
_NC_BLOCK: Final = re.compile(r"^\s*/?\s*(?:%|\(|;|:\d|[OoNn]\s*\d|[GgMmTtSsFfXxYyZzHhDd]\s*-?\.?\d)")
_NC_START: Final = re.compile(r"^\s*(?:%|[Oo:]\s*\d{1,8}\b|[Nn]\s*\d+\s*[GgMmTtSs(])")
_NOT_PARTED: Final = (
    "A line names columns that seem to be aligned by blanks, but where one ends and the next begins cannot be told. "
    'Write a profile with columns_at = ["1-8", "10-28"] under [file], the first and last character of each column, '
    "and name it under [[source]] in shop.toml; or export it as CSV."
)
_ELAPSED_LINE: Final = re.compile(r"^\s*(\d+(?:\.\d+)?)(?:@[\d.]+)?\s*\|\s*[A-Za-z_][^|]*\|")
_ELAPSED_SHARE: Final = 0.9
_ANSWER_PARTS: Final = re.compile(rb"^(?:--|HTTP/\d)[^<]{0,2000}<(?:\?xml|\w*:?MTConnect)")  # of a recorded answer
_ERROR_TEXT: Final = re.compile(r"<(?:[\w.-]+:)?Error\s[^>]*>([^<]*)<")
_TABLE_LINES: Final = 0.9
_TABLE_SHARE: Final = 0.4  # of the first lines that must have equally many cells
_PRINTABLE_SHARE: Final = 0.9
_CONTROLS: Final = (*range(0x09), *range(0x0E, 0x1B), *range(0x1C, 0x20))
_CONTROL_SHARE: Final = 0.05


@dataclass(frozen=True)
class Recognised:
    """The shape; `status` and `reason` are set where the file is not to be read."""

    shape: str
    status: str = ""
    reason: str = ""


def recognise(head: bytes, encoding: str | None = None, *, whole: bool = False) -> Recognised:
    """Return the shape of a file that begins with `head`; `whole` says that this is all of it."""
    if not head.strip(b" \t\r\n\0\xef\xbb\xbf\xff\xfe"):
        return _unreadable("The file is empty. Export it again; if the machine made nothing, delete the file.")
    if head.startswith(b"PAR1"):
        return Recognised("parquet")
    if head.startswith((b"PK\x03\x04", b"PK\x05\x06")):
        return Recognised("workbook")
    if head.startswith(b"\xd0\xcf\x11\xe0"):
        return _unreadable("This is an old or password-protected workbook. Save it as XLSX without a password.")
    for mark, what in _MEDIA:
        if head.startswith(mark) and not (mark in (b"BM", b"MZ") and b"\0" not in head[:64]):
            return _unreadable(
                f"This is {what}, not a run log. Take it out of the folder, or leave it: it does no harm."
            )
    unpadded = head.rstrip(b"\0")  # a half-written file ends in zeros
    if sniff_encoding(head)[0] is None and encoding is None and _is_binary(unpadded):
        return _unreadable("This is not text, and no kind of file that can be read here. Export it as CSV.")
    text = decode_head(head, encoding)
    if STARTS.match(text):
        return Recognised("web page")
    if text.lstrip("\ufeff \t\n").startswith("<"):
        return _recognise_xml(head)
    if _ANSWER_PARTS.match(head):
        return _recognise_xml(head[head.index(b"<") :])
    lines = [line for line in text.split("\n") if line.strip()]
    if not whole and len(lines) > 1:
        lines.pop()  # the head may end in the middle of a line
    return _recognise_lines(lines[:SEARCHED_LINES])


def _is_binary(head: bytes) -> bool:
    """Return whether more than a twentieth of the bytes are control characters that no text has."""
    return sum(head.count(byte) for byte in _CONTROLS) > len(head) * _CONTROL_SHARE


def _unreadable(reason: str) -> Recognised:
    return Recognised("unknown", "unreadable", reason)


def _recognise_xml(head: bytes) -> Recognised:
    from lxml import etree

    root = ""
    try:
        parser = etree.iterparse(
            BytesIO(head), events=("start",), resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False
        )
        root = str(next(iter(parser))[1].tag)
    except (etree.XMLSyntaxError, StopIteration):
        pass
    name = root.rpartition("}")[2]
    if name == "MTConnectStreams":
        return Recognised("streams xml")
    if name == "MTConnectDevices":
        reason = (
            "This is an MTConnectDevices document: it says what the items of the streams in its folder and in the "
            "folders below it are, and is read for that. It holds no run log itself."
        )
        return Recognised("devices xml", "set aside", reason)
    if name == "MTConnectError":
        told = "; ".join(text.strip() for text in _ERROR_TEXT.findall(decode_head(head)))
        reason = (
            f'The agent answered with an error ("{told or "no reason given"}") instead of a run log. Ask it again for '
            "what is missing."
        )
        return Recognised("other xml", "set aside", reason)
    if name.startswith("MTConnect"):
        reason = (
            f"This is an {name} document: it describes tools, fixtures or the like and holds no run log. Leave it: it "
            "does no harm."
        )
        return Recognised("other xml", "set aside", reason)
    what = f"an XML document of another kind (<{name or '?'}>)" if name else "damaged XML"
    return _unreadable(f"This is {what}; only MTConnectStreams documents can be read. Export it as CSV.")


def _recognise_lines(lines: list[str]) -> Recognised:
    if not lines:
        return _unreadable("The file has no text in it. Export it again.")
    starts = [bool(re.match(LINE_START, line)) for line in lines]
    if any(starts) and not starts[0] and _has_head(lines, starts.index(True)):
        return Recognised("table")
    if (starts[0] and sum(starts) >= len(starts) * 0.1) or sum(starts) > len(starts) / 2:
        return Recognised("adapter text")
    if _counts_time(lines):
        reason = (
            "This is a log of a machine whose times count from a start that it does not tell. Name a profile for it "
            'under [[source]] in shop.toml, with shape = "adapter text" and under [columns.occurred_at] from = "time", '
            'since = the instant at which it counted 0, and unit = "ms" or "s".'
        )
        return Recognised("adapter text", "needs a profile", reason)
    if lines[0].lstrip().startswith("{") and any(parse_object(line) is not None for line in lines):
        return Recognised("json lines")
    if lines[0].lstrip().startswith("["):
        return _unreadable("This is one JSON list. Export it as JSON Lines: one object a line.")
    blocks = sum(bool(_NC_BLOCK.match(line)) for line in lines)
    if _NC_START.match(lines[0]) and blocks >= len(lines) * 0.8:
        reason = "This is an NC program. Times from NC programs are not read by this version; nothing was stored."
        return Recognised("nc program", "set aside", reason)
    if looks_like_table(lines) or ((head := find_text_head(lines)) is not None and head.score > 0):
        return Recognised("table")
    text = "".join(lines)
    if sum(character.isprintable() or character == "\t" for character in text) < len(text) * _PRINTABLE_SHARE:
        return _unreadable("This is not text, and no kind of file that can be read here. Export it as CSV.")
    if names_without_columns(lines):
        return Recognised("text", "needs a profile", _NOT_PARTED)
    return Recognised(
        "text",
        "unreadable",
        "This is text, but its lines are no table and no log that is known here. If it is a letter or a note, leave "
        "it: it does no harm. If it is a log, export it as CSV with a header line.",
    )


def _has_head(lines: list[str], first: int) -> bool:
    """Return whether bars between cells are those of a table: names stand above, and every line has as many cells."""
    head = find_text_head(lines[:first])
    if head is None or head.delimiter != "|" or head.score <= 0:
        return False
    counts = [len(split_line(line, "|")) for line in lines[first:]]
    return sum(count == len(head.names) for count in counts) >= _TABLE_LINES * len(counts)


def _counts_time(lines: list[str]) -> bool:
    """Return whether lines are of the form `number|item|value` with a number that never falls."""
    found = [float(match[1]) for line in lines if (match := _ELAPSED_LINE.match(line))]
    return (
        len(found) > 2
        and len(found) >= len(lines) * _ELAPSED_SHARE
        and _ELAPSED_LINE.match(lines[0]) is not None
        and found == sorted(found)
    )


def looks_like_table(lines: list[str]) -> bool:
    """Return whether enough lines have equally many cells, two at least."""
    for mark in DELIMITERS:
        counts = Counter(len(split_line(line, mark)) for line in lines)
        if any(cells > 1 and lines_so >= len(lines) * _TABLE_SHARE for cells, lines_so in counts.items()):
            return True
    return False
