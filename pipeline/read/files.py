"""Finds source files and opens them: hashes, gzip, members of zips, with a guard on what they unpack to.

It looks at no content beyond the packing, and writes nothing anywhere; what a file says is the readers' business.
"""

from __future__ import annotations

import hashlib
import lzma
import os
import stat
import struct
import tempfile
import weakref
import zipfile
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import IO, BinaryIO, Final, NamedTuple, Protocol, cast

from pipeline.errors import InputError
from pipeline.printable import one_line
from pipeline.read.gunzip import MAGIC as GZIP_START
from pipeline.read.gunzip import Gunzip
from pipeline.read.rows import FileRead, SourceFile
from schemas.shop import LimitSettings

CHUNK_BYTES: Final = 1 << 20
IGNORED_SUFFIXES: Final = (".toml",)
ZIP_STARTS: Final = (b"PK\x03\x04", b"PK\x05\x06")
_RATIO_FROM_BYTES: Final = 64 << 20
_SPOOL_BYTES: Final = 16 << 20  # of a zip in a zip, beyond which it lies in an unnamed temporary file
_DIRECTORY_BYTES: Final = 1_024  # of a zip's directory that one member may take on average
PACKING_ERRORS: Final = (zipfile.BadZipFile, zlib.error, lzma.LZMAError, EOFError, OSError, NotImplementedError)
_ZIP_ERRORS: Final = (*PACKING_ERRORS, RuntimeError, ValueError, LookupError, struct.error, MemoryError, OverflowError)


class UnpackError(Exception):
    """A packed file cannot be unpacked; `str()` is a sentence for the user."""


class _RefusedError(Exception):
    """A path is not opened; `str()` is a sentence for the user."""


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


# --- finding ---


class Found(NamedTuple):
    """A path that was found, with `/`: as it was named, and whole, whatever folder the command was started in."""

    path: str
    whole: str
    is_link: bool  # or a folder that cannot be entered: nothing is known of it without opening it


def find_sources(paths: Iterable[Path]) -> list[Path]:
    """Return the paths of `list_sources`."""
    return [Path(found.path) for found in list_sources(paths)]


def list_sources(paths: Iterable[Path]) -> list[Found]:
    """Return the files under `paths`, folders walked in sorted order, each file once.

    Dot files, temporary files of spreadsheets and TOML files (shop.toml, profiles) are no sources. Links to folders
    are not entered. A folder that cannot be entered, or that lies elsewhere, is returned itself: opening it says why.

    Raises
    ------
    InputError
        A path does not exist.
    """
    given = list(paths)
    roots = real_paths(given)
    found: dict[str, Found] = {}
    for path, real in zip(given, roots, strict=True):
        if not path.exists():
            raise InputError(f"{one_line(str(path))}: there is no such file or folder. Check the path and run again.")
        if path.is_dir():
            for real_path, one in _walk(path, real, roots):
                found.setdefault(real_path, one)
        else:
            found.setdefault(real, Found(path.as_posix(), path.absolute().as_posix(), path.is_symlink()))
    return list(found.values())


def real_paths(paths: Iterable[Path]) -> tuple[str, ...]:
    """Return where paths lie once links are followed."""
    return tuple(os.path.realpath(path) for path in paths)


def _lies_in(real: str, roots: Sequence[str]) -> bool:
    return any(real == root or real.startswith(root.rstrip(os.sep) + os.sep) for root in roots)


def _is_link_to_folder(entry: os.DirEntry[str]) -> bool:
    try:
        return entry.is_symlink() and entry.is_dir()
    except OSError:  # a link in a circle, or to where nobody may look: opening it says so
        return False


def _walk(top: Path, real_top: str, roots: Sequence[str]) -> Iterator[tuple[str, Found]]:
    """Yield what lies in a folder, with its real path; within it only links have other real paths than their own."""
    waiting = [("" if top == Path() else top.as_posix(), top.absolute().as_posix(), real_top)]
    while waiting:
        here, whole_here, real_here = waiting.pop()
        folders: list[str] = []
        files: list[tuple[str, bool]] = []
        try:
            with os.scandir(here or ".") as entries:
                for entry in entries:
                    is_folder = entry.is_dir(follow_symlinks=False)
                    if entry.name.startswith("."):
                        continue
                    if is_folder:
                        folders.append(entry.name)
                    elif _is_link_to_folder(entry):
                        if not _lies_in(os.path.realpath(entry.path), roots):
                            files.append((entry.name, True))
                    elif not entry.name.startswith("~$") and not entry.name.lower().endswith(IGNORED_SUFFIXES):
                        files.append((entry.name, entry.is_symlink()))
        except OSError:
            yield real_here, Found(here or ".", whole_here, is_link=True)
            continue
        at = f"{here.rstrip('/')}/" if here else ""
        whole_at, real_at = f"{whole_here.rstrip('/')}/", real_here.rstrip(os.sep) + os.sep
        for name, is_link in sorted(files):
            real = os.path.realpath(at + name) if is_link else real_at + name
            yield real, Found(at + name, whole_at + name, is_link)
        folders = [name for name in sorted(folders, reverse=True) if not name.startswith("__MACOSX")]
        waiting += [(at + name, whole_at + name, real_at + name) for name in folders]


