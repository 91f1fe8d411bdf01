"""The standard's pipe-delimited adapter text (`timestamp|item|value|...`) -> observations, block by block.

It parts lines into observations; words, units and zones are others' business.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import polars as pl

from pipeline.read.delimited import broken_off_message
from pipeline.read.events import FACTOR, UNAVAILABLE, Items, is_level
from pipeline.read.observations import MACHINE, condition_text, event_table
from pipeline.read.plan import Context
from pipeline.read.rawtable import LINE, RAW, ROW, broken_lines, concat_skipped, skipped_rows
from pipeline.read.rows import TableRead, no_skipped
from pipeline.read.text import TextBlock, lines_of
from pipeline.read.times import NAIVE, UTC, TimesRead, read_times
from schemas.profile import UNITS, ColumnRule
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
_FIELDS: Final = {"Condition": 5, "Message": 2, "Alarm": 5, "TimeSeries": 3}  # behind the name, where not one
_SINGLE: Final = ("Condition", "Message")
_MULTILINE: Final = "--multiline--"
_ASSET_NAME: Final = r"^@|_asset_(?:chg|rem|count)$"
# The standard's words (reset triggers of its public schema files): what a counter was set back for, behind its value.
_RESET: Final = r"^(-?[\d.]+):(ACTION_COMPLETE|ANNUAL|DAY|LIFE|MAINTENANCE|MANUAL|MONTH|POWER_ON|SHIFT|WEEK)$"


@dataclass(frozen=True)
class Elapsed:
    """A clock that counts since an instant, as a profile says it: when it began, and the microseconds of one tick."""

    first_us: int
    tick_us: float

    @classmethod
    def of(cls, rule: ColumnRule | None) -> Elapsed | None:
        """Return the clock of a profile's occurred_at, None where its times are dates."""
        if rule is None or rule.since is None:
            return None
        return cls(round(rule.since.timestamp() * 1e6), UNITS[rule.unit or "s"][1] * 1e6)

    def read(self, stamp: pl.Series) -> TimesRead:
        """Return the instants of numbers of ticks."""
        elapsed_us = (stamp.cast(pl.Float64, strict=False) * self.tick_us).round(0).cast(pl.Int64, strict=False)
        return TimesRead((elapsed_us + self.first_us).cast(UTC), pl.Series([None] * len(stamp), dtype=NAIVE))


def read_adapter_text(
    blocks: Iterable[TextBlock], items: Items, context: Context, machine: str | None, elapsed: Elapsed | None = None
) -> Iterator[TableRead]:
    """Yield event rows, one chunk a block. Blank lines are no rows; lines about assets and commands are skipped."""
    last_row, open_asset = 0, ""
    for block in blocks:
        lines = pl.DataFrame({RAW: lines_of(block.data)}).with_row_index(LINE, offset=block.first_line)
        lines = lines.with_columns(pl.col(LINE).cast(pl.Int64))
        blank = lines[RAW].is_null() | (lines[RAW].str.strip_chars() == "").fill_null(True)
        lines = lines.filter(~blank) if blank.any() else lines
        lines, asset_lines, open_asset = _without_asset_text(lines, open_asset)
        found, broken, skipped = _observations(lines, items, elapsed)
        found = _without_machine(found, items, machine)
        if block.broken_off:
            end = pl.DataFrame(
                {ROW: [0], LINE: [None], RAW: [None]}, schema={ROW: pl.Int64, LINE: pl.Int64, RAW: pl.String}
            )
            broken = pl.concat([broken, broken_lines(end, broken_off_message(block.broken_off))])
        found = found.with_columns(pl.lit(machine, dtype=pl.String).alias(MACHINE))
        if items.factors:
            factor = pl.col("name").replace_strict(dict(items.factors), default=None, return_dtype=pl.Float64)
            found = found.with_columns(factor.alias(FACTOR))
        table = event_table(found, broken, items, context, last_row, concat_skipped(skipped, asset_lines))
        last_row += table.rows_read
        yield table


def _without_machine(found: pl.DataFrame, items: Items, machine: str | None) -> pl.DataFrame:
    """Take the machine of the file off the front of names: "M2:execution". A name that a profile has stays whole."""
    if machine is None:
        return found
    front = f"{machine}:".casefold()
    names = found["name"].unique().drop_nulls().to_list()
    bare = {
        name: name[len(front) :]
        for name in names
        if len(name) > len(front) and name.casefold().startswith(front) and name not in items.rules
    }
    return found.with_columns(pl.col("name").replace(bare)) if bare else found


