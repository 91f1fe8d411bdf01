"""The rejected rows as a person empties them: by cause, where they stand, how they look, and the one thing to do.

It decides nothing about rows and changes none.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any, Final

import polars as pl

from schemas.vocabulary import NEEDS_PROFILE

MOST_FILES: Final = 4
MOST_EXAMPLES: Final = 2
MOST_VALUES: Final = 6
_MOST_LETTERS: Final = 160
_EXPORT_AGAIN: Final = "then export the file again and run again"

_MENDS: Final = {
    "missing_value": f"Fill the cell in where the export comes from, {_EXPORT_AGAIN}.",
    "missing_column": "Give the file a profile that says which column it is: {profile}",
    "not_a_number": f"Correct the cell, {_EXPORT_AGAIN}; if the whole column is written so, say it in "
    "{profile_file}.",
    "not_a_time": f"Correct the cell, {_EXPORT_AGAIN}; if the whole column is written so, give its format in "
    "{profile_file}.",
    "not_allowed": "Add the word to the lookup of this column in {profile_file}, then run again.",
    "out_of_range": f"Correct the cell, {_EXPORT_AGAIN}.",
    "ends_before_start": f"Correct one of the two times, {_EXPORT_AGAIN}.",
    "skipped_by_clock": f"That time does not exist in the file's time zone: check timezone under [[source]] in "
    f"shop.toml; else correct the cell, {_EXPORT_AGAIN}.",
    "broken_line": "Export the file again: the line is damaged or cut off.",
}
_NAME_MACHINE: Final = 'Name the machine: machine = "..." in the [[source]] of the file in shop.toml, then run again.'


def reject_lines(
    rejects: pl.DataFrame, files: pl.DataFrame, workspace: str, out_of_reach: pl.DataFrame | None = None
) -> list[str]:
    """Return what is to be mended, as lines of text.

    Parameters
    ----------
    rejects
        The query `rejects`.
    files
        The query `files_to_mend`.
    workspace
        As it is to stand in the commands that are given.
    out_of_reach
        The query `files_out_of_reach`.
    """
    open_rows = rejects.filter(pl.col("state") == "open")
    closed = rejects.filter(pl.col("state") != "open").group_by("state").agg(_rows()).sort("state")
    groups = sorted(
        (group for _, group in open_rows.group_by("reason", "column", maintain_order=True)),
        key=lambda group: (-group.select(_rows()).item(), group["reason"][0], group["column"][0] or ""),
    )
    lines = [line for group in groups for line in _cause_lines(group, workspace)]
    lines += _file_lines(files, workspace)
    if not lines:
        lines = ["Nothing is left to mend."]
    lines += [f"{_count(rows, 'row')} rejected earlier: {_STATES[state]}." for state, rows in closed.iter_rows()]
    return lines if out_of_reach is None else lines + out_of_reach_lines(out_of_reach)


def out_of_reach_lines(files: pl.DataFrame) -> list[str]:
    """Return in a line which files no mended profile reaches, and what to do; nothing where there are none."""
    if not files.height:
        return []
    named = [_out_of_reach(row) for row in files.head(MOST_FILES).iter_rows(named=True)]
    more = files.height - MOST_FILES
    listed = ", ".join(named) + (f" and {_count(more, 'more file')}" if more > 0 else "")
    return [
        f"Out of reach of a mended profile, since the content stands at no path any more: {listed}. To have what is "
        "missing after all, lay the old export into the folder under a name of its own and run again."
    ]


def _out_of_reach(row: Mapping[str, Any]) -> str:
    what = "never read" if row["status"] == NEEDS_PROFILE else _count(row["rows_open"], "rejected row")
    return f"{row['name']} ({what}, {'replaced by another content' if row['is_replaced'] else 'gone'})"


_STATES: Final = {"taken up": "mended in a later export", "closed": "their file was exported again or is gone"}


def _rows() -> pl.Expr:
    return pl.struct("file", "row_number").n_unique().alias("rows")


def _count(number: int, one: str) -> str:
    return f"{number:,} {one}" + "s" * (number != 1)


def _cause_lines(group: pl.DataFrame, workspace: str) -> Iterator[str]:
    reason, column = group["reason"][0], group["column"][0]
    by_file = group.group_by("file").agg(_rows()).sort("rows", "file", descending=[True, False])
    where = f'column "{column}"' if column else "whole row"
    since: datetime | None = group["since"].min()  # type: ignore[assignment]
    yield (
        f"{_count(group.select(_rows()).item(), 'row')} in {_count(by_file.height, 'file')}: "
        f"{reason.replace('_', ' ')}, {where}" + (f", since {since:%Y-%m-%d}" if since is not None else "")
    )
    named = [f"{file} ({rows:,})" for file, rows in by_file.head(MOST_FILES).iter_rows()]
    more = by_file.height - MOST_FILES
    yield f"  in {', '.join(named)}" + (f" and {_count(more, 'more file')}" if more > 0 else "")
    if reason == "not_allowed":
        words = group["value"].drop_nulls().value_counts(sort=True)
        shown = [f'"{_cut(word)}" ({rows:,})' for word, rows in words.head(MOST_VALUES).iter_rows()]
        yield f"  words: {', '.join(shown)}" + (" and more" if words.height > MOST_VALUES else "")
    for row in group.unique(["file", "row_number"], maintain_order=True).head(MOST_EXAMPLES).iter_rows(named=True):
        line = f", line {row['line']}" if row["line"] is not None else ""
        yield f"  {row['file']}, row {row['row_number']}{line}: {_cut(row['raw'] or row['value'] or '(nothing)')}"
        yield f"    {row['message']}"
    yield f"  To do: {_mend(reason, group, workspace)}"


def _mend(reason: str, group: pl.DataFrame, workspace: str) -> str:
    row = group.row(0, named=True)
    if reason == "missing_value" and "[[source]]" in row["message"]:
        return _NAME_MACHINE
    command = profile_command(row["file"], workspace)
    profile_file = f'the profile "{row["profile"]}"' if row["profile"] else f"a profile ({command})"
    return _MENDS[reason].format(profile=command, profile_file=profile_file)


def _file_lines(files: pl.DataFrame, workspace: str) -> Iterator[str]:
    for row in files.iter_rows(named=True):
        yield f"{row['name']}: {row['status']}. {row['reason']}"
        if row["status"] == NEEDS_PROFILE:
            yield f"  To do: {profile_command(row['name'], workspace)}"


def profile_command(file: str, workspace: str) -> str:
    path = file.partition("!")[0]
    return f"spindlebook profile {_quoted(path)} --workspace {_quoted(workspace)} --save"


def _quoted(text: str) -> str:
    return f'"{text}"' if " " in text else text


def _cut(text: str) -> str:
    plain = " ".join(text.split())
    return plain if len(plain) <= _MOST_LETTERS else f"{plain[:_MOST_LETTERS]} ..."
