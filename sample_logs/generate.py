"""Makes the demo shop's logs: `python -m sample_logs.generate [--seed N] [--out FOLDER]`.
Without arguments it writes the committed files again; it stands alone and imports nothing of the pipeline.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path

from sample_logs.render import write
from sample_logs.simulate import DemoShop, simulate
from sample_logs.truth import PlantedJob, Truth

__all__ = ["COMMITTED_SEED", "DemoShop", "PlantedJob", "Truth", "main", "simulate", "write"]

COMMITTED_SEED = 1
"""The first number there is, not chosen for what comes out: a seed may show a steady tool as falling by chance."""


def main(argv: Sequence[str] | None = None) -> int:
    """Write the demo shop of a seed into a folder and say how much was written."""
    parser = argparse.ArgumentParser(prog="sample_logs.generate", description="Make the demo shop's synthetic logs.")
    parser.add_argument("--seed", type=int, default=COMMITTED_SEED, help="seed of the simulation (default %(default)s)")
    parser.add_argument("--out", type=Path, default=None, help="folder to write to (default: the committed files)")
    options = parser.parse_args(argv)
    folder = options.out or Path(str(files("sample_logs")))
    paths = write(simulate(options.seed), folder)
    total = sum(path.stat().st_size for path in paths)
    sys.stdout.write(f"{len(paths)} files, {total / 1e6:.2f} MB, seed {options.seed}\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
