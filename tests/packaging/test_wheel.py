"""What is in the repository is in the wheel, and the installed command runs from anywhere, editable or not."""

import os
import subprocess
import sys
import sysconfig
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SHIPPED = ("pipeline", "schemas", "flows", "dashboards", "sample_logs")


def _clean(environment: dict[str, str]) -> dict[str, str]:
    return {key: value for key, value in environment.items() if not key.startswith("PYTHON")}


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--no-build-isolation", "-w", folder, ROOT],
        check=True,
        env=_clean(dict(os.environ)),
    )
    return next(folder.glob("*.whl"))


def _bare_environment(folder: Path) -> Path:
    """Make a virtual environment that sees the libraries of this one behind its own packages; return its python."""
    subprocess.run([sys.executable, "-m", "venv", folder], check=True)
    site = next((folder / "lib").glob("python3.*")) / "site-packages"
    (site / "zz_libraries.pth").write_text(sysconfig.get_paths()["purelib"] + "\n", encoding="utf-8")
    return folder / "bin" / "python"


def test_wheel_holds_every_tracked_file(wheel: Path) -> None:
    """Every SQL file, template, profile and sample log ships; nothing else does."""
    tracked = subprocess.run(
        ["git", "ls-files", "-co", "--exclude-standard", *SHIPPED], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.splitlines()
    packed = {
        name for name in zipfile.ZipFile(wheel).namelist() if ".dist-info/" not in name and not name.endswith("/")
    }

    assert packed == {name for name in tracked if (ROOT / name).is_file()}


@pytest.mark.parametrize("form", ["wheel", "editable"])
def test_installed_command_runs_from_the_root(form: str, wheel: Path, tmp_path: Path) -> None:
    """Both kinds of install give a command that finds its packaged files from any folder."""
    python = _bare_environment(tmp_path / "env")
    target = [str(wheel)] if form == "wheel" else ["-e", str(ROOT)]
    subprocess.run(
        [python, "-m", "pip", "install", "--quiet", "--no-deps", "--no-build-isolation", "--force-reinstall", *target],
        check=True,
        env=_clean(dict(os.environ)),
    )

    done = subprocess.run(
        [python.with_name("spindlebook"), "--quiet", "demo", "--workspace", tmp_path / "shop"],
        cwd="/",
        capture_output=True,
        text=True,
        check=False,
        env=_clean(dict(os.environ)),
    )

    assert done.returncode == 0, done.stderr
    assert (tmp_path / "shop" / "site" / "index.html").exists()
