"""A short run of the fuzzer with a fixed seed, so that it stays able to run; the long runs are made by hand."""

import subprocess
import sys
from pathlib import Path

import pytest

FUZZER = Path(__file__).parent / "fuzz_readers.py"


@pytest.mark.parametrize("seed", [1, 2])
def test_some_damaged_files_of_every_shape_are_read_in_good_order(tmp_path: Path, seed: int) -> None:
    """No exception, no row lost, no file that takes long."""
    command = [sys.executable, str(FUZZER), "--minutes", "2", "--inputs", "50", "--seed", str(seed)]
    ran = subprocess.run([*command, "--keep", str(tmp_path)], capture_output=True, text=True, check=False)

    why = "\n".join(path.read_text("utf-8") for path in tmp_path.glob("*.why"))
    assert (ran.returncode, why) == (0, ""), ran.stdout + ran.stderr
