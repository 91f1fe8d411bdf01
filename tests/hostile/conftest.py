"""What the tests of hostile input share: reading a file to its end in good order, and zips made by hand."""

import io
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import polars as pl
import pytest

from pipeline.check.checking import check_rows
from pipeline.read.reading import read_file
from pipeline.read.rows import FileRead, TableRead
from pipeline.read.settings import ReadSettings, SourceRule
from schemas.shop import LimitSettings

CYCLES = "machine,program,started_at,ended_at\nM1,O1,2026-01-05T06:00:00Z,2026-01-05T06:10:00Z\n"


@dataclass(frozen=True)
class Whole:
    """One file read to its end."""

    file: FileRead
    tables: list[TableRead]

    @property
    def rows(self) -> int:
        return sum(table.rows.height for table in self.tables)

    @property
    def messages(self) -> list[str]:
        return [message for table in self.tables for message in table.rejects["message"]]


Reader = Callable[..., list[Whole]]
Zipper = Callable[..., bytes]


@pytest.fixture
def read(tmp_path: Path) -> Reader:
    """Write bytes to a file and read all that is in it; rows are accounted for, or the test fails."""

    def reader(content: bytes | str, name: str = "log.dat", machine: str | None = None, **limits: float) -> list[Whole]:
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        settings = ReadSettings(sources=[SourceRule("*", None, None, machine)], limits=LimitSettings(**limits))  # type: ignore[arg-type]
        found = [Whole(file, [check_rows(table) for table in file.tables]) for file in read_file(path, settings)]
        for whole in found:
            assert whole.file.status == "loaded" or whole.file.reason.endswith(".")
            for table in whole.tables:
                assert table.rows_read == table.rows.height + table.rejects["row_number"].n_unique()
                assert table.rows["row_number"].dtype == pl.Int64
        return found

    return reader


@pytest.fixture
def zipped() -> Zipper:
    """Return a zip of members, given as name and bytes, in that order; names may repeat."""

    def zipper(*members: tuple[str, bytes | str], compression: int = zipfile.ZIP_DEFLATED) -> bytes:
        buffer = io.BytesIO()
        with zipfile.ZipFile(buffer, "w", compression) as archive:
            for name, data in members:
                archive.writestr(zipfile.ZipInfo(name), data, compression)
        return buffer.getvalue()

    return zipper
