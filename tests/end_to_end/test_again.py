"""The same folder again changes nothing; files in any order give the same store, row for row."""

import hashlib
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import duckdb
import polars as pl
import pytest

Command = Callable[..., "subprocess.CompletedProcess[str]"]

STORED = ("cycle", "tool_change", "edge_change", "event", "estimate", "job")


def _tables(book_path: Path) -> dict[str, pl.DataFrame]:
    with duckdb.connect(str(book_path), read_only=True) as book:
        core = {name: book.sql(f"select * from core.{name} order by all").pl() for name in STORED}
        marts = {
            name: book.sql(f"select * from mart.{name} order by all").pl()
            for name in ("utilisation_monthly", "job_drift", "drift_cause", "tool_life", "quote_factor")
        }
        files = book.sql("select * exclude (name, ingested_at) from raw.source_file order by file_id").pl()
    return {**core, **marts, "source_file": files}


def _hashes(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_second_run_changes_nothing(spindlebook: Command, demo_shop: Path, tmp_path: Path) -> None:
    """Nothing is read again, no row, figure or byte of the site changes."""
    shop = tmp_path / "shop"
    shutil.copytree(demo_shop, shop)
    tables, site = _tables(shop / "spindlebook.duckdb"), _hashes(shop / "site")

    done = spindlebook("run", shop / "exports", "--workspace", shop)

    assert done.returncode == 0, done.stderr
    assert "0 files read, 39 known already" in done.stdout
    again = _tables(shop / "spindlebook.duckdb")
    assert all(again[name].equals(table) for name, table in tables.items())
    assert _hashes(shop / "site") == site


@pytest.mark.parametrize("backwards", [False, True])
def test_order_of_files_makes_no_difference(
    spindlebook: Command, demo_shop: Path, tmp_path: Path, backwards: bool
) -> None:
    """File by file, forwards or backwards, overlapping exports end in the store that one run gives."""
    shop = tmp_path / "shop"
    for name in ("profiles", "exports"):
        shutil.copytree(demo_shop / name, shop / name)
    shutil.copy(demo_shop / "shop.toml", shop)
    files = sorted((shop / "exports" / "mill-1").glob("*.csv"), reverse=backwards)
    half = len(files) // 2

    for part in (files[half:], files[:half], [shop / "exports"]):
        assert spindlebook("ingest", *part, "--workspace", shop).returncode == 0
    assert spindlebook("derive", "--workspace", shop).returncode == 0

    expected = _tables(demo_shop / "spindlebook.duckdb")
    found = _tables(shop / "spindlebook.duckdb")
    assert [name for name, table in expected.items() if not found[name].equals(table)] == []