def item_names(lines: Iterable[str]) -> set[str]:
    """Return the names of items on some lines, as far as lines of pairs tell them: by these a log's device is found."""
    names: set[str] = set()
    for line in lines:
        fields = line.split("|")
        if re.match(LINE_START, line) and not re.search(_ASSET_NAME, fields[1].strip()):
            names.update(fields[place].strip() for place in range(1, len(fields) if len(fields) % 2 else 2, 2))
            if len(fields) > 3 and fields[2].strip().upper() in CONDITION_LEVELS:
                names.difference_update(field.strip() for field in fields[3:])
    return names


def said_by_items(lines: Iterable[str], machine: str) -> pl.DataFrame:
    """Return the items and values of lines that are pairs of them, the machine in front of names left out."""
    pairs: list[tuple[str, str]] = []
    for line in lines:
        fields = [field.strip() for field in line.split("|")]
        if re.match(LINE_START, line) and len(fields) % 2 and not re.search(_ASSET_NAME, fields[1]):
            pairs += [(fields[at], fields[at + 1]) for at in range(1, len(fields), 2)]
    found = pl.DataFrame(pairs, schema={"item": pl.String, "value": pl.String}, orient="row")
    front = f"{machine}:"
    bare = pl.col("item").str.slice(len(front))
    has_front = pl.col("item").str.to_lowercase().str.starts_with(front.lower()) & (bare != "")
    return found.with_columns(item=pl.when(has_front).then(bare).otherwise("item")).filter(
        pl.col("item") != "", pl.col("value").str.to_uppercase() != UNAVAILABLE, pl.col("value") != ""
    )


def _without_asset_text(lines: pl.DataFrame, mark: str) -> tuple[pl.DataFrame, pl.DataFrame, str]:
    """Take out the lines of a text that an adapter sends over several lines, from its mark to the mark that ends it.

    `mark` is that of a text that an earlier block left open. An observation's line ends the text too: its end was lost.
    """
    marked = lines[RAW].str.contains(_MULTILINE, literal=True).fill_null(False).arg_true().to_list()
    if not marked and not mark:
        return lines, no_skipped(), ""
    raw = lines[RAW]
    starts = raw.str.contains(LINE_START).arg_true().to_list()
    inside: list[int] = []
    at = 0
    for place in [-1, *marked] if mark else marked:
        if place < at and place >= 0:
            continue
        if place >= 0:
            mark = raw[place].rpartition(_MULTILINE)[2].strip()
        after = bisect_left(starts, place + 1)
        upto = starts[after] if after < len(starts) else len(raw)
        ends = (raw[place + 1 : upto].str.strip_chars() == _MULTILINE + mark).arg_true()
        at = place + 2 + ends[0] if len(ends) else upto
        inside += range(max(place, 0), at)
        mark = "" if len(ends) or upto < len(raw) else mark
    is_inside = pl.Series([False]).new_from_index(0, len(raw))
    if inside:
        is_inside = is_inside.scatter(inside, True)
    return lines.filter(~is_inside), skipped_rows(lines.filter(is_inside), "asset line"), mark


