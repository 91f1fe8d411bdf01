"""edge-lives: ten thousand rows of tool wear in minutes; a fall of the counter is a change of the edge.

The set has no clock, only the order of its rows: the profile counts their number as minutes since the year of the set.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import optimize, stats

Opened = Any

ENDED, FAILED, REPLACED = 119, 46, 73  # README of the data; one more edge is in use at 30 min
SHORTEST, LONGEST, IN_USE = 198, 253, 30  # README, minutes


@pytest.fixture(scope="module")
def published(open_data: Path) -> str:
    return (open_data / "edge-lives" / "ai4i2020.csv").read_text(encoding="utf-8-sig")


@pytest.fixture(scope="module")
def lives(opened: Callable[..., Opened], open_data: Path) -> Opened:
    return opened("edge-lives", open_data / "edge-lives" / "ai4i2020.csv")


@pytest.fixture(scope="module")
def plain_lives(published: str) -> list[tuple[float, bool, bool]]:
    """Minutes, failed, ended of each edge by a plain walk through the rows."""
    found: list[tuple[float, bool, bool]] = []
    minutes, failed = 0.0, False
    for row in csv.DictReader(published.splitlines()):
        reading = float(row["ToolWear[min]"])
        if reading < minutes:
            found.append((minutes, failed, True))
            failed = False
        minutes = reading
        failed = failed or row["TWF"] == "1"
    return [*found, (minutes, failed, False)]


@pytest.fixture(scope="module")
def fit(plain_lives: list[tuple[float, bool, bool]]) -> Any:
    from lifelines import WeibullFitter

    minutes, failed, _ = (np.array(column) for column in zip(*plain_lives, strict=True))
    return WeibullFitter().fit(minutes, failed, fit_options={"tol": 1e-12})


def test_every_row_gives_two_events(lives: Opened) -> None:
    assert lives.rows("select rows_read, rows_loaded, rows_rejected from raw.source_file") == [(20_000, 20_000, 0)]


def test_lives_are_found_in_the_counter(lives: Opened, plain_lives: list[tuple[float, bool, bool]]) -> None:
    """119 ended lives of 198 to 253 min, 46 of them failures and 73 replaced unfailed; one edge is in use at 30 min."""
    ours = lives.rows("select cut_min, not censored, removed_at is not null from core.edge_life order by edge_number")
    assert ours == plain_lives
    ended = [(minutes, failed) for minutes, failed, is_ended in ours if is_ended]
    assert (len(ended), sum(failed for _, failed in ended), sum(not failed for _, failed in ended)) == (
        ENDED,
        FAILED,
        REPLACED,
    )
    assert (min(ended)[0], max(ended)[0]) == (SHORTEST, LONGEST)
    assert ours[-1] == (IN_USE, False, False)


def test_fit_agrees_with_lifelines(lives: Opened, fit: Any) -> None:
    """Shape, scale, B10 and median of the Weibull fit with censored lives, lifelines being the reference."""
    (tool,) = lives.report("tools")
    assert (tool["edges"], tool["failures"], tool["censored"], tool["unit"]) == (ENDED + 1, FAILED, REPLACED + 1, "min")
    assert tool["shape"] == pytest.approx(fit.rho_, rel=1e-4)
    assert tool["scale"] == pytest.approx(fit.lambda_, rel=1e-4)
    assert tool["life_b10"] == pytest.approx(fit.percentile(0.9), rel=1e-4)
    assert tool["life_median"] == pytest.approx(fit.percentile(0.5), rel=1e-4)
    assert tool["current_age"] == IN_USE


@pytest.mark.parametrize(
    ("share", "level", "low", "high"), [(0.1, 0.9, "b10_low", "b10_high"), (0.5, 0.95, "life_low", "life_high")]
)
def test_limits_are_those_of_the_profile_likelihood(
    lives: Opened,
    plain_lives: list[tuple[float, bool, bool]],
    fit: Any,
    share: float,
    level: float,
    low: str,
    high: str,
) -> None:
    """Limits of B10 (90 %) and of the median (95 %) solve the likelihood-ratio equation, worked out here with scipy.

    The distance below lifelines' maximum is that of t with as many degrees of freedom as failures (pipeline/stats).
    """
    minutes, failed, _ = (np.array(column) for column in zip(*plain_lives, strict=True))
    failed = failed.astype(bool)

    def log_likelihood(shape: float, scale: float) -> float:
        hazard = np.log(shape / scale) + (shape - 1) * np.log(minutes / scale)
        return float(hazard[failed].sum() - ((minutes / scale) ** shape).sum())

    def profile(quantile: float) -> float:
        def minus(shape: float) -> float:
            return -log_likelihood(shape, quantile / (-math.log1p(-share)) ** (1 / shape))

        return -optimize.minimize_scalar(minus, bounds=(1.0, 80.0), method="bounded", options={"xatol": 1e-9}).fun

    best = fit.percentile(1 - share)
    least = log_likelihood(fit.rho_, fit.lambda_) - stats.t.ppf(0.5 + level / 2, FAILED) ** 2 / 2
    (tool,) = lives.report("tools")
    assert tool[low] == pytest.approx(optimize.brentq(lambda q: profile(q) - least, 0.7 * best, best), rel=1e-4)
    assert tool[high] == pytest.approx(optimize.brentq(lambda q: profile(q) - least, best, 1.4 * best), rel=1e-4)
