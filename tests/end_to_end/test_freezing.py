"""A month that is frozen, and what later files, settings and re-readings do to it: nothing, but it is told."""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from flows import steps
from pipeline.errors import UsageError
from pipeline.progress import choose
from pipeline.report.named import report
from pipeline.report.queries import Narrowed
from pipeline.store.book import open_book
from pipeline.store.frozen import history
from pipeline.workspace import Workspace

Command = Callable[..., "subprocess.CompletedProcess[str]"]

SHOP = """
[shop]
timezone = "UTC"
[[machine]]
id = "L1"
[[machine]]
id = "L2"
[[shift]]
days = ["Mon", "Tue", "Wed", "Thu", "Fri"]
start = "06:00"
end = "14:00"
"""
HEAD = "machine,program,started_at,ended_at,parts,outcome"


def cycles(machine: str, first: datetime, count: int, minutes: int = 20) -> list[str]:
    """Write cycles an hour apart, all of one program."""
    rows = []
    for number in range(count):
        start = first + timedelta(hours=number)
        rows.append(f"{machine},O1,{start.isoformat()},{(start + timedelta(minutes=minutes)).isoformat()},1,complete")
    return rows


class Shop:
    """A workspace of two lathes with March, and a day of April that ends it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.exports = folder / "exports"

    def open(self) -> None:
        self.exports.mkdir(parents=True)
        (self.folder / "shop.toml").write_text(SHOP, encoding="utf-8")
        march = [
            row
            for machine in ("L1", "L2")
            for day in (2, 3, 31)
            for row in cycles(machine, datetime(2026, 3, day, 7, tzinfo=UTC), 6)
        ]
        self.export("march.csv", march)
        self.export("april.csv", cycles("L1", datetime(2026, 4, 1, 7, tzinfo=UTC), 2))

    def export(self, name: str, rows: list[str]) -> None:
        (self.exports / name).write_text("\n".join([HEAD, *rows, ""]), encoding="utf-8")

    @property
    def workspace(self) -> Workspace:
        return Workspace(self.folder)

    def run(self) -> str:
        return steps.run([self.exports], self.workspace, choose(quiet=True))[0]

    def freeze(self, month: str = "2026-03", undo: bool = False) -> list[str]:
        return steps.freeze_month(month, self.workspace, choose(quiet=True), undo=undo)

    def report(self, name: Any, **narrowed: Any) -> pl.DataFrame:
        with open_book(self.workspace.book_path, read_only=True) as book:
            return report(book, name, Narrowed(**narrowed), self.workspace.shop)


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The shop after its first run; tests work on copies of it."""
    shop = Shop(tmp_path_factory.mktemp("opened") / "shop")
    shop.open()
    shop.run()
    return shop.folder


@pytest.fixture
def shop(opened: Path, tmp_path: Path) -> Shop:
    shutil.copytree(opened, tmp_path / "shop")
    return Shop(tmp_path / "shop")


def test_a_late_file_changes_no_frozen_figure_and_is_named(spindlebook: Command, shop: Shop) -> None:
    """Through the installed command: the report shows the frozen figure, the one of today, and which file it was."""
    march = ("-w", shop.folder, "--month", "2026-03")
    as_json = ("report", "utilisation", *march, "--format", "json")
    done = spindlebook("freeze", *march, SPINDLEBOOK_NOW="2026-04-02T08:00:00+00:00")
    assert done.returncode == 0, done.stderr
    assert "2026-03 is frozen" in done.stdout
    before = json.loads(spindlebook(*as_json).stdout)
    assert [(row["standing"], row["restated"], row["frozen_at"]) for row in before] == [
        ("frozen", False, "2026-04-02T08:00:00Z")
    ] * 2

    late = cycles("L1", datetime(2026, 3, 4, 7, tzinfo=UTC), 3) + cycles("L9", datetime(2026, 3, 4, 7, tzinfo=UTC), 1)
    shop.export("late.csv", late)
    summary = spindlebook("run", shop.exports, "-w", shop.folder)

    assert "2026-03 is frozen and would be different today on L1, L9" in summary.stdout
    done = spindlebook(*as_json)
    after = {row["machine"]: row for row in json.loads(done.stdout)}
    assert "report restatements" in done.stderr
    for row in before:
        same = {name for name, value in row.items() if after[row["machine"]][name] == value}
        assert set(row) - same == ({"standing", "restated"} if row["machine"] == "L1" else set())
    assert {name: row["standing"] for name, row in after.items()} == {
        "L1": "restated",
        "L2": "frozen",
        "L9": "added later",
    }
    told = spindlebook("report", "restatements", *march).stdout
    assert "2026-03, frozen on 2026-04-02: L1 would be different today, because late.csv came in on" in told
    assert "(3 cycle rows of L1 in 2026-03)" in told
    assert "cycles: 18 -> 21 (+3)" in told
    assert "cutting: 6.00 h -> 7.00 h (+1.00 h)" in told
    assert "L9 is not in the statement, because late.csv" in told
    rows = json.loads(spindlebook("report", "restatements", *march, "--format", "json").stdout)
    cutting = next(row for row in rows if (row["machine"], row["figure"]) == ("L1", "cutting_s"))
    assert (cutting["frozen"], cutting["now"], cutting["difference"]) == (21600.0, 25200.0, 3600.0)
    assert cutting["cause_kind"] == "files"

    again = spindlebook("freeze", *march)
    assert again.returncode == 2
    assert "2026-03 is frozen already, since 2026-04-02" in again.stderr


