"""Finds source files and opens them: hashes, gzip, members of zips, with a guard on what they unpack to.

It looks at no content beyond the packing; what a file says is the readers' business.
"""

from __future__ import annotations

import gzip
import hashlib
import lzma
import os
import zipfile
import zlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from io import BufferedReader
from pathlib import Path
from typing import IO, BinaryIO, Final, cast

from pipeline.errors import InputError
from pipeline.read.rows import FileRead, SourceFile

CHUNK_BYTES: Final = 1 << 20
MAX_UNPACKED_BYTES: Final = 8 << 30
"""The most that one packed file may unpack to; a log of a machine does not come near (common practice, no source)."""
MAX_MEMBERS: Final = 10_000
IGNORED_SUFFIXES: Final = (".toml",)
PACKING_ERRORS: Final = (
    zipfile.BadZipFile,
    gzip.BadGzipFile,
    zlib.error,
    lzma.LZMAError,
    EOFError,
    OSError,
    NotImplementedError,
)


class UnpackError(Exception):
    """A packed file cannot be unpacked; `str()` is a sentence for the user."""


@dataclass(frozen=True)
class OpenedFile:
    """A source file that can be read: `open()` gives its unpacked bytes from the start, each time it is called."""

    source: SourceFile
    open: Callable[[], BinaryIO]

    @property
    def path(self) -> str:
        """The path with `/`, a member of a zip appended as if the zip were a folder."""
        path = self.source.path.as_posix()
        return f"{path}/{self.source.member}" if self.source.member else path


def find_sources(paths: Iterable[Path]) -> Iterator[Path]:
    """Yield the files under `paths`, folders walked in sorted order, each file once.

    Dot files, temporary files of spreadsheets and TOML files (shop.toml, profiles) are no sources.

    Raises
    ------
    InputError
        A path does not exist.
    """
    seen: set[Path] = set()
    for path in paths:
        if not path.exists():
            raise InputError(f"{path}: there is no such file or folder. Check the path and run again.")
        found = iter([path]) if path.is_file() else _walk(path)
        for file in found:
            real = file.resolve()
            if real not in seen:
                seen.add(real)
                yield file


def _walk(folder: Path) -> Iterator[Path]:
    entered: set[Path] = set()
    for root, folders, files in os.walk(folder, followlinks=True):
        here = Path(root)
        if (real := here.resolve()) in entered:
            folders.clear()
            continue
        entered.add(real)
        folders[:] = sorted(name for name in folders if not name.startswith((".", "__MACOSX")))
        for name in sorted(files):
            if not name.startswith((".", "~$")) and not name.lower().endswith(IGNORED_SUFFIXES):
                yield here / name


def open_source(path: Path) -> list[OpenedFile | FileRead]:
    """Return what one path holds: itself, or each member of a zip; what cannot be opened comes as an unreadable file.

    The hash is that of the file as it lies on disk; of a zip's member, that of the member's unpacked bytes.
    """
    try:
        with path.open("rb") as stream:
            digest, size = _hash(stream)
            stream.seek(0)
            start = stream.read(4)
    except OSError as error:
        return [unreadable(_nameless(path), f"The file cannot be opened: {error.strerror or error}.")]
    source = SourceFile(path, None, digest, size)
    if start[:2] == b"\x1f\x8b":
        return [OpenedFile(source, lambda: _guarded(cast("BinaryIO", gzip.open(path, "rb"))))]
    if start == b"PK\x03\x04" or start == b"PK\x05\x06":
        return _open_zip(source)
    return [OpenedFile(source, lambda: path.open("rb"))]


def unreadable(source: SourceFile, reason: str, shape: str = "unknown") -> FileRead:
    """Return the record of a file that cannot be read at all."""
    return FileRead(source, "unreadable", shape, reason)


def _nameless(path: Path) -> SourceFile:
    """A file whose bytes nobody has seen is known by the hash of its path."""
    return SourceFile(path, None, hashlib.sha256(b"unopened:" + path.as_posix().encode()).hexdigest(), 0)


def _hash(stream: IO[bytes]) -> tuple[str, int]:
    digest, size = hashlib.sha256(), 0
    while chunk := stream.read(CHUNK_BYTES):
        digest.update(chunk)
        size += len(chunk)
    return digest.hexdigest(), size


