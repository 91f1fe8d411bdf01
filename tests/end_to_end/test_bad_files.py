"""A file that is wrong gives a clear message, counted rejects, and leaves everything else intact."""

import shutil
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb
import polars as pl
import pytest

Command = Callable[..., "subprocess.CompletedProcess[str]"]

GOOD = "machine,program,started_at,ended_at\nM9,O77,2026-05-04T08:00:00Z,2026-05-04T08:20:00Z\n"
CASES = {
    "missing columns": ("program,started_at\nO1,2026-05-04T08:00:00Z\n", None, "ended_at"),
    "wrong types": (
        "machine,program,started_at,ended_at,parts\nM9,O1,yesterday,2026-05-04T08:20:00Z,1\n",
        "not_a_time",
        "yesterday",
    ),
    "impossible times": (
        "machine,program,started_at,ended_at\nM9,O1,2026-05-04T09:00:00Z,2026-05-04T08:20:00Z\n",
        "ends_before_start",
        "before its start",
    ),
    "a cycle of a month": (
        "machine,program,started_at,ended_at\nM9,O1,2026-04-04T09:00:00Z,2026-05-04T08:20:00Z\n",
        "out_of_range",
        "",
    ),
    "negative count": (
        "machine,program,started_at,ended_at,parts\nM9,O1,2026-05-04T08:00:00Z,2026-05-04T08:20:00Z,-2\n",
        "out_of_range",
        "-2",
    ),
    "not a log": ("Dear colleague,\nthe coolant is changed on Friday.\nRegards\n", None, ""),
    "empty": ("", None, ""),
    "noise": ("\x00\x01\x02\xff" * 400, None, ""),
}


@dataclass(frozen=True)
class Ran:
    """What a run over all bad files and a good one said, and what the book holds after it."""

    done: "subprocess.CompletedProcess[str]"
    cycles: int
    files: dict[str, dict[str, Any]]  # accounts by file name
    rejects: pl.DataFrame


@pytest.fixture(scope="module")
def ran(spindlebook: Command, tmp_path_factory: pytest.TempPathFactory) -> Ran:
    folder = tmp_path_factory.mktemp("bad")
    exports = folder / "exports"
    exports.mkdir()
    (exports / "good.csv").write_text(GOOD, encoding="utf-8")
    for case, (text, _, _) in CASES.items():
        (exports / f"{case}.csv").write_text(text, encoding="latin-1")
    done = spindlebook("run", exports, "--workspace", folder / "shop")
    with duckdb.connect(str(folder / "shop" / "spindlebook.duckdb"), read_only=True) as book:
        files = {Path(row["name"]).name: row for row in book.sql("from raw.source_file").pl().iter_rows(named=True)}
        cycles = book.sql("select count(*) from core.cycle").pl().item()
        return Ran(done, cycles, files, book.sql("from raw.reject").pl())


def test_a_good_file_among_bad_ones_comes_in(ran: Ran) -> None:
    """Whatever lies beside it, the good row stands, and nothing breaks off."""
    assert ran.done.returncode == 0, ran.done.stderr
    assert "Traceback" not in ran.done.stderr
    assert ran.cycles == 1


@pytest.mark.parametrize("case", CASES)
def test_bad_file_is_named_and_counted(ran: Ran, case: str) -> None:
    """Each bad file is recorded with its reason."""
    _, reason, said = CASES[case]
    bad = ran.files[f"{case}.csv"]
    assert bad["rows_read"] == bad["rows_loaded"] + bad["rows_duplicate"] + bad["rows_rejected"]
    if reason is None:
        assert bad["status"] in ("unreadable", "needs a profile", "set aside")
        assert bad["reason"]
        assert said in bad["reason"]
        assert f"{case}.csv" in ran.done.stdout
    else:
        rejects = ran.rejects.filter(pl.col("file_id") == bad["file_id"])
        assert bad["rows_rejected"] == 1
        assert rejects["reason"].to_list() == [reason]
        assert said in rejects["message"][0]


def test_bad_file_changes_nothing_already_stored(spindlebook: Command, demo_shop: Path, tmp_path: Path) -> None:
    """A broken export dropped into a running book leaves every stored row and figure as it was."""
    shop = tmp_path / "shop"
    shutil.copytree(demo_shop, shop)

    def state() -> list[pl.DataFrame]:
        with duckdb.connect(str(shop / "spindlebook.duckdb"), read_only=True) as book:
            names = ("core.cycle", "core.event", "mart.job_drift", "mart.utilisation_monthly", "mart.tool_life")
            return [book.sql(f"select * from {name} order by all").pl() for name in names]

    before = state()
    (shop / "exports" / "broken.csv").write_text("machine,program,started_at\nM1,O1", encoding="utf-8")

    assert spindlebook("run", shop / "exports", "--workspace", shop).returncode == 0
    assert all(after.equals(was) for after, was in zip(state(), before, strict=True))


def test_workspace_without_shop_file_works_and_says_so(spindlebook: Command, tmp_path: Path) -> None:
    """Machines come from the data, planned time is 24 hours a day, money stays empty."""
    (tmp_path / "cycles.csv").write_text(GOOD, encoding="utf-8")

    done = spindlebook("run", tmp_path / "cycles.csv", "--workspace", tmp_path / "shop", TZ="Europe/Madrid")

    assert done.returncode == 0, done.stderr
    assert "There is no shop.toml" in done.stdout
    with duckdb.connect(str(tmp_path / "shop" / "spindlebook.duckdb"), read_only=True) as book:
        planned = book.execute("select planned_s, calendar_s from mart.utilisation_monthly").fetchall()
    assert planned == [(744 * 3600.0, 744 * 3600.0)]
