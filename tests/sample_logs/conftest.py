"""One simulated demo shop for all tests of this folder, and the folder in which its files are written."""

from __future__ import annotations

from pathlib import Path

import pytest

from sample_logs.generate import COMMITTED_SEED, DemoShop, simulate, write


@pytest.fixture(scope="session")
def shop() -> DemoShop:
    """The demo shop of the committed seed."""
    return simulate(COMMITTED_SEED)


@pytest.fixture(scope="session")
def written(shop: DemoShop, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with all files of the demo shop."""
    folder = tmp_path_factory.mktemp("demo")
    write(shop, folder)
    return folder
