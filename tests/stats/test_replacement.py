"""The cheapest age of a planned change against its published example, an identity and plain minimisation."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, optimize, stats

from pipeline.stats.errors import InvalidInput
from pipeline.stats.replacement import best_change_age, cost_rate


def test_published_example() -> None:
    """Optimum replacement time 493.0470 at shape 2.5, scale 1000, costs 1 and 5 (reliawiki.com; answer from memory)."""
    age = best_change_age(2.5, 1000.0, 1.0, 5.0)
    assert age == pytest.approx(493.0470, rel=0, abs=5e-5)


@pytest.mark.parametrize(("shape", "ratio"), [(1.3, 20.0), (2.5, 5.0), (4.0, 2.0), (8.0, 30.0), (3.0, 1e6)])
def test_identity_of_barlow_and_hunter(shape: float, ratio: float) -> None:
    """h(T) * integral of S - F(T) = planned / (failure - planned), with the integral done numerically."""
    age = best_change_age(shape, 10.0, 1.0, ratio)
    assert age is not None
    life = stats.weibull_min(shape, scale=10.0)
    used = integrate.quad(life.sf, 0.0, age)[0]
    assert life.pdf(age) / life.sf(age) * used - life.cdf(age) == pytest.approx(1.0 / (ratio - 1.0), rel=1e-7)


@settings(derandomize=True, max_examples=40, deadline=None)
@given(shape=st.floats(1.2, 10), scale=st.floats(1e-3, 1e6), ratio=st.floats(1.5, 1000))
def test_nothing_is_cheaper(shape: float, scale: float, ratio: float) -> None:
    """No other age, nor running to failure, costs less; the age scales with the life."""
    age = best_change_age(shape, scale, 2.0, 2.0 * ratio)
    if age is None:
        # Only where hardly an edge would reach the age: 3 scales hold 99.9999 % of lives from shape 2.4 on.
        assert shape < 2.4
        return
    best = cost_rate(age, shape, scale, 2.0, 2.0 * ratio)
    others = [0.5 * age, 0.99 * age, 1.01 * age, 2.0 * age, math.inf]
    assert all(best <= cost_rate(other, shape, scale, 2.0, 2.0 * ratio) * (1 + 1e-12) for other in others)
    assert best_change_age(shape, 3.0 * scale, 2.0, 2.0 * ratio) == pytest.approx(3.0 * age, rel=1e-9)


def test_equals_plain_minimisation() -> None:
    """scipy's minimiser of the cost rate finds the same age."""
    found = optimize.minimize_scalar(
        lambda t: cost_rate(t, 3.0, 50.0, 4.0, 40.0), bounds=(1.0, 100.0), method="bounded"
    )
    assert best_change_age(3.0, 50.0, 4.0, 40.0) == pytest.approx(found.x, rel=1e-3)


@pytest.mark.parametrize(
    ("shape", "planned", "failure"), [(1.0, 1.0, 5.0), (0.7, 1.0, 5.0), (3.0, 5.0, 5.0), (3.0, 6.0, 5.0)]
)
def test_run_to_failure(shape: float, planned: float, failure: float) -> None:
    """Where edges do not wear, or an end of life costs no more, a planned change never pays."""
    assert best_change_age(shape, 10.0, planned, failure) is None


def test_cost_of_running_to_failure() -> None:
    """Failure cost over mean life: 5 / 887.263818 for the published example, and very late changes come to it."""
    assert cost_rate(math.inf, 2.5, 1000.0, 1.0, 5.0) == pytest.approx(0.005635302, abs=5e-10)
    assert cost_rate(1e6, 2.5, 1000.0, 1.0, 5.0) == pytest.approx(cost_rate(math.inf, 2.5, 1000.0, 1.0, 5.0), rel=1e-12)


@pytest.mark.parametrize(
    "arguments", [(0.0, 10.0, 1.0, 5.0), (2.0, -1.0, 1.0, 5.0), (2.0, 10.0, 0.0, 5.0), (2.0, 10.0, 1.0, math.nan)]
)
def test_impossible_arguments(arguments: tuple[float, float, float, float]) -> None:
    """Shape, scale and costs are above zero."""
    with pytest.raises(InvalidInput, match="above zero"):
        best_change_age(*arguments)
