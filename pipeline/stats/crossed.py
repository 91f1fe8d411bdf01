"""How far estimates of new work are out: levels of several crossed factors (machine, material ...) drawn together.

ln(actual / estimate) of a job = shop + one effect a factor + the job itself + what its few batches leave open. Rows
of one job (its tools) share an effect of the job and, batch by batch, one of the batch. It predicts; turning that into
times and money, and saying which factors are worth offering, is done elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from pipeline.stats.arrays import BoolArray, FloatArray, IntArray, as_share, as_vector
from pipeline.stats.errors import InvalidInput
from pipeline.stats.students_t import SHARES, with_reaches

DRAWS: Final = 96
"""Points at which the posterior of the spreads is taken."""
DEGREES: Final = 5.0
"""Of the t distribution that they are drawn from."""
PRIOR_SCALE: Final = 0.25
"""Of the priors of spread ratios, below which they are flat in the spread and above which in ln spread."""
SEED: Final = 1933
STEP: Final = 0.25
"""Of the differences that give gradient and curvature, in ln spread."""
LEAST_SHARE: Final = 0.5
"""Of the variance of rows that is taken to be between jobs at least where the search for it begins."""
SMALL_SAMPLING: Final = 0.2
"""Of the variance between jobs, below which the sampling variance is taken as it is said to be."""
MOST_FREEDOM: Final = 500.0
"""Degrees of freedom of a sampling variance from which on it is as good as known."""
BASE_POINTS: Final = (-2.0, -1.0, 0.0, 1.0, 2.0)
"""Standard deviations about the best ln variance between jobs at which its posterior is taken."""
SMALLEST_BASE_LOG, LARGEST_BASE_LOG = -5.0, 4.0
"""Bounds of ln(variance between jobs / sampling variance) where it is searched."""
LEAST_WEIGHT: Final = 1e-4
SMALLEST_LOG, LARGEST_LOG = -6.0, 3.0
"""Bounds of ln(spread between levels / spread between jobs)."""
FLOOR: Final = 1e-9
"""Spread of ln ratio below which equal ratios are the rounding of a clock."""
BLOCK_NUMBERS: Final = 4_000_000
NEARLY_NORMAL: Final = 500.0
"""Degrees of freedom from which on Student's t is taken as normal: its 90 % reach is 0.3 % wider there."""
TABLED: Final = 2048
"""Stretches into which a table divides Student's t."""
GROUP_POINTS: Final = (-2.8, -1.4, 0.0, 1.4, 2.8)
"""Standard deviations, of each side its own, about the best ln variance of a group's own effect at which its posterior
is taken: five points a standard deviation and a half apart reach into its tails, and miss a normal's mass by 1e-4."""
LEAST_AWAY: Final = 0.5
"""In ln variance, from which on a point of the search tells how fast the posterior falls to its side."""
SMALLEST_GROUP_LOG, LARGEST_GROUP_LOG = -7.0, 20.0
"""Bounds of ln(variance of a group's own effect / variance between rows of it).

Where rows of a group differ by less than a 20,000th of what groups do, which no clock of a shop tells, limits become
too narrow; with a larger bound sums lose their digits.
"""


@dataclass(frozen=True, eq=False)
class Predictions:
    """What to expect of ln(actual / estimate), one entry a prediction.

    Attributes
    ----------
    mean, scale, degrees_of_freedom : shape (n,)
        Of Student's t, so chosen that its middle 50 and 90 % are those of the posterior; scale is nan and the degrees
        of freedom 0 where no spread is known to judge by.
    unseen : shape (n, factors)
        True where the level of a factor has no history: the spread between its levels is then part of the scale.
    settled : shape (n,)
        How much of what levels differ by is known of these, 0 to 1.
    """

    mean: FloatArray
    scale: FloatArray
    degrees_of_freedom: FloatArray
    unseen: BoolArray
    settled: FloatArray

    def quantile(self, p: float) -> FloatArray:
        """Return the ln ratio that stays below with chance `p`; nan where unknown."""
        as_share(p, "p")
        known = self.degrees_of_freedom > 0
        reach = special.stdtrit(np.where(known, self.degrees_of_freedom, 1.0), p)
        return np.where(known, self.mean + reach * self.scale, math.nan)


