"""Learning curves against published tables, and learning found in simulated batches. CPU: 1 s."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.stats.errors import InvalidInput
from pipeline.stats.learning import (
    cumulative_average_unit_time,
    estimate_learning,
    mean_over_batch,
    rate_between,
    settled_log,
    total_time,
    unit_time,
)

COEFFICIENTS = {  # standard table of operations-management textbooks, quoted from memory: unit and total time
    2: ((0.7000, 1.700), (0.8000, 1.800), (0.8500, 1.850), (0.9000, 1.900)),
    3: ((0.5682, 2.268), (0.7021, 2.502), (0.7729, 2.623), (0.8462, 2.746)),
    4: ((0.4900, 2.758), (0.6400, 3.142), (0.7225, 3.345), (0.8100, 3.556)),
    5: ((0.4368, 3.195), (0.5956, 3.738), (0.6857, 4.031), (0.7830, 4.339)),
    10: ((0.3058, 4.932), (0.4765, 6.315), (0.5828, 7.116), (0.7047, 7.994)),
    20: ((0.2141, 7.407), (0.3812, 10.485), (0.4954, 12.402), (0.6342, 14.608)),
    50: ((0.1336, 12.307), (0.2838, 20.122), (0.3996, 25.513), (0.5518, 32.142)),
    100: ((0.0935, 17.791), (0.2271, 32.651), (0.3397, 43.754), (0.4966, 58.141)),
}


def test_the_standard_coefficients() -> None:
    """Unit and cumulative coefficients of the unit model to the printed digits."""
    for number, row in COEFFICIENTS.items():
        for rate, (unit, total) in zip((0.70, 0.80, 0.85, 0.90), row, strict=True):
            assert unit_time(number, rate)[0] == pytest.approx(unit, abs=5.1e-5)
            assert total_time(number, rate) == pytest.approx(total, abs=5.1e-4)


def test_a_published_vignette() -> None:
    """Vignette of the R package learningCurve (commit e2096fb): first unit 100 h, unit 125, and known units."""
    for rate, hours in ((0.80, 21.13225), (0.825, 26.18401), (0.85, 32.23647), (0.875, 39.44942), (0.90, 48.00243)):
        assert 100 * unit_time(125, rate)[0] == pytest.approx(hours, abs=5.1e-6)
    assert 100 * total_time(125, 0.85) == pytest.approx(5201.085, abs=5.1e-4)
    assert 100 * cumulative_average_unit_time(125, 0.85) == pytest.approx(24.70136, abs=5.1e-6)
    for unit, hours, later, rate, published in (
        (1, 100, 80, 0.83, 30.79056),
        (20, 120, 150, 0.92, 94.17084),
        (10, 90, 175, 0.87, 50.64078),
    ):
        at = hours * float(unit_time(later, rate)[0] / unit_time(unit, rate)[0])
        assert at == pytest.approx(published, abs=5.1e-6)
        assert rate_between(unit, hours, later, at) == pytest.approx(rate)


def test_mean_over_a_batch() -> None:
    """By hand: at 90 % the first of two runs takes 10 ^ 0.152 of a settled one."""
    slope = math.log2(0.9)
    assert mean_over_batch(2, slope) == pytest.approx((10**-slope + 5**-slope) / 2)
    assert mean_over_batch(1000, 0.0) == 1.0
    assert mean_over_batch(40, slope) < mean_over_batch(5, slope)


Runs = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]


def shop(rng: np.random.Generator, slope: float, jobs: int = 12, batches: int = 4, runs: int = 12) -> Runs:
    """Batches that share an error each, runs with their own, and a slope over the number within the batch."""
    job = np.repeat(np.arange(jobs), batches * runs)
    batch = np.repeat(np.arange(jobs * batches), runs)
    number = np.tile(np.arange(1, runs + 1), jobs * batches)
    effect = np.repeat(rng.normal(0, 0.02, jobs * batches), runs)
    return job, batch, number, effect + rng.normal(0, 0.01, job.size) + slope * settled_log(number)


def test_learning_is_found_and_measured() -> None:
    """A rate of 95 % comes back within its error in 97 % of shops or more, and is established in all."""
    rng = np.random.default_rng(85)
    slope, hits = math.log2(0.95), 0
    for _ in range(200):
        found = estimate_learning(*shop(rng, slope))
        assert found.established
        hits += abs(found.shop_slope - slope) <= 3 * found.shop_error
    assert hits / 200 >= 0.97


def test_a_shop_that_does_not_learn_is_seldom_said_to() -> None:
    """At most 1 % of shops, within three binomial errors; there nothing is taken out."""
    rng = np.random.default_rng(86)
    found = [estimate_learning(*shop(rng, 0.0)) for _ in range(400)]
    assert np.mean([one.established for one in found]) <= 0.01 + 3 * math.sqrt(0.01 * 0.99 / 400)
    assert all((one.slope == 0).all() for one in found if not one.established)


def test_odd_first_parts_are_no_learning() -> None:
    """A first part of twice its time in every other batch does not make a curve."""
    job, batch, number, log = shop(np.random.default_rng(87), 0.0)
    log = log + np.where((number == 1) & (batch % 2 == 0), math.log(2), 0.0)
    assert not estimate_learning(job, batch, number, log).established


def test_nothing_to_learn_from() -> None:
    """Batches of one run, or one job, say nothing."""
    assert not estimate_learning([0, 1], [0, 1], [1, 1], [0.1, 0.2]).established
    assert estimate_learning([], [], [], []).slope.size == 0
    with pytest.raises(InvalidInput, match="one per log_ratio"):
        estimate_learning([0], [0], [1], [0.1, 0.2])