# --- opening ---


def open_source(
    path: Path, limits: LimitSettings | None = None, roots: Sequence[str] = ()
) -> list[OpenedFile | FileRead]:
    """Return what one path holds: itself, or each member of a zip; what cannot be opened comes as an unreadable file.

    The hash is that of the file as it lies on disk; of a zip's member, that of the member's unpacked bytes. With
    `roots` (as `real_paths` gives them) a link is followed only to what lies in one of them.
    """
    try:
        if roots and path.is_symlink() and not _lies_in(os.path.realpath(path), roots):
            raise _RefusedError(
                "This is a link that leads out of the folders given. Name the place it leads to as a source of its own."
            )
        with _open_regular(path) as stream:
            digest, size = _hash(stream)
            stream.seek(0)
            start = stream.read(4)
    except _RefusedError as error:
        return [unreadable(_nameless(path), str(error))]
    except OSError as error:
        why = error.strerror or str(error)
        return [unreadable(_nameless(path), f"The file cannot be opened: {why}. Check that you may read it.")]
    source = SourceFile(path, None, digest, size)
    return _unpacked(_Packed(source, partial(_open_regular, path), 0, _Budget(limits or LimitSettings(), size)), start)


def unreadable(source: SourceFile, reason: str, shape: str = "unknown") -> FileRead:
    """Return the record of a file that cannot be read at all."""
    return FileRead(source, "unreadable", shape, reason)


def _nameless(path: Path) -> SourceFile:
    """A file whose bytes nobody has seen is known by the hash of its path."""
    return SourceFile(path, None, hashlib.sha256(b"unopened:" + os.fsencode(path)).hexdigest(), 0)


def _open_regular(path: Path) -> BinaryIO:
    """Open a file, and only a file: a pipe would wait for ever, a device does who knows what."""
    _require_regular(path.stat().st_mode, path)
    number = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    stream = os.fdopen(number, "rb")
    try:
        _require_regular(os.fstat(number).st_mode, path)  # it may have been changed for a pipe meanwhile
    except BaseException:
        stream.close()
        raise
    return stream


def _require_regular(mode: int, path: Path) -> None:
    if stat.S_ISREG(mode):
        return
    if not stat.S_ISDIR(mode):
        raise _RefusedError("This is a pipe, a socket or a device, not a file. Leave it: it does no harm.")
    try:
        os.scandir(path).close()
    except OSError as error:
        raise _RefusedError(
            f"The folder cannot be read: {error.strerror}. What is in it is not in the book; give yourself the right "
            "to read it and run again."
        ) from None
    raise _RefusedError("This is a folder. Name it as a source of its own.")


def _hash(stream: IO[bytes]) -> tuple[str, int]:
    digest, size = hashlib.sha256(), 0
    while chunk := stream.read(CHUNK_BYTES):
        digest.update(chunk)
        size += len(chunk)
    return digest.hexdigest(), size


def open_seekable(opened: OpenedFile) -> BinaryIO:
    """Open a file so that one can go back in it; what is packed is laid in a temporary file without a name."""
    stream = opened.open()
    if hasattr(stream, "seek"):
        return stream
    with stream:
        return _spooled(stream)


def _spooled(stream: BinaryIO) -> BinaryIO:
    spool = cast("BinaryIO", tempfile.SpooledTemporaryFile(max_size=_SPOOL_BYTES))  # noqa: SIM115 (the caller closes)
    try:
        while chunk := stream.read(CHUNK_BYTES):
            spool.write(chunk)
        spool.seek(0)
    except BaseException:
        spool.close()
        raise
    return spool


# --- unpacking ---


@dataclass
class _Budget:
    """What one path may unpack to, all that is packed in it together; bytes unpacked a second time are free."""

    limits: LimitSettings
    packed_bytes: int
    members: int = 0
    unpacked_bytes: int = 0
    _reached: dict[str, int] = field(default_factory=dict)

    def spend(self, name: str, reached: int) -> None:
        """Count that the unpacked bytes `name` were read as far as `reached`; raises UnpackError beyond the limits."""
        known = self._reached.get(name, 0)
        if reached <= known:
            return
        self._reached[name] = reached
        self.unpacked_bytes += reached - known
        if self.unpacked_bytes > self.limits.unpacked_gib * (1 << 30):
            raise UnpackError(
                f"it unpacks to more than {self.limits.unpacked_gib:g} GiB; unpack it by hand, or raise unpacked_gib "
                "under [limits] in shop.toml"
            )
        most = max(_RATIO_FROM_BYTES, self.packed_bytes * self.limits.unpacked_ratio)
        if self.unpacked_bytes > most:
            raise UnpackError(
                f"it unpacks to more than {self.limits.unpacked_ratio:g} times its size, as no log does; unpack it by "
                "hand, or raise unpacked_ratio under [limits] in shop.toml"
            )


