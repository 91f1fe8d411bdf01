"""Times of a new job: what factors, its own history and learning make of an estimate, with intervals.

Pure functions of frames and numbers; money is added elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import polars as pl

from pipeline.derive.factor_model import FactorModel, fit_factors
from pipeline.derive.quote_factor import with_job_numbers
from pipeline.stats.learning import mean_over_batch
from pipeline.stats.students_t import with_error
from schemas.vocabulary import TIME_KINDS

SAME_ESTIMATE: Final = 0.01
"""Lines within this share of the estimate that a job ran against are that estimate: its own runs speak for them."""
ENDS: Final = {"low": 0.05, "q25": 0.25, "q75": 0.75, "high": 0.95}
"""Ends of the intervals, by the chance of a time below them."""
DRAWS: Final = 4_096
"""Points that stand for each time where times are added up."""


@dataclass(frozen=True)
class PastTimes:
    """The fitted factors by kind of time, with what past quotes say of them."""

    models: Mapping[str, FactorModel]
    ratios: pl.DataFrame  # mart.quote_ratio
    spreads: pl.DataFrame  # mart.quote_spread
    trust: pl.DataFrame  # mart.quote_trust
    drift: pl.DataFrame  # mart.job_drift
    learning_slope: float

    def spread(self, time_kind: str) -> tuple[float, float]:
        """Return the spread of ln ratio between batches and between runs."""
        row = self.spreads.filter(pl.col("time_kind") == time_kind)
        return (float(row["between_sd"][0]), float(row["within_sd"][0])) if row.height else (0.0, 0.0)

    def trusted(self, time_kind: str) -> tuple[bool, str, float]:
        """Return whether the factors of a kind of time are offered, why, and how far intervals reach at least."""
        row = self.trust.filter(pl.col("time_kind") == time_kind)
        if not row.height:
            return False, "no past job to test it on", 0.0
        return bool(row["offered"][0]), str(row["because"][0]), float(row["least_reach"][0] or 0.0)


@dataclass(frozen=True)
class Likely:
    """A time in seconds as Student's t in ln; without an interval where no spread is known."""

    time_s: float
    factor: float
    scale: float | None
    degrees_of_freedom: float | None
    said: str

    @classmethod
    def nothing(cls) -> Likely:
        """A time that is not part of the quote."""
        return cls(0.0, 1.0, None, None, "")

    @property
    def has_interval(self) -> bool:
        return self.scale is not None and self.degrees_of_freedom is not None

    def at(self, chance: np.ndarray | float) -> np.ndarray:
        """Return the times that are not exceeded with these chances."""
        from scipy import special

        if self.scale is None or self.degrees_of_freedom is None:
            return np.full(np.shape(chance), self.time_s)
        reach = np.clip(special.stdtrit(self.degrees_of_freedom, chance) * self.scale, -300, 300)
        return np.asarray(self.time_s * np.exp(reach))

    def columns(self, name: str, middle: str) -> dict[str, float | None]:
        """Return the time and its ends under the names of a quote; nothing where it is no part of it."""
        if self.time_s == 0:
            return {}
        ends = {f"{name}_{end}": float(self.at(p)) for end, p in ENDS.items()} if self.has_interval else {}
        return {middle: self.time_s, **ends}


def factor_models(ratios: pl.DataFrame, spreads: pl.DataFrame) -> dict[str, FactorModel]:
    """Fit every kind of time that has a past job."""
    numbered = with_job_numbers(ratios)
    found = {kind: fit_factors(numbered.filter(pl.col("time_kind") == kind), kind, spreads) for kind in TIME_KINDS}
    return {kind: model for kind, model in found.items() if model is not None}


def predicted(
    time_kind: str, estimate_s: float, settings: Mapping[str, Any], past: PastTimes, cycles: int,
    keys: Mapping[str, Any] | None = None,
) -> Likely:  # fmt: skip
    """Return the mean time over a batch of `cycles` to expect of an estimate.

    Parameters
    ----------
    settings : machine, material, operation_kind
    keys : job, program, operation; with them a job that ran against this estimate is quoted from its own runs
    """
    between, within = past.spread(time_kind)
    batch_variance = between**2 + within**2 / cycles
    learning = mean_over_batch(cycles, past.learning_slope) if time_kind == "cycle" else 1.0
    told = f", x {learning:.3f} for learning over {cycles} cycles" if abs(learning - 1) >= 0.0005 else ""
    own = None if keys is None else _own_history(keys, settings, past.drift, estimate_s)
    df: float | None
    if own is not None:
        mean, scale, df, said = own
        if scale is not None and df is not None:
            # the spread between batches is the whole shop's, far surer known than one job's mean
            scale, df = (float(told[0]) for told in with_error([scale], [df], [batch_variance]))
    else:
        mean, scale, df, said = _by_factors(time_kind, settings, past, batch_variance)
    known = said if scale is not None else f"{said}; too few jobs for an interval"
    factor = math.exp(mean)
    said = f"{time_kind} x {factor:.3f} ({known}){told}"
    return Likely(estimate_s * factor * learning, factor * learning, scale, df, said)


