"""Sums of Student's t and a normal against integrals. CPU: 1 s."""

import math

import numpy as np
import pytest
from scipy import stats

from pipeline.stats.students_t import with_error


def inside(reach: float, scale: float, freedom: float, variance: float) -> float:
    """Share of the sum within a reach, by a fine sum over the normal part."""
    normal = np.linspace(-8, 8, 8001)
    weight = stats.norm.pdf(normal) / stats.norm.pdf(normal).sum()
    away = math.sqrt(variance) * normal
    share = stats.t.cdf((reach - away) / scale, freedom) - stats.t.cdf((-reach - away) / scale, freedom)
    return float((weight * share).sum())


@pytest.mark.parametrize("freedom", [1.0, 2.0, 3.5, 8.0, 40.0, 600.0])
@pytest.mark.parametrize("scale", [0.1, 0.7, 1.0, 4.0])
def test_sums_reach_as_far_as_they_do(freedom: float, scale: float) -> None:
    """Half and nine tenths of the sum lie within the limits of the t that is returned."""
    found, degrees = with_error([scale], [freedom], [1.0])
    for share in (0.5, 0.9):
        reach = float(found[0] * stats.t.ppf(0.5 + share / 2, degrees[0]))
        assert inside(reach, scale, freedom, 1.0) == pytest.approx(share, abs=0.002)


def test_ends_of_sums() -> None:
    """Without an error the t itself; of an error alone the normal, or the t of what it was estimated from."""
    scale, degrees = with_error([0.3, 0.0, 0.0, math.nan], [5.0, 5.0, 5.0, math.nan], [0.0, 0.04, 0.04, 1.0],
                                [math.inf, math.inf, 12.0, math.inf])  # fmt: skip

    def reach(place: int) -> float:
        return float(scale[place] * stats.t.ppf(0.95, degrees[place]))

    assert reach(0) == pytest.approx(0.3 * stats.t.ppf(0.95, 5), rel=2e-3)
    assert reach(1) == pytest.approx(0.2 * stats.norm.ppf(0.95), rel=2e-3)
    assert reach(2) == pytest.approx(0.2 * stats.t.ppf(0.95, 12), rel=2e-3)
    assert math.isnan(scale[3])
    assert math.isnan(degrees[3])
