"""Taylor's equation against textbook exercises, and the optimal lives against minimising the full cost."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize

from pipeline.stats.errors import InvalidInput
from pipeline.stats.taylor import TaylorFit, fit_taylor, maximum_output_life, minimum_cost_life


def test_two_points() -> None:
    """(160 m/min, 5 min), (100, 41): n = .223, C = 229 (Groover, Fundamentals of Modern Manufacturing, from memory)."""
    fit = fit_taylor([160.0, 100.0], [5.0, 41.0])
    assert fit.n == pytest.approx(0.223, abs=5e-4)
    assert fit.c == pytest.approx(229.0, abs=0.5)
    assert (fit.life(160.0), fit.life(100.0)) == pytest.approx((5.0, 41.0), rel=1e-12)
    assert math.isnan(fit.residual_sd)


def test_exercise_with_printed_answer() -> None:
    """60 m/min gives 81 min, 90 gives 36: n = .5, C = 540; half the speed raises life by 300 % (a GATE item)."""
    fit = fit_taylor([60.0, 90.0], [81.0, 36.0])
    assert fit.n == pytest.approx(0.5, rel=1e-12)
    assert fit.c == pytest.approx(540.0, rel=1e-12)
    assert fit.life(30.0) / fit.life(60.0) == pytest.approx(4.0, rel=1e-12)
    assert fit.speed(81.0) == pytest.approx(60.0, rel=1e-12)


def test_quarter_exponent() -> None:
    """n = .25, half the speed: sixteen times the life (numerical.minaprem.com)."""
    assert TaylorFit(0.25, 300.0, 2, math.nan).life(50.0) == pytest.approx(
        16.0 * TaylorFit(0.25, 300.0, 2, math.nan).life(100.0), rel=1e-12
    )


def test_more_points_by_least_squares() -> None:
    """Five scattered points give the line of numpy's polynomial fit of ln V on ln T and its scatter."""
    speeds, lives = [200.0, 180.0, 150.0, 130.0, 100.0], [6.0, 9.5, 21.0, 33.0, 120.0]
    fit = fit_taylor(speeds, lives)
    (slope, intercept), residual = np.polyfit(np.log(lives), np.log(speeds), 1, full=True)[:2]
    assert (fit.n, fit.c) == pytest.approx((-slope, math.exp(intercept)), rel=1e-10)
    assert fit.residual_sd == pytest.approx(math.sqrt(residual[0] / 3), rel=1e-8)


def test_minimum_cost_speed() -> None:
    """HSS, n .13, C 80, change 3 min, edge 3.33, rate .667/min: 47.7 m/min (Groover, from memory).

    The book's life, 53.4 min, is that of the rounded speed 47.7; the formula gives 53.488 with the rounded costs.
    """
    life = minimum_cost_life(0.13, 3.0, 3.33, 0.667)
    fit = TaylorFit(0.13, 80.0, 2, math.nan)
    assert fit.speed(life) == pytest.approx(47.7, abs=0.05)
    assert fit.life(47.7) == pytest.approx(53.4, abs=0.05)
    assert life == pytest.approx(53.488, abs=5e-4)


def test_optimal_lives_minimise_the_whole_cost() -> None:
    """Both closed forms are where cost and time of a part, written out in full, are least."""
    n, c, change, rate, edge = 0.125, 70.0, 2.0, 0.5, 2.8
    fit = TaylorFit(n, c, 2, math.nan)

    def minutes(speed: float) -> float:
        cut = 1000.0 / speed
        return cut + cut / fit.life(speed) * change

    def cost(speed: float) -> float:
        return rate * minutes(speed) + 1000.0 / speed / fit.life(speed) * edge

    for objective, life in (
        (cost, minimum_cost_life(n, change, edge, rate)),
        (minutes, maximum_output_life(n, change)),
    ):
        best = optimize.minimize_scalar(objective, bounds=(20.0, 90.0), method="bounded", options={"xatol": 1e-9})
        assert fit.speed(life) == pytest.approx(best.x, rel=1e-6)
    assert minimum_cost_life(n, change, edge, rate) == pytest.approx(53.2, rel=1e-12)
    assert maximum_output_life(n, change) == pytest.approx(14.0, rel=1e-12)


@pytest.mark.parametrize(
    ("speeds", "lives", "message"),
    [
        ([100.0], [10.0], "two or more"),
        ([100.0, 120.0], [10.0], "two or more"),
        ([100.0, 120.0], [10.0, 10.0], "alike"),
        ([100.0, 120.0], [10.0, 20.0], "does not fall"),
        ([100.0, -5.0], [10.0, 20.0], "above zero"),
    ],
)
def test_points_that_give_no_line(speeds: list[float], lives: list[float], message: str) -> None:
    """Points that do not follow the equation are refused with the reason."""
    with pytest.raises(InvalidInput, match=message):
        fit_taylor(speeds, lives)


def test_values_outside_their_range() -> None:
    """n lies between 0 and 1, costs are not negative, a minute costs something, speeds and lives are above zero."""
    for call in (
        lambda: maximum_output_life(1.0, 2.0),
        lambda: maximum_output_life(0.2, -1.0),
        lambda: minimum_cost_life(0.2, 1.0, -1.0, 1.0),
        lambda: minimum_cost_life(0.2, 1.0, 1.0, 0.0),
        lambda: TaylorFit(0.2, 100.0, 2, math.nan).life(0.0),
        lambda: TaylorFit(0.2, 100.0, 2, math.nan).speed(-1.0),
    ):
        with pytest.raises(InvalidInput):
            call()
