"""Whether lives that fall or rise do so by a step or along a slope, and where a step lies.

It judges tools whose lives were found to change; whether they change is the matter of the trend test.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.stats.aft_many import LifeSlopes, fit_slopes
from pipeline.stats.arrays import FloatArray, IntArray, TextArray
from pipeline.stats.life_sets import LifeSets
from pipeline.stats.ragged import Ragged

SEED = 8688
# Sets drawn from each of the two models, for each tool.
DRAWS = 99
# The other model is given up where such data would come from it no more often than this.
GIVEN_UP = 0.1
# What has to lie on both sides of a step.
LEAST_EDGES, LEAST_FAILURES = 3, 2
# Share of the likelihood that the edges named for a step hold.
EDGE_SHARE = 0.9
# Lives held at once when sets are drawn.
ROWS_AT_ONCE = 2_000_000


@dataclass(frozen=True, eq=False)
class TrendKinds:
    """How lives change.

    Attributes
    ----------
    kind : shape (tools,), `step`, `slope`, `unclear`, or empty where there is no place for a step
    at, low, high : shape (tools,)
        Place in its order of the first edge after the step, and of the first and last place of the 90 % set; -1 where
        there is none.
    ratio, ratio_low, ratio_high : shape (tools,)
        Life after over life before, with 95 % limits for a step at this place.
    """

    kind: TextArray
    at: IntArray
    low: IntArray
    high: IntArray
    ratio: FloatArray
    ratio_low: FloatArray
    ratio_high: FloatArray


def trend_kinds(sets: LifeSets) -> TrendKinds:
    """Tell steps from slopes.

    Notes
    -----
    The step at each place and the slope have their highest likelihoods compared. The best step had many places to
    choose from, so that the difference alone favours it: 99 sets are drawn from the fitted slope and 99 from the
    fitted step, residuals changing places, and the difference is held against those of either. A kind is named where
    the other would give such a difference in at most a tenth of cases; otherwise it is unclear.
    """
    order = sets.groups.position().astype(np.float64)
    slopes = fit_slopes(sets, order, level=None)
    at, places = _best_step(sets, slopes.shape)
    after = _after(sets.groups, at)
    steps = fit_slopes(sets, after)
    lead = steps.log_likelihood - slopes.log_likelihood
    judged = np.flatnonzero(np.isfinite(lead))
    of_slope, of_step = np.zeros(sets.tools), np.zeros(sets.tools)
    for part in _portions(sets, judged):
        some, rows = sets.take(part), sets.groups.take(part)[1]
        above = _drawn_leads(some, slopes.take(part), order[rows])
        below = _drawn_leads(some, steps.take(part), after[rows])
        slack = 1e-9 * np.maximum(1.0, np.abs(lead[part]))[:, None]
        of_slope[part] = (1 + (above >= lead[part, None] - slack).sum(axis=1)) / (1 + DRAWS)
        of_step[part] = (1 + (below <= lead[part, None] + slack).sum(axis=1)) / (1 + DRAWS)
    kind = np.select(
        [
            ~np.isfinite(lead),
            (of_slope <= GIVEN_UP) & (of_slope < of_step),
            (of_step <= GIVEN_UP) & (of_step < of_slope),
        ],
        ["", "step", "slope"],
        "unclear",
    )
    none = ~np.isfinite(lead)
    low, high = _edge_set(sets.groups, places)
    return TrendKinds(
        kind=kind,
        at=np.where(none, -1, at),
        low=np.where(none, -1, low),
        high=np.where(none, -1, high),
        ratio=np.exp(steps.slope),
        ratio_low=np.exp(steps.low),
        ratio_high=np.exp(steps.high),
    )


def _after(groups: Ragged, at: IntArray) -> FloatArray:
    return (groups.position() >= groups.spread(np.where(at < 0, groups.sizes, at))).astype(np.float64)


def _best_step(sets: LifeSets, shape: FloatArray) -> tuple[IntArray, FloatArray]:
    """Return the likeliest place of a step at a shape, -1 where none is possible, and every place's log-likelihood.

    The log-likelihood of a step before each edge is relative; places that are not possible have minus infinity.
    """
    groups = sets.groups
    power = np.exp(groups.spread(np.nan_to_num(shape, nan=1.0)) * sets.logs)
    failed = sets.failed.astype(np.float64)
    before = groups.running(power, np.add) - power
    failed_before = groups.running(failed, np.add) - failed
    behind = groups.spread(groups.sum(power)) - before
    failed_behind = groups.spread(sets.failures) - failed_before
    place = groups.position()
    possible = (
        (place >= LEAST_EDGES)
        & (groups.spread(groups.sizes) - place >= LEAST_EDGES)
        & (failed_before >= LEAST_FAILURES)
        & (failed_behind >= LEAST_FAILURES)
        & groups.spread(np.isfinite(shape))
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        height = -failed_before * np.log(before / failed_before) - failed_behind * np.log(behind / failed_behind)
    height = np.where(possible, height, -np.inf)
    top = groups.max(height)
    first = groups.min(np.where(possible & (height == groups.spread(top)), place, np.inf))
    return np.where(np.isfinite(first), first, -1).astype(np.int64), height


def _edge_set(groups: Ragged, height: FloatArray) -> tuple[IntArray, IntArray]:
    """Return first and last of the likeliest places that together hold 90 % of the likelihood."""
    top = groups.max(height)
    with np.errstate(invalid="ignore"):
        weight = np.where(
            np.isfinite(height), np.exp(height - groups.spread(np.where(np.isfinite(top), top, 0.0))), 0.0
        )
    member = groups.spread(np.arange(groups.sizes.size))
    order = np.lexsort((-weight, member))
    total = groups.spread(groups.sum(weight))
    reached = groups.running(weight[order], np.add) - weight[order]
    inside = np.zeros(weight.size, dtype=np.bool_)
    inside[order] = (reached < EDGE_SHARE * total[order]) & (weight[order] > 0)
    place = groups.position()
    low = groups.min(np.where(inside, place, np.inf))
    high = groups.max(np.where(inside, place, -np.inf))
    return tuple(np.where(np.isfinite(of), of, -1).astype(np.int64) for of in (low, high))  # type: ignore[return-value]


def _portions(sets: LifeSets, judged: IntArray) -> list[IntArray]:
    """Return the tools in portions whose drawn sets fit into memory."""
    rows = np.cumsum(sets.groups.sizes[judged]) * DRAWS
    return np.split(judged, np.searchsorted(rows, np.arange(ROWS_AT_ONCE, rows[-1], ROWS_AT_ONCE))) if rows.size else []


def _drawn_leads(sets: LifeSets, fits: LifeSlopes, covariate: FloatArray) -> FloatArray:
    """Return how far steps lead slopes in sets drawn from fitted models, shape (tools, DRAWS).

    A residual and whether it was a failure change places together.
    """
    groups = sets.groups
    mean = groups.sum(covariate) / np.maximum(groups.sizes, 1)
    centre = fits.slope * -mean
    line = groups.spread(fits.slope) * covariate + groups.spread(centre)
    rest = sets.logs - line
    logs, failed = [], []
    for tool in range(sets.tools):
        rows = slice(groups.starts[tool], groups.starts[tool] + groups.sizes[tool])
        orders = np.random.default_rng([SEED, int(groups.sizes[tool])]).permuted(
            np.broadcast_to(np.arange(groups.sizes[tool]), (DRAWS, groups.sizes[tool])), axis=1
        )
        logs.append((rest[rows][orders] + line[rows]).ravel())
        failed.append(sets.failed[rows][orders].ravel())
    drawn = LifeSets.of_logs(np.concatenate(logs), np.concatenate(failed), np.repeat(groups.sizes, DRAWS))
    slopes = fit_slopes(drawn, drawn.groups.position().astype(np.float64), level=None)
    at, _ = _best_step(drawn, slopes.shape)
    steps = fit_slopes(drawn, _after(drawn.groups, at), level=None)
    lead = np.nan_to_num(steps.log_likelihood - slopes.log_likelihood, nan=0.0)
    return lead.reshape(sets.tools, DRAWS)
