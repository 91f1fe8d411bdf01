"""mart.tool_life: what each tool's edges gave, whether their lives fall, and when to change the edge in use.

Arranges frames for the statistics and their results for the mart; it computes no statistics of its own. What a tool's
own edges say is in mart.tool_fit; here tools are seen together.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import polars as pl

from pipeline.derive.edge_costs import HABIT_RATES, cost_columns, habit_rates
from pipeline.derive.life_trends import IS_CHANGING, with_kinds, with_verdicts
from pipeline.derive.outlook import Outlook, changes, pooling, to_come
from pipeline.derive.tool_fit import settings_of
from pipeline.derive.tool_lives import KEYS, as_columns, tool_lives
from pipeline.derive.wear_signs import wear_columns
from pipeline.stats.arrays import AnyArray, FloatArray, IntArray
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


def tool_life(
    edges: pl.DataFrame,
    fits: pl.DataFrame,
    tools: pl.DataFrame,
    rates: pl.DataFrame,
    before: pl.DataFrame | None = None,
    wear: pl.DataFrame | None = None,
    renewed: pl.DataFrame | None = None,
) -> tuple[pl.DataFrame, Outlook]:
    """Return mart.tool_life, and what is known of the coming edges of each tool.

    Parameters
    ----------
    edges : core.edge_life, as the statistics count them
    fits : mart.tool_fit
    tools : core.tool
    rates : machine, rate_per_hour
    before : mart.tool_life as it stood
        Whether lives change by a step or along a slope stands for tools whose rows and settings are the same; the
        result is the same without it.
    wear : machine, tool, edge_number, part_number, measure, value; one row a part, of edges in use and earlier ones
    renewed : machine, tool
        The tools that `wear` has parts of, where that is not all; of the others early signs stand as they stood.
    """
    settings = settings_of(fits, tools, rates)
    pooled, prior, pooled_with = pooling(fits, settings)
    table = fits.with_columns(
        settings["name"], pl.Series("pooled", pooled), pl.Series("pooled_with", pooled_with, dtype=pl.String)
    )
    table = with_kinds(with_verdicts(table), edges, before)
    table = table.with_columns(changes(table))
    outlook = Outlook(edges, table, prior)
    table = _leaning(table, outlook)
    table = table.with_columns(left_columns(table, outlook)).with_columns(
        pl.Series("shape_now", outlook.shape_now).fill_nan(None),
        pl.Series("scale_now", outlook.scale_now).fill_nan(None),
    )
    table = table.with_columns(
        pl.when("pooled").then("shape").otherwise("shape_now").alias("shape_now"),
        pl.when("pooled").then("scale").otherwise("scale_now").alias("scale_now"),
    ).with_columns((pl.col("scale_now") * (math.log(2.0) ** (1.0 / pl.col("shape_now")))).alias("median_now"))
    table = _habit_at_level_now(table, edges, settings)
    stood = None if before is None or renewed is None else before.join(renewed, on=KEYS, how="anti")
    table = table.with_columns(cost_columns(table, settings)).with_columns(wear_columns(table, wear, stood))
    return table.select(pl.col(name).cast(dtype) for name, dtype in columns("tool_life").items()), outlook


def left_columns(table: pl.DataFrame, outlook: Outlook) -> list[pl.Series]:
    """Return what is left to the edges in use, in their unit and in whole parts."""
    age = table["current_age"].fill_null(np.nan).to_numpy()
    in_parts = (table["unit"] == "parts").to_numpy()
    per_part = np.where(in_parts, 1.0, table["min_per_part"].fill_null(np.nan).to_numpy())
    median, p10, next_part = (np.full(table.height, np.nan) for _ in range(3))
    using = np.flatnonzero(np.isfinite(age))
    for at, posterior in outlook.split(using):
        which = using[at]
        known = posterior.known
        median[which] = np.where(known, posterior.left(age[which], 0.5), np.nan)
        p10[which] = np.where(known, posterior.left(age[which], 0.9), np.nan)
        chance = posterior.survival(age[which], per_part[which])
        next_part[which] = np.where(known & np.isfinite(per_part[which]), chance, np.nan)
    return as_columns(
        {
            "remaining_median": median,
            "remaining_p10": p10,
            "survive_next_part": next_part,
            "parts_left_median": np.floor(median / per_part + 1e-9),
            "parts_left_90": np.floor(p10 / per_part + 1e-9),
        }
    )


def _leaning(table: pl.DataFrame, outlook: Outlook) -> pl.DataFrame:
    """Put the fit and its limits in place for tools that lean on others."""
    which = np.flatnonzero(table["pooled"].to_numpy())
    for at, posterior in outlook.split(which):
        table = _overridden(table, which[at], _of_posterior(table[which[at]], posterior))
    return table


def _of_posterior(part: pl.DataFrame, some: Any) -> pl.DataFrame:
    """Return machine, tool and the columns of the fit, of tools that lean on others."""
    from scipy import special

    log_shape, log_scale = some.centre()
    shape = np.exp(log_shape)
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
    return part.select(KEYS).with_columns(as_columns(found))


def _habit_at_level_now(table: pl.DataFrame, edges: pl.DataFrame, settings: pl.DataFrame) -> pl.DataFrame:
    """Say what today's habit costs at the level that lives have come to: what is best now would not compare else."""
    number = pl.Series("number", np.arange(table.height))
    changing = table.with_columns(number).filter(IS_CHANGING)
    if changing.is_empty():
        return table
    some = tool_lives(edges.join(changing.select(KEYS), on=KEYS, how="semi"), table)
    rows = some.tools.select(KEYS).join(changing, on=KEYS, how="left", maintain_order="left")
    by: FloatArray = rows["change_by"].fill_null(0.0).to_numpy()
    life = some.life * np.exp(some.groups.spread(by) * to_come(some, rows))
    found = dict(zip(HABIT_RATES, habit_rates(some, settings[rows["number"].to_numpy()], life), strict=True))
    return _overridden(table, rows["number"].to_numpy(), rows.select(KEYS).with_columns(as_columns(found)))


