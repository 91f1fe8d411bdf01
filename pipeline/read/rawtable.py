"""Raw tables: rows of text cells as they stood in a file, before anybody asks what they mean.

The shape that delimited text, workbooks, JSON Lines and Parquet have in common; typing is `mapping.py`'s business.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

import polars as pl

from pipeline.read.rows import REJECT_COLUMNS, SKIPPED_COLUMNS, no_rejects, no_skipped

ROW: Final = "__row_number"
LINE: Final = "__line"
RAW: Final = "__raw"
OWN: Final = (ROW, LINE, RAW)
RAW_JOINT: Final = " | "  # between the cells of a raw row, where the file itself has no text of it
MAX_SHOWN: Final = 60


@dataclass(frozen=True)
class RawTable:
    """A chunk of one table: `cells` has the header's names as String columns, and ROW, LINE and RAW."""

    cells: pl.DataFrame
    rejects: pl.DataFrame = field(default_factory=no_rejects)
    skipped: pl.DataFrame = field(default_factory=no_skipped)
    notes: tuple[str, ...] = ()

    @property
    def last_row(self) -> int:
        """The highest row number in the chunk, 0 if it has no rows."""
        numbers = [series.max() for series in (self.cells[ROW], self.rejects["row_number"]) if len(series)]
        return max((int(number) for number in numbers if isinstance(number, int)), default=0)


def unique_names(cells: Iterable[str | None]) -> list[str]:
    """Return a header's names: trimmed, the empty ones numbered, doubled ones told apart."""
    names: dict[str, None] = {}
    copies: dict[str, int] = {}
    for position, cell in enumerate(cells, start=1):
        name = " ".join((cell or "").split()) or f"column {position}"
        given, copy = name, copies.get(name, 2)
        while name in names or name in OWN:
            name, copy = f"{given} ({copy})", copy + 1
        copies[given] = copy
        names[name] = None
    return list(names)


def joined_tables(tables: Sequence[RawTable]) -> RawTable:
    """Return chunks of tables of one head as one chunk, the rows numbered through."""
    cells = pl.concat([table.cells for table in tables])
    numbered = cells.with_columns(pl.int_range(1, cells.height + 1, dtype=pl.Int64).alias(ROW))
    return RawTable(numbered, skipped=concat_skipped(*(table.skipped for table in tables)))


def broken_lines(rows: pl.DataFrame, message: str) -> pl.DataFrame:
    """Return rejects for whole rows (ROW, LINE, RAW) that cannot be told apart into cells."""
    return rows.select(
        row_number=pl.col(ROW).cast(pl.Int64),
        line=pl.col(LINE).cast(pl.Int64),
        column=pl.lit(None, dtype=pl.String),
        value=shown(pl.col(RAW)),
        reason=pl.lit("broken_line"),
        message=pl.lit(message),
        raw=pl.col(RAW),
    )


def broken_line(row_number: int, line: int | None, raw: str | None, message: str) -> pl.DataFrame:
    """Return one reject of a whole row."""
    frame = pl.DataFrame(
        {ROW: [row_number], LINE: [line], RAW: [raw]}, schema={ROW: pl.Int64, LINE: pl.Int64, RAW: pl.String}
    )
    return broken_lines(frame, message)


def shown(value: pl.Expr) -> pl.Expr:
    """Return text short enough for a message."""
    return pl.when(value.str.len_chars() > MAX_SHOWN).then(value.str.slice(0, MAX_SHOWN) + "…").otherwise(value)


def skipped_rows(rows: pl.DataFrame, why: str | pl.Expr) -> pl.DataFrame:
    """Return skipped lines (from LINE and RAW)."""
    reason = pl.lit(why) if isinstance(why, str) else why
    return rows.select(line=pl.col(LINE).cast(pl.Int64), why=reason, raw=pl.col(RAW))


def concat_rejects(*frames: pl.DataFrame) -> pl.DataFrame:
    """Return rejects as one frame in row order."""
    filled = [frame for frame in frames if frame.height]
    if not filled:
        return no_rejects()
    return pl.concat([frame.select(*REJECT_COLUMNS) for frame in filled]).sort("row_number", maintain_order=True)


def concat_skipped(*frames: pl.DataFrame) -> pl.DataFrame:
    """Return skipped lines as one frame in line order."""
    filled = [frame for frame in frames if frame.height]
    if not filled:
        return no_skipped()
    return pl.concat([frame.select(*SKIPPED_COLUMNS) for frame in filled]).sort("line", maintain_order=True)
