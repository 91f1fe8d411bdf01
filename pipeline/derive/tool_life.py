"""mart.tool_life: what each tool's edges gave, whether their lives fall, and when to change the edge in use.

Arranges frames for the statistics and their results for the mart; it computes no statistics of its own. What rests on
one tool alone and is dear is taken from the mart as it stood, where no row or setting of the tool has changed.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import polars as pl

from pipeline.derive.edge_costs import CAUTIOUS_LEVEL, cost_columns
from pipeline.derive.edge_now import now_columns, posterior_after_change, posterior_of
from pipeline.derive.life_trends import IS_CHANGING, with_kinds, with_verdicts
from pipeline.derive.tool_lives import KEYS, ToolLives, as_columns, level_scores, marks, tool_lives
from pipeline.derive.wear_signs import wear_columns
from pipeline.stats.arrays import AnyArray, BoolArray, IntArray
from schemas.mart import columns

CURVE_SCHEMA: dict[str, pl.DataType] = {
    "machine": pl.String(),
    "tool": pl.String(),
    "which": pl.String(),  # "observed" is Kaplan-Meier, "fitted" is Weibull
    "life": pl.Float64(),
    "survival": pl.Float64(),
    "low": pl.Float64(),
    "high": pl.Float64(),
}

OF_THE_FIT = (
    "shape", "scale", "life_b10", "b10_low", "b10_high", "life_median", "life_low", "life_high",
    "mean_life", "mean_low", "mean_high",
)  # fmt: skip
OF_NOW = ("remaining_median", "remaining_p10", "survive_next_part", "parts_left_median", "parts_left_90")
OF_THE_TREND = ("trend_per_edge", "trend_low", "trend_high", "trend_p_alone")
OF_THE_SPEED = ("taylor_n", "taylor_low", "taylor_high", "taylor_c")
KEPT = ("km_median", *OF_THE_FIT, *OF_NOW, *OF_THE_TREND, *OF_THE_SPEED)
"""What rests on a tool's own edges alone."""