def test_the_cause_is_the_one_thing_that_changed(shop: Shop) -> None:
    """A setting, a file that says otherwise, one that is gone, one that comes next: each is told, and nothing else."""
    shop.freeze()
    assert shop.report("restatements").is_empty()

    def causes() -> set[tuple[str, str, str]]:
        shop.run()
        return set(shop.report("restatements").select("machine", "cause_kind", "cause").rows())

    toml = shop.folder / "shop.toml"
    toml.write_text(SHOP.replace('end = "14:00"', 'end = "15:00"'), encoding="utf-8")
    changed = "shop.toml changed: [[shift]] end: 14:00:00 -> 15:00:00"
    assert causes() == {("L1", "settings", changed), ("L2", "settings", changed)}
    toml.write_text(SHOP, encoding="utf-8")
    assert causes() == set()

    shop.export("april-2.csv", cycles("L2", datetime(2026, 4, 3, 7, tzinfo=UTC), 2))
    ((machine, kind, cause),) = causes()
    assert (machine, kind) == ("L2", "files")
    assert cause.startswith("april-2.csv came in on ")
    assert "its records of L2 lie next to 2026-03" in cause


def test_a_row_exported_otherwise_is_told_of_the_new_file_alone(shop: Shop) -> None:
    """A correction takes rows over from the old file; the old one is not blamed."""
    shop.freeze()
    longer = cycles("L2", datetime(2026, 3, 31, 7, tzinfo=UTC), 6, minutes=30)
    shop.export("corrected.csv", [*longer, *cycles("L1", datetime(2026, 4, 7, 7, tzinfo=UTC), 1)])
    shop.run()

    told = shop.report("restatements", machine="L2")

    (cause,) = set(told["cause"])
    assert cause.startswith("corrected.csv came in on ")
    assert "march.csv" not in cause
    cutting = told.row(by_predicate=pl.col("figure") == "cutting_s", named=True)
    assert cutting["difference"] == 3600.0


def test_taking_a_statement_back_leaves_a_trace(shop: Shop) -> None:
    """The month moves again, and the book keeps that it stood; it can be frozen anew."""
    shop.freeze()
    shop.freeze(undo=True)

    assert set(shop.report("utilisation", month="2026-03")["standing"]) == {"open"}
    with pytest.raises(UsageError, match="2026-03 is not frozen"):
        shop.freeze(undo=True)
    shop.freeze()
    with open_book(shop.workspace.book_path, read_only=True) as book:
        kept = history(book)
    assert kept["month"].to_list() == ["2026-03", "2026-03"]
    assert kept["thawed_at"].is_null().to_list() == [False, True]


def test_which_months_may_be_frozen(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not one that runs, unless the book has records past it; not one without data; thin ones with a warning."""
    monkeypatch.setenv("SPINDLEBOOK_NOW", "2026-03-20T08:00:00+00:00")  # a clock that goes wrong
    with pytest.raises(
        UsageError, match=r"2026-04 is not over: it ends on 2026-05-01, and the last record .* 2026-04-01"
    ):
        shop.freeze("2026-04")
    with pytest.raises(UsageError, match="no machine time in this month"):
        shop.freeze("2026-01")

    said = shop.freeze("2026-03")

    assert said[-1].startswith("2026-03 is frozen, with the figures of 2 machines.")
    monkeypatch.setenv("SPINDLEBOOK_NOW", "2026-05-20T08:00:00+00:00")
    assert any("of its planned time in 2026-04 was observed" in line for line in shop.freeze("2026-04"))


def test_frozen_figures_outlive_a_rebuild(shop: Shop) -> None:
    """Deriving anew touches no statement."""
    shop.freeze()
    before = shop.report("utilisation")

    steps.derive_marts(shop.workspace, choose(quiet=True), force=True)

    assert shop.report("utilisation").equals(before)