@dataclass(frozen=True, eq=False)
class _Sums:
    """Rows summed up over levels: all that the fit needs of them, whatever their number."""

    matrix: FloatArray
    vector: FloatArray
    square: float
    log_determinant: float
    rows: int
    sizes: tuple[int, ...]
    ratio: float = 0.0
    base: float = 1.0
    freedom: float = 0.0
    sampling: float = 0.0  # mean sampling variance over base
    within: tuple[bool, ...] = ()  # whether rows of one group differ in a factor
    shared: float = 0.0  # mean sampling variance that rows of a group share, over base

    @property
    def prior_scale(self) -> FloatArray:
        """Of the spread ratios: levels are set against all that varies within them.

        That is the groups' own effect too, but not for a factor in which the rows of a group differ: were it set
        against that effect, levels that hardly differ would speak for a small one.
        """
        shared = np.array([0.0 if apart else self.ratio for apart in self.within or (False,) * len(self.sizes)])
        return PRIOR_SCALE * np.sqrt(1.0 + shared + (self.sampling if self.freedom else 0.0))

    @property
    def degrees(self) -> float:
        """Degrees of freedom of the variance that all the others are multiples of."""
        return max(self.rows - 1, 1) + self.freedom

    def squares(self, explained: FloatArray) -> FloatArray:
        """Return what squares leave, those that the sampling variance rests on among them."""
        left = np.maximum(self.square - explained, self.rows * FLOOR**2)
        return np.asarray(left + self.freedom * self.base, dtype=np.float64)

    @property
    def is_even(self) -> bool:
        return self.square <= self.rows * FLOOR**2


