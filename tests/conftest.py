"""Fixtures that several rooms share: the installed command, and one workspace of the demo shop for each worker."""

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

Command = Callable[..., "subprocess.CompletedProcess[str]"]


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
    """The workspace of the demo shop after one run; tests must not change it."""
    folder = tmp_path_factory.mktemp("demo") / "shop"
    done = spindlebook("demo", "--workspace", folder)
    assert done.returncode == 0, done.stderr
    return folder
