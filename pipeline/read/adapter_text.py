"""The standard's pipe-delimited adapter text (`timestamp|item|value|...`) -> observations, block by block.

It parts lines into observations; words, units and zones are others' business.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

import polars as pl

from pipeline.read.delimited import broken_off_message
from pipeline.read.events import Items, is_level
from pipeline.read.observations import MACHINE, event_table
from pipeline.read.plan import Context
from pipeline.read.rawtable import LINE, RAW, ROW, broken_lines, concat_skipped, skipped_rows
from pipeline.read.rows import TableRead, no_skipped
from pipeline.read.text import TextBlock, lines_of
from pipeline.read.times import read_times
from schemas.vocabulary import CONDITION_LEVELS

LINE_START: Final = (
    r"^\s*\d{4}-\d\d-\d\d[T ]\d\d:\d\d(?::\d\d(?:[.,]\d+)?)?\s*(?:[Zz]|[+-]\d\d:?\d\d)?(?:@[\d.]+)?\s*\|\s*[^|\s]"
)
BROKEN: Final = (
    'The line is not of the form "time|item|value". It was probably cut or wrapped when the file was copied: '
    "copy it again, byte for byte."
)
WRAPPED_LINES: Final = 3  # that are equally long and longest, before a log counts as wrapped
_PARTS: Final = ("stamp", "name", "value", "rest")
_TAIL: Final = ("native_code", "severity", "qualifier", "text")


def read_adapter_text(
    blocks: Iterable[TextBlock], items: Items, context: Context, machine: str | None
) -> Iterator[TableRead]:
    """Yield event rows, one chunk a block. Blank lines are no rows; lines about assets and commands are skipped."""
    last_row = 0
    for block in blocks:
        lines = pl.DataFrame({RAW: lines_of(block.data)}).with_row_index(LINE, offset=block.first_line)
        lines = lines.with_columns(pl.col(LINE).cast(pl.Int64))
        blank = lines[RAW].is_null() | (lines[RAW].str.strip_chars() == "").fill_null(True)
        found, broken, skipped = _observations(lines.filter(~blank) if blank.any() else lines, items)
        if block.broken_off:
            end = pl.DataFrame(
                {ROW: [0], LINE: [None], RAW: [None]}, schema={ROW: pl.Int64, LINE: pl.Int64, RAW: pl.String}
            )
            broken = pl.concat([broken, broken_lines(end, broken_off_message(block.broken_off))])
        found = found.with_columns(pl.lit(machine, dtype=pl.String).alias(MACHINE))
        table = event_table(found, broken, items, context, last_row, skipped)
        last_row += table.rows_read
        yield table


def _observations(lines: pl.DataFrame, items: Items) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Return observations, rejects of broken lines (row numbers still 0) and skipped lines."""
    parts = lines[RAW].str.splitn("|", len(_PARTS)).struct.unnest()
    parts.columns = list(_PARTS)
    frame = lines.hstack(parts).with_columns(
        pl.col("name", "value").str.strip_chars(), pl.col("stamp").str.strip_chars()
    )
    frame, skipped = _skip(frame)
    if frame["stamp"].str.contains("@", literal=True).any():
        frame = frame.with_columns(pl.col("stamp").str.replace(r"@[\d.]*$", ""))
    times = read_times(frame["stamp"])
    frame = frame.with_columns(times.utc.alias("utc"), times.naive.alias("naive"), count=_fields(frame))
    lost = frame.select(
        (pl.col("utc").is_null() & pl.col("naive").is_null())
        | ~pl.col("stamp").str.contains(r"^\d{4}-")  # a year that lost its first digits is read as one long ago
        | pl.col("value").is_null()
        | (pl.col("name") == "")
    ).to_series()
    frame = frame.with_columns(lost.alias("lost"))
    frame = _without_cut_values(_conditions(frame, items))
    frame, several = _several(frame)
    broken = frame.filter("lost")
    found = frame.filter(~pl.col("lost")) if broken.height else frame
    if several.height:
        again = several.filter("lost").select(LINE).unique()
        broken = pl.concat([broken, again.join(lines, on=LINE)], how="diagonal")
        kept = several.join(again, on=LINE, how="anti", maintain_order="left")
        found = pl.concat([found, kept], how="diagonal").sort(LINE, maintain_order=True)
    found = found.with_columns(pl.when(pl.col("value").str.len_bytes() > 0).then("value"))
    wanted = [LINE, RAW, "utc", "naive", "name", "value", "level", "native_code", "text"]
    rejects = broken_lines(broken.select(LINE, RAW, pl.lit(0, dtype=pl.Int64).alias(ROW)), BROKEN)
    return found.select(wanted), rejects, skipped


