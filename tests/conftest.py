"""What several rooms share: the installed command, one workspace of the demo shop, and which tests are begun first."""

import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import settings

# How long an example takes says how busy the computer is.
settings.register_profile("unhurried", parent=settings.default, deadline=None)
settings.load_profile("unhurried")

Command = Callable[..., "subprocess.CompletedProcess[str]"]

BEGUN_FIRST = (
    "derive/test_incremental.py",
    "end_to_end/test_again.py",
    "simulation/test_other_seeds.py",
    "corpus/test_dialects.py",
    "end_to_end/test_commands.py",
    "dashboards/test_missing_figures.py",
    "derive/test_time_line.py",
    "corpus/test_corpus.py",
    "open_data/test_mill_turn.py",
    "derive/test_marts.py",
    "end_to_end/test_freezing.py",
    "derive/test_runs.py",
    "dashboards/test_browser.py",
    "dashboards/test_site.py",
    "simulation/test_tool_life.py",
    "stats/test_crossed.py",
    "simulation/test_weekly_looks.py",
    "stats/test_life_trend.py",
    "derive/test_quote_backtest.py",
    "end_to_end/test_profile_command.py",
)
"""Modules that take longest: where several workers share the tests, none is left alone with one of them at the end."""


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Put the modules that take longest first, for workers; a single process keeps the order of the folders."""
    tests = Path(__file__).parent
    if missing := [name for name in BEGUN_FIRST if not (tests / name).exists()]:
        raise pytest.UsageError(f"tests/conftest.py names modules that are not there: {', '.join(missing)}")
    if hasattr(config, "workerinput"):
        turn = {tests / name: place for place, name in enumerate(BEGUN_FIRST)}
        items.sort(key=lambda item: turn.get(item.path, len(turn)))


@pytest.fixture(scope="session")
def spindlebook() -> Command:
    """Run the installed command as a user would: a process of its own, messages and results apart."""
    script = Path(sys.executable).with_name("spindlebook")
    assert script.exists(), "the package is not installed in this environment: pip install '.[dev]'"

    def run(*arguments: str | Path, cwd: Path | None = None, **environment: str) -> "subprocess.CompletedProcess[str]":
        return subprocess.run(
            [script, *map(str, arguments)],
            capture_output=True,
            text=True,
            cwd=cwd,
            env={**os.environ, "NO_COLOR": "1", **environment},
            check=False,
        )

    return run


@pytest.fixture(scope="session")
def demo_shop(spindlebook: Command, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The workspace of the demo shop after one run, made once for all workers; tests must not change it."""
    shared = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        shared = shared.parent
    folder, made, failed = (shared / f"demo-shop{ending}" for ending in ("", ".made", ".failed"))
    try:
        folder.mkdir()
    except FileExistsError:  # another worker makes it
        while not made.exists():
            assert not failed.exists(), "the demo shop could not be made; another worker says why"
            time.sleep(0.1)
        return folder / "shop"
    done = spindlebook("demo", "--workspace", folder / "shop")
    (made if done.returncode == 0 else failed).touch()
    assert done.returncode == 0, done.stderr
    return folder / "shop"
