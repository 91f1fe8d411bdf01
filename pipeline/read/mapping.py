"""Raw tables of text -> typed rows of an input kind, and rejects that say what is wrong with the others.

The rules come from a plan (a profile, or our own names); ranges and identities are checked elsewhere.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import Final

import polars as pl

from pipeline.read import numbers
from pipeline.read.above import filled_from_above
from pipeline.read.chunk import (
    UTC,
    WORDS,
    Chunk,
    expected_time,
    label_of,
    machine_text,
    not_a_word,
    numbers_of,
    same_word,
    source_text,
)
from pipeline.read.events import Items, is_level, items_seen, translate
from pipeline.read.foot import stand_in_foot
from pipeline.read.observations import NAME_IT
from pipeline.read.personal import without_operators
from pipeline.read.plan import ESTIMATE_TIMES, Context, TablePlan, own_name, sources, text_of
from pipeline.read.problems import Problems
from pipeline.read.rawtable import LINE, OWN, RAW, ROW, RawTable, concat_rejects, concat_skipped, skipped_rows
from pipeline.read.rows import TableRead, no_skipped, row_columns
from pipeline.read.skipping import REMARK_LINE, why_no_row
from pipeline.read.timefields import map_times
from pipeline.read.times import read_dates
from schemas.columns import columns, required
from schemas.profile import STATE_ENDS, spared
from schemas.vocabulary import CONDITION_LEVELS, InputKind

_WIDE_NAME: Final = "__item"
_WIDE_VALUE: Final = "__value"
CONDITION: Final = "Condition"
"""The item of a wide table whose cells are levels: NORMAL, FAULT."""


def map_tables(tables: Iterable[RawTable], plan: TablePlan, context: Context, last: int = 0) -> Iterator[TableRead]:
    """Yield each chunk of one table as typed rows and rejects; `last` is the last row number before it."""
    noted = False
    filled = filled_from_above(tables, plan.profile.file if plan.profile else None)
    for table in filled:
        raw = _unpivot(_without_totals(table, plan), plan, last) if plan.wide else table
        last = max(last, raw.last_row)
        read = map_table(raw, plan, context)
        if plan.notes and not noted:
            read, noted = _with_notes(read, plan.notes), True
        yield read


def _with_notes(read: TableRead, notes: tuple[str, ...]) -> TableRead:
    return replace(read, notes=(*notes, *read.notes))


def map_table(table: RawTable, plan: TablePlan, context: Context) -> TableRead:
    """Return one chunk as typed rows and rejects; rows_read counts both and leaves total lines out."""
    table = without_operators(table, plan)
    chunk = Chunk(plan, context, table.cells, Problems(table.cells.select(OWN)))
    if plan.kind == "event":
        _map_observations(chunk)
    else:
        for name in columns(plan.kind):
            _map_field(chunk, name)
        _take_off_scrap(chunk)
        map_times(chunk)
    _map_machine(chunk)
    _reject_missing(chunk)
    rejects = chunk.problems.rejects()
    rows = _assemble(chunk)
    rejects, totals = _no_rows(table, rejects, _incomplete(rows, plan.kind))
    if rejects.height or totals.height:
        bad = pl.concat([rejects["row_number"], totals["row_number"]]).unique()
        rows = rows.filter(~pl.col("row_number").is_in(bad.implode()))
    rejects = concat_rejects(table.rejects, rejects)
    return TableRead(
        plan.kind,
        rows,
        rows.height + rejects["row_number"].n_unique(),
        rejects,
        concat_skipped(table.skipped, totals.select("line", "why", "raw") if totals.height else no_skipped()),
        (*table.notes, *chunk.notes),
        frozenset(chunk.items),
        fields=frozenset(chunk.typed),
        times=chunk.times,
    )


def _assemble(chunk: Chunk) -> pl.DataFrame:
    kind = chunk.plan.kind
    own = {"row_number": chunk.cells[ROW], "line": chunk.cells[LINE]}
    raw = chunk.empty(pl.String()) if kind == "event" else chunk.cells[RAW]
    series = {**chunk.typed, **own, "raw": raw}
    return pl.DataFrame(
        [
            (series[name].cast(dtype) if name in series else chunk.empty(dtype)).alias(name)
            for name, dtype in row_columns(kind).items()
        ]
    )


def _incomplete(rows: pl.DataFrame, kind: InputKind) -> pl.Series:
    """Return the numbers of rows that lack what not one field, but one of several must give."""
    if kind != "estimate":
        return rows["row_number"].clear()
    nameless = pl.col("job").is_null() & pl.col("program").is_null()
    timeless = pl.all_horizontal(pl.col(name).is_null() for name in ESTIMATE_TIMES)
    return rows.filter(nameless | timeless)["row_number"]


def _no_rows(table: RawTable, rejects: pl.DataFrame, others: pl.Series) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Part rejects from lines that are no rows: they cannot be read, and are totals or remarks by what they say."""
    none = pl.DataFrame(schema={"row_number": pl.Int64, "line": pl.Int64, "why": pl.String, "raw": pl.String})
    if not rejects.height and not len(others):
        return rejects, none
    suspects = pl.concat([rejects["row_number"], others]).unique()
    bad = table.cells.filter(pl.col(ROW).is_in(suspects.implode()))
    texts = [name for name in bad.columns if name not in OWN]
    if not texts:
        return rejects, none
    why = why_no_row(bad.select(texts), table.cells.select(texts))
    foot = table.cells[ROW].filter(stand_in_foot(table.cells))
    why = why.set(why.is_null() & bad[ROW].is_in(foot.implode()), REMARK_LINE)
    found = bad.with_columns(why=why).filter(pl.col("why").is_not_null())
    if not found.height:
        return rejects, none
    gone = skipped_rows(found, pl.col("why")).with_columns(row_number=found[ROW])
    return rejects.filter(~pl.col("row_number").is_in(found[ROW].implode())), gone.select(none.columns)