def _open_zip(source: SourceFile) -> list[OpenedFile | FileRead]:
    try:
        with zipfile.ZipFile(source.path) as archive:
            infos = [info for info in archive.infolist() if not info.is_dir()]
            names = {info.filename for info in infos}
            if "[Content_Types].xml" in names or "mimetype" in names:
                return [OpenedFile(source, lambda: source.path.open("rb"))]
            if len(infos) > MAX_MEMBERS:
                return [unreadable(source, f"The zip holds {len(infos)} files. Unpack it into a folder.", "zip")]
            wanted = [info for info in infos if _is_log_name(info.filename)]
            return [_open_member(source, archive, info) for info in sorted(wanted, key=lambda info: info.filename)]
    except PACKING_ERRORS as error:
        reason = f"The zip is damaged ({error}). Copy or export it again; it may have been cut off."
        return [unreadable(source, reason, "zip")]


def _is_log_name(name: str) -> bool:
    parts = name.split("/")
    hidden = any(part.startswith((".", "~$", "__MACOSX")) for part in parts)
    return not hidden and not name.lower().endswith(IGNORED_SUFFIXES)


def _open_member(source: SourceFile, archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> OpenedFile | FileRead:
    stand_in = hashlib.sha256(f"unopened:{source.sha256}!{info.filename}".encode()).hexdigest()
    nameless = SourceFile(source.path, info.filename, stand_in, info.file_size)
    if info.flag_bits & 0x1:
        return unreadable(nameless, "The file in the zip has a password. Unpack it and give the unpacked file.", "zip")
    try:
        with _guarded(cast("BinaryIO", archive.open(info))) as stream:
            digest, size = _hash(stream)
    except (*PACKING_ERRORS, UnpackError, RuntimeError) as error:
        return unreadable(nameless, f"The file in the zip cannot be unpacked ({error}). Copy the zip again.", "zip")
    member = SourceFile(source.path, info.filename, digest, size)
    return OpenedFile(member, lambda: _member_stream(source.path, info.filename))


def _member_stream(path: Path, member: str) -> BinaryIO:
    archive = zipfile.ZipFile(path)
    stream = _guarded(cast("BinaryIO", archive.open(member)), archive)
    start = stream.read(2)
    stream.close()
    archive = zipfile.ZipFile(path)
    plain = cast("BinaryIO", archive.open(member))
    if start == b"\x1f\x8b":
        return _guarded(cast("BinaryIO", gzip.open(plain, "rb")), plain, archive)
    return _guarded(plain, archive)


class _Guarded:
    """A readable stream of unpacked bytes that stops at MAX_UNPACKED_BYTES and closes what it was unpacked from.

    Where the packed file is damaged, it first gives all that could be unpacked, and raises when asked for more.
    """

    def __init__(self, stream: BinaryIO, below: tuple[IO[bytes] | zipfile.ZipFile, ...]) -> None:
        self._stream = cast("BufferedReader", stream)  # gzip and zip streams have its `read1`
        self._below = below
        self._read = 0
        self._error: Exception | None = None

    def read(self, size: int = -1, /) -> bytes:
        parts: list[bytes] = []
        wanted = size
        while wanted and self._error is None:
            try:
                part = self._stream.read1(CHUNK_BYTES if wanted < 0 else min(wanted, CHUNK_BYTES))
            except (*PACKING_ERRORS, RuntimeError) as error:
                self._error = error
                break
            if not part:
                break
            parts.append(part)
            wanted -= len(part) if wanted > 0 else 0
            self._read += len(part)
            if self._read > MAX_UNPACKED_BYTES:
                gib = MAX_UNPACKED_BYTES >> 30
                self._error = UnpackError(f"it unpacks to more than {gib} GiB; unpack it by hand and split it")
        if self._error is not None and (not parts or size < 0):
            raise self._error
        return b"".join(parts)

    def close(self) -> None:
        for stream in (self._stream, *self._below):
            stream.close()

    def __enter__(self) -> _Guarded:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _guarded(stream: BinaryIO, *below: IO[bytes] | zipfile.ZipFile) -> BinaryIO:
    return cast("BinaryIO", _Guarded(stream, below))
