"""Parquet files -> raw tables, batch by batch.

Typed columns become text in ISO form so that one mapping serves all shapes; what they mean is `mapping.py`'s business.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import BinaryIO, Final

import polars as pl

from pipeline.read.numbers import number_text
from pipeline.read.rawtable import LINE, OWN, RAW, RAW_JOINT, ROW, RawTable, unique_names
from pipeline.read.skipping import skip_rows
from schemas.profile import SkipRule

BATCH_ROWS: Final = 500_000


class ParquetError(Exception):
    """A Parquet file cannot be read; `str()` is a sentence for the user."""


def parquet_names(stream: BinaryIO) -> list[str]:
    """Return the columns of a Parquet file.

    Raises
    ------
    ParquetError
        The file is damaged.
    """
    return unique_names(_open(stream).schema_arrow.names)  # type: ignore[attr-defined]


def _open(stream: BinaryIO) -> object:
    import pyarrow as pa
    from pyarrow import parquet

    try:
        return parquet.ParquetFile(stream)
    except (pa.ArrowException, OSError, ValueError) as error:
        what = str(error).splitlines()[0]
        raise ParquetError(f"The Parquet file is damaged ({what}). Export it again.") from None


def read_parquet(stream: BinaryIO, names: Sequence[str], skip: Sequence[SkipRule] = ()) -> Iterator[RawTable]:
    """Yield the rows as text, one chunk a batch; there are no physical lines."""
    row = 0
    for batch in _open(stream).iter_batches(BATCH_ROWS):  # type: ignore[attr-defined]
        frame = pl.DataFrame(pl.from_arrow(batch))
        frame.columns = list(names)
        cells = frame.select(as_text(frame[name]) for name in names)
        raw = pl.concat_str([pl.col(name).fill_null("") for name in names], separator=RAW_JOINT)
        cells = cells.with_columns(raw.alias(RAW), pl.lit(None, dtype=pl.Int64).alias(LINE))
        cells, skipped = skip_rows(cells, list(names), None, 0, skip)
        cells = cells.with_row_index(ROW, offset=row + 1).with_columns(pl.col(ROW).cast(pl.Int64))
        table = RawTable(cells.select(*OWN, *names), skipped=skipped)
        row = max(row, table.last_row)
        yield table


def as_text(series: pl.Series) -> pl.Series:
    """Return a typed column as text: instants with `Z`, durations as seconds, whole floats without `.0`."""
    dtype = series.dtype
    column = pl.col(series.name)
    if dtype == pl.String:
        return series
    if isinstance(dtype, pl.Datetime):
        text = column.dt.cast_time_unit("us")
        if dtype.time_zone:
            text = text.dt.convert_time_zone("UTC")
        text = text.dt.strftime("%Y-%m-%dT%H:%M:%S%.6f" + ("Z" if dtype.time_zone else ""))
    elif isinstance(dtype, pl.Duration):
        text = number_text(column.dt.total_microseconds() / 1e6)
    elif dtype.is_float():
        text = number_text(column.cast(pl.Float64))
    elif isinstance(dtype, pl.Struct):
        text = column.struct.json_encode()
    elif dtype.is_nested() or dtype == pl.Binary or dtype == pl.Object:
        text = pl.lit(None, dtype=pl.String)
    else:
        text = column.cast(pl.String)
    return series.to_frame().select(text.alias(series.name)).to_series()