def _without_totals(table: RawTable, plan: TablePlan) -> RawTable:
    """Take out the lines of a wide table that have no time and are totals or remarks."""
    rule = plan.columns.get("occurred_at")
    if rule is None or not table.cells.height:
        return table
    timeless = text_of(table.cells, rule).is_null()
    suspects = table.cells.filter(timeless)
    if not suspects.height:
        return table
    why = why_no_row(suspects.select(pl.exclude(OWN)), table.cells.select(pl.exclude(OWN)))
    gone = suspects.with_columns(why=why).filter(pl.col("why").is_not_null())
    rows = table.cells.filter(~pl.col(ROW).is_in(gone[ROW].implode()))
    return replace(table, cells=rows, skipped=concat_skipped(table.skipped, skipped_rows(gone, pl.col("why"))))


def _unpivot(table: RawTable, plan: TablePlan, last: int) -> RawTable:
    """Return one row per filled cell of the item columns, numbered on from `last` in record order."""
    items = list(plan.items)
    keys = [name for name in table.cells.columns if name not in items]
    copies = (pl.col(column).alias(name) for name, column in plan.again.items())
    cells = table.cells.with_columns(copies).select(pl.exclude(items), pl.col(items).str.strip_chars())
    long = (
        cells.unpivot(items, index=keys, variable_name=_WIDE_NAME, value_name=_WIDE_VALUE)
        .filter(pl.col(_WIDE_VALUE).str.len_bytes() > 0)
        .with_columns(_place=pl.col(_WIDE_NAME).replace_strict({name: at for at, name in enumerate(items)}))
        .sort(ROW, "_place")
        .drop("_place")
    )
    order = pl.concat([long[ROW], table.rejects["row_number"]]).sort().to_frame("record").with_row_index("number")
    if not table.rejects.height:
        numbered = long.with_columns(pl.int_range(last + 1, last + 1 + pl.len(), dtype=pl.Int64).alias(ROW))
        return replace(table, cells=numbered)
    order = order.with_columns(pl.col("number").cast(pl.Int64) + last + 1)
    broken = table.rejects.join(
        order.filter(pl.col("record").is_in(table.rejects["row_number"].implode())).unique("record"),
        left_on="row_number",
        right_on="record",
    ).with_columns(row_number=pl.col("number"))
    taken = broken["number"].implode()
    numbers = order.filter(~pl.col("number").is_in(taken))["number"]
    return replace(table, cells=long.with_columns(numbers.alias(ROW)), rejects=broken.drop("number"))


