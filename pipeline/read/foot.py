"""Lines below a table that are no rows of it, told by where and how they stand: signatures, legends of codes.

It looks at the shape of lines only; what a lone line says is told in `skipping.py`.
"""

from __future__ import annotations

from typing import Final

import polars as pl

from pipeline.read.rawtable import LINE, OWN, RAW
from pipeline.read.recognition.legends import legend

_WIDE: Final = 4  # columns from which a lone cell is no row
_MOST_FOOT: Final = 8  # lines of signatures and legends below a table


def stand_outside(cells: pl.DataFrame) -> pl.Series:
    """Return which rows of a table are none by their shape: a lone cell where there is room for many, or the foot.

    Where most rows are so, none is left out.
    """
    if len(cells.columns) - len(OWN) < _WIDE:
        return pl.repeat(False, cells.height, dtype=pl.Boolean, eager=True)
    outside = (_filled(cells) == 1) | stand_in_foot(cells)
    return outside & (2 * int(outside.sum()) < cells.height)


def stand_in_foot(cells: pl.DataFrame) -> pl.Series:
    """Return which rows stand below the last gap between lines and fill no more than half of what rows do.

    A line there that says what codes mean may fill more: aligned columns cut it anywhere.
    """
    none = pl.repeat(False, cells.height, dtype=pl.Boolean, eager=True)
    foot = foot_begins(cells)
    if len(cells.columns) - len(OWN) < _WIDE or not 0 < foot < cells.height:
        return none
    filled = _filled(cells)
    usual = filled.head(foot).median()
    if not isinstance(usual, float):
        return none
    sparse = bool((filled[foot:] * 2 <= usual).all())
    return none.scatter([at for at in range(foot, cells.height) if sparse or legend([(cells[RAW][at] or "",)])], True)


def foot_begins(cells: pl.DataFrame) -> int:
    """Return the place of the first of the few rows that stand behind the last gap between lines, else behind all."""
    gaps = (cells[LINE].diff() > 1).arg_true()
    first = int(gaps[-1]) if len(gaps) else cells.height
    return first if cells.height - first <= _MOST_FOOT else cells.height


def _filled(cells: pl.DataFrame) -> pl.Series:
    names = [name for name in cells.columns if name not in OWN]
    filled = [(pl.col(name).str.strip_chars() != "").fill_null(False) for name in names]
    return cells.select(pl.sum_horizontal(filled).alias("filled"))["filled"]