def _overridden(table: pl.DataFrame, which: IntArray, by: pl.DataFrame) -> pl.DataFrame:
    """Return the table with some rows' columns in place of what stood there."""
    names = [name for name in by.columns if name not in KEYS]
    mark = pl.Series("_over", np.isin(np.arange(table.height), which))
    joined = table.with_columns(mark).join(by, on=KEYS, how="left", suffix="_by", maintain_order="left")
    return joined.with_columns(
        pl.when("_over").then(pl.col(f"{name}_by")).otherwise(pl.col(name)).alias(name) for name in names
    ).drop("_over", *(f"{name}_by" for name in names))


def life_curves(
    edges: pl.DataFrame,
    life: pl.DataFrame,
    before: pl.DataFrame | None = None,
    life_before: pl.DataFrame | None = None,
    points: int = 60,
) -> pl.DataFrame:
    """Return the points of each tool's survival curves: Kaplan-Meier steps with a 95 % band, and the Weibull fit.

    Parameters
    ----------
    edges, life : core.edge_life, mart.tool_life
    before, life_before : the curves and mart.tool_life as they stood
        Curves of tools whose rows and fit are the same stand; the result is the same without them.
    """
    from pipeline.stats.survival_many import kaplan_meier_many

    kept = pl.DataFrame(schema=CURVE_SCHEMA)
    if before is not None and life_before is not None:
        as_it_was = [*KEYS, "rests_on", "shape", "scale"]
        same = life.join(life_before, on=as_it_was, how="semi", nulls_equal=True).select(KEYS)
        kept = before.join(same, on=KEYS, how="semi").select(pl.col(n).cast(t) for n, t in CURVE_SCHEMA.items())
        edges = edges.join(same, on=KEYS, how="anti")
    lives = tool_lives(edges, life)
    chosen = lives.take(np.flatnonzero(lives.groups.sizes >= 2))
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
        .join(life.select(*KEYS, "shape", "scale").drop_nulls(), on=KEYS, maintain_order="left")
    )
    places = pl.DataFrame({"place": np.linspace(0.0, 1.05, points)})
    laid = fitted.join(places, how="cross")
    # not in polars, whose powers differ in the last bit with the company that a row has
    at, scale, shape = (laid[name].to_numpy() for name in ("longest", "scale", "shape"))
    at = at * laid["place"].to_numpy()
    curve = laid.select(
        *KEYS,
        pl.lit("fitted").alias("which"),
        pl.Series("life", at),
        pl.Series("survival", np.exp(-((at / scale) ** shape))),
        pl.lit(None, dtype=pl.Float64).alias("low"),
        pl.lit(None, dtype=pl.Float64).alias("high"),
    )
    made = pl.concat([steps, curve]).with_columns(pl.col("low", "high").fill_nan(None))
    return pl.concat([kept, made]).sort(*KEYS, "which", "life")