def _map_field(chunk: Chunk, name: str) -> None:
    """Fill `chunk.typed[name]`; times and the machine come later."""
    kind, rule = chunk.plan.kind, chunk.plan.columns.get(name)
    dtype = columns(kind)[name]
    if rule is None or dtype == UTC or name == "machine":
        return
    if name == "operator" and not chunk.context.record_operators:
        return
    text = source_text(chunk, name, rule)
    if dtype in (pl.Float64, pl.Int64):
        chunk.typed[name] = numbers_of(chunk, name, rule, text, whole=dtype == pl.Int64)
    elif dtype == pl.Date:
        dates = read_dates(text, rule.format)
        message = f'"{{value}}" in {label_of(chunk.plan, name)} is not a date. {expected_time(rule, "YYYY-MM-DD")}'
        chunk.problems.add(
            dates.is_null() & text.is_not_null(), own_name(chunk.plan, name), text, "not_a_time", message
        )
        chunk.typed[name] = dates
    elif name in ("tool", "pocket"):
        chunk.typed[name] = text.to_frame("t").select(numbers.tool_text(pl.col("t"))).to_series()
    elif name == "operator":
        chunk.typed[name] = _hashed(text, chunk.context.operator_key)
    elif words := WORDS.get(name):
        known = same_word(text, words)
        message = not_a_word(chunk, name, words)
        unknown = known.is_null() & text.is_not_null() & (text != "?")
        chunk.problems.add(unknown, own_name(chunk.plan, name), text, "not_allowed", message)
        chunk.typed[name] = known
    else:
        chunk.typed[name] = text


def _take_off_scrap(chunk: Chunk) -> None:
    """Leave the good parts where the column of parts counts scrap too."""
    rule = chunk.plan.columns.get("parts")
    if rule is None or not rule.with_scrap or not {"parts", "scrap"} <= chunk.typed.keys():
        return
    counted = chunk.typed["parts"]
    good = counted - chunk.typed["scrap"].fill_null(0)
    message = (
        f'"{{value}}" in {label_of(chunk.plan, "parts")} is less than the scrap of the row, which the profile says is '
        "among it. Correct the row, or take with_scrap out of the profile."
    )
    less = (good < 0).fill_null(False)
    chunk.problems.add(less, own_name(chunk.plan, "parts"), counted.cast(pl.String), "out_of_range", message)
    chunk.typed["parts"] = good


def _hashed(text: pl.Series, key: bytes) -> pl.Series:
    """Return operators as keyed hashes: the same person the same 16 digits, and no way back without the key."""
    people = text.drop_nulls().unique().to_list()
    codes = {name: hmac.new(key, name.encode(), hashlib.sha256).hexdigest()[:16] for name in people}
    return text.replace_strict(codes, default=None, return_dtype=pl.String) if codes else text


def _map_machine(chunk: Chunk) -> None:
    machine = machine_text(chunk)
    if "machine" in required(chunk.plan.kind):
        rule = chunk.plan.columns.get("machine")
        fill = f"Fill in {label_of(chunk.plan, 'machine')}, or add" if rule and sources(rule) else "Add"
        message = (
            f'No machine is named. {fill} machine = "..." to the [[source]] of this file in shop.toml and run again.'
        )
        chunk.problems.add(machine.is_null(), own_name(chunk.plan, "machine"), None, "missing_value", message)
    chunk.typed["machine"] = machine