def _observations(
    lines: pl.DataFrame, items: Items, elapsed: Elapsed | None
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Return observations, rejects of broken lines (row numbers still 0) and skipped lines."""
    parts = lines[RAW].str.splitn("|", len(_PARTS)).struct.unnest()
    parts.columns = list(_PARTS)
    frame = lines.hstack(parts).with_columns(
        pl.col("name", "value").str.strip_chars(), pl.col("stamp").str.strip_chars()
    )
    frame, skipped = _skip(frame)
    frame = _durations_apart(frame)
    times = elapsed.read(frame["stamp"]) if elapsed else read_times(frame["stamp"])
    frame = frame.with_columns(times.utc.alias("utc"), times.naive.alias("naive"), count=_fields(frame))
    lost = (
        (pl.col("utc").is_null() & pl.col("naive").is_null())
        | pl.col("value").is_null()
        | (pl.col("name") == "").fill_null(True)
    )
    if elapsed is None:  # a year that lost its first digits is read as one long ago
        lost = lost | ~pl.col("stamp").str.contains(r"^\d{4}-")
    frame = frame.with_columns(lost.alias("lost"))
    frame, grouped = _groups(frame, items)
    frame = _without_cut_values(_conditions(frame, items), lines)
    frame, several = _several(frame)
    several = pl.concat([several, grouped], how="diagonal") if grouped.height else several
    broken = frame.filter("lost")
    found = frame.filter(~pl.col("lost")) if broken.height else frame
    if several.height:
        again = several.filter("lost").select(LINE).unique()
        broken = pl.concat([broken, again.join(lines, on=LINE)], how="diagonal")
        kept = several.join(again, on=LINE, how="anti", maintain_order="left")
        found = pl.concat([found, kept], how="diagonal").sort(LINE, maintain_order=True)
    found = _resets_apart(found.with_columns(pl.when(pl.col("value").str.len_bytes() > 0).then("value")))
    if found["duration"].null_count() < found.height:
        duration = pl.format("duration {} s", "duration")
        found = found.with_columns(text=pl.coalesce("text", pl.when(pl.col("level").is_null()).then(duration)))
    wanted = [LINE, RAW, "utc", "naive", "name", "value", "level", "native_code", "text"]
    rejects = broken_lines(broken.select(LINE, RAW, pl.lit(0, dtype=pl.Int64).alias(ROW)), BROKEN)
    return found.select(wanted), rejects, skipped


def _durations_apart(frame: pl.DataFrame) -> pl.DataFrame:
    """Part a time from the seconds that the observation stands for: `2026-01-05T06:00:00Z@100.0`."""
    if not frame["stamp"].str.contains("@", literal=True).any():
        return frame.with_columns(duration=pl.lit(None, dtype=pl.String))
    return frame.with_columns(
        duration=pl.col("stamp").str.extract(r"@([\d.]+)$"), stamp=pl.col("stamp").str.replace(r"@[\d.]*$", "")
    )


def _resets_apart(found: pl.DataFrame) -> pl.DataFrame:
    """Part the value of a counter from what it was set back for: `0:SHIFT`."""
    reset = found["value"].str.extract(_RESET, 2)
    if reset.null_count() == found.height:
        return found
    is_reset = reset.is_not_null()
    return found.with_columns(
        value=pl.when(is_reset).then(pl.col("value").str.extract(_RESET, 1)).otherwise("value"),
        text=pl.when(is_reset).then(pl.lit("reset ") + reset).otherwise("text"),
    )


def _groups(frame: pl.DataFrame, items: Items) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Part out the seldom lines on which conditions, messages or series stand beside others, an observation a row.

    Several conditions on a line are told by their levels; beside pairs only by what a profile or a devices document
    says of their names. A time series is told by its count of values.
    """
    none = frame.clear()
    if frame["rest"].null_count() == frame.height:
        return frame, none
    widths = {name: _FIELDS.get(_form(rule.type), 1) for name, rule in items.rules.items()}
    wide = [name for name, width in widths.items() if width > 1]
    fields = pl.col(RAW).str.split("|")
    level = pl.col(RAW).str.splitn("|", 10).struct.field("field_8").str.strip_chars().str.to_uppercase()
    levels = list(CONDITION_LEVELS)
    many = pl.col("value").str.to_uppercase().is_in(levels) & level.is_in(levels)
    series = (pl.col("count") == 5) & pl.col("rest").str.contains(r"^[\d.]*\|\s*[-+.\d]+(?:\s+[-+.\d]+)*\s*$")
    series = series & (
        pl.col("value").cast(pl.Int64, strict=False)
        == pl.col("rest").str.splitn("|", 2).struct.field("field_1").str.count_matches(r"\S+").cast(pl.Int64)
    )
    named = pl.lit(False)
    if wide:
        later = fields.list.slice(2).list.eval(pl.element().str.strip_chars())
        any_known = later.list.eval(pl.element().is_in(list(widths))).list.any()
        any_wide = later.list.eval(pl.element().is_in(wide)).list.any()
        is_wide = pl.col("name").is_in(wide)
        always = pl.col("name").is_in([name for name in wide if _form(items.rules[name].type) not in _SINGLE])
        named = (pl.col("count") > 3) & (always | any_wide | (is_wide & any_known))
    is_grouped = frame.select(((many | series | named) & ~pl.col("lost")).fill_null(False)).to_series()
    if not is_grouped.any():
        return frame, none
    lines = frame.filter(is_grouped)
    rows = [
        (place, *row)
        for place, raw in enumerate(lines[RAW])
        for row in _parted([field.strip() for field in raw.split("|")[1:]], items, widths)
    ]
    names = ("place", "name", "value", "level", "native_code", "text", "lost")
    told = pl.DataFrame(
        rows,
        schema={name: pl.UInt32 if name == "place" else pl.Boolean if name == "lost" else pl.String for name in names},
        orient="row",
    )
    whose = lines.select(LINE, RAW, "utc", "naive", "duration")[told["place"]]
    return frame.filter(~is_grouped), whose.hstack(told.drop("place"))


def _form(kind: str) -> str:
    return "TimeSeries" if kind.endswith("TimeSeries") else kind


Parted = tuple[str, str | None, str | None, str | None, str | None, bool]


def _parted(fields: Sequence[str], items: Items, widths: Mapping[str, int]) -> Iterator[Parted]:
    """Yield name, value, level, code, text of each observation on a line, and whether the line is broken there."""
    at = 0
    many = len(fields) > 7 and all(fields[place].upper() in CONDITION_LEVELS for place in (1, 7))
    while at < len(fields):
        name, kind = fields[at], _form(items.rules[fields[at]].type) if fields[at] in items.rules else ""
        if not kind and many and at + 1 < len(fields) and fields[at + 1].upper() in CONDITION_LEVELS:
            kind = "Condition"
        is_series = not kind and len(fields) == 4 and at == 0
        width = _FIELDS["TimeSeries"] if is_series else _FIELDS.get(kind, 1)
        told = list(fields[at + 1 : at + 1 + width])
        after = at + 1 + len(told)
        is_whole = len(told) == width and (after == len(fields) or fields[after] in widths)
        if kind == "Condition" and not is_whole:
            # some of its fields were left out: they end at the next item that is known
            told = told[: next((place for place, field in enumerate(told) if place and field in widths), len(told))]
        at += 1 + len(told)
        if not name and not any(told):
            continue  # one mark too many at the end
        if not name or not told or (kind == "Message" and len(told) < width):
            yield name, None, None, None, None, True
            return
        filled = [field or None for field in told] + [None] * (width - len(told))
        if kind == "Condition":
            level = (filled[0] or "").upper()
            text = ": ".join(filter(None, (filled[3], filled[4])))
            yield name, None, level, filled[1], text or None, level not in CONDITION_LEVELS
        elif kind == "Message":
            yield name, filled[1], None, filled[0], None, False
        elif kind == "Alarm":
            yield name, filled[4], None, filled[1], filled[3], False
        elif kind == "TimeSeries":
            is_counted = len(told) == width and told[0] == str(len(told[2].split()))
            yield name, told[-1], None, None, None, not (is_counted or told[-1].upper() == UNAVAILABLE)
        else:
            yield name, filled[-1], None, None, None, False


def _fields(frame: pl.DataFrame) -> pl.Series:
    """Return how many fields a line has; one empty field too many at the end does not count."""
    count = frame[RAW].str.count_matches("|", literal=True).cast(pl.Int32) + 1
    spare = (count % 2 == 0) & frame[RAW].str.ends_with("|")
    return count - spare.cast(pl.Int32)


def _skip(frame: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    asset = frame["name"].str.contains(_ASSET_NAME)
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
    known = {name: rule.type for name, rule in items.rules.items() if rule.type in _SINGLE}
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
        text=pl.when(is_condition).then(condition_text("qualifier", "text")),
        value=pl.when(is_message).then("native_code").when(is_condition).then(none).otherwise("value"),
        native_code=pl.when(is_message).then("value").when(is_condition).then("native_code"),
        lost=pl.col("lost") | even,
        single=is_condition | is_message,
    ).drop("condition", "message", "is_level", "word", "kind", "severity", "qualifier")


def _without_cut_values(frame: pl.DataFrame, lines: pl.DataFrame) -> pl.DataFrame:
    """Mark observations as lost whose line was wrapped inside the value: `|12` would pass for the `|125` it was.

    Such a line is as long as several lines get and none exceeds, and the next goes on with neither margin nor year.
    """
    goes_on = frame["lost"] & ~frame[RAW].str.contains(r"^\s|^(?:19|20)\d\d")
    if not goes_on.any():
        return frame
    length = frame[RAW].str.len_chars()
    is_longest = length == lines[RAW].str.len_chars().max()
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
