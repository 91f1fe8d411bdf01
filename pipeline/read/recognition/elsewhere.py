"""What belongs to other papers of a shop: columns, values and shapes of rows that lists of a kind hardly have.

A furnace has batches with a start and an end, a store hands inserts out for a machine and a reason, an invoice names an
order, a part and a quantity. What is left to tell them from our kinds stands in the columns that no field takes and in
how rows follow one another: temperatures and pressures of a process, taxes, running numbers of vouchers, times of full
quarters of an hour, runs of one program that are nowhere near alike. Each sign says how many times as often lists of a
kind have it as other lists do; a sure one speaks alone, weak ones together. What lists of the kind alone have (a title,
cycles that were broken off, times per part) speaks for them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from typing import Final

from pipeline.read.recognition.names import kind_titles
from pipeline.read.recognition.other_processes import not_machining
from pipeline.read.recognition.paper_signs import Filled, Sign, has, is_serial
from pipeline.read.recognition.sales_papers import no_estimates, no_orders
from pipeline.read.recognition.store_papers import no_edge_changes, no_tool_changes

_AGAINST: Final = (
    0.1  # odds up to which a table speaks against its kind, and is asked about; common practice, no source
)
_TITLED: Final = 10.0
_MOST_TOLD: Final = 3
_ROW_ID: Final = 0.6
_NUMBERED: Final[Mapping[str, float]] = {"cycle": 0.6, "tool_change": 0.5, "edge_change": 0.3, "job": 0.25}
"""The ratio of a column of running numbers, as of papers, by kind."""
_LETTERED: Final = 0.5  # of that, where letters stand before the numbers of lists that programs write, or a few people
_SIGNS: Final[Mapping[str, Callable[[Filled], Iterator[Sign]]]] = {
    "cycle": not_machining,
    "tool_change": no_tool_changes,
    "edge_change": no_edge_changes,
    "job": no_orders,
    "estimate": no_estimates,
}


def belongs_elsewhere(filled: Filled) -> Iterator[str]:
    """Yield what says, taken together, that a table is another paper than a list of its kind."""
    if filled.kind not in _SIGNS:
        return
    signs = [*_SIGNS[filled.kind](filled), *_numbered(filled)]
    against = sorted((sign for sign in signs if sign.ratio < 1), key=lambda sign: sign.ratio)
    if against and math.prod(sign.ratio for sign in signs) * _titled(filled) <= _AGAINST:
        told = " and ".join(sign.told for sign in against[:_MOST_TOLD])
        yield f"{told}: the rows may be of another list than of {filled.kind.replace('_', ' ')}s"


def _titled(filled: Filled) -> float:
    said = max((kind_titles(" ".join(cells)).get(filled.kind, 0.0) for cells in filled.sample.titles), default=0.0)
    return 1 + (_TITLED - 1) * said


def _numbered(filled: Filled) -> Iterator[Sign]:
    """Tell numbers of papers: one more in each row, and not those of the rows."""
    for column in filled.unused if filled.kind in _NUMBERED else ():
        concepts = column.reading.concepts
        of_rows = concepts.get("row_id", 0.0) >= _ROW_ID and not has(column.name, "vouchers")
        instant = column.times and not column.times[0].weak
        if not (of_rows or instant or "batch" in concepts) and is_serial(column):
            lettered = filled.kind in ("tool_change", "edge_change") and not column.numbers
            ratio = _NUMBERED[filled.kind] * (_LETTERED if lettered else 1.0)
            yield Sign(ratio, f'column "{column.name}" counts on, as numbers of papers do')