def _reject_missing(chunk: Chunk) -> None:
    """Reject rows without a required value, unless that value has a problem of its own already."""
    kind, plan = chunk.plan.kind, chunk.plan
    told = chunk.problems.rejects()
    for name in required(kind):
        if name == "machine":
            continue
        series = chunk.typed.get(name, chunk.empty(columns(kind)[name]))
        if not series.null_count():
            continue
        by_length = "duration_s" in plan.columns and (name == "ended_at" or name in spared(plan.columns))
        partner = "duration_s" if by_length else name
        label = label_of(plan, name if name in plan.columns else partner)
        seen = {
            own_name(plan, name),
            own_name(plan, partner),
            *((own_name(plan, "started_at"), own_name(plan, "ended_at")) if by_length or name == "ended_at" else ()),
        }
        already = chunk.cells[ROW].is_in(told.filter(pl.col("column").is_in(list(seen)))["row_number"].implode())
        article = "an" if kind[0] in "aeiou" else "a"
        mend = "Fill it in where the export comes from and run again."
        if name == "ended_at":
            mend = f"If it was still running, export again when it has ended; else {mend[0].lower()}{mend[1:]}"
        message = f"{label[0].upper()}{label[1:]} is empty, but {article} {kind.replace('_', ' ')} needs it. {mend}"
        chunk.problems.add(
            series.is_null() & ~already,
            own_name(plan, name if name in plan.columns else partner),
            None,
            "missing_value",
            message,
        )


def _map_observations(chunk: Chunk) -> None:
    """Fill the fields of an event table, long (item and value are columns) or wide (items are columns)."""
    plan = chunk.plan
    texts = {
        name: source_text(chunk, name, rule)
        for name, rule in plan.columns.items()
        if name not in ("machine", "occurred_at", "end_within_s", *STATE_ENDS)
    }
    if plan.wide:
        texts = {**texts, "item": chunk.cells[_WIDE_NAME], "value": chunk.cells[_WIDE_VALUE]}
    frame = pl.DataFrame([series.alias("name" if field == "item" else field) for field, series in texts.items()])
    if "value" not in frame.columns:
        frame = frame.with_columns(value=chunk.empty(pl.String()))
    if not plan.wide and "data_item_id" not in frame.columns and not plan.items:
        frame = frame.with_columns(data_item_id=chunk.empty(pl.String()))
    items = Items(plan.items, decimal=plan.decimal, thousands=plan.thousands)
    keep_id = "data_item_id" in frame.columns and not plan.items
    identity = frame["data_item_id"] if keep_id else None
    observed, bad = translate(frame, items)
    if plan.wide and "level" not in observed.columns and CONDITION in observed["item"]:
        is_condition = (observed["item"] == CONDITION).fill_null(False)
        level = observed["value"].set(~is_condition, None).str.to_uppercase()
        observed = observed.with_columns(level.alias("level"), value=observed["value"].set(is_condition, None))
    chunk.items |= items_seen(frame, items)
    label = f'column "{own_name(plan, "value")}"' if not plan.wide else "its column"
    mend = "Correct the cell, or the item in the profile." if plan.items else NAME_IT.replace("line", "cell")
    message = f'"{{value}}" in {label} should be a number for this item. {mend}'
    chunk.problems.add(bad, own_name(plan, "value"), observed["value"], "not_a_number", message)
    for name in ("item", "value", "data_item_id", "sub_type", "path", "level", "native_code", "text"):
        if name in observed.columns:
            chunk.typed[name] = observed[name]
    if identity is not None:
        chunk.typed["data_item_id"] = identity
    if "level" in chunk.typed:
        level = chunk.typed["level"]
        known = is_level(level) | level.is_null()
        message = not_a_word(chunk, "level", CONDITION_LEVELS)
        chunk.problems.add(~known, own_name(plan, "level"), level, "not_allowed", message)
    map_times(chunk)
    if (rule := plan.columns.get("end_within_s")) is not None:
        chunk.typed["end_within_s"] = numbers_of(
            chunk, "end_within_s", rule, source_text(chunk, "end_within_s", rule), whole=False
        )
