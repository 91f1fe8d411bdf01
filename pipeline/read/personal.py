"""Keeps the names of operators out of the text that is stored of each row.

It masks the cells that are known to hold them, and in a line that cannot be told apart into cells those that may. Title
lines stay as they are.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import Final

import polars as pl

from pipeline.read.plan import TablePlan, sources
from pipeline.read.rawtable import OWN, RAW, RAW_JOINT, RawTable, shown

OPERATOR: Final = "operator"
MASK: Final = "(operator left out)"
_DELIMITERS: Final = ";\t|,"


def without_operators(table: RawTable, plan: TablePlan) -> RawTable:
    """Return a table that tells no operator: of rows, their cells joined and theirs masked; broken lines likewise."""
    rule = plan.columns.get(OPERATOR)
    personal = set(sources(rule)) if rule else set()
    names = [name for name in table.cells.columns if name not in OWN]
    personal |= {name for name in names if name.casefold() == OPERATOR}
    if not personal:
        return table
    cells = [
        pl.when(pl.col(name).str.strip_chars() != "").then(pl.lit(MASK)).otherwise(pl.lit(""))
        if name in personal
        else pl.col(name).fill_null("")
        for name in names
    ]
    masked = table.cells.with_columns(pl.concat_str(cells, separator=RAW_JOINT).alias(RAW))
    return replace(table, cells=masked, rejects=_without_operators(table.rejects, names, personal))


def _without_operators(broken: pl.DataFrame, names: Sequence[str], personal: Collection[str]) -> pl.DataFrame:
    """Return the rejects of broken lines with every cell masked in which an operator's name may stand."""
    if not broken.height:
        return broken
    places = [place for place, name in enumerate(names) if name in personal]
    keys = re.compile(rf'("(?:{"|".join(map(re.escape, personal))})"\s*:\s*)("[^"]*"?|[^,}}]*)', re.IGNORECASE)
    masked = [
        line
        if line is None
        else keys.sub(lambda found: f'{found[1]}"{MASK}"', line)
        if line.lstrip().startswith("{")
        else _masked_line(line, len(names), places)
        for line in broken["raw"].to_list()
    ]
    raw = broken.with_columns(pl.Series("raw", masked, dtype=pl.String))
    return raw.with_columns(pl.when(pl.col("value").is_not_null()).then(shown(pl.col("raw"))).alias("value"))


def _masked_line(line: str, columns: int, places: Sequence[int]) -> str:
    """Return a line of too many or too few cells: an operator's cell lies at most as far off as cells are missing."""
    mark = max(_DELIMITERS, key=line.count)
    cells = line.split(mark)
    off = abs(len(cells) - columns)
    hidden = {place + step for place in places for step in range(-off, off + 1)}
    return mark.join(MASK if place in hidden and cell.strip() else cell for place, cell in enumerate(cells))
