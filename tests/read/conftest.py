"""What the tests of reading share: writing a file, reading it, and the whole of what came out."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import polars as pl
import pytest
from hypothesis import HealthCheck, settings

from pipeline.read.reading import read_file
from pipeline.read.rows import FileRead, TableRead
from pipeline.read.settings import ReadSettings, SourceRule
from schemas.profile import Profile
from schemas.toml_model import parse

settings.register_profile(
    "read",
    derandomize=True,
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
settings.load_profile("read")


@dataclass(frozen=True)
class Whole:
    """A file read to its end."""

    file: FileRead
    tables: list[TableRead]

    @property
    def rows(self) -> pl.DataFrame:
        return pl.concat([table.rows for table in self.tables])

    @property
    def rejects(self) -> pl.DataFrame:
        return pl.concat([table.rejects for table in self.tables])

    @property
    def skipped(self) -> pl.DataFrame:
        return pl.concat([table.skipped for table in self.tables])

    @property
    def rows_read(self) -> int:
        return sum(table.rows_read for table in self.tables)

    @property
    def notes(self) -> list[str]:
        return [note for table in self.tables for note in table.notes]

    def told(self) -> list[tuple[int, str, str | None, str | None, str]]:
        """Row, reason, column, value and message of every reject."""
        return self.rejects.select("row_number", "reason", "column", "value", "message").rows()


Reader = Callable[..., Whole]


@pytest.fixture
def read(tmp_path: Path) -> Reader:
    """Write text or bytes to a file and read it with a profile (TOML text), machine and zone."""

    def reader(
        content: str | bytes,
        name: str = "log.csv",
        profile: str | None = None,
        machine: str | None = None,
        timezone: str = "UTC",
        **settings: object,
    ) -> Whole:
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        made = parse(profile, Profile, "p.toml") if profile else None
        rule = SourceRule("*", made, timezone, machine)
        (file,) = read_file(path, ReadSettings(zone="UTC", sources=[rule], **settings))  # type: ignore[arg-type]
        tables = list(file.tables)
        for table in tables:
            assert table.rows_read == table.rows.height + table.rejects["row_number"].n_unique()
        return Whole(file, tables)

    return reader
