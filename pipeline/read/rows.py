"""What comes out of reading: typed rows of an input kind, rejects and skipped lines, table by table.

These shapes are the contract between readers, checks and the store; nothing here opens a file.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

import polars as pl

from pipeline.printable import shown_name
from schemas.columns import columns
from schemas.vocabulary import InputKind

if TYPE_CHECKING:
    from pipeline.read.recognition.proposing import Proposal

REJECT_COLUMNS: Final[dict[str, pl.DataType]] = {
    "row_number": pl.Int64(),
    "line": pl.Int64(),
    "column": pl.String(),
    "value": pl.String(),
    "reason": pl.String(),  # a code of schemas.vocabulary.REJECT_REASONS
    "message": pl.String(),  # what is wrong and what to do, one sentence or two
    "raw": pl.String(),  # the row as it stood in the file
}
SKIPPED_COLUMNS: Final[dict[str, pl.DataType]] = {
    "line": pl.Int64(),
    "why": pl.String(),  # title line, units row, repeated header, total line, asset line ...
    "raw": pl.String(),
}
FLAG_COLUMNS: Final[dict[str, pl.DataType]] = {
    "row_number": pl.Int64(),
    "line": pl.Int64(),
    "flag": pl.String(),  # AMBIGUOUS
}
STREAMS: Final = ("adapter text", "streams xml")  # shapes whose items devices documents tell
AMBIGUOUS: Final = "ambiguous time"  # a time that an autumn change showed twice, kept at its first reading
TIME_COLUMNS: Final[dict[str, pl.DataType]] = {
    "row_number": pl.Int64(),
    "start_later_us": pl.Int64(),  # how much later the second reading of a doubled time is, 0 for all others
    "end_later_us": pl.Int64(),
    "end_follows": pl.Boolean(),  # the end is the start and a duration: it has the reading of the start
    "length_us": pl.Int64(),  # the duration that the row gives beside a start and an end
}
SEQUENCE_COLUMNS: Final[dict[str, pl.DataType]] = {
    "row_number": pl.Int64(),
    "instance": pl.String(),  # of the agent; its next instance counts anew
    "sequence": pl.Int64(),
}
START_COLUMNS: Final[dict[InputKind, str]] = {
    "cycle": "started_at",
    "tool_change": "occurred_at",
    "edge_change": "occurred_at",
    "event": "occurred_at",
}


def row_columns(kind: InputKind) -> dict[str, pl.DataType]:
    """Return the columns of accepted rows: the fields of the kind, `row_number`, `line` and `raw`.

    `row_number` is the record's 1-based number in the file (over all of its tables and chunks), `line` the 1-based
    physical line where there is one; `raw` is the row as it stood in the file, null for events, whose rows are many.
    """
    return {**columns(kind), "row_number": pl.Int64(), "line": pl.Int64(), "raw": pl.String()}


def no_rejects() -> pl.DataFrame:
    """Return an empty frame of rejects."""
    return pl.DataFrame(schema=REJECT_COLUMNS)


def no_skipped() -> pl.DataFrame:
    """Return an empty frame of skipped lines."""
    return pl.DataFrame(schema=SKIPPED_COLUMNS)


def no_flags() -> pl.DataFrame:
    """Return an empty frame of flags."""
    return pl.DataFrame(schema=FLAG_COLUMNS)


@dataclass(frozen=True)
class TableRead:
    """One table (or one chunk of a long one): rows_read = rows.height + number of distinct rejected row_numbers."""

    kind: InputKind
    rows: pl.DataFrame
    rows_read: int
    rejects: pl.DataFrame = field(default_factory=no_rejects)
    skipped: pl.DataFrame = field(default_factory=no_skipped)
    notes: tuple[str, ...] = ()  # for example "3 ambiguous times kept at their first reading"
    items: frozenset[tuple[str, str]] = frozenset()  # of events: each item's name in the file, and ours
    fields: frozenset[str] | None = None  # those with a column, where an empty cell says "empty"; None: all of the kind
    flags: pl.DataFrame = field(default_factory=no_flags)  # of accepted rows that are to be read with care
    times: pl.DataFrame | None = None  # TIME_COLUMNS of the rows that have more to tell; gone once readings are decided
    sequences: pl.DataFrame | None = None  # SEQUENCE_COLUMNS of the observations that an agent numbered


@dataclass(frozen=True)
class SourceFile:
    """One exported file, known by the SHA-256 of its bytes; a member of a zip counts as a file of its own."""

    path: Path
    member: str | None
    sha256: str
    bytes: int

    @property
    def file_id(self) -> str:
        """The first 12 hex digits of the hash: what rows cite."""
        return self.sha256[:12]

    @property
    def name(self) -> str:
        """The name to show: the path, and the member inside a zip behind an exclamation mark."""
        path = self.path.as_posix()
        return shown_name(f"{path}!{self.member}" if self.member else path)


@dataclass(frozen=True)
class FileRead:
    """What reading one source file gave. `tables` may be a lazy stream of chunks: iterate it once."""

    source: SourceFile
    status: str  # one of schemas.vocabulary.FILE_STATUSES
    shape: str  # "table", "workbook", "json lines", "parquet", "adapter text", "streams xml", "devices xml" ...
    reason: str = ""  # for every status but loaded: what is wrong and what to do
    profile: str | None = None
    tables: Iterable[TableRead] = ()
    proposal: Proposal | None = None  # how a table without a profile was recognised
    told: str | None = None  # by a file that is sure by itself, of the others of its head (`sisters.told_by`)
