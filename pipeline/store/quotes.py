"""Quotes that were given, kept with their inputs and the version of the factors; no derivation reaches them."""

from __future__ import annotations

import json
from datetime import date, datetime
from typing import Any, Final

import polars as pl

from pipeline.store.book import Book

OPERATION: Final = ("job", "program", "operation", "machine", "revision")
FIGURES: Final = (
    "estimate_s", "expected_cycle_s", "cycle_s_low", "cycle_s_high", "expected_setup_s", "expected_load_s", "batch_s",
    "batch_s_low", "batch_s_high", "total_cost_per_batch",
)  # fmt: skip


def keep_quote(
    book: Book, quoted: pl.DataFrame, *, file_name: str, given_at: datetime, program_version: str, factors_version: str
) -> str:
    """Keep a quote and return its number.

    Parameters
    ----------
    quoted : estimate lines with predictions, as `pipeline.report.quoting.quote` gives them
    """
    quote_id = _next_number(book, given_at)
    rows = []
    numbered = quoted.with_row_index("_line")
    for _, group in numbered.group_by(OPERATION, maintain_order=True):
        first = group.row(0, named=True)
        if first["expected_cycle_s"] is None:
            continue
        given = [
            {name: value for name, value in line.items() if name != "_line" and value is not None}
            for line in group.iter_rows(named=True)
        ]
        known = {name: first[name] for name in (*OPERATION, *FIGURES)}
        rows.append(
            {
                **known,
                "line": first["_line"],
                "material": next((line["material"] for line in given if "material" in line), None),
                "quantity": first["quoted_quantity"],
                "inputs": json.dumps([_inputs(line, quoted) for line in given], default=_plain),
                "quoted": json.dumps({**given[0]}, default=_plain),
            }
        )
    schema: dict[str, Any] = {
        **dict.fromkeys(OPERATION, pl.String()),
        **dict.fromkeys(FIGURES, pl.Float64()),
        "line": pl.Int64(),
        "material": pl.String(),
        "quantity": pl.Int64(),
        "inputs": pl.String(),
        "quoted": pl.String(),
    }
    told = pl.DataFrame(rows, schema=schema)
    if told.is_empty():
        return ""
    with book.transaction(), book.handed_over(told):
        book.run(
            "insert into raw.quote_given by name select $quote_id as quote_id, $given_at as given_at, "
            "$file_name as file_name, $program_version as program_version, $factors_version as factors_version, * "
            "from chunk",
            {
                "quote_id": quote_id,
                "given_at": given_at,
                "file_name": file_name,
                "program_version": program_version,
                "factors_version": factors_version,
            },
        )
    return quote_id


def _inputs(line: dict[str, Any], quoted: pl.DataFrame) -> dict[str, Any]:
    """Return what of a line was given: the columns before the first that was added."""
    given = quoted.columns[: quoted.columns.index("quoted_quantity")]
    return {name: value for name, value in line.items() if name in given}


def _next_number(book: Book, given_at: datetime) -> str:
    """Return a number no other quote has: the UTC day, and a count within it."""
    day = f"Q{given_at:%Y%m%d}-"
    taken = book.rows(
        "select count(distinct quote_id) from raw.quote_given where starts_with(quote_id, $day)", {"day": day}
    )
    return f"{day}{taken[0][0] + 1:03d}"


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, date | datetime) else str(value)
