"""What changing edges costs: today's habit, the age of a planned change that costs least, and Taylor's lives.

Arranges frames for the statistics; it computes none of its own. Money stays empty where shop.toml does not tell it.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.derive.edge_now import lives_at_level_now
from pipeline.derive.tool_lives import KEYS, ToolLives, as_columns
from pipeline.stats.arrays import AnyArray, BoolArray, FloatArray

CAUTIOUS_LEVEL = 0.90
MONTH_S = 30.4375 * 86400.0


def cost_columns(table: pl.DataFrame, lives: ToolLives, settings: pl.DataFrame) -> list[pl.Series]:
    """Return the columns of costs for the tools of the table, in its order."""
    from pipeline.stats.replacement import best_change_ages, cost_rates, observed_cost_rates

    edges = lives.edges
    done = edges["removed_at"].is_not_null().to_numpy()
    groups = lives.groups.within(done)
    life, failed = lives.life[done], ~lives.censored[done]
    edge_cost = _numbers(edges["edge_cost"])[done]
    parts = _numbers(edges["parts"])[done]
    mean_cost = _mean(groups.sum(np.nan_to_num(edge_cost)), groups.sum(np.isfinite(edge_cost)))
    mean_parts = _mean(groups.sum(np.nan_to_num(parts)), groups.sum(np.isfinite(parts)))
    rate = _numbers(settings["rate_per_hour"])
    change = np.nan_to_num(_numbers(settings["change_min"])) / 60.0 * np.nan_to_num(rate)
    planned = mean_cost + change
    planned = np.where(planned > 0, planned, np.nan)
    failure = _numbers(settings["failure_cost"])
    failed_cost = planned + failure
    shape, scale = _numbers(table["shape_now"]), _numbers(table["scale_now"])
    best = best_change_ages(shape, scale, planned, failed_cost)
    used, months = groups.sum(life), _months(lives, done)
    per_month = np.where(months > 0, used / np.where(months > 0, months, 1.0), np.nan)
    cost = np.where(np.isfinite(edge_cost), edge_cost, groups.spread(mean_cost)) + groups.spread(change)
    cost = cost + np.where(failed, groups.spread(failure), 0.0)
    # what the habit costs at the level that lives have come to, or it would not compare with what is best now
    at_level = lives_at_level_now(lives, table)[done]
    habit, low, high = observed_cost_rates(groups, at_level, cost, CAUTIOUS_LEVEL)
    told = {
        "change_at": best,
        "cost_per_part": np.where(mean_parts > 0, mean_cost / np.where(mean_parts > 0, mean_parts, 1.0), np.nan),
        "planned_cost": planned,
        "failed_cost": failed_cost,
        "used_per_month": per_month,
        "habit_age": _mean(used, groups.sizes),
        "habit_failed_share": _mean(groups.sum(failed), groups.sizes),
        "habit_cost_month": np.where(np.isfinite(failed_cost), habit, np.nan) * per_month,
        "habit_low": np.where(np.isfinite(failed_cost), low, np.nan) * per_month,
        "habit_high": np.where(np.isfinite(failed_cost), high, np.nan) * per_month,
        "best_cost_month": cost_rates(best, shape, scale, planned, failed_cost) * per_month,
        **_taylor_lives(table, mean_cost, _numbers(settings["change_min"]), rate),
    }
    return as_columns(told)


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
