"""Parquet files -> raw tables, batch by batch.

Typed columns become text in ISO form so that one mapping serves all shapes; what they mean is `mapping.py`'s business.
A small file may hold long texts that millions of rows cite: they are laid out a few rows at a time.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, BinaryIO, Final

import polars as pl

from pipeline.printable import one_line
from pipeline.read.delimited import broken_off_message
from pipeline.read.numbers import number_text
from pipeline.read.rawtable import LINE, OWN, RAW, RAW_JOINT, ROW, RawTable, broken_line, unique_names
from pipeline.read.skipping import skip_rows
from schemas.profile import SkipRule
from schemas.shop import LimitSettings

BATCH_ROWS: Final = 500_000
BATCH_BYTES: Final = 128 << 20


class ParquetError(Exception):
    """A Parquet file cannot be read; `str()` is a sentence for the user."""


def parquet_names(stream: BinaryIO, limits: LimitSettings | None = None) -> list[str]:
    """Return the columns of a Parquet file.

    Raises
    ------
    ParquetError
        The file is damaged, or larger than the limits allow.
    """
    limits = limits or LimitSettings()
    file = _open(stream)
    names = unique_names(file.schema_arrow.names)
    if len(names) > limits.columns:
        raise ParquetError(
            f"The Parquet file has {len(names):,} columns, and {limits.columns:,} are allowed. Export fewer, or raise "
            "columns under [limits] in shop.toml."
        )
    if _unpacked_bytes(file.metadata) > limits.unpacked_gib * (1 << 30):
        raise ParquetError(_too_much(limits))
    return names


def _too_much(limits: LimitSettings) -> str:
    return (
        f"The Parquet file holds more than {limits.unpacked_gib:g} GiB. Export it in parts, or raise unpacked_gib "
        "under [limits] in shop.toml."
    )


def _unpacked_bytes(metadata: Any) -> int:
    return sum(metadata.row_group(place).total_byte_size for place in range(metadata.num_row_groups))


def _open(stream: BinaryIO) -> Any:
    from pyarrow import parquet

    try:
        file = parquet.ParquetFile(stream)
        citing = [field.name for field in file.schema_arrow if _is_text(field.type)]
        return parquet.ParquetFile(stream, read_dictionary=citing) if citing else file
    except Exception as error:  # the library has errors of many sorts for one reason: the bytes
        raise ParquetError(f"The Parquet file is damaged ({_first_line(error)}). Export it again.") from None


def _is_text(kind: Any) -> bool:
    import pyarrow as pa

    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))


def _first_line(error: BaseException) -> str:
    return one_line((str(error) or type(error).__name__).splitlines()[0])


def read_parquet(
    stream: BinaryIO, names: Sequence[str], skip: Sequence[SkipRule] = (), limits: LimitSettings | None = None
) -> Iterator[RawTable]:
    """Yield the rows as text, one chunk a batch; there are no physical lines.

    A file that cannot be read to its end gives one reject that says so.
    """
    row = 0
    batches = _batches(stream, limits or LimitSettings())
    while True:
        try:
            batch = next(batches, None)
            if batch is None:
                return
            cells = _cells(batch, names)
        except Exception as error:  # as above
            yield _broken_off(names, row + 1, _first_line(error))
            return
        cells, skipped = skip_rows(cells, list(names), None, 0, skip)
        cells = cells.with_row_index(ROW, offset=row + 1).with_columns(pl.col(ROW).cast(pl.Int64))
        table = RawTable(cells.select(*OWN, *names), skipped=skipped)
        row = max(row, table.last_row)
        yield table


def _broken_off(names: Sequence[str], row: int, why: str) -> RawTable:
    schema = {ROW: pl.Int64(), LINE: pl.Int64(), RAW: pl.String(), **dict.fromkeys(names, pl.String())}
    return RawTable(pl.DataFrame(schema=schema), broken_line(row, None, None, broken_off_message(why)))


def _batches(stream: BinaryIO, limits: LimitSettings) -> Iterator[Any]:
    """Yield batches of which none takes much more than BATCH_BYTES as text."""
    file = _open(stream)
    width = max(1, _unpacked_bytes(file.metadata) // max(1, file.metadata.num_rows))
    text_bytes = 0
    for batch in file.iter_batches(max(1, min(BATCH_ROWS, BATCH_BYTES // width))):
        size = _text_bytes(batch)
        text_bytes += size
        if text_bytes > limits.unpacked_gib * (1 << 30):
            raise ParquetError(_too_much(limits))
        step = max(1, batch.num_rows * BATCH_BYTES // max(BATCH_BYTES, size))
        yield from (batch.slice(first, step) for first in range(0, batch.num_rows, step))


def _text_bytes(batch: Any) -> int:
    """Return how many bytes the cited texts of a batch take once each row has its own."""
    import pyarrow as pa
    from pyarrow import compute

    total = 0
    for column in batch.columns:
        if pa.types.is_dictionary(column.type) and column.dictionary.type != pa.null():
            lengths = compute.binary_length(column.dictionary).cast(pa.int64())
            total += compute.sum(lengths.take(column.indices)).as_py() or 0
    return total


def _cells(batch: Any, names: Sequence[str]) -> pl.DataFrame:
    frame = pl.DataFrame(pl.from_arrow(batch.rename_columns(list(names))))
    cells = frame.select(as_text(frame[name]) for name in names)
    raw = pl.concat_str([pl.col(name).fill_null("") for name in names], separator=RAW_JOINT)
    return cells.with_columns(raw.alias(RAW), pl.lit(None, dtype=pl.Int64).alias(LINE))


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
        return pl.Series(series.name, [None], dtype=pl.String).new_from_index(0, len(series))
    else:
        text = column.cast(pl.String)
    return series.to_frame().select(text.alias(series.name)).to_series()