@dataclass(frozen=True)
class _Packed:
    """Bytes that may be packed once more; `depth` is how many packings lie around them."""

    source: SourceFile
    open: Callable[[], BinaryIO]
    depth: int
    budget: _Budget

    @property
    def key(self) -> str:
        return f"{self.depth}/{self.source.member or ''}"

    def refuse(self, reason: str) -> list[OpenedFile | FileRead]:
        return [unreadable(self.source, reason, "zip")]

    def too_deep(self) -> list[OpenedFile | FileRead] | None:
        most = self.budget.limits.zip_depth
        if self.depth < most:
            return None
        return self.refuse(
            f"The file is packed more than {most} times over. Unpack it by hand, or raise zip_depth under [limits] in "
            "shop.toml."
        )


def _unpacked(packed: _Packed, start: bytes) -> list[OpenedFile | FileRead]:
    """Return what lies in bytes that begin with `start`, packings inside packings included."""
    if start[:2] == GZIP_START:
        return packed.too_deep() or _unpacked_gzip(packed)
    if start in ZIP_STARTS:
        return _unpacked_zip(packed)
    return [OpenedFile(packed.source, packed.open)]


def _unpacked_gzip(packed: _Packed) -> list[OpenedFile | FileRead]:
    budget, depth = packed.budget, packed.depth + 1
    inner = _Packed(packed.source, lambda: _guarded(Gunzip(packed.open()), budget, f"gzip {packed.key}"), depth, budget)
    try:
        with inner.open() as stream:
            start = stream.read(4)
    except (*PACKING_ERRORS, UnpackError):
        start = b""  # whoever reads it is told
    return _unpacked(inner, start)


def _unpacked_zip(packed: _Packed) -> list[OpenedFile | FileRead]:
    limits = packed.budget.limits
    try:
        archive = _open_archive(packed)
        infos = [info for info in archive.infolist() if not info.is_dir()]
        names = {info.filename for info in infos}
        if "[Content_Types].xml" in names or "mimetype" in names:
            archive.close()
            return [OpenedFile(packed.source, packed.open)]
        if too_deep := packed.too_deep():
            return too_deep
        packed.budget.members += len(infos)
        if packed.budget.members > limits.zip_members:
            return packed.refuse(_too_many(packed.budget.members, limits))
        wanted = sorted((info for info in infos if _is_log_name(info.filename)), key=lambda info: info.filename)
        if not wanted:
            return packed.refuse("The zip holds no log. Export it again; if the machine made nothing, delete it.")
        return _members(packed, archive, wanted)
    except UnpackError as error:
        return packed.refuse(f"The zip cannot be unpacked: {error}.")
    except _ZIP_ERRORS as error:
        return packed.refuse(f"The zip is damaged ({_why(error)}). Copy or export it again; it may have been cut off.")


def _too_many(members: int, limits: LimitSettings) -> str:
    return (
        f"The zip holds {members} files or more, and {limits.zip_members} are allowed. Unpack it into a folder, or "
        "raise zip_members under [limits] in shop.toml."
    )


def _open_archive(packed: _Packed) -> zipfile.ZipFile:
    """Open a zip; one inside another is laid in a temporary file without a name, which goes when nobody reads it."""
    limits = packed.budget.limits
    if packed.depth == 0:
        with packed.open() as stream:
            _require_small_directory(stream, limits)
        return zipfile.ZipFile(packed.source.path)
    with packed.open() as stream:
        spool = _spooled(stream)
    try:
        _require_small_directory(spool, limits)
        archive = zipfile.ZipFile(spool)
    except BaseException:
        spool.close()
        raise
    weakref.finalize(archive, spool.close)
    return archive


def _require_small_directory(stream: BinaryIO, limits: LimitSettings) -> None:
    """Raise UnpackError where a zip says that it has more members than allowed, before its directory is read."""
    size = stream.seek(0, os.SEEK_END)
    tail_bytes = min(size, (1 << 16) + 22)  # the end record and the longest comment
    stream.seek(size - tail_bytes)
    tail = stream.read(tail_bytes)
    at = tail.rfind(b"PK\x05\x06")
    if at < 0 or len(tail) < at + 22:
        return  # the library says what is wrong with it
    entries, directory_bytes = struct.unpack_from("<HL", tail, at + 10)
    locator = tail[max(0, at - 20) : at]
    if locator.startswith(b"PK\x06\x07"):  # zip64: the numbers stand in a record of their own
        stream.seek(min(size, struct.unpack_from("<Q", locator, 8)[0]))
        record = stream.read(56)
        if record.startswith(b"PK\x06\x06") and len(record) == 56:
            entries, directory_bytes = struct.unpack_from("<QQ", record, 32)
    if entries > limits.zip_members or directory_bytes > limits.zip_members * _DIRECTORY_BYTES:
        raise UnpackError(
            f"it holds {entries} files with a directory of {directory_bytes} bytes, and {limits.zip_members} files are "
            "allowed; unpack it into a folder, or raise zip_members under [limits] in shop.toml"
        )