def tool_life(
    edges: pl.DataFrame,
    tools: pl.DataFrame,
    rates: pl.DataFrame,
    before: pl.DataFrame | None = None,
    wear: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """Return mart.tool_life.

    Parameters
    ----------
    edges : core.edge_life
    tools : core.tool
    rates : machine, rate_per_hour
    before : mart.tool_life as it stood
        Tools whose rows and settings are the same are not fitted again; the result is the same without it.
    wear : machine, tool, edge_number, part_number, measure, value; one row a part, of edges in use and earlier ones
    """
    from pipeline.stats.weibull_many import fit_many

    lives = tool_lives(edges)
    settings = lives.tools.select(KEYS).join(tools, on=KEYS, how="left", maintain_order="left")
    settings = settings.join(rates.select("machine", "rate_per_hour"), on="machine", how="left", maintain_order="left")
    sets = lives.sets
    fits = fit_many(sets)
    table = lives.tools.with_columns(
        pl.Series("edges", lives.groups.sizes),
        pl.Series("failures", sets.failures),
        pl.Series("censored", lives.groups.sizes - sets.failures),
        settings["name"],
    ).with_columns(now_columns(lives, edges))
    table = table.join(marks(edges, tools, rates), on=KEYS, how="left", maintain_order="left")
    pooled, posterior, pooled_with = posterior_of(sets, fits, settings, table["unit"])
    fresh = _fresh(table, pooled, before)
    table = _with_kept(table, before, fresh, _own(lives, table, fresh))
    table = _overridden(table, np.flatnonzero(pooled), _of_posterior(table, posterior, np.flatnonzero(pooled)))
    table = table.with_columns(pl.Series("pooled", pooled), pl.Series("pooled_with", pooled_with, dtype=pl.String))
    table = with_kinds(with_verdicts(table, lives, fits), lives, before)
    table = _with_level_now(table, lives)
    table = table.with_columns(cost_columns(table, lives, settings)).with_columns(wear_columns(table, wear))
    return table.sort(KEYS).select(pl.col(name).cast(dtype) for name, dtype in columns("tool_life").items())


def _fresh(table: pl.DataFrame, pooled: BoolArray, before: pl.DataFrame | None) -> IntArray:
    """Return the tools that the mart as it stood says nothing of, or of which anything has changed."""
    if before is None or "rests_on" not in before.columns:
        return np.arange(table.height)
    stood = (
        table.select(*KEYS, "rests_on")
        .join(
            before.select(*KEYS, "rests_on", (pl.col("pooled") | IS_CHANGING).alias("leant")),
            on=[*KEYS, "rests_on"],
            how="left",
            maintain_order="left",
        )["leant"]
        .to_numpy()
    )
    # what the mart says of a tool that leant on others or on its trend is not its own; if a tool still leans on others
    # that is put in its place anyway
    return np.array([n for n, leant in enumerate(stood) if leant is None or (leant and not pooled[n])], dtype=np.int64)


def _own(lives: ToolLives, table: pl.DataFrame, fresh: IntArray) -> pl.DataFrame:
    """Return machine, tool and what rests on their own edges alone, of some tools."""
    from pipeline.stats.aft_many import fit_slopes
    from pipeline.stats.life_posterior import LifePrior, life_posterior
    from pipeline.stats.permutation_many import blocked_trend_shares, trend_shares
    from pipeline.stats.survival_many import kaplan_meier_many
    from pipeline.stats.taylor import fit_taylor_lives
    from pipeline.stats.weibull_many import MeanLife, Quantile, fit_many, limits_many

    some = lives.take(fresh)
    sets = some.sets
    fits = fit_many(sets)
    found: dict[str, AnyArray] = {
        "km_median": kaplan_meier_many(some.life, some.censored, some.groups.sizes).median,
        "shape": fits.shape,
        "scale": fits.scale,
        "life_b10": fits.quantile(0.1),
        "life_median": fits.quantile(0.5),
        "mean_life": fits.mean(),
    }
    found["b10_low"], found["b10_high"] = limits_many(sets, fits, Quantile(0.1), CAUTIOUS_LEVEL)
    found["life_low"], found["life_high"] = limits_many(sets, fits, Quantile(0.5), 0.95)
    found["mean_low"], found["mean_high"] = limits_many(sets, fits, MeanLife(), CAUTIOUS_LEVEL)
    slopes = fit_slopes(sets, sets.groups.position().astype(np.float64))
    found |= {
        "trend_per_edge": np.expm1(slopes.slope),
        "trend_low": np.expm1(slopes.low),
        "trend_high": np.expm1(slopes.high),
    }
    moving = ~some.in_use
    groups, scores = some.groups.within(moving), level_scores(some, fits.shape, fits.log_scale)[moving]
    shares, _ = trend_shares(groups, scores)
    told = some.batches_told()
    if told.any():
        shares = np.where(told, blocked_trend_shares(groups, scores, some.batch_numbers()[moving]), shares)
    found["trend_p_alone"] = np.where(np.isfinite(slopes.slope), shares, np.nan)
    posterior = life_posterior(sets, LifePrior.nothing(sets.tools), np.log(fits.shape), np.sqrt(fits.shape_variance))
    part = table[fresh]
    found |= left_columns(posterior, part)
    if "speed_m_min" in some.edges.columns:
        found |= _speeds(some, fit_taylor_lives)
    frame = part.select(KEYS).with_columns(as_columns(found))
    return frame.with_columns(pl.lit(None, dtype=pl.Float64).alias(name) for name in KEPT if name not in frame.columns)


def _with_level_now(table: pl.DataFrame, lives: ToolLives) -> pl.DataFrame:
    """Say what the edge in use is to be expected to do where lives fall or rise; elsewhere it is as the others."""
    which = np.flatnonzero(table.select(IS_CHANGING).to_series().to_numpy())
    table = table.with_columns(pl.col("shape").alias("shape_now"), pl.col("scale").alias("scale_now"))
    if which.size:
        posterior, fits = posterior_after_change(lives, table, which)
        part = table[which]
        found = {"shape_now": fits.shape, "scale_now": fits.scale, **left_columns(posterior, part)}
        table = _overridden(table, which, part.select(KEYS).with_columns(as_columns(found)))
    median = pl.col("scale_now") * (math.log(2.0) ** (1.0 / pl.col("shape_now")))
    return table.with_columns(median.alias("median_now"))


def left_columns(posterior: Any, part: pl.DataFrame) -> dict[str, AnyArray]:
    """Return what is left to the edges in use of some tools, in their unit and in whole parts."""
    age = part["current_age"].cast(pl.Float64).fill_null(np.nan).to_numpy()
    in_parts = (part["unit"] == "parts").to_numpy()
    per_part = np.where(in_parts, 1.0, part["min_per_part"].fill_null(np.nan).to_numpy())
    median, p10 = posterior.left(age, 0.5), posterior.left(age, 0.9)
    nothing = np.isnan(age) | ~posterior.known
    found = {
        "remaining_median": median,
        "remaining_p10": p10,
        "survive_next_part": posterior.survival(age, per_part),
        "parts_left_median": np.floor(median / per_part + 1e-9),
        "parts_left_90": np.floor(p10 / per_part + 1e-9),
    }
    found["survive_next_part"] = np.where(np.isnan(per_part), np.nan, found["survive_next_part"])
    return {name: np.where(nothing, np.nan, values) for name, values in found.items()}


def _speeds(some: ToolLives, fit: Any) -> dict[str, AnyArray]:
    """Return Taylor fits of tools whose lives are in minutes and whose edges have speeds."""
    speed = some.edges["speed_m_min"].cast(pl.Float64).fill_null(0.0).to_numpy()
    counts = (speed > 0) & some.groups.spread((some.tools["unit"] == "min").to_numpy())
    from pipeline.stats.life_sets import LifeSets

    fits = fit(LifeSets.of(some.life[counts], some.censored[counts], some.groups.within(counts).sizes), speed[counts])
    return {"taylor_n": fits.n, "taylor_low": fits.low, "taylor_high": fits.high, "taylor_c": fits.c}


def _of_posterior(table: pl.DataFrame, posterior: Any, which: IntArray) -> pl.DataFrame:
    """Return the columns of the fit and of now for tools that lean on others."""
    some = posterior.take(which)
    log_shape, log_scale = some.centre()
    shape = np.exp(log_shape)
    from scipy import special

    found: dict[str, AnyArray] = {
        "shape": shape,
        "scale": np.exp(log_scale),
        "life_b10": np.exp(log_scale + np.log(-np.log1p(-0.1)) / shape),
        "b10_low": some.quantile_limit(0.1, 0.05),
        "b10_high": some.quantile_limit(0.1, 0.95),
        "life_median": np.exp(log_scale + np.log(np.log(2.0)) / shape),
        "life_low": some.quantile_limit(0.5, 0.025),
        "life_high": some.quantile_limit(0.5, 0.975),
        "mean_life": np.exp(log_scale + special.gammaln(1.0 + 1.0 / shape)),
        "mean_low": some.mean_limit(0.05),
        "mean_high": some.mean_limit(0.95),
    }
    part = table[which]
    return part.select(KEYS).with_columns(as_columns(found | left_columns(some, part)))


def _with_kept(table: pl.DataFrame, before: pl.DataFrame | None, fresh: IntArray, own: pl.DataFrame) -> pl.DataFrame:
    """Put what rests on each tool alone beside the tools: made anew, or as it stood."""
    frames = [own.select(*KEYS, *KEPT)]
    if before is not None and set(KEPT) <= set(before.columns):
        stood = before.select(*KEYS, *(pl.col(name).cast(pl.Float64) for name in KEPT))
        frames.append(stood.join(table[fresh].select(KEYS), on=KEYS, how="anti"))
    return table.join(pl.concat(frames), on=KEYS, how="left", maintain_order="left")


def _overridden(table: pl.DataFrame, which: IntArray, by: pl.DataFrame) -> pl.DataFrame:
    """Return the table with some rows' columns in place of what stood there."""
    names = [name for name in by.columns if name not in KEYS]
    mark = pl.Series("_over", np.isin(np.arange(table.height), which))
    joined = table.with_columns(mark).join(by, on=KEYS, how="left", suffix="_by", maintain_order="left")
    return joined.with_columns(
        pl.when("_over").then(pl.col(f"{name}_by")).otherwise(pl.col(name)).alias(name) for name in names
    ).drop("_over", *(f"{name}_by" for name in names))


def life_curves(edges: pl.DataFrame, life: pl.DataFrame, points: int = 60) -> pl.DataFrame:
    """Return the points of each tool's survival curves: Kaplan-Meier steps with a 95 % band, and the Weibull fit."""
    from pipeline.stats.survival_many import kaplan_meier_many

    lives = tool_lives(edges)
    chosen = lives.take(np.flatnonzero(lives.groups.sizes >= 2))
    if chosen.tools.height == 0:
        return pl.DataFrame(schema=CURVE_SCHEMA)
    observed = kaplan_meier_many(chosen.life, chosen.censored, chosen.groups.sizes)
    key = {name: chosen.tools[name].to_numpy() for name in KEYS}
    steps = pl.DataFrame(
        {name: observed.groups.spread(values) for name, values in key.items()}
        | {
            "which": ["observed"] * observed.times.size,
            "life": observed.times,
            "survival": observed.survival,
            "low": observed.low,
            "high": observed.high,
        },
        schema=CURVE_SCHEMA,
    )
    fitted = (
        chosen.tools.select(KEYS)
        .with_columns(pl.Series("longest", chosen.groups.max(chosen.life)))
        .join(life.select(*KEYS, "shape", "scale").drop_nulls(), on=KEYS, how="inner", maintain_order="left")
    )
    places = pl.DataFrame({"place": np.linspace(0.0, 1.05, points)})
    curve = fitted.join(places, how="cross").select(
        *KEYS,
        pl.lit("fitted").alias("which"),
        (pl.col("longest") * pl.col("place")).alias("life"),
        (-((pl.col("longest") * pl.col("place") / pl.col("scale")).pow(pl.col("shape")))).exp().alias("survival"),
        pl.lit(None, dtype=pl.Float64).alias("low"),
        pl.lit(None, dtype=pl.Float64).alias("high"),
    )
    return pl.concat([steps, curve]).with_columns(pl.col("low", "high").fill_nan(None))
