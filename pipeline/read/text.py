"""Text of any usual encoding, in blocks of whole lines, as UTF-8: what all readers of text files start from.

It knows lines and encodings only; cells, items and times are the readers' business.
"""

from __future__ import annotations

import codecs
import sys
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import BinaryIO, Final

import polars as pl

from pipeline.read.files import PACKING_ERRORS, UnpackError

BLOCK_BYTES: Final = 32 << 20
HEAD_BYTES: Final = 1 << 16
QUOTED_BYTES: Final = 1 << 20  # no quoted cell is longer
LINE_BYTES: Final = 32 << 20  # no line of a log is longer
_SMALL_BYTES: Final = 1 << 16
_LINE_MARK: Final = "\x1f"  # a byte that no text carries: reading "cells" by it gives whole lines
_BOMS: Final = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"))
_UTF16_SHARE: Final = 0.3  # of zero bytes on one side: text that is mostly Latin letters


@dataclass(frozen=True)
class TextBlock:
    """A run of whole lines. `data` is UTF-8 with `\\n` line ends; `first_line` is the 1-based physical line."""

    data: bytes
    first_line: int
    terminated: bool = True  # False: the last line of the file has no line end
    broken_off: str = ""  # why the file could not be read beyond this block


@dataclass
class _Decoder:
    """Turns bytes into UTF-8 bytes block by block and remembers what it has seen."""

    encoding: str | None
    wide: bool = False
    foreign: bool = False

    def __post_init__(self) -> None:
        name = self.encoding
        self._incremental = codecs.getincrementaldecoder(name)("replace") if name and name != "utf-8" else None

    def feed(self, data: bytes, final: bool) -> bytes:
        """Return bytes whose line ends are plain: UTF-8 already where letters have several bytes, else as they are."""
        return self._incremental.decode(data, final).encode("utf-8") if self._incremental else data

    def finish(self, lines: bytes) -> bytes:
        """Return whole lines as UTF-8."""
        if self._incremental:
            return lines
        if lines.isascii():
            return lines
        try:
            lines.decode("utf-8")
        except UnicodeDecodeError:
            if self.wide and not self.foreign:  # UTF-8 so far: a damaged letter, not another encoding
                return lines.decode("utf-8", "replace").encode("utf-8")
            self.foreign = True
            return _decode_western(lines).encode("utf-8")
        self.wide = True
        return lines


def _decode_western(data: bytes) -> str:
    """Decode cp1252; the five bytes that it leaves undefined are read as Latin-1."""
    try:
        return data.decode("cp1252")
    except UnicodeDecodeError:
        return "".join(chr(b) if b in (0x81, 0x8D, 0x8F, 0x90, 0x9D) else bytes([b]).decode("cp1252") for b in data)


def sniff_encoding(head: bytes) -> tuple[str | None, int]:
    """Return the encoding that the first bytes show (None: UTF-8, else a Western one) and the length of the mark."""
    for mark, name in _BOMS:
        if head.startswith(mark):
            return name, len(mark)
    sample = head[:4096]
    if len(sample) >= 4:
        even, odd = sample[::2].count(0) / len(sample[::2]), sample[1::2].count(0) / len(sample[1::2])
        if odd > _UTF16_SHARE and even < odd / 4:
            return "utf-16-le", 0
        if even > _UTF16_SHARE and odd < even / 4:
            return "utf-16-be", 0
    return None, 0


def _choose_encoding(head: bytes, said: str | None) -> tuple[str | None, int]:
    """Return the encoding to read by and the length of the mark: a mark says more than a profile, this more than bytes.

    A profile's utf-16 leaves the order of bytes open: what the bytes show, else the order of office computers.
    """
    sniffed, mark = sniff_encoding(head)
    if mark or said is None:
        return sniffed, mark
    if said == "utf-16":
        return sniffed if sniffed in ("utf-16-le", "utf-16-be") else "utf-16-le", 0
    return said, 0


def decode_head(head: bytes, encoding: str | None = None) -> str:
    """Return the first bytes of a file as text, with `\\n` line ends; a letter cut in two at the end is left out."""
    chosen, mark = _choose_encoding(head, encoding)
    decoder = _Decoder(chosen)
    data = head[mark:]
    if not chosen:
        for cut in range(4):  # a UTF-8 letter has at most four bytes
            try:
                return _plain(data[: len(data) - cut]).decode("utf-8")
            except UnicodeDecodeError:
                continue
    return _plain(decoder.finish(decoder.feed(data, final=False))).decode("utf-8")


