"""The committed logs are what the generator writes, and stay within the size that the repository can bear."""

from __future__ import annotations

import json
import subprocess
import sys
from importlib.resources import files
from pathlib import Path

import pytest

from sample_logs.generate import COMMITTED_SEED, main, simulate, write

COMMITTED = Path(str(files("sample_logs")))
GENERATED = ("exports", "profiles", "shop.toml", "truth.json")


def _contents(folder: Path) -> dict[str, bytes]:
    paths = [path for name in GENERATED for path in [folder / name, *(folder / name).rglob("*")] if path.is_file()]
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in paths}


def test_committed_files_are_byte_for_byte_what_is_written(written: Path) -> None:
    """Generator and files can't drift apart: no file differs, is missing or is left over."""
    fresh, committed = _contents(written), _contents(COMMITTED)
    assert sorted(fresh) == sorted(committed)
    assert [name for name in fresh if fresh[name] != committed[name]] == []


def test_files_stay_small(written: Path) -> None:
    """At most 6 MB in all, no file above 1.8 MB, and no more than 4 MB of stream."""
    sizes = {name: len(data) for name, data in _contents(written).items()}
    assert max(sizes.values()) <= 1_800_000
    assert sum(sizes.values()) <= 6_000_000
    assert sum(size for name, size in sizes.items() if "/mill-2/" in name) <= 4_000_000


def test_truth_names_the_committed_seed() -> None:
    """truth.json says from which seed the logs beside it come."""
    assert json.loads((COMMITTED / "truth.json").read_text(encoding="utf-8"))["seed"] == COMMITTED_SEED


def test_another_seed_gives_other_logs_and_the_same_plan(tmp_path: Path) -> None:
    """The seed changes noise and quantities, never shop.toml, profiles or estimates."""
    write(simulate(7), tmp_path)
    other, committed = _contents(tmp_path), _contents(COMMITTED)
    same = {name for name in other if other[name] == committed[name]}
    assert {"shop.toml", "exports/office/estimates.csv", "exports/office/letter.txt"} <= same
    assert not {name for name in same if name.startswith(("exports/mill-", "exports/tool-crib", "truth"))}


def test_command_writes_where_it_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`--out` and `--seed` are obeyed, and the command says what it wrote."""
    assert main(["--seed", "7", "--out", str(tmp_path)]) == 0
    assert json.loads((tmp_path / "truth.json").read_text(encoding="utf-8"))["seed"] == 7
    assert capsys.readouterr().out.endswith("MB, seed 7\n")


def test_the_demo_stands_alone() -> None:
    """The generator loads nothing of the pipeline that it is evidence for."""
    code = (
        "import sys, sample_logs.generate\n"
        "rooms = {'pipeline', 'schemas', 'flows', 'dashboards', 'prefect', 'duckdb', 'pandera', 'scipy'}\n"
        "print(sorted(rooms & {name.split('.')[0] for name in sys.modules}))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=COMMITTED.parent
    )
    assert done.stdout.strip() == "[]"
