"""Names of operators stay out of what is stored of rows, of broken lines too."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from pipeline.read.reading import read_file
from pipeline.read.settings import ReadSettings

HEAD = "machine,program,started_at,ended_at,operator,parts"
GOOD = "M1,O1,2026-05-04T08:00:00Z,2026-05-04T08:20:00Z,Quillfeather,1"


@pytest.mark.parametrize(
    "line",
    [
        "M1,O1,2026-05-04T09:00:00Z,2026-05-04T09:20:00Z,Quillfeather,1,1",
        "M1,O1,2026-05-04T09:00:00Z,2026-05-04T09:20:00Z,3,5,Quillfeather,1",
        "M1,O1,yesterday,2026-05-04T09:20:00Z,Quillfeather,x",
        'M1,O1,"2026-05-04T09:00:00Z,2026-05-04T09:20:00Z,Quillfeather,1',
    ],
)
@pytest.mark.parametrize("head", [HEAD, HEAD.replace("operator", "Operator")])
def test_no_rejected_line_tells_the_operator(tmp_path: Path, head: str, line: str) -> None:
    """Lines with too many cells or unreadable ones are kept with the name left out, and the rest as it stood."""
    path = tmp_path / "cycles.csv"
    path.write_text("\n".join([head, GOOD, line, ""]), encoding="utf-8")
    (file_read,) = read_file(path, ReadSettings())
    tables = list(file_read.tables)
    kept = pl.concat([table.rejects for table in tables])
    assert kept.height
    assert "M1" in kept["raw"][0]
    assert not any("Quillfeather" in str(table.rejects.rows() + table.rows.rows()) for table in tables)


def test_no_broken_object_tells_the_operator(tmp_path: Path) -> None:
    """JSON Lines: an object that breaks off in the middle."""
    good = '{"machine": "M1", "program": "O1", "started_at": "2026-05-04T08:00:00Z", "duration_s": 60, "operator": "Q"}'
    path = tmp_path / "cycles.jsonl"
    path.write_text(f'{good}\n{{"machine": "M1", "operator": "Quillfeather", "program\n{good}\n', encoding="utf-8")
    (file_read,) = read_file(path, ReadSettings())
    kept = pl.concat([table.rejects for table in file_read.tables])
    assert kept.height == 1
    assert "Quillfeather" not in str(kept.rows())
