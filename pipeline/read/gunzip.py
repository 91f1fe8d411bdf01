"""Gzip as a stream: unpacks piece by piece, members one after the other, and never more than was asked for.

It checks each member's length and checksum as the format has them; what is inside is the readers' business.
"""

from __future__ import annotations

import zlib
from typing import IO, Final

MAGIC: Final = b"\x1f\x8b"
_PIECE_BYTES: Final = 1 << 16
_GZIP_BITS: Final = 31  # a gzip header, its checksum verified


class Gunzip:
    """A readable stream of unpacked bytes; raises zlib.error or EOFError where the packed bytes are damaged."""

    def __init__(self, stream: IO[bytes]) -> None:
        self._stream = stream
        self._unpacker = zlib.decompressobj(_GZIP_BITS)
        self._waiting = b""
        self._begun = False  # whether a member is half unpacked

    def read1(self, size: int) -> bytes:
        """Return the next unpacked bytes, `size` at most; nothing at the end."""
        while True:
            packed = self._waiting or self._stream.read(_PIECE_BYTES)
            if not packed:
                if not self._begun:
                    return b""
                if part := self._unpacker.decompress(b"", size):  # what the unpacker still held back
                    return part
                raise EOFError("it ends before it is complete")
            if not self._begun:
                packed = packed.lstrip(b"\0")  # padding between members, and behind the last
                if not packed:
                    self._waiting = b""
                    continue
            self._begun = True
            part = self._unpacker.decompress(packed, size)
            self._waiting = self._unpacker.unconsumed_tail
            if self._unpacker.eof:
                self._waiting = self._unpacker.unused_data
                self._unpacker = zlib.decompressobj(_GZIP_BITS)
                self._begun = False
            if part:
                return part

    def close(self) -> None:
        """Close the packed stream."""
        self._stream.close()
