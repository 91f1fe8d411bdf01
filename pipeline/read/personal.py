"""Keeps the names of operators out of the text that is stored of each row.

It masks the cells that are known to hold them; a line that cannot be told apart into cells stays as it is.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import polars as pl

from pipeline.read.plan import TablePlan, sources
from pipeline.read.rawtable import OWN, RAW, RAW_JOINT, RawTable

OPERATOR: Final = "operator"
MASK: Final = "(operator left out)"


def without_operators(table: RawTable, plan: TablePlan) -> RawTable:
    """Return a table whose RAW tells no operator: where a column holds them, its cells joined, theirs masked."""
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
    return replace(table, cells=table.cells.with_columns(pl.concat_str(cells, separator=RAW_JOINT).alias(RAW)))