def _plain(data: bytes) -> bytes:
    """Return text bytes with `\\n` line ends and without zero bytes (the padding of half-written files)."""
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n")
        if b"\n" not in data:
            data = data.replace(b"\r", b"\n")
    return data.replace(b"\0", b"") if b"\0" in data else data


def text_blocks(
    stream: BinaryIO,
    encoding: str | None = None,
    *,
    quoted: bool = False,
    block_bytes: int = BLOCK_BYTES,
    line_bytes: int = LINE_BYTES,
) -> Iterator[TextBlock]:
    """Yield the lines of a file in blocks of about `block_bytes`; memory stays flat however long the file is.

    With `quoted`, a block does not end inside a quoted cell. A file that cannot be read to its end (a gzip cut off,
    a disk error) gives its last block with `broken_off` set; so does one in which no line ends for `line_bytes`.
    """
    block_bytes = min(block_bytes, line_bytes)
    first_line, rest = 1, b""
    decoder: _Decoder | None = None
    broken_off = ""
    while True:
        data, final = b"", bool(broken_off)
        try:
            while len(data) < block_bytes and not final:
                more = stream.read(block_bytes - len(data))
                data, final = data + more, not more  # a last line without its end belongs to the block before it
        except (*PACKING_ERRORS, UnpackError) as error:
            broken_off = str(error) or "the file ends too early"
            final = not data
        if decoder is None:
            chosen, mark = _choose_encoding(data, encoding)
            decoder = _Decoder(chosen)
            data = data[mark:]
        text = rest + decoder.feed(data, final)
        if len(text) > line_bytes and not final and _cut(text, quoted=False) == 0:
            text, final, broken_off = b"", True, f"no line ends within {line_bytes / (1 << 20):g} MiB: not a text log"
        cut = len(text) if final else _cut(text, quoted)
        if cut == 0 and not final:
            rest = text
            continue
        block, rest = _plain(decoder.finish(text[:cut])), text[cut:]
        if block or (broken_off and final):
            yield TextBlock(block, first_line, not block or block.endswith(b"\n"), broken_off if final else "")
            first_line += block.count(b"\n")
        if final:
            return


def lines_within(blocks: Iterable[TextBlock], first: int, last: int) -> Iterator[TextBlock]:
    """Yield what of some blocks lies between two lines, both included."""
    for block in blocks:
        if first <= block.first_line and last == sys.maxsize:
            yield block
            continue
        lines = block.data.splitlines(keepends=True)
        kept = lines[max(0, first - block.first_line) : max(0, last + 1 - block.first_line)]
        if kept or block.broken_off:
            data = b"".join(kept)
            terminated = block.terminated or data.endswith(b"\n")
            yield TextBlock(data, max(first, block.first_line), terminated, block.broken_off)


def _cut(text: bytes, quoted: bool) -> int:
    """Return where the last whole line of `text` ends, 0 if there is none."""
    end = text.rfind(b"\n") + 1
    if end == 0:
        end = text.rfind(b"\r", 0, len(text) - 1) + 1  # an old file with carriage returns alone
    if not quoted or not end or b'"' not in text:
        return end
    first = end
    for _ in range(50):
        if text.count(b'"', 0, end) % 2 == 0:
            return end
        end = text.rfind(b"\n", 0, end - 1) + 1
        if end == 0:
            break
    if len(text) < QUOTED_BYTES:
        return 0  # the cell may end in what has not been read yet
    return first  # an inch mark somewhere, not a quoted cell: lines are lines


def lines_of(data: bytes) -> pl.Series:
    """Return the lines of a block, one string each, null where a line is empty."""
    if not data:
        return pl.Series("raw", [], dtype=pl.String)
    if len(data) < _SMALL_BYTES or _LINE_MARK.encode() in data or data[:1] == b"\n":
        lines = data.decode("utf-8").split("\n")
        if lines[-1] == "":
            lines.pop()
        return pl.Series("raw", [line or None for line in lines], dtype=pl.String)
    frame = pl.read_csv(
        data, separator=_LINE_MARK, quote_char=None, has_header=False, infer_schema=False, new_columns=["raw"]
    )
    return frame["raw"]
