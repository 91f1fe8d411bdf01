"""A fault of ours at one file costs that file alone: the others come in, and the exit code tells of it."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from flows import taking_in
from pipeline.cli import main
from pipeline.read.rows import FileRead
from pipeline.store.book import open_book
from pipeline.workspace import Workspace

HEAD = "machine,program,started_at,ended_at\n"
ROW = "M1,O1,2026-03-0{0}T07:00:00Z,2026-03-0{0}T07:10:00Z\n"


@pytest.mark.parametrize("late", [False, True])
def test_the_other_files_come_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], late: bool
) -> None:
    """Whether the fault comes at once or in the middle of the rows; the next run reads the file after all."""
    exports, shop = tmp_path / "exports", tmp_path / "shop"
    exports.mkdir()
    for number in (1, 2, 3):
        (exports / f"{number}.csv").write_text(HEAD + ROW.format(number))
    read_opened: Callable[..., FileRead] = taking_in.read_opened

    def faulty(opened: Any, settings: Any) -> FileRead:
        found = read_opened(opened, settings)
        if opened.source.path.name != "2.csv":
            return found
        if not late:
            raise ZeroDivisionError("no such thing")

        def tables() -> Any:
            yield from found.tables
            raise ZeroDivisionError("no such thing")

        return FileRead(found.source, found.status, found.shape, tables=tables())

    monkeypatch.setattr(taking_in, "read_opened", faulty)
    first = main(["ingest", str(exports), "--workspace", str(shop)])
    told = capsys.readouterr().err
    monkeypatch.setattr(taking_in, "read_opened", read_opened)
    second = main(["ingest", str(exports), "--workspace", str(shop)])

    assert first == 1
    assert "2.csv" in told
    assert "ZeroDivisionError" in told
    assert second == 0
    with open_book(Workspace(shop).book_path, read_only=True) as book:
        assert book.rows("select count(*) from core.cycle") == [(3,)]