def _fields(frame: pl.DataFrame) -> pl.Series:
    """Return how many fields a line has; one empty field too many at the end does not count."""
    count = frame[RAW].str.count_matches("|", literal=True).cast(pl.Int32) + 1
    spare = (count % 2 == 0) & frame[RAW].str.ends_with("|")
    return count - spare.cast(pl.Int32)


def _skip(frame: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    asset = frame["name"].str.starts_with("@") | frame["name"].str.contains("_asset_", literal=True)
    command = frame["stamp"].str.starts_with("*")
    if not asset.any() and not command.any():
        return frame, no_skipped()
    asset, command = asset.fill_null(False), command.fill_null(False)
    skipped = concat_skipped(
        skipped_rows(frame.filter(asset & ~command), "asset line"),
        skipped_rows(frame.filter(command), "adapter command"),
    )
    return frame.filter(~asset & ~command), skipped


def _conditions(frame: pl.DataFrame, items: Items) -> pl.DataFrame:
    """Fill `level`, `native_code` and `text` of conditions and messages; mark lines of four fields that are neither."""
    none = pl.lit(None, dtype=pl.String)
    known = {name: rule.type for name, rule in items.rules.items() if rule.type in ("Condition", "Message")}
    if frame["rest"].null_count() == frame.height and not known:
        return frame.with_columns(level=none, native_code=none, text=none)
    kind = pl.col("name").replace_strict(known, default=None, return_dtype=pl.String) if known else none
    tail = frame["rest"].str.splitn("|", len(_TAIL)).struct.unnest()
    tail.columns = list(_TAIL)
    frame = frame.hstack(tail.select(pl.all().str.strip_chars().replace("", None))).with_columns(
        word=pl.col("value").str.to_uppercase(), kind=kind
    )
    frame = frame.with_columns(is_level=is_level(frame["word"]))
    several = (pl.col("count") % 2 == 1) & pl.col("native_code").is_not_null()
    enough = (pl.col("count") >= len(_PARTS) + len(_TAIL) - 1) & (pl.col("word") != CONDITION_LEVELS[-1])
    condition = pl.col("is_level") & (
        (pl.col("rest").is_not_null() & (~several | enough)) | (pl.col("kind") == "Condition").fill_null(False)
    )
    message = (pl.col("kind") == "Message").fill_null(False) & (pl.col("count") == 4)
    frame = frame.with_columns(condition=condition, message=message)
    is_condition, is_message = pl.col("condition"), pl.col("message")
    even = (pl.col("count") % 2 == 0) & ~is_condition & ~is_message
    return frame.with_columns(
        level=pl.when(is_condition).then("word"),
        text=pl.when(is_condition).then("text"),
        value=pl.when(is_message).then("native_code").when(is_condition).then(none).otherwise("value"),
        native_code=pl.when(is_message).then("value").when(is_condition).then("native_code"),
        lost=pl.col("lost") | even,
        single=is_condition | is_message,
    ).drop("condition", "message", "is_level", "word", "kind", "severity", "qualifier")


def _without_cut_values(frame: pl.DataFrame) -> pl.DataFrame:
    """Mark observations as lost whose line was wrapped inside the value: `|12` would pass for the `|125` it was.

    Such a line is as long as several lines get and none exceeds, and the next goes on with neither margin nor year.
    """
    goes_on = frame["lost"] & ~frame[RAW].str.contains(r"^\s|^(?:19|20)\d\d")
    if not goes_on.any():
        return frame
    length = frame[RAW].str.len_chars()
    is_longest = length == length.max()
    if is_longest.sum() < WRAPPED_LINES:
        return frame
    is_next = (frame[LINE].shift(-1) == frame[LINE] + 1).fill_null(False)
    return frame.with_columns(lost=frame["lost"] | (goes_on.shift(-1, fill_value=False) & is_next & is_longest))


def _several(frame: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Part lines with several `item|value` pairs from the others and return their observations one a row."""
    none = frame.clear()
    if "single" not in frame.columns:
        return frame, none
    several = frame.select((pl.col("count") > 3) & ~pl.col("single") & ~pl.col("lost")).to_series()
    if not several.any():
        return frame, none
    split = pl.col(RAW).str.split("|")
    pairs = (
        frame.filter(several)
        .with_columns(name=split.list.gather_every(2, 1), value=split.list.gather_every(2, 2))
        .with_columns(pl.col("name").list.head(pl.col("value").list.len()))
        .explode("name", "value")
        .with_columns(pl.col("name", "value").str.strip_chars())
    )
    return frame.filter(~several), pairs.with_columns(lost=pl.col("name") == "")
