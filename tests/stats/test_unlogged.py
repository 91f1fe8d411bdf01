"""Chances of lives that are too long: exact after uncensored lives, and what a forgotten note looks like.

CPU: about 2 s.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate

from pipeline.stats.unlogged import chance_to_outlast

TOOLS, EDGES = 2500, 30


def lives_of(shape: float, half_censored: bool, seed: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    lives = 20 * rng.weibull(shape, (TOOLS, EDGES))
    ends = 20 * rng.weibull(shape, (TOOLS, EDGES)) if half_censored else np.full_like(lives, np.inf)
    return np.minimum(lives, ends), ends < lives


def chances(lives: np.ndarray, censored: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    tool = np.repeat(np.arange(lives.shape[0]), lives.shape[1])
    chance, failures = chance_to_outlast(lives.ravel(), censored.ravel(), tool)
    return chance.reshape(lives.shape), failures.reshape(lives.shape)


@pytest.mark.parametrize("shape", [1.5, 2.0, 4.0, 6.0])
def test_one_life_in_a_thousand_is_marked(shape: float) -> None:
    """After five failures or more; edges of one tool are not independent, so the error is that of their tools."""
    chance, failures = chances(*lives_of(shape, False, 1))
    is_judged = failures >= 5
    alarms = ((chance < 0.001) & is_judged).sum(axis=1) / is_judged.sum(axis=1)
    assert abs(alarms.mean() - 0.001) < 3 * alarms.std() / np.sqrt(TOOLS)
    for level in (0.5, 0.1, 0.01):
        share = ((chance < level) & is_judged).sum(axis=1) / is_judged.sum(axis=1)
        assert abs(share.mean() - level) < 3 * share.std() / np.sqrt(TOOLS)


@pytest.mark.parametrize("shape", [2.0, 4.0])
def test_planned_changes_raise_no_more_alarms(shape: float) -> None:
    chance, failures = chances(*lives_of(shape, True, 2))
    assert ((chance < 0.001) & (failures >= 5)).sum() / (failures >= 5).sum() < 0.001


@pytest.mark.parametrize(("shape", "least"), [(4.0, 0.45), (6.0, 0.85)])
def test_two_lives_in_one_are_found(shape: float, least: float) -> None:
    """After twenty lives; measured: 50 % at shape 4, 90 % at shape 6."""
    lives, censored = lives_of(shape, False, 3)
    lives[:, 20] += 20 * np.random.default_rng(4).weibull(shape, TOOLS)
    chance, _ = chances(lives, censored)
    assert (chance[:, 20] < 0.001).mean() > least


def test_the_sum_over_shapes_is_the_integral() -> None:
    """Against quadrature over shape and scale of the same prior, 1 / (shape x scale)."""
    lives, censored = np.array([12.0, 19.0, 25.0, 15.0, 22.0]), np.array([False, False, True, False, False])

    def seen(shape: float, log_scale: float) -> float:
        ratio = lives / np.exp(log_scale)
        return float(np.exp(-(ratio**shape).sum())) * float(
            np.prod(np.where(censored, 1.0, shape / np.exp(log_scale) * ratio ** (shape - 1)))
        )

    def over(age: float | None) -> float:
        def inner(log_shape: float, log_scale: float) -> float:
            shape = np.exp(log_shape)
            tail = 1.0 if age is None else float(np.exp(-((age / np.exp(log_scale)) ** shape)))
            return seen(shape, log_scale) * tail

        return float(integrate.dblquad(inner, np.log(5), np.log(2000), np.log(0.6), np.log(16.0), epsrel=1e-4)[0])

    chance, failures = chance_to_outlast(
        np.append(lives, 31.0), np.append(censored, False), np.zeros(6, dtype=np.int64)
    )
    assert failures[-1] == 4
    assert chance[-1] == pytest.approx(over(31.0) / over(None), rel=0.02)


def test_first_lives_say_nothing_and_tools_are_apart() -> None:
    chance, failures = chance_to_outlast(
        np.array([1.0, 2.0, 1.0, 2.0]), np.array([False, False, True, False]), np.array([0, 0, 1, 1])
    )
    assert np.isnan(chance[[0, 2, 3]]).all()
    assert np.isfinite(chance[1])
    assert failures.tolist() == [0, 1, 0, 0]
