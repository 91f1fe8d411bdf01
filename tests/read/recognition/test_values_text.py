"""What columns of text look like."""

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.read.recognition.text_facts import text_facts


def facts(*cells: str | None):
    return text_facts(pl.Series(cells, dtype=pl.String))


@pytest.mark.parametrize(
    ("cell", "like"),
    [
        *[(name, "program") for name in ("O1234", "o0001", "1234.NC", "P-1023", "FLANGE_OP10.tap", "AB1234-20")],
        *[(name, "tool") for name in ("4", "004", "T4", "T 04", "t0101", "12.0")],
        *[(name, "prose") for name in ("insert broke in the second pocket", "Platte gebrochen, neu eingestellt")],
        *[(name, "") for name in ("Meier", "12.5", "2026-01-05", "OK", "short note")],
    ],
)
def test_what_a_cell_looks_like(cell, like):
    """Programs, tools and prose are told apart by their shape."""
    found = facts(cell)

    shares = {"program": found.program_like, "tool": found.tool_like, "prose": found.prose}
    assert {name for name, share in shares.items() if share} == ({like} if like else set())


def test_shares_count_rows_not_values():
    """Four filled cells of two values, one step without a change."""
    found = facts("T1", None, "T1", "T2", "", "O1234")

    assert (found.rows, found.filled, found.distinct, found.longest, found.constant) == (6, 4, 3, 5, None)
    assert (found.tool_like, found.program_like) == (0.75, 0.25)
    assert found.repeats == pytest.approx(1 / 3)


def test_a_constant_is_told():
    """Empty cells do not count."""
    assert facts("M1", None, "M1", "").constant == "M1"
    assert facts("007", "012").padded == 1.0


@given(st.lists(st.none() | st.text(max_size=30), max_size=20))
def test_any_text_has_facts(cells):
    """Nothing in a cell makes it fail."""
    found = facts(*cells)

    assert found.filled == sum(bool(cell) for cell in cells)
    assert found.distinct == len({cell for cell in cells if cell})
