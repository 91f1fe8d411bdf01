"""The rooms are entered one way, small commands start without heavy libraries, and the top level stays as laid out."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TOP_LEVEL = {
    "README.md", "DEVELOPERS.md", "pyproject.toml",
    "pipeline", "schemas", "flows", "tests", "sample_logs", "dashboards",
}  # fmt: skip
HEAVY = ("prefect", "altair", "scipy", "duckdb", "polars", "pandera", "xlsxwriter")


def test_imports_run_one_way() -> None:
    """The contracts of pyproject.toml (import-linter) hold, imports inside functions included."""
    done = subprocess.run(
        [Path(sys.executable).with_name("lint-imports"), "--no-cache"], cwd=ROOT, capture_output=True, text=True
    )

    assert done.returncode == 0, done.stdout


@pytest.mark.parametrize("arguments", [["--help"], ["run", "--help"], ["schedule", "--help"], ["--version"]])
def test_small_commands_load_no_heavy_library(arguments: list[str]) -> None:
    """Help and version answer at once: none of the heavy libraries is imported for them."""
    code = (
        "import sys; from pipeline.cli import main; code = main(sys.argv[1:]); "
        f"print('LOADED', *[name for name in {HEAVY!r} if name in sys.modules]); sys.exit(code)"
    )

    done = subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=True)

    assert done.stdout.splitlines()[-1].strip() == "LOADED"


def test_running_loads_no_orchestrator() -> None:
    """`run` and `demo` call the steps directly; only `schedule` knows Prefect."""
    assert _loaded_with_the_steps("prefect") == "[]"


def test_a_run_with_nothing_new_loads_no_statistics() -> None:
    """Checks and statistics are loaded where there is something to check or to derive: they are most of a second."""
    assert _loaded_with_the_steps("scipy", "pandera", "pandas", "altair") == "[]"


def _loaded_with_the_steps(*names: str) -> str:
    code = f"import sys, flows.steps; print([name for name in sys.modules if name in {names!r}])"
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.strip()


def test_sql_lives_in_sql_files() -> None:
    """No Python file of ours holds a query longer than a line."""
    long_query = re.compile(r'"""[^"]*\bselect\b[^"]*\bfrom\b[^"]*"""', re.IGNORECASE)
    offenders = [
        path.relative_to(ROOT).as_posix()
        for room in ("pipeline", "flows", "dashboards")
        for path in sorted((ROOT / room).rglob("*.py"))
        for block in long_query.findall(path.read_text(encoding="utf-8"))
        if re.search(r"^\s*(select|with|insert|update|delete)\b", block.strip('"'), re.IGNORECASE | re.MULTILINE)
    ]

    assert offenders == []


def test_top_level_is_as_laid_out() -> None:
    """git tracks nothing else at the top but dot files."""
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout

    tops = {line.split("/")[0] for line in listed.splitlines()}

    assert {name for name in tops if not name.startswith(".")} == TOP_LEVEL
