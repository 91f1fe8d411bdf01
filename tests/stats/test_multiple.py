"""Adjusted p-values against the paper they come from and two other implementations."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pipeline.stats.errors import InvalidInput
from pipeline.stats.multiple import benjamini_hochberg

# Benjamini & Hochberg, J. R. Statist. Soc. B 57 (1995) 289-300: the fifteen p-values of their example.
PAPER = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528]
PAPER += [0.7590, 1.0]


def test_example_of_the_paper() -> None:
    """Four of fifteen are rejected at q = 0.05 (nine at 0.10); adjusted values as statsmodels prints them."""
    q = benjamini_hochberg(PAPER)
    assert (q <= 0.05).sum() == 4
    assert (q <= 0.10).sum() == 9
    printed = [0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.063857, 0.063857, 0.0645, 0.0765]
    printed += [0.486, 0.581182, 0.714875, 0.753231, 0.813214, 1.0]
    assert q == pytest.approx(printed, rel=0, abs=5e-7)


@settings(derandomize=True, max_examples=60, deadline=None)
@given(p=st.lists(st.floats(0, 1), min_size=1, max_size=60))
def test_equals_scipy_and_statsmodels(p: list[float]) -> None:
    """Both references give the same values, ties and zeros included."""
    from statsmodels.stats.multitest import multipletests

    q = benjamini_hochberg(p)
    assert q == pytest.approx(stats.false_discovery_control(p), abs=1e-12)
    assert q == pytest.approx(multipletests(p, method="fdr_bh")[1], abs=1e-12)


@settings(derandomize=True, max_examples=40, deadline=None)
@given(p=st.lists(st.one_of(st.floats(0, 1), st.just(math.nan)), max_size=40))
def test_tests_not_made_do_not_count(p: list[float]) -> None:
    """Missing values stay missing in their place and leave the others as if they were not there."""
    values = np.array(p, dtype=float)
    q = benjamini_hochberg(values)
    made = ~np.isnan(values)
    assert np.array_equal(np.isnan(q), ~made)
    assert np.array_equal(q[made], benjamini_hochberg(values[made]))
    assert bool((q[made] >= values[made]).all())


@pytest.mark.parametrize("p", [[0.5, 1.5], [-0.1]])
def test_values_that_are_no_chances(p: list[float]) -> None:
    """A p-value lies in 0..1."""
    with pytest.raises(InvalidInput, match="outside"):
        benjamini_hochberg(p)