def _by_factors(
    time_kind: str, settings: Mapping[str, Any], past: PastTimes, batch_variance: float
) -> tuple[float, float | None, float | None, str]:
    """Return ln factor, scale, degrees of freedom and what they rest on."""
    model = past.models.get(time_kind)
    if model is None:
        return 0.0, None, None, "no history, the estimate as it stands"
    cell = pl.DataFrame({name: [settings.get(name)] for name in model.factors if name != "tool_type"})
    if "tool_type" in model.factors:
        cell = cell.with_columns(pl.lit(settings.get("tool_type"), dtype=pl.String).alias("tool_type"))
    found = model.predict(cell, np.array([batch_variance]))
    mean, df = float(found.mean[0]), float(found.degrees_of_freedom[0])
    offered, because, least_reach = past.trusted(time_kind)
    scale = float(found.scale[0]) if df > 0 else None
    said = [_rests_on(time_kind, settings, past, model)]
    unseen = model.unseen({**settings})
    if unseen:
        then = "so the interval is wider" if scale is not None else "and how far such differ is not known"
        said.append(f"not seen before: {', '.join(unseen)}, {then}")
    if scale is not None and least_reach > scale * _reach_90(df):
        scale = least_reach / _reach_90(df)
        said.append("interval as wide as past quotes were off, for narrower ones held too seldom")
    if not offered:
        # what it is likely to take lies about the factor; the interval about the estimate has to cover that too
        scale = None if scale is None else math.sqrt(scale**2 + mean**2)
        said.append(f"factor {math.exp(mean):.3f} not offered: {because}")
        mean = 0.0
    return mean, scale, df if df > 0 else None, "; ".join(said)


def _reach_90(df: float) -> float:
    """Return how many scales of Student's t hold 90 %."""
    from scipy import special

    return float(special.stdtrit(df, 0.95))


def _rests_on(time_kind: str, settings: Mapping[str, Any], past: PastTimes, model: FactorModel) -> str:
    """Say how many jobs and runs the factor rests on, and how many of them share machine, material and kind."""
    rows = past.ratios.filter(pl.col("time_kind") == time_kind)
    same = [
        f"{rows.filter(pl.col(name) == settings[name])['job_key'].n_unique()} of {settings[name]}"
        for name in model.factors
        if settings.get(name) is not None
    ]
    key = ("job_key", "operation", "machine", "program", "revision")
    jobs, runs = rows.select(key).n_unique(), int(rows.group_by(key).agg(pl.col("runs").max())["runs"].sum())
    shared = f", {', '.join(same)}" if same else ""
    return f"{runs} runs of {jobs} jobs{shared}"


def _own_history(
    keys: Mapping[str, Any], settings: Mapping[str, Any], drift: pl.DataFrame, estimate_s: float
) -> tuple[float, float | None, float, str] | None:
    """Return what this very job took against this very estimate since its last shift; None without enough runs."""
    from scipy import stats

    job, program, operation, machine = keys["job"], keys["program"], keys["operation"], settings["machine"]
    same = (
        pl.col("program") == program
        if program is not None
        else pl.any_horizontal(pl.col(name) == job for name in ("job", "part", "job_key"))
    )
    known = drift.filter(
        same
        & pl.col("operation").eq_missing(pl.lit(operation))
        & (pl.lit(value=True) if machine is None else pl.col("machine") == machine)
        & ((pl.col("estimate_s") / estimate_s - 1).abs() < SAME_ESTIMATE)
        & (pl.col("verdict") != "too few")
    ).sort("runs", descending=True)
    if known.is_empty():
        return None
    row = known.row(0, named=True)
    shifted = row["shifted_at"] is not None
    ratio, low, high = (row[f"drift_after{end}" if shifted else f"drift{end}"] for end in ("", "_low", "_high"))
    if ratio is None:
        return None
    df = max(1.0, row["batches"] - 1.0)
    sd = None if low is None or high is None else math.log(high / low) / 2 / float(stats.t.ppf(0.975, df))
    since = f" since {row['shifted_at']:%Y-%m-%d}" if shifted else ""
    scope = f"this job's own runs{since}: {row['runs']} runs in {row['batches']} batches in all"
    return math.log(ratio), sd, df, scope


def batch_time(cycle: Likely, load: Likely, setup: Likely, cycles: int) -> tuple[float, dict[str, float]]:
    """Return the time of the whole batch in seconds and its ends; none where one of the times has no interval.

    Cycle, loading and setup are taken as independent: each is drawn at evenly spaced chances, in orders of their own.
    """
    parts = [(cycle, cycles), (load, cycles), (setup, 1)]
    middle = sum(likely.time_s * count for likely, count in parts)
    used = [(likely, count) for likely, count in parts if likely.time_s > 0]
    if not all(likely.has_interval for likely, _ in used):
        return middle, {}
    rng = np.random.default_rng(DRAWS)
    chance = (np.arange(DRAWS) + 0.5) / DRAWS
    total = np.zeros(DRAWS)
    for number, (likely, count) in enumerate(used):
        total += count * likely.at(chance if number == 0 else rng.permutation(chance))
    return middle, {end: float(np.quantile(total, p)) for end, p in ENDS.items()}


def expected_lines(group: pl.DataFrame, past: PastTimes, settings: Mapping[str, Any]) -> pl.DataFrame:
    """Return _line, expected_cut_s and expected_noncut_s of the lines that have such times."""
    rows = []
    for row in group.iter_rows(named=True):
        told: dict[str, Any] = {"_line": row["_line"]}
        for kind in ("cut", "noncut"):
            given = row[f"{kind}_s"]
            if given is None or row["tool"] is None:
                continue
            mean, _, _, _ = _by_factors(kind, {**settings, "tool_type": row["tool_type"]}, past, 0.0)
            told[f"expected_{kind}_s"] = given * math.exp(mean)
        rows.append(told)
    schema = {"_line": pl.UInt32(), "expected_cut_s": pl.Float64(), "expected_noncut_s": pl.Float64()}
    return pl.DataFrame(rows, schema=schema)
