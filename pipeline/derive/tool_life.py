"""mart.tool_life: what each tool's edges gave, whether their lives fall, and when to change the edge in use.

Arranges frames for the statistics and their results for the mart; it computes no statistics of its own.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl

from schemas.mart import columns

FALSE_DISCOVERY_RATE = 0.05

CURVE_SCHEMA: dict[str, pl.DataType] = {
    "machine": pl.String(),
    "tool": pl.String(),
    "which": pl.String(),  # "observed" is Kaplan-Meier, "fitted" is Weibull
    "life": pl.Float64(),
    "survival": pl.Float64(),
    "low": pl.Float64(),
    "high": pl.Float64(),
}


def tool_life(edges: pl.DataFrame, tools: pl.DataFrame, rates: pl.DataFrame) -> pl.DataFrame:
    """Return mart.tool_life.

    Parameters
    ----------
    edges : core.edge_life
    tools : core.tool
    rates : machine, rate_per_hour
    """
    from pipeline.stats.multiple import benjamini_hochberg

    rows = []
    for (machine, tool), group in edges.sort("machine", "tool", "edge_number").group_by(
        "machine", "tool", maintain_order=True
    ):
        rows.append({"machine": machine, "tool": tool, **_one_tool(group)})
    schema = {name: dtype for name, dtype in columns("tool_life").items() if name != "name"}
    life = pl.DataFrame(rows, schema={**schema, "trend_q": pl.Float64(), "verdict": pl.String()}, strict=False)
    q = benjamini_hochberg(life["trend_p"].fill_null(float("nan")).to_numpy()) if life.height else np.empty(0)
    falls = pl.col("trend_per_edge") < 0
    settled = (
        life.with_columns(pl.Series("trend_q", q, dtype=pl.Float64).fill_nan(None))
        .with_columns(
            pl.when(pl.col("trend_q").is_null())
            .then(pl.lit("too few"))
            .when(pl.col("trend_q") > FALSE_DISCOVERY_RATE)
            .then(pl.lit("steady"))
            .when(falls)
            .then(pl.lit("falling"))
            .otherwise(pl.lit("rising"))
            .alias("verdict")
        )
        .join(tools.select("machine", "tool", "name", "change_min", "failure_cost"), on=["machine", "tool"], how="left")
        .join(rates.select("machine", "rate_per_hour"), on="machine", how="left")
    )
    priced = settled.with_columns(_change_at(settled, edges), _cost_per_part(settled, edges))
    return priced.sort("machine", "tool").select(
        pl.col(name).cast(dtype) for name, dtype in columns("tool_life").items()
    )


def known_lives(group: pl.DataFrame) -> tuple[str, pl.DataFrame]:
    """Return the unit that describes a tool's life and its edges with a known start and a life above zero.

    Minutes of cut where the tool's cutting is known, else parts. The column `life` is added.
    """
    started = group.filter(pl.col("in_use_at").is_not_null())
    unit = "min" if (started["cut_min"].fill_null(0) > 0).any() else "parts"
    life = pl.col("cut_min" if unit == "min" else "parts").cast(pl.Float64).alias("life")
    return unit, started.with_columns(life).filter(pl.col("life") > 0)


def _one_tool(group: pl.DataFrame) -> dict[str, Any]:
    from pipeline.stats.errors import TooFewFailures
    from pipeline.stats.life_trend import life_trend
    from pipeline.stats.survival import kaplan_meier
    from pipeline.stats.weibull import fit_weibull, quantile_limits, remaining_quantile

    unit, known = known_lives(group)
    in_use = group.filter(pl.col("removed_at").is_null() & pl.col("in_use_at").is_not_null())
    age = float(in_use["cut_min" if unit == "min" else "parts"].cast(pl.Float64).sum()) if in_use.height else None
    row: dict[str, Any] = {
        "edges": known.height,
        "failures": int((~known["censored"]).sum()),
        "censored": int(known["censored"].sum()),
        "unit": unit,
        "current_age": age,
        "verdict": "too few",
    }
    lives, censored = known["life"].to_numpy(), known["censored"].to_numpy()
    if known.height:
        row["km_median"] = _finite(kaplan_meier(lives, censored).median)
    try:
        fit = fit_weibull(lives, censored)
    except TooFewFailures:
        return row
    b10 = quantile_limits(lives, censored, fit, 0.10, 0.90)
    median = quantile_limits(lives, censored, fit, 0.50, 0.95)
    row |= {
        "shape": fit.shape,
        "scale": fit.scale,
        "life_b10": fit.b10,
        "b10_low": _finite(b10[0]),
        "b10_high": _finite(b10[1]),
        "life_median": fit.median,
        "life_low": _finite(median[0]),
        "life_high": _finite(median[1]),
    }
    if age is not None:
        row["remaining_median"] = remaining_quantile(fit, age, 0.50)
        row["remaining_p10"] = remaining_quantile(fit, age, 0.10)
    try:
        trend = life_trend(lives, censored)
    except TooFewFailures:
        return row
    row |= {
        "trend_per_edge": trend.per_edge,
        "trend_low": _finite(trend.low),
        "trend_high": _finite(trend.high),
        "trend_p": trend.p,
    }
    return row


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _edge_means(edges: pl.DataFrame) -> pl.DataFrame:
    """Mean cost and parts of the edges that were taken out."""
    done = edges.filter(pl.col("in_use_at").is_not_null() & pl.col("removed_at").is_not_null())
    # whole millionths add up to the same sum in any order, so that two runs give the same figure to the last bit
    cost = (pl.col("edge_cost") * 1e6).round().cast(pl.Int64)
    return done.group_by("machine", "tool").agg(
        (cost.sum() / 1e6 / cost.count()).fill_nan(None).alias("edge_cost"),
        (pl.col("parts").sum() / pl.col("parts").count()).fill_nan(None).alias("parts_per_edge"),
    )


def _change_at(life: pl.DataFrame, edges: pl.DataFrame) -> pl.Series:
    """Return the age at which a planned change costs least; empty where a cost is not known or it never pays."""
    from pipeline.stats.replacement import best_change_age

    costs = life.select("machine", "tool", "shape", "scale", "change_min", "failure_cost", "rate_per_hour").join(
        _edge_means(edges).select("machine", "tool", "edge_cost"), on=["machine", "tool"], how="left"
    )
    values: list[float | None] = []
    for shape, scale, change_min, failure_cost, rate, edge_cost in costs.select(
        "shape", "scale", "change_min", "failure_cost", "rate_per_hour", "edge_cost"
    ).iter_rows():
        if None in (shape, scale, failure_cost, edge_cost):
            values.append(None)
            continue
        planned = edge_cost + (change_min or 0.0) / 60 * (rate or 0.0)
        values.append(best_change_age(shape, scale, planned, planned + failure_cost) if planned > 0 else None)
    return pl.Series("change_at", values, dtype=pl.Float64)


def _cost_per_part(life: pl.DataFrame, edges: pl.DataFrame) -> pl.Series:
    means = life.select("machine", "tool").join(_edge_means(edges), on=["machine", "tool"], how="left")
    cost = pl.when(pl.col("parts_per_edge") > 0).then(pl.col("edge_cost") / pl.col("parts_per_edge"))
    return means.select(cost.alias("cost_per_part"))["cost_per_part"]


def life_curves(edges: pl.DataFrame, life: pl.DataFrame, points: int = 60) -> pl.DataFrame:
    """Return the points of each tool's survival curves: Kaplan-Meier steps with a 95 % band, and the Weibull fit."""
    from pipeline.stats.survival import kaplan_meier

    frames = [pl.DataFrame(schema=CURVE_SCHEMA)]
    fits = {(row["machine"], row["tool"]): row for row in life.iter_rows(named=True)}
    for (machine, tool), group in edges.sort("machine", "tool", "edge_number").group_by(
        "machine", "tool", maintain_order=True
    ):
        _, known = known_lives(group)
        if known.height < 2:
            continue
        observed = kaplan_meier(known["life"].to_numpy(), known["censored"].to_numpy())
        frames.append(_curve(machine, tool, "observed", observed.times, observed.survival, observed.low, observed.high))
        fit = fits.get((machine, tool))
        if fit and fit["shape"]:
            life_axis = np.linspace(0, float(known["life"].max()) * 1.05, points)  # type: ignore[arg-type]
            survival = np.exp(-((life_axis / fit["scale"]) ** fit["shape"]))
            frames.append(_curve(machine, tool, "fitted", life_axis, survival, None, None))
    return pl.concat(frames)


def _curve(machine: Any, tool: Any, which: str, life: Any, survival: Any, low: Any, high: Any) -> pl.DataFrame:
    nothing = np.full(len(life), np.nan)
    return pl.DataFrame(
        {
            "machine": [machine] * len(life),
            "tool": [tool] * len(life),
            "which": [which] * len(life),
            "life": life,
            "survival": survival,
            "low": nothing if low is None else low,
            "high": nothing if high is None else high,
        },
        schema=CURVE_SCHEMA,
    ).with_columns(pl.col("low", "high").fill_nan(None))