def _is_log_name(name: str) -> bool:
    parts = name.split("/")
    hidden = any(part.startswith((".", "~$", "__MACOSX")) and part not in (".", "..") for part in parts)
    return not hidden and not name.lower().endswith(IGNORED_SUFFIXES)


def _members(
    packed: _Packed, archive: zipfile.ZipFile, infos: Sequence[zipfile.ZipInfo]
) -> list[OpenedFile | FileRead]:
    opened: list[OpenedFile | FileRead] = []
    copies: dict[str, int] = {}
    for place, info in enumerate(infos):
        copies[info.filename] = copies.get(info.filename, 0) + 1
        name = _numbered(info.filename, copies[info.filename])
        member = f"{packed.source.member}/{name}" if packed.source.member else name
        try:
            opened += _member(packed, archive, info, member)
        except UnpackError as error:
            reason = f"{len(infos) - place} of the {len(infos)} files in the zip were not read: {error}."
            return [*opened, *packed.refuse(reason)]
    return opened


def _numbered(name: str, copy: int) -> str:
    """Return a member's name, told apart from others of the same name by a number before its ending."""
    if copy == 1:
        return name
    stem, dot, suffix = name.rpartition(".")
    return f"{stem} ({copy}).{suffix}" if dot and "/" not in suffix else f"{name} ({copy})"


def _member(
    packed: _Packed, archive: zipfile.ZipFile, info: zipfile.ZipInfo, member: str
) -> list[OpenedFile | FileRead]:
    path, budget = packed.source.path, packed.budget
    stand_in = f"unopened:{packed.source.sha256}!{member}".encode(errors="surrogateescape")
    nameless = SourceFile(path, member, hashlib.sha256(stand_in).hexdigest(), info.file_size)
    if info.flag_bits & 0x1:
        return [
            unreadable(nameless, "The file in the zip has a password. Unpack it and give the unpacked file.", "zip")
        ]

    def open_member() -> BinaryIO:
        try:
            return _guarded(cast("_Readable", archive.open(info)), budget, f"{packed.depth}/{member}")
        except _ZIP_ERRORS as error:
            raise zipfile.BadZipFile(_why(error)) from None

    try:
        with open_member() as stream:
            start = stream.read(4)
        with open_member() as stream:
            digest, size = _hash(stream)
    except PACKING_ERRORS as error:
        reason = f"The file in the zip cannot be unpacked ({_why(error)}). Copy the zip again."
        return [unreadable(nameless, reason, "zip")]
    return _unpacked(_Packed(SourceFile(path, member, digest, size), open_member, packed.depth + 1, budget), start)


def _why(error: BaseException) -> str:
    return one_line(str(error) or type(error).__name__)


class _Readable(Protocol):
    def read1(self, size: int, /) -> bytes: ...

    def close(self) -> None: ...


class _Guarded:
    """A readable stream of unpacked bytes that stops where the budget ends.

    Where the packed file is damaged, it first gives all that could be unpacked, and raises when asked for more.
    """

    def __init__(self, stream: _Readable, budget: _Budget, key: str) -> None:
        self._stream, self._budget, self._key = stream, budget, key
        self._read = 0
        self._error: Exception | None = None

    def read(self, size: int = -1, /) -> bytes:
        parts: list[bytes] = []
        wanted = size
        while wanted and self._error is None:
            try:
                part = self._stream.read1(CHUNK_BYTES if wanted < 0 else min(wanted, CHUNK_BYTES))
                self._budget.spend(self._key, self._read + len(part))
            except (*PACKING_ERRORS, UnpackError) as error:
                self._error = error
                break
            except _ZIP_ERRORS as error:
                self._error = zipfile.BadZipFile(_why(error))
                break
            if not part:
                break
            parts.append(part)
            wanted -= len(part) if wanted > 0 else 0
            self._read += len(part)
        if self._error is not None and (not parts or size < 0):
            raise self._error
        return b"".join(parts)

    def close(self) -> None:
        self._stream.close()

    def __enter__(self) -> _Guarded:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _guarded(stream: _Readable, budget: _Budget, key: str) -> BinaryIO:
    return cast("BinaryIO", _Guarded(stream, budget, key))
