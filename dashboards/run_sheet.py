"""The runs of a job as a spreadsheet file: one line a run, with file and row number of its source.

It writes what it is given; which runs those are was decided before.
"""

from __future__ import annotations

import polars as pl

from dashboards.book import Book


def runs_sheet(book: Book, runs: pl.DataFrame) -> str:
    """Write runs as CSV, with the shop's own times and the source rows.

    Text that a spreadsheet would take for a formula gets an apostrophe in front.
    """
    names = pl.DataFrame(
        {"id": list(book.file_names), "name": list(book.file_names.values())},
        schema={"id": pl.String, "name": pl.String},
    )

    def local(column: str) -> pl.Expr:
        return pl.col(column).dt.convert_time_zone(book.data.timezone).dt.strftime("%Y-%m-%dT%H:%M:%S%:z")

    sheet = (
        runs.join(names.rename({"id": "file_id", "name": "file"}), on="file_id", how="left", maintain_order="left")
        .join(
            names.rename({"id": "last_file_id", "name": "last_file"}),
            on="last_file_id",
            how="left",
            maintain_order="left",
        )
        .select(
            "run_id",
            "machine",
            "program",
            local("started_at"),
            local("ended_at"),
            "outcome",
            "parts",
            "scrap",
            "job",
            "part",
            "operation",
            "revision",
            "batch_id",
            "estimate_s",
            "actual_s",
            "basis",
            pl.coalesce("file", "file_id").alias("file"),
            "row_number",
            pl.coalesce("last_file", "last_file_id").alias("last_file"),
            "last_row_number",
        )
    )
    text_columns = [name for name, dtype in sheet.schema.items() if dtype == pl.String]
    safe = [pl.col(name).str.replace(r"^([=+\-@\t\r])", "'$1") for name in text_columns]
    return sheet.with_columns(safe).write_csv(line_terminator="\r\n")
