"""JSON Lines (one object a line) -> raw tables, block by block.

Numbers keep their digits as written; what the values mean is `mapping.py`'s business.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

import polars as pl

from pipeline.read.delimited import broken_off_message
from pipeline.read.plan import listed_names
from pipeline.read.rawtable import (
    LINE,
    OWN,
    RAW,
    ROW,
    RawTable,
    broken_line,
    broken_lines,
    concat_rejects,
    unique_names,
)
from pipeline.read.skipping import skip_rows
from pipeline.read.text import TextBlock, lines_of
from schemas.profile import SkipRule

BROKEN: Final = (
    "The line is not one whole JSON object. It was probably cut off while it was written; export the file again."
)
MOST_DEEP: Final = 3
"""How deep objects in objects are told apart; what is deeper stays as it is written."""
MOST_KEYS: Final = 20_000  # that are remembered so as to name each once


def parse_object(line: str) -> dict[str, Any] | None:
    """Return the object on one line, its numbers as text, or None if the line is none."""
    try:
        found = json.loads(line, parse_int=str, parse_float=str, parse_constant=str)
    except (ValueError, RecursionError):
        return None
    if not isinstance(found, dict):
        return None
    if any(isinstance(value, dict) for value in found.values()):
        found = dict(_flat(found, MOST_DEEP))
    return {_whole(key): _whole(value) for key, value in found.items()} if "\\u" in line else found


def _flat(found: Mapping[str, Any], deep: int) -> Iterator[tuple[str, Any]]:
    """Yield the values of an object, those of objects in it under names that a point joins: "cycle.start"."""
    for key, value in found.items():
        if isinstance(value, dict) and value and deep:
            yield from ((f"{key}.{below}", inner) for below, inner in _flat(value, deep - 1))
        else:
            yield key, value


def _whole(value: Any) -> Any:
    """Return text without halves of letters, which an escape can write and no text can hold."""
    return value.encode("utf-16", "surrogatepass").decode("utf-16", "replace") if isinstance(value, str) else value


def keys_of(lines: Iterable[str]) -> list[str]:
    """Return the keys of the objects on some lines, in the order of their first appearance."""
    keys: dict[str, None] = {}
    for line in lines:
        keys.update(dict.fromkeys(parse_object(line) or {}))
    return list(keys)


def read_json_lines(
    blocks: Iterable[TextBlock], keys: Sequence[str], skip: Sequence[SkipRule] = ()
) -> Iterator[RawTable]:
    """Yield the objects as rows with the columns `keys` (those that the plan was made for), one chunk a block."""
    row = 0
    names = unique_names(keys)
    known = set(keys)
    for block in blocks:
        lines = pl.DataFrame({RAW: lines_of(block.data)}).with_row_index(LINE, offset=block.first_line)
        lines = lines.with_columns(pl.col(LINE).cast(pl.Int64)).filter(pl.col(RAW).str.strip_chars() != "")
        objects = [parse_object(line) for line in lines[RAW].to_list()]
        columns = {
            name: pl.Series(name, [_text(found.get(key)) if found else None for found in objects], dtype=pl.String)
            for name, key in zip(names, keys, strict=True)
        }
        late = list(dict.fromkeys(key for found in objects if found for key in found if key not in known))
        if len(known) < MOST_KEYS:
            known.update(late)
        bad = pl.Series([found is None for found in objects], dtype=pl.Boolean)
        cells = lines.with_columns(**columns)
        kept, skipped = skip_rows(cells.filter(~bad), names, None, 0, skip)
        gone = skipped["line"].implode() if skipped.height else pl.Series([[]], dtype=pl.List(pl.Int64))
        numbered = cells.filter(~pl.col(LINE).is_in(gone)).with_row_index(ROW, offset=row + 1)
        numbered = numbered.with_columns(pl.col(ROW).cast(pl.Int64))
        rejects = broken_lines(numbered.filter(~pl.col(LINE).is_in(kept[LINE].implode())).select(OWN), BROKEN)
        table = RawTable(
            numbered.filter(pl.col(LINE).is_in(kept[LINE].implode())).select(*OWN, *names),
            rejects,
            skipped,
            (f"columns not used: {listed_names(late)}",) if late else (),
        )
        row = max(row, table.last_row)
        if block.broken_off:
            row += 1
            end = broken_line(row, None, None, broken_off_message(block.broken_off))
            table = replace(table, rejects=concat_rejects(rejects, end))
        yield table


def _text(value: Any) -> str | None:
    if value is None or isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "true" if value else "false"
    try:
        text = json.dumps(value, ensure_ascii=False)
    except RecursionError:
        return "(nested too deeply)"
    return str(_whole(text))
