"""Kaplan-Meier estimates against published tables and two other implementations."""

from __future__ import annotations

import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pipeline.stats.errors import InvalidInput
from pipeline.stats.survival import kaplan_meier

FILE = Path(__file__).parent / "published" / "lives.toml"
PUBLISHED = tomllib.loads(FILE.read_text(encoding="utf-8"))["kaplan_meier"]


def half_unit(printed: str) -> float:
    return 0.5 * 10.0 ** -len(printed.partition(".")[2])


def random_lives(seed: int, edges: int) -> tuple[np.ndarray, np.ndarray]:
    """Whole-numbered lives with many ties, a third of them censored."""
    rng = np.random.default_rng(seed)
    return rng.integers(1, 15, edges).astype(float), rng.random(edges) < 1 / 3


@pytest.mark.parametrize("case", PUBLISHED, ids=lambda case: case["name"])
def test_published_tables(case: dict[str, Any]) -> None:
    """Times, numbers at risk and every printed figure are met; sources stand in the file."""
    taken_out = [life for life, count in case["censored"] for _ in range(count)]
    lives = case["failures"] + taken_out
    km = kaplan_meier(lives, np.arange(len(lives)) >= len(case["failures"]))
    ours = {
        "survival": km.survival,
        "failed_share": 1.0 - km.survival,
        "standard_error": km.standard_error,
        "low": km.low,
        "high": km.high,
    }
    assert km.times.tolist() == case["times"]
    assert km.at_risk.tolist() == case.get("at_risk", km.at_risk.tolist())
    assert km.median == case.get("median", km.median) or (math.isnan(km.median) and "median" not in case)
    for quantity, row in case["printed"].items():
        for value, printed in zip(ours[quantity], row, strict=True):
            assert value == pytest.approx(float(printed), rel=0, abs=half_unit(printed) * (1 + 1e-6)), quantity


def test_untreated_group() -> None:
    """Freireich et al. (1963), control group: without censoring the estimate is the share still alive, in 21sts."""
    lives = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]
    km = kaplan_meier(lives, [False] * len(lives))
    assert (21 * km.survival).round(9).tolist() == [19, 17, 16, 14, 12, 8, 6, 4, 3, 2, 1, 0]
    assert km.median == 8
    assert math.isnan(km.low[-1])
    assert math.isnan(km.high[-1])


def test_shock_absorber_failed_share() -> None:
    """Meeker & Escobar (1998), Table 3.5: F at the eleven failures (first values quoted from memory)."""
    case = next(
        case for case in tomllib.loads(FILE.read_text(encoding="utf-8"))["weibull"] if case["name"] == "shock absorbers"
    )
    lives = case["failures"] + [life for life, _ in case["censored"]]
    km = kaplan_meier(lives, np.arange(len(lives)) >= len(case["failures"]))
    printed = [0.0263, 0.0550, 0.0913, 0.1292, 0.1727, 0.2162, 0.2816, 0.3714, 0.4612, 0.5689, 0.7126]
    assert 1.0 - km.survival == pytest.approx(printed, rel=0, abs=5e-5)


@pytest.mark.parametrize("seed", range(8))
def test_equals_scipy(seed: int) -> None:
    """Survival and log-log limits equal those of scipy's empirical distribution of censored data."""
    lives, censored = random_lives(seed, 30)
    # scipy warns where nothing, or everything, is left alive.
    censored = np.where(lives == lives.min(), False, censored | (lives == lives.max()))
    km = kaplan_meier(lives, censored, level=0.9)
    theirs = stats.ecdf(stats.CensoredData(uncensored=lives[~censored], right=lives[censored])).sf
    assert km.survival == pytest.approx(theirs.evaluate(km.times), abs=1e-12)
    limits = theirs.confidence_interval(confidence_level=0.9, method="log-log")
    assert km.low == pytest.approx(limits.low.evaluate(km.times), abs=1e-9)
    assert km.high == pytest.approx(limits.high.evaluate(km.times), abs=1e-9)


@pytest.mark.parametrize("seed", range(8))
def test_equals_lifelines(seed: int) -> None:
    """Survival and median equal those of lifelines."""
    from lifelines import KaplanMeierFitter

    lives, censored = random_lives(seed + 50, 40)
    km = kaplan_meier(lives, censored)
    theirs = KaplanMeierFitter().fit(lives, ~censored)
    assert km.survival == pytest.approx(theirs.predict(km.times).to_numpy(), abs=1e-12)
    assert km.median == theirs.median_survival_time_


@settings(derandomize=True, max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), edges=st.integers(1, 60))
def test_shape_of_the_curve(seed: int, edges: int) -> None:
    """The curve falls, lies inside its limits and inside 0..1, and does not depend on the order of edges."""
    lives, censored = random_lives(seed, edges)
    km = kaplan_meier(lives, censored)
    order = np.random.default_rng(seed).permutation(edges)
    again = kaplan_meier(lives[order], censored[order])
    assert np.array_equal(again.survival, km.survival)
    assert bool((np.diff(km.survival) < 0).all())
    alive = km.survival > 0
    inside = (km.low <= km.survival) & (km.survival <= km.high) & (km.low >= 0) & (km.high <= 1)
    assert bool(inside[alive].all())
    assert km.failures.sum() + km.censored == edges
    assert km.survival_at([0.0, 1e9])[0] == 1.0


def test_half_alive_is_the_median_in_spite_of_rounding() -> None:
    """Of 24 edges half are left at the twelfth failure, although the product rounds to above 0.5."""
    km = kaplan_meier(np.arange(1.0, 25.0), [False] * 24)
    assert km.survival[11] > 0.5
    assert km.median == 12.0


def test_nothing_failed() -> None:
    """Without a failure the curve stays at one and has no median."""
    km = kaplan_meier([5.0, 6.0], [True, True])
    assert km.times.size == 0
    assert math.isnan(km.median)
    assert km.survival_at([3.0]).tolist() == [1.0]


def test_level_outside_its_range() -> None:
    """A level is a share, not per cent."""
    with pytest.raises(InvalidInput, match="level"):
        kaplan_meier([5.0], [False], level=95)
