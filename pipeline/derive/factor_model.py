"""The factors of one kind of time as a model: fitted to past jobs, asked about new ones by the names of their levels.

Turns names into numbers for the statistics and back; it computes no statistics of its own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from pipeline.stats.arrays import FloatArray
from pipeline.stats.crossed import CrossedFit, Predictions, fit_crossed

TOOL_KINDS: Final = ("cut", "noncut")
"""Kinds of time that are told tool by tool."""
FACTORS: Final = ("machine", "material", "operation_kind")
FACTOR_NAMES: Final = {
    "machine": "machine",
    "material": "material",
    "operation_kind": "kind of operation",
    "tool_type": "tool type",
}


@dataclass(frozen=True)
class FactorModel:
    """A fitted kind of time; `levels` has the number of each name of a factor, where an empty name is not told."""

    time_kind: str
    factors: tuple[str, ...]
    levels: Mapping[str, Mapping[str, int]]
    fit: CrossedFit

    def numbers(self, cells: pl.DataFrame) -> np.ndarray:
        """Return the numbers of the levels of `cells`, -1 without history, shape (rows, factors).

        Where no past job tells a factor at all, it takes no part, whatever the new job tells.
        """
        numbers = [
            pl.lit(0, dtype=pl.Int64).alias(factor)
            if set(known := self.levels[factor]) == {""}
            else _name(factor).replace_strict(known, default=-1, return_dtype=pl.Int64)
            for factor in self.factors
        ]
        return cells.with_columns(numbers).select(self.factors).to_numpy()

    def predict(
        self,
        cells: pl.DataFrame,
        sampling_variance: FloatArray | float = 0.0,
        shared_variance: FloatArray | float = 0.0,
        *,
        with_job: bool = True,
    ) -> Predictions:
        """Return what to expect of ln(actual / estimate) of jobs with these machine, material, operation_kind ..."""
        return self.fit.predict(self.numbers(cells), sampling_variance, shared_variance, with_job=with_job)

    def unseen(self, cell: Mapping[str, str | None]) -> list[str]:
        """Return, in words, which levels of a job have no history."""
        names = pl.DataFrame({factor: [cell.get(factor)] for factor in self.factors}, schema_overrides=self._schema())
        numbers = self.numbers(names)[0]
        return [
            f"{FACTOR_NAMES[factor]} {cell.get(factor) or '(not told)'}"
            for factor, number in zip(self.factors, numbers, strict=True)
            if number < 0
        ]

    def _schema(self) -> dict[str, pl.DataType]:
        return dict.fromkeys(self.factors, pl.String())


def _name(factor: str) -> pl.Expr:
    """The level of a factor; empty where it is not told."""
    return pl.col(factor).cast(pl.String).fill_null("")


def fit_factors(
    ratios: pl.DataFrame, time_kind: str, spreads: pl.DataFrame, start: FloatArray | None = None
) -> FactorModel | None:
    """Fit one kind of time; None without a job.

    Parameters
    ----------
    ratios : rows of mart.quote_ratio (of that kind of time; a column `job_number` tells jobs apart)
    spreads : mart.quote_spread
    start : where the fit of nearly the same rows came out (`CrossedFit.mode`)
    """
    if ratios.is_empty():
        return None
    factors: Sequence[str] = (*FACTORS, "tool_type") if time_kind in TOOL_KINDS else FACTORS
    known = ratios.select(_name(factor).unique().sort().implode() for factor in factors).row(0)
    levels = {
        factor: dict(zip(names, range(len(names)), strict=True)) for factor, names in zip(factors, known, strict=True)
    }
    fit = fit_crossed(
        ratios.select(_name(factor).rank("dense").cast(pl.Int64) - 1 for factor in factors).to_numpy(),
        ratios["log_ratio"].to_numpy(),
        ratios["sampling_variance"].to_numpy(),
        group=ratios["job_number"].to_numpy() if time_kind in TOOL_KINDS else None,
        group_sampling=ratios["shared_variance"].to_numpy(),
        start=start,
        sampling_freedom=float(spreads.filter(pl.col("time_kind") == time_kind)["freedom"].sum()),
    )
    return FactorModel(time_kind, tuple(factors), levels, fit)
