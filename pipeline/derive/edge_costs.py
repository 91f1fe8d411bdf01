"""What changing edges costs: today's habit, the age of a planned change that costs least, and Taylor's lives.

Arranges frames for the statistics; it computes none of its own. Money stays empty where shop.toml does not tell it.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.derive.tool_lives import KEYS, ToolLives, as_columns
from pipeline.stats.arrays import AnyArray, BoolArray, FloatArray

CAUTIOUS_LEVEL = 0.90
HABIT_RATES = ("habit_rate", "habit_rate_low", "habit_rate_high")
MONTH_S = 30.4375 * 86400.0


def own_costs(lives: ToolLives, settings: pl.DataFrame) -> dict[str, FloatArray]:
    """Return what each tool's own edges say of costs; settings in the order of the tools."""
    edges = lives.edges
    done = edges["removed_at"].is_not_null().to_numpy()
    groups = lives.groups.within(done)
    edge_cost = _numbers(edges["edge_cost"])[done]
    parts = _numbers(edges["parts"])[done]
    mean_cost = _mean(groups.sum(np.nan_to_num(edge_cost)), groups.sum(np.isfinite(edge_cost)))
    mean_parts = _mean(groups.sum(np.nan_to_num(parts)), groups.sum(np.isfinite(parts)))
    planned = mean_cost + _change_cost(settings)
    planned = np.where(planned > 0, planned, np.nan)
    used, months = groups.sum(lives.life[done]), _months(lives, done)
    rates = habit_rates(lives, settings, lives.life)
    return {
        "edge_cost": mean_cost,
        "cost_per_part": np.where(mean_parts > 0, mean_cost / np.where(mean_parts > 0, mean_parts, 1.0), np.nan),
        "planned_cost": planned,
        "failed_cost": planned + _numbers(settings["failure_cost"]),
        "used_per_month": np.where(months > 0, used / np.where(months > 0, months, 1.0), np.nan),
        "habit_age": _mean(used, groups.sizes),
        "habit_failed_share": _mean(groups.sum(~lives.censored[done]), groups.sizes),
        **dict(zip(HABIT_RATES, rates, strict=True)),
    }


def habit_rates(
    lives: ToolLives, settings: pl.DataFrame, life: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return what the edges that were taken out cost for a unit of `life`, shape (edges,), with 90 % limits."""
    from pipeline.stats.replacement import observed_cost_rates

    done = lives.edges["removed_at"].is_not_null().to_numpy()
    groups = lives.groups.within(done)
    edge_cost = _numbers(lives.edges["edge_cost"])[done]
    mean_cost = _mean(groups.sum(np.nan_to_num(edge_cost)), groups.sum(np.isfinite(edge_cost)))
    cost = np.where(np.isfinite(edge_cost), edge_cost, groups.spread(mean_cost))
    cost = cost + groups.spread(_change_cost(settings))
    cost = cost + np.where(~lives.censored[done], groups.spread(_numbers(settings["failure_cost"])), 0.0)
    return observed_cost_rates(groups, life[done], cost, CAUTIOUS_LEVEL)


def cost_columns(table: pl.DataFrame, settings: pl.DataFrame) -> list[pl.Series]:
    """Return today's habit and the best change, at the level that lives have come to, for the tools of the table."""
    from pipeline.stats.replacement import best_change_ages, cost_rates

    planned, failed = _numbers(table["planned_cost"]), _numbers(table["failed_cost"])
    shape, scale, per_month = (_numbers(table[name]) for name in ("shape_now", "scale_now", "used_per_month"))
    best = best_change_ages(shape, scale, planned, failed)
    habit = {
        name: np.where(np.isfinite(failed), _numbers(table[rate]), np.nan) * per_month
        for name, rate in zip(("habit_cost_month", "habit_low", "habit_high"), HABIT_RATES, strict=True)
    }
    rate = _numbers(settings["rate_per_hour"])
    told = {
        "change_at": best,
        **habit,
        "best_cost_month": cost_rates(best, shape, scale, planned, failed) * per_month,
        **_taylor_lives(table, _numbers(table["edge_cost"]), _numbers(settings["change_min"]), rate),
    }
    return as_columns(told)


def _change_cost(settings: pl.DataFrame) -> FloatArray:
    """Return what the minutes of a planned change cost; nothing where that is not told."""
    rate = np.nan_to_num(_numbers(settings["rate_per_hour"]))
    return np.asarray(np.nan_to_num(_numbers(settings["change_min"])) / 60.0 * rate)


def _numbers(column: pl.Series) -> FloatArray:
    return column.cast(pl.Float64).fill_null(np.nan).to_numpy()


def _mean(total: FloatArray, count: AnyArray) -> FloatArray:
    return np.where(count > 0, total / np.where(count > 0, count, 1.0), np.nan)


def _months(lives: ToolLives, done: BoolArray) -> FloatArray:
    """Return the months from the first start to the last removal of each tool's finished edges."""
    spans = (
        lives.edges.filter(pl.Series(done))
        .group_by(KEYS)
        .agg(((pl.col("removed_at").max() - pl.col("in_use_at").min()).dt.total_seconds() / MONTH_S).alias("months"))
    )
    told = lives.tools.select(KEYS).join(spans, on=KEYS, how="left", maintain_order="left")
    return told["months"].fill_null(0.0).to_numpy()


def _taylor_lives(
    table: pl.DataFrame, edge_cost: FloatArray, change_min: FloatArray, rate: FloatArray
) -> dict[str, FloatArray]:
    """Return the lives of least cost and of most output where Taylor's exponent is known."""
    n = _numbers(table["taylor_n"])
    n = np.where((n > 0) & (n < 1), n, np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        return {
            "min_cost_life": (1.0 / n - 1.0) * (change_min + edge_cost / (rate / 60.0)),
            "max_output_life": (1.0 / n - 1.0) * change_min,
        }
