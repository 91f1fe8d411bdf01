"""Figures that DEVELOPERS.md states, for the tests that hold them."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest

STATED_IN = Path(__file__).parents[2] / "DEVELOPERS.md"


@pytest.fixture
def stated() -> Callable[[str], float]:
    """Return the number that the table of figures states; a percentage as a share."""

    def find(what: str) -> float:
        row = rf"^\| {re.escape(what)} \| ([0-9.,]+)( %)?"
        found = re.search(row, STATED_IN.read_text(encoding="utf-8"), re.MULTILINE)
        assert found, f"DEVELOPERS.md states no figure for: {what}"
        return float(found[1].replace(",", "")) / (100 if found[2] else 1)

    return find