@dataclass(frozen=True, eq=False)
class CrossedFit:
    """A fitted shop.

    Attributes
    ----------
    rows : int
    levels : tuple of int
        How many levels each factor has; one with a single level takes no part, and nothing is known of others.
    spreads : shape (factors,)
        Posterior median spread of ln ratio between levels; nan for a single level.
    job_sd : float
        The same between jobs of the same levels; nan with a single row.
    group_sd : float
        The same between groups of rows (jobs with several tools); 0 without groups.
    """

    rows: int
    levels: tuple[int, ...]
    spreads: FloatArray
    job_sd: float
    group_sd: float
    _active: tuple[int, ...] = field(repr=False)
    _centre: float = field(repr=False)
    _bases: FloatArray = field(repr=False)
    _degrees: float = field(repr=False)
    _group_ratios: FloatArray = field(repr=False)
    _weight: FloatArray = field(repr=False)
    _ratios: FloatArray = field(repr=False)
    _means: FloatArray = field(repr=False)
    _inverses: FloatArray = field(repr=False)
    _variances: FloatArray = field(repr=False)
    _average: FloatArray = field(repr=False)

    @property
    def mode(self) -> FloatArray:
        """Where a fit of nearly the same rows may start: ln spread ratios, ln variance ratio of groups, ln variance."""
        group = self._weight @ self._group_ratios
        told = np.append(np.log(self._weight @ self._ratios), math.log(group) if group > 0 else 0.0)
        return np.append(told, self._weight @ np.log(self._bases))

    @property
    def sampling_unit(self) -> float:
        """What a new job's sampling variance counts for in the square of a prediction's scale, on average."""
        return float(self._weight @ (self._variances / self._bases))

    def predict(
        self,
        levels: ArrayLike,
        sampling_variance: ArrayLike = 0.0,
        group_sampling: ArrayLike = 0.0,
        *,
        with_job: bool = True,
    ) -> Predictions:
        """Return what to expect of jobs at these levels.

        Parameters
        ----------
        levels : array of int, shape (n, factors)
            -1 for a level without history.
        sampling_variance, group_sampling : array, shape (n,) or one number
            What the batches and runs of the new job add, to a row alone and to all rows of the job alike.
        with_job : whether the spread from job to job is part of it; without, it is of the mean over jobs
        """
        wanted = np.asarray(levels, dtype=np.int64)
        if wanted.ndim != 2 or wanted.shape[1] != len(self.levels):
            raise InvalidInput(f"levels: expected a column for each of {len(self.levels)} factors")
        for at, size in enumerate(self.levels):
            if bool((wanted[:, at] >= size).any()):
                raise InvalidInput("levels: a level lies beyond those that were fitted")
        extra = np.asarray(sampling_variance, dtype=np.float64) + np.asarray(group_sampling, dtype=np.float64)
        mean, relative, settled = self._moments(wanted)
        if with_job:
            own = np.broadcast_to(extra, wanted.shape[:1])
            relative = relative + 1.0 + own[:, None] / self._bases + self._group_ratios
        return self._summed_up(mean, relative, wanted < 0, settled)

    def shop(self) -> Predictions:
        """Return the mean over jobs of the levels as the rows have them."""
        mean = (self._means @ self._average)[None, :]
        relative = np.einsum("i,kij,j->k", self._average, self._inverses, self._average)[None, :]
        return self._summed_up(mean, relative, np.zeros((1, len(self.levels)), dtype=np.bool_), np.ones(1))

    def _columns(self, level: IntArray, place: int) -> IntArray:
        """Return the columns of levels of the active factor at `place`; the last, empty one without history."""
        before = 1 + sum(self.levels[factor] for factor in self._active[:place])
        return np.where(level < 0, self._means.shape[1] - 1, before + level)

    def _moments(self, levels: IntArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return means and relative variances, prediction x point, and how much of the effects is known."""
        columns = [np.zeros(levels.shape[0], dtype=np.int64)]
        columns += [self._columns(levels[:, factor], place) for place, factor in enumerate(self._active)]
        mean = sum((self._means[:, column].T for column in columns), np.zeros((levels.shape[0], self._weight.size)))
        relative, open_ = np.zeros_like(mean), np.zeros_like(mean)
        for number, one in enumerate(columns):
            for other_number, other in enumerate(columns):
                part = self._inverses[:, one, other].T
                relative = relative + part
                if number and other_number:
                    open_ = open_ + part
        prior = np.zeros_like(mean)
        for place, factor in enumerate(self._active):
            ratio = self._ratios[:, place] ** 2
            unseen = (levels[:, factor] < 0)[:, None] * ratio
            relative, open_ = relative + unseen, open_ + unseen
            prior = prior + ratio
        share = np.divide(open_, prior, out=np.ones_like(prior), where=prior > 0) @ self._weight
        return mean, relative, np.clip(1.0 - share, 0.0, 1.0)

    def _summed_up(self, mean: FloatArray, relative: FloatArray, unseen: BoolArray, settled: FloatArray) -> Predictions:
        centre = mean @ self._weight + self._centre
        known = np.full(centre.size, self.rows > 1)
        for factor in range(len(self.levels)):
            if factor not in self._active:
                known &= ~unseen[:, factor]
        scale, freedom = np.full(centre.size, math.nan), np.zeros(centre.size)
        if known.any():
            away = mean[known] - (mean[known] @ self._weight)[:, None]
            spread = np.sqrt(relative[known] * self._variances)
            scale[known], freedom[known] = _as_t(away, spread, self._weight, self._degrees)
        return Predictions(centre, scale, freedom, unseen, settled)


def fit_crossed(
    levels: ArrayLike,
    log_ratio: ArrayLike,
    sampling_variance: ArrayLike | None = None,
    group: ArrayLike | None = None,
    group_sampling: ArrayLike | None = None,
    start: FloatArray | None = None,
    sampling_freedom: float = MOST_FREEDOM,
) -> CrossedFit:
    """Fit a shop.

    Parameters
    ----------
    levels : array of int, shape (rows, factors)
        From 0 in each factor; every number up to the largest occurs.
    log_ratio : array, shape (rows,)
        ln(actual / estimate) of each job, or of each job and tool type.
    sampling_variance : array, shape (rows,), optional
        Known variance of `log_ratio` about the job's own value: few batches, few runs.
    group : array of int, shape (rows,), optional
        Rows of one number share an effect of their own: a job with several tool types.
    group_sampling : array, shape (rows,), optional
        Known variance of what the rows of a group share beside that effect: few batches, whose errors all tools share.
    start : shape (active factors + 2,), optional
        `mode` of a fit of nearly the same rows, to begin at.
    sampling_freedom : degrees of freedom from which the sampling variances were estimated

    Raises
    ------
    InvalidInput
        Without any row, on unequal lengths, a missing value, a negative level or variance.

    Notes
    -----
    Variance of a row: v (1 + sampling variance / base), v times the squared spread ratio of each factor between its
    levels, and of what a group shares v (ratio + its sampling variance / base). v / base is how far the sampling
    variance is out, of which its degrees of freedom are a chi-squared's; so the variance between jobs is free to be
    small where batches differ far more than jobs do. Base is integrated over on even points of its logarithm, with a
    prior flat in the spread between jobs where that is small beside the sampling spread; with groups, and where the
    sampling variance is a fifth of base or less, base is found by moments and v is free.
    With these weights fixed, level sums are sufficient: rows of any number are summed up once, and each point of the
    posterior costs one Cholesky of the order of the levels. The shop's mean (flat prior) and v (1 / v) are integrated
    out by formula, which is the restricted likelihood (REML). Ratios of spreads have priors that are flat in the spread
    where it is small and in ln spread where it is large, under which limits for a level not seen before hold as stated
    however far levels lie apart (as with the flat prior of Gelman 2006, Bayesian Analysis 1(3), they are rather too
    wide where levels are few and alike); they are integrated over by importance sampling about the mode, with fixed
    draws, the groups' variance on a few even points of its logarithm. So predictions carry what is not known of the
    spreads.
    """
    level, values, sampling, groups, shared = _checked(levels, log_ratio, sampling_variance, group, group_sampling)
    sizes = tuple(int(column.max()) + 1 for column in level.T)
    active = tuple(at for at, size in enumerate(sizes) if size > 1)
    centre = float(values.mean())
    values = values - centre
    used = level[:, list(active)]
    counts = tuple(sizes[at] for at in active)
    point, group_log, base = np.full(len(active), -0.5), 0.0, max(float(values.var()), FLOOR**2)
    if start is not None and start.size == len(active) + 2:
        point, group_log, base = start[: len(active)], float(start[-2]), math.exp(start[-1])
    mean_sampling = float(sampling.mean()) + (float(shared.mean()) if shared.size else 0.0)

    within = _within(used, groups)

    def summed(base: float, freedom: float = 0.0) -> _GroupedRows:
        return _GroupedRows.of(used, counts, values, sampling, groups, shared, base, freedom, within)

    curvature = np.eye(len(active))
    is_known = start is not None and groups is None and mean_sampling > SMALL_SAMPLING * base
    for _ in range(1 if is_known else 3):
        taken = summed(base)
        if is_known:
            break
        if taken.alone.is_even:
            break
        group_log = taken.best(point, group_log)[0]
        sums = taken.sums(group_log)
        point, curvature = _mode(sums, point)
        new = _new_base(sums, point, base, mean_sampling)
        done = abs(new / base - 1.0) < 0.02
        base = new
        if done:
            break
    bases, freedom = np.array([base]), 0.0
    is_open = groups is None and mean_sampling > SMALL_SAMPLING * base and values.size > 2
    if is_open and not taken.alone.is_even:
        freedom = min(sampling_freedom, MOST_FREEDOM)
        bases, point, curvature = _open_base(
            lambda base: summed(base, freedom).alone, base, mean_sampling, point, (0.5,) if is_known else (1.0, 0.5)
        )
        base = float(bases[bases.size // 2])
    several, moved, told, group_logs, widths = [], [], [], [], []
    for one in bases:
        taken, away = summed(float(one), freedom), math.log(one / base)
        for log, width in zip(*taken.points(point - 0.5 * away, group_log - away), strict=True):
            several.append(taken.sums(log))
            moved.append(-0.5 * away)
            told.append(float(one))
            group_logs.append(log)
            widths.append(width)
    weight, ratios, means, inverses, variances, at = _posterior(
        several, point, curvature, np.array(moved), np.array(widths)
    )
    logs = np.array(group_logs)
    group_ratios = np.exp(logs)[at] if groups is not None else np.zeros(weight.size)
    spreads = np.full(len(sizes), math.nan)
    spreads[list(active)] = np.exp(weight @ np.log(ratios * np.sqrt(variances)[:, None]))
    alone = values.size < 2
    matrix = taken.alone.matrix
    return CrossedFit(
        rows=values.size,
        levels=sizes,
        spreads=spreads * (math.nan if alone else 1.0),
        job_sd=math.nan if alone else math.sqrt(weight @ variances),
        group_sd=math.nan if alone else math.sqrt(weight @ (variances * group_ratios)),
        _active=active,
        _centre=centre,
        _bases=np.array(told)[at],
        _degrees=several[0].degrees,
        _group_ratios=group_ratios,
        _weight=weight,
        _ratios=ratios,
        _means=means,
        _inverses=inverses,
        _variances=variances,
        _average=np.append(matrix[0] / matrix[0, 0], 0.0),
    )


def _checked(
    levels: ArrayLike,
    log_ratio: ArrayLike,
    sampling_variance: ArrayLike | None,
    group: ArrayLike | None,
    group_sampling: ArrayLike | None,
) -> tuple[IntArray, FloatArray, FloatArray, IntArray | None, FloatArray]:
    """Return levels, values, sampling variances, groups (None where each row is one), and what groups share of them."""
    values = as_vector(log_ratio, "log_ratio")
    level = np.asarray(levels, dtype=np.int64)
    if not values.size:
        raise InvalidInput("log_ratio: there is no row")
    if level.ndim != 2 or level.shape[0] != values.size:
        raise InvalidInput(f"levels: expected {values.size} rows, one per log_ratio")
    if level.size and int(level.min()) < 0:
        raise InvalidInput("levels: expected numbers from 0")
    sampling = _variances(sampling_variance, values.size, "sampling_variance")
    shared = _variances(group_sampling, values.size, "group_sampling")
    groups = None if group is None else np.unique(np.asarray(group), return_inverse=True)[1].astype(np.int64)
    if groups is not None and groups.shape != values.shape:
        raise InvalidInput(f"group: expected {values.size} entries")
    if groups is None or int(groups.max()) + 1 == values.size:
        return level, values, sampling + shared, None, np.zeros(0)
    number = np.bincount(groups)
    return level, values, sampling, groups, np.bincount(groups, weights=shared) / number


def _within(level: IntArray, group: IntArray | None) -> tuple[bool, ...]:
    """Return of each factor whether rows of one group differ in it."""
    if group is None:
        return tuple([False] * level.shape[1])
    first = np.unique(group, return_index=True)[1]
    differs: list[bool] = (level != level[first][group]).any(axis=0).tolist()
    return tuple(differs)


def _variances(given: ArrayLike | None, size: int, name: str) -> FloatArray:
    found = np.zeros(size) if given is None else as_vector(given, name)
    if found.size != size or bool((found < 0).any()):
        raise InvalidInput(f"{name}: expected {size} entries of 0 or more")
    return found


def _sums(level: IntArray, sizes: tuple[int, ...], values: FloatArray, variance: FloatArray) -> _Sums:
    """Sum rows up over levels."""
    weight = 1.0 / variance
    starts = _starts(sizes)
    count = int(starts[-1])
    matrix, vector = np.zeros((count, count)), np.zeros(count)
    matrix[0, 0], vector[0] = weight.sum(), (weight * values).sum()
    for at, size in enumerate(sizes):
        here = slice(starts[at], starts[at] + size)
        own = np.bincount(level[:, at], weights=weight, minlength=size)
        vector[here] = np.bincount(level[:, at], weights=weight * values, minlength=size)
        matrix[here, here] = np.diag(own)
        matrix[0, here] = matrix[here, 0] = own
        for other in range(at):
            there = slice(starts[other], starts[other] + sizes[other])
            pair = np.bincount(
                level[:, at] * sizes[other] + level[:, other], weights=weight, minlength=size * sizes[other]
            ).reshape(size, sizes[other])
            matrix[here, there], matrix[there, here] = pair, pair.T
    square = float((weight * values**2).sum())
    return _Sums(matrix, vector, square, float(np.log(variance).sum()), values.size, sizes)


def _starts(sizes: tuple[int, ...]) -> IntArray:
    """Return the column at which the levels of each factor begin, behind that of the shop; the last is their number."""
    return (1 + np.concatenate(([0], np.cumsum(sizes)))).astype(np.int64)


@dataclass(frozen=True, eq=False)
class _GroupedRows:
    """Rows summed up as if each were alone, and what it takes to give groups of them an effect of their own.

    Attributes
    ----------
    alone : the sums without such an effect
    spread : sparse, shape (groups, columns), or None without groups
        Sums of weights by group and level.
    total, values : shape (groups,)
        Sums of weights, and of weighted values.
    shared : shape (groups,)
        Known variance that the rows of a group share, over that between rows.
    """

    alone: _Sums
    spread: Any
    total: FloatArray
    values: FloatArray
    shared: FloatArray

    @classmethod
    def of(
        cls, level: IntArray, sizes: tuple[int, ...], values: FloatArray, sampling: FloatArray,
        group: IntArray | None, shared: FloatArray, base: float, freedom: float, within: tuple[bool, ...] = (),
    ) -> _GroupedRows:  # fmt: skip
        """Sum rows up, with a variance of `base` between jobs; `within` as in `_Sums`."""
        variance, shared = 1.0 + sampling / base, shared / base
        mean = float(variance.mean()) - 1.0 + (float(shared.mean()) if shared.size else 0.0)
        alone = replace(_sums(level, sizes, values, variance), base=base, freedom=freedom, sampling=mean, within=within)
        if group is None:
            return cls(alone, None, np.zeros(0), np.zeros(0), shared)
        from scipy import sparse

        weight, groups, starts = 1.0 / variance, int(group.max()) + 1, _starts(sizes)
        columns = np.column_stack((np.zeros(group.size, dtype=np.int64), level + starts[:-1][None, :]))
        spread = sparse.csr_matrix(
            (np.repeat(weight, columns.shape[1]), (np.repeat(group, columns.shape[1]), columns.ravel())),
            shape=(groups, int(starts[-1])),
        )
        total, summed = (
            np.bincount(group, weights=told, minlength=groups).astype(np.float64) for told in (weight, weight * values)
        )
        return cls(alone, spread, total, summed, shared)

    def sums(self, log_ratio: float) -> _Sums:
        """Return the sums with an effect of each group, of variance exp(log_ratio) + shared (Woodbury)."""
        if self.spread is None:
            return self.alone
        own = math.exp(log_ratio) + self.shared
        shrink = own / (1.0 + own * self.total)
        matrix = (self.spread.T @ self.spread.multiply(shrink[:, None]).tocsr()).toarray()
        return replace(
            self.alone,
            matrix=self.alone.matrix - matrix,
            vector=self.alone.vector - self.spread.T @ (shrink * self.values),
            square=self.alone.square - float((shrink * self.values**2).sum()),
            log_determinant=self.alone.log_determinant + float(np.log1p(own * self.total).sum()),
            ratio=math.exp(log_ratio),
            shared=float(self.shared.mean()),
        )

    def best(self, point: FloatArray, start: float) -> tuple[float, float, float]:
        """Return the ln variance ratio of the groups' effect that is likeliest, and how sure that is (sd), by sides.

        Steps uphill from `start`, and then a parabola through three points, twice. Few groups leave far larger
        variances open than they do smaller ones, so each side has the standard deviation of the normal that falls as
        far as the posterior does at a point of the search.
        """
        if self.spread is None:
            return 0.0, 0.0, 0.0
        known: dict[float, float] = {}

        def height(log_ratio: float) -> float:
            if log_ratio not in known:
                known[log_ratio] = float(_log_posterior(self.sums(log_ratio), point[None])[0])
            return known[log_ratio]

        middle, spread = start, 1.0
        for step in (1.0, 0.25):
            middle, spread = _peak(height, middle, step, (SMALLEST_GROUP_LOG, LARGEST_GROUP_LOG), 0.25)
        top, sides = height(middle), []
        for side in (-1.0, 1.0):
            away = min((side * (log - middle) for log in known if side * (log - middle) >= LEAST_AWAY), default=0.0)
            fallen = top - height(middle + side * away) if away else 0.0
            sides.append(min(away / math.sqrt(2.0 * fallen), 2.0 * spread) if fallen > 0 else spread)
        return middle, sides[0], sides[1]

    def points(self, point: FloatArray, start: float) -> tuple[FloatArray, FloatArray]:
        """Return ln variance ratios about the likeliest, and how much of ln each stands for."""
        if self.spread is None or self.alone.is_even:
            return np.array([start]), np.ones(1)
        middle, below, above = self.best(point, start)
        away = np.array(GROUP_POINTS)
        logs = middle + away * np.where(away < 0, below, above)
        return logs, np.where(away < 0, below, np.where(away > 0, above, 0.5 * (below + above)))


def _precision(sums: _Sums, points: FloatArray) -> FloatArray:
    """Return the matrices of the normal equations at points (K, factors) of ln spread ratio, shape (K, q, q)."""
    prior = np.zeros((points.shape[0], sums.vector.size))
    at = 1
    for factor, size in enumerate(sums.sizes):
        prior[:, at : at + size] = np.exp(-2.0 * points[:, factor])[:, None]
        at += size
    matrices = np.repeat(sums.matrix[None], points.shape[0], axis=0)
    diagonal = np.arange(sums.vector.size)
    matrices[:, diagonal, diagonal] += prior
    return matrices


def _log_posterior(sums: _Sums, points: FloatArray) -> FloatArray:
    """Return ln of the posterior density at points (K, factors), up to a constant."""
    found = np.empty(points.shape[0])
    block = max(1, BLOCK_NUMBERS // sums.vector.size**2)
    for first in range(0, points.shape[0], block):
        some = points[first : first + block]
        factor = np.linalg.cholesky(_precision(sums, some))
        half = np.linalg.solve(factor, np.broadcast_to(sums.vector, (some.shape[0], sums.vector.size))[..., None])
        residual = sums.squares((half[..., 0] ** 2).sum(axis=1))
        determinant = 2.0 * np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
        likelihood = -(some @ np.array(sums.sizes, dtype=np.float64)) - 0.5 * determinant
        found[first : first + block] = likelihood - 0.5 * (sums.rows - 1 + sums.freedom) * np.log(residual)
    prior = _log_prior(points, sums.prior_scale)
    if sums.ratio > 0:
        # a group's own spread is seen through the errors that its rows share, as that of jobs through theirs
        scale = math.sqrt(PRIOR_SCALE**2 + sums.shared)
        prior = prior + _log_prior(np.array([[0.5 * math.log(sums.ratio)]]), scale)
    if sums.freedom:
        prior = prior + 0.5 * sums.freedom * math.log(sums.base)
        prior = prior + _log_prior(np.array([[-0.5 * math.log(sums.sampling)]]), 1.0)
    return found + prior - 0.5 * sums.log_determinant


def _log_prior(points: FloatArray, scale: FloatArray | float) -> FloatArray:
    """Return ln of the prior density of spread ratios, in ln ratio."""
    away = points - np.log(scale)
    return np.asarray((away - np.logaddexp(0.0, away)).sum(axis=1), dtype=np.float64)


def _mode(sums: _Sums, start: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the mode of the posterior and its curvature (negative Hessian, made positive), by damped Newton steps."""
    point, size = start.copy(), start.size
    curvature = np.eye(size)
    for _ in range(15 if size else 0):
        gradient, curvature, here = _slopes(sums, point)
        step = np.clip(np.linalg.solve(curvature, gradient), -2.0, 2.0)
        tried = np.clip(point + np.array([1.0, 0.5, 0.2, 0.05])[:, None] * step, SMALLEST_LOG, LARGEST_LOG)
        heights = _log_posterior(sums, tried)
        best = int(heights.argmax())
        if heights[best] <= here + 1e-3:
            break
        moved = float(np.abs(tried[best] - point).max())
        point = tried[best]
        if moved < 0.02:
            break
    return point, curvature


def _slopes(sums: _Sums, point: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Return gradient, curvature and height of the log posterior by differences."""
    size = point.size
    unit = STEP * np.eye(size)
    pairs = [(one, other) for one in range(size) for other in range(one)]
    both = np.array([unit[one] + unit[other] for one, other in pairs]).reshape(-1, size)
    heights = _log_posterior(
        sums, np.concatenate((point[None], point + unit, point - unit, point + both, point - both))
    )
    here, up, down = heights[0], heights[1 : 1 + size], heights[1 + size : 1 + 2 * size]
    ups, downs = np.split(heights[1 + 2 * size :], 2)
    hessian = np.diag((up + down - 2.0 * here) / STEP**2)
    for number, (one, other) in enumerate(pairs):
        mixed = ups[number] + downs[number] + 2.0 * here - up[one] - up[other] - down[one] - down[other]
        hessian[one, other] = hessian[other, one] = mixed / (2.0 * STEP**2)
    values, vectors = np.linalg.eigh(-hessian)
    curvature = (vectors * np.clip(np.abs(values), 0.3, None)) @ vectors.T
    return (up - down) / (2.0 * STEP), curvature, float(here)


def _new_base(sums: _Sums, point: FloatArray, base: float, sampling: float) -> float:
    """Return the variance between jobs with which that of all rows is as the residuals say."""
    means = np.linalg.solve(_precision(sums, point[None])[0], sums.vector)
    variance = max(sums.square - float(sums.vector @ means), 0.0) / max(sums.rows - 1, 1)
    whole = variance * (1.0 + sampling / base)
    return max(whole - sampling, LEAST_SHARE * whole, FLOOR**2)


def _open_base(
    summed: Callable[[float], _Sums], start: float, sampling: float, point: FloatArray, steps: tuple[float, ...]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return even points about the likeliest variance between jobs, with what is likeliest and its curvature there.

    Spreads of levels are held as they are while it is searched, uphill and then by a parabola.
    """
    low, high = SMALLEST_BASE_LOG + math.log(sampling), LARGEST_BASE_LOG + math.log(sampling)
    middle, spread, curvature = min(max(math.log(start), low), high), 1.0, np.eye(point.size)
    point = point - 0.5 * (middle - math.log(start))
    for step in steps:
        known: dict[float, float] = {}

        def height(
            log: float, middle: float = middle, point: FloatArray = point, known: dict[float, float] = known
        ) -> float:
            if log not in known:
                moved = point[None] - 0.5 * (log - middle)
                known[log] = float(_log_posterior(summed(math.exp(log)), moved)[0])
            return known[log]

        best, spread = _peak(height, middle, step, (low, high), 0.1)
        point, middle = point - 0.5 * (best - middle), best
        point, curvature = _mode(summed(math.exp(best)), point)
    return np.exp(middle + spread * np.array(BASE_POINTS)), point, curvature


def _peak(
    height: Callable[[float], float], start: float, step: float, bounds: tuple[float, float], least_curvature: float
) -> tuple[float, float]:
    """Return where a curve is highest, by steps uphill and a parabola through three points, and its spread there."""
    low, high = bounds
    at = min(max(start, low), high)  # what was found before, of other rows, may lie outside
    while (higher := max((to for to in (at, at - step, at + step) if low <= to <= high), key=height)) != at:
        at = higher
    below, here, above = height(at - step), height(at), height(at + step)
    curved = max((2.0 * here - below - above) / step**2, least_curvature)
    moved = min(max((above - below) / (2.0 * step) / curved, -step), step)
    return at + moved, 1.0 / math.sqrt(curved)


@lru_cache(maxsize=16)
def _draws(size: int) -> tuple[FloatArray, FloatArray]:
    """Return points of a standard t distribution in `size` dimensions, shape (DRAWS, size), and ln density there."""
    rng = np.random.default_rng([SEED, size])
    half = rng.standard_normal((DRAWS // 2, size)) / np.sqrt(rng.chisquare(DEGREES, (DRAWS // 2, 1)) / DEGREES)
    points = np.concatenate((np.zeros((1, size)), half, -half))
    return points, -0.5 * (DEGREES + size) * np.log1p((points**2).sum(axis=1) / DEGREES)


def _posterior(
    several: Sequence[_Sums], point: FloatArray, curvature: FloatArray, moved: FloatArray, widths: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, IntArray]:
    """Return weights, spread ratios, level means, their relative covariances, variances, and which sums, by point.

    The draws are dealt to the sums, each of which stands for so much of what they differ by (`widths`); the middle one
    goes to each. For each of them they are moved by so much.
    """
    first = several[0]
    points, log_density = np.zeros((1, point.size)), np.zeros(1)
    if point.size and not first.is_even:
        spread = 1.2 * np.linalg.cholesky(np.linalg.inv(curvature))
        unit, log_density = _draws(point.size)
        points = np.clip(point + unit @ spread.T, SMALLEST_LOG - 2.0, LARGEST_LOG + 2.0)
    pair = np.arange(points.shape[0] - 1) % max((points.shape[0] - 1) // 2, 1)
    found = []
    for number, sums in enumerate(several):
        dealt = np.append(0, 1 + np.flatnonzero(pair % len(several) == number))
        height = _log_posterior(sums, points[dealt] + moved[number]) - log_density[dealt]
        height += math.log(widths[number] / dealt.size)
        found.append((np.full(dealt.size, number), dealt, height))
    at, dealt, height = (np.concatenate(parts) for parts in zip(*found, strict=True))
    weight = np.exp(height - height.max())
    weight /= weight.sum()
    kept = weight >= LEAST_WEIGHT
    at, weight = at[kept], weight[kept] / weight[kept].sum()
    points = points[dealt[kept]] + moved[at][:, None]
    inverses, means, residual = [], [], []
    for number, sums in enumerate(several):
        inverse = np.linalg.inv(_precision(sums, points[at == number]))
        mean = inverse @ sums.vector
        inverses.append(inverse)
        means.append(mean)
        residual.append(sums.squares(mean @ sums.vector))
    # an empty column at the end stands for levels without history
    return (
        weight,
        np.exp(points),
        np.pad(np.concatenate(means), ((0, 0), (0, 1))),
        np.pad(np.concatenate(inverses), ((0, 0), (0, 1), (0, 1))),
        np.concatenate(residual) / first.degrees,
        at,
    )


def _as_t(away: FloatArray, spread: FloatArray, weight: FloatArray, freedom: float) -> tuple[FloatArray, FloatArray]:
    """Return scale and degrees of freedom of the t whose middle 50 and 90 % are those of a mixture of t's."""
    half, nine_tenths = (_reach(away, spread, weight, freedom, p) for p in SHARES)
    return with_reaches(half, nine_tenths)


def _reach(away: FloatArray, spread: FloatArray, weight: FloatArray, freedom: float, p: float) -> FloatArray:
    """Return how far about its mean a mixture has share `p`, row by row.

    Newton's steps rise to it from below, for the share is a concave function of the reach.
    """
    start = special.stdtrit(freedom, 0.5 + 0.5 * p) * np.sqrt((spread**2) @ weight)
    reach = 0.7 * start
    below_of, density_of = _distribution(freedom)
    for _ in range(40):
        above, below = (reach[:, None] - away) / spread, (-reach[:, None] - away) / spread
        share = (below_of(above) - below_of(below)) @ weight
        density = ((density_of(above) + density_of(below)) / spread) @ weight
        step = np.clip((p - share) / np.maximum(density, 1e-300), -0.5 * reach, reach)
        reach = reach + step
        if bool((np.abs(step) <= 1e-7 * reach).all()):
            break
    return np.asarray(reach, dtype=np.float64)


@lru_cache(maxsize=64)
def _distribution(freedom: float) -> tuple[Callable[[FloatArray], FloatArray], Callable[[FloatArray], FloatArray]]:
    """Return distribution function and density of Student's t; of the normal, far quicker, where they hardly differ."""
    if freedom >= NEARLY_NORMAL:
        return special.ndtr, lambda x: np.exp(-0.5 * x**2) / math.sqrt(2.0 * math.pi)
    log = special.gammaln(0.5 * freedom + 0.5) - special.gammaln(0.5 * freedom) - 0.5 * math.log(freedom * math.pi)
    return _tabled(freedom, log), lambda x: np.exp(log - 0.5 * (freedom + 1.0) * np.log1p(x**2 / freedom))


def _tabled(freedom: float, log_height: float) -> Callable[[FloatArray], FloatArray]:
    """Return the distribution function of Student's t as cubics between points of a table: ten times quicker.

    The points are even in atan(x / sqrt(freedom)), of which the density is a power of the cosine. Within 2e-9 of the
    function itself; within 1e-5 where less than two degrees of freedom are left, far out in the tails.
    """
    angle = np.linspace(-0.5 * math.pi, 0.5 * math.pi, TABLED + 1)
    width = math.pi / TABLED
    value = special.stdtr(freedom, math.sqrt(freedom) * np.tan(angle))
    slope = width * math.sqrt(freedom) * math.exp(log_height) * np.maximum(np.cos(angle), 0.0) ** (freedom - 1.0)
    rise, before, after = np.diff(value), slope[:-1], slope[1:]
    square, cube = 3.0 * rise - 2.0 * before - after, before + after - 2.0 * rise

    def below(x: FloatArray) -> FloatArray:
        place = np.arctan(x / math.sqrt(freedom)) / width + 0.5 * TABLED
        cell = np.minimum(place.astype(np.int64), TABLED - 1)
        at = place - cell
        return np.asarray(value[cell] + at * (before[cell] + at * (square[cell] + at * cube[cell])))

    return below
