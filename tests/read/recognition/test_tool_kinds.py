"""The kind of tool is taken from a description of an estimate's line that plainly says it."""

from pathlib import Path

import polars as pl
import pytest

from pipeline.read.reading import ReadSettings, read_file

LINES = (("10", "1"), ("10", "2"), ("20", "3"), ("20", "4"), ("20", "5"))


def kinds(folder: Path, name: str, descriptions: tuple[str, ...]) -> list[str | None] | None:
    cells = zip(LINES, descriptions, strict=True)
    rows = [f"A-17;{op};T{tool};{said};{30 + 7 * at};{5 + at}" for at, ((op, tool), said) in enumerate(cells)]
    path = folder / "estimate.csv"
    path.write_text("\n".join([f"Job;Operation;Tool;{name};Cutting time [s];Non-cutting time [s]", *rows, ""]), "utf-8")
    [found] = read_file(path, ReadSettings(zone="UTC"))
    assert found.status == "loaded", found.reason
    return pl.concat([table.rows for table in found.tables])["tool_type"].to_list()


@pytest.mark.parametrize(
    ("name", "descriptions", "said"),
    [
        (
            "Desc.",
            ("indexable shoulder mill 40", "Drill 8.5 carbide", "D12 Z4", "Tap M10x1.5", "tap drill 6.8"),
            ["shoulder mill", "drill", None, "tap", "drill"],
        ),
        (
            "Bezeichnung",
            ("VHM-Schaftfräser 10", "Eckfräser D50", "NC-Anbohrer 90°", "Gewindebohrer M8", "Aufnahme"),
            ["end mill", "shoulder mill", "centre drill", "tap", None],
        ),
        ("Description", ("D40 Z5", "D10", "L120", "4711-A", "drill"), [None] * 5),  # one of five is no description
        ("Description", ("drill 8", "drill or reamer 10", "tap M8", "face mill", "drill"), [None] * 5),
    ],
)
def test_kinds_are_read_from_descriptions(
    tmp_path: Path, name: str, descriptions: tuple[str, ...], said: list[str | None]
) -> None:
    assert kinds(tmp_path, name, descriptions) == said
