"""Right-censored lives of many tools at once, and the sums that every Weibull likelihood of them is made of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.stats.arrays import BoolArray, FloatArray, IntArray, as_lives
from pipeline.stats.errors import InvalidInput
from pipeline.stats.ragged import Ragged


@dataclass(frozen=True, eq=False)
class LifeSets:
    """The lives of many tools, one tool behind the other; lives of zero are left out, since they say nothing.

    Attributes
    ----------
    groups : Ragged
        Which lives are of which tool.
    logs : shape (lives,)
        ln of a life less the tool's largest, so that no power of it exceeds 1.
    failed : shape (lives,)
    kept : shape (given lives,)
        Which of the lives that were given stand in `logs`.
    top : shape (tools,)
        The largest ln of a life; 0 where a tool has none.
    failures : shape (tools,)
    edges : shape (tools,)
        Lives that were given, those of zero included.
    failure_sum : shape (tools,)
        Sum of `logs` over the failures.
    """

    groups: Ragged
    logs: FloatArray
    failed: BoolArray
    kept: BoolArray
    top: FloatArray
    failures: IntArray
    edges: IntArray
    failure_sum: FloatArray

    @classmethod
    def of(cls, lives: ArrayLike, censored: ArrayLike, sizes: ArrayLike) -> LifeSets:
        """Return lives as sets.

        Parameters
        ----------
        lives : array, shape (lives,), one unit a tool
        censored : array of bool, shape (lives,)
        sizes : array of int, shape (tools,)
            How many lives each tool has, one tool behind the other.

        Raises
        ------
        InvalidInput
            See `as_lives`; or where sizes do not add up to the lives.
        """
        durations, marks = as_lives(lives, censored)
        given = Ragged.of_sizes(sizes)
        if given.rows != durations.size:
            raise InvalidInput(f"sizes: they add up to {given.rows}, but there are {durations.size} lives")
        kept = durations > 0
        groups = given if kept.all() else given.within(kept)
        return cls._of(np.log(durations[kept]), ~marks[kept], groups, kept, given.sizes)

    @classmethod
    def of_logs(cls, logs: FloatArray, failed: BoolArray, sizes: IntArray) -> LifeSets:
        """Return sets of lives above zero that are told by their logarithms."""
        groups = Ragged.of_sizes(sizes)
        return cls._of(logs, failed, groups, np.ones(logs.size, dtype=np.bool_), groups.sizes)

    @classmethod
    def _of(cls, logs: FloatArray, failed: BoolArray, groups: Ragged, kept: BoolArray, edges: IntArray) -> LifeSets:
        top = np.where(groups.filled, groups.max(logs), 0.0)
        centred = logs - groups.spread(top)
        return cls(
            groups=groups,
            logs=centred,
            failed=failed,
            kept=kept,
            top=top,
            failures=groups.sum(failed).astype(np.int64),
            edges=edges,
            failure_sum=groups.sum(np.where(failed, centred, 0.0)),
        )

    @property
    def tools(self) -> int:
        """How many tools there are."""
        return int(self.edges.size)

    def take(self, tools: IntArray) -> LifeSets:
        """Return some of the tools."""
        groups, rows = self.groups.take(tools)
        return LifeSets(
            groups=groups,
            logs=self.logs[rows],
            failed=self.failed[rows],
            kept=np.ones(rows.size, dtype=np.bool_),
            top=self.top[tools],
            failures=self.failures[tools],
            edges=self.edges[tools],
            failure_sum=self.failure_sum[tools],
        )

    def moved(self, by: FloatArray) -> LifeSets:
        """Return the sets with `by`, shape (lives,), taken from the logarithms: lives on another scale each."""
        logs = self.logs - by
        highest = np.where(self.groups.filled, self.groups.max(logs), 0.0)
        centred = logs - self.groups.spread(highest)
        return LifeSets(
            groups=self.groups,
            logs=centred,
            failed=self.failed,
            kept=self.kept,
            top=self.top + highest,
            failures=self.failures,
            edges=self.edges,
            failure_sum=self.groups.sum(np.where(self.failed, centred, 0.0)),
        )

    def power_sums(self, shape: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return sum(t^k), sum(t^k ln t), sum(t^k ln^2 t) of each tool, t in units of its largest life."""
        power = np.exp(self.groups.spread(shape) * self.logs)
        weighted = power * self.logs
        return self.groups.sum(power), self.groups.sum(weighted), self.groups.sum(weighted * self.logs)

    def power_sum(self, shape: FloatArray) -> FloatArray:
        """Return sum(t^k) of each tool, t in units of its largest life."""
        return self.groups.sum(np.exp(self.groups.spread(shape) * self.logs))

    def scatter(self) -> FloatArray:
        """Return how far apart the failures of each tool are on the scale of ln; 0 below two."""
        high = self.groups.max(np.where(self.failed, self.logs, -np.inf))
        low = self.groups.min(np.where(self.failed, self.logs, np.inf))
        return np.where(self.failures > 1, high - np.where(self.failures > 0, low, 0.0), 0.0)
