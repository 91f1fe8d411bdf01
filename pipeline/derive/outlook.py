"""What is known of the coming edges of each tool: from its own edges, from others, from where its lives have come to.

Arranges frames for the statistics; it computes none of its own.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
import polars as pl
from scipy import special

from pipeline.derive.life_trends import IS_CHANGING
from pipeline.derive.tool_fit import GRID
from pipeline.derive.tool_lives import KEYS, ToolLives, tool_lives
from pipeline.stats.arrays import BoolArray, FloatArray, IntArray
from pipeline.stats.life_posterior import NODES

LEAST_CHANCE: Final = 0.05
"""A change of lives that is less likely than this is left out of what is known of a tool."""
SHARES: Final = (0.1, 0.3, 0.5, 0.7, 0.9)
"""How sure slope and step are enters as five equally likely ones."""


class Outlook:
    """Posteriors of all tools, asked for by the tool's place in `numbers`.

    A tool with few failures leans on others. Where lives change, or may, the earlier ones are brought to the level of
    the edge in use, and each such history counts by its chance.
    """

    def __init__(self, edges: pl.DataFrame, table: pl.DataFrame, prior: Any) -> None:
        """Take in edges, tools with fit and verdict (sorted by KEYS), and what others say of each (LifePrior)."""
        self.numbers = table.select(KEYS).with_row_index("number")
        self.shape_now, self.scale_now = _floats(table["shape"]), _floats(table["scale"])
        self._own = _own_posterior(table)
        self._of = np.zeros(table.height, dtype=np.int64)  # which of the others a tool has, 0 for its own
        self._others: list[tuple[IntArray, Any]] = []
        pooled = table["pooled"].to_numpy()
        moved = ~pooled & (_floats(table["change_chance"]) >= LEAST_CHANCE)
        told = edges.join(table.filter(pl.Series(pooled | moved)).select(KEYS), on=KEYS, how="semi")
        lives = tool_lives(told, table)
        place = lives.tools.join(self.numbers, on=KEYS, how="left", maintain_order="left")["number"].to_numpy()
        if pooled.any():
            which = np.flatnonzero(pooled[place])
            self._add(place[which], _pooled_posterior(lives.take(which), prior.take(place[which]), table[place[which]]))
        if moved.any():
            which = np.flatnonzero(moved[place])
            self._move(lives.take(which), table[place[which]], place[which])

    def _add(self, tools: IntArray, posterior: Any) -> None:
        self._others.append((tools, posterior))
        self._of[tools] = len(self._others)

    def _move(self, some: ToolLives, rows: pl.DataFrame, tools: IntArray) -> None:
        """Bring the lives of tools that change, or may, to the level of the edge in use."""
        from pipeline.stats.life_posterior import LifePrior, life_posterior, mixed
        from pipeline.stats.weibull_many import fit_many

        chance = _floats(rows["change_chance"])
        parts, chances = [self._own.take(tools)], [1.0 - chance]
        steps = to_come(some, rows)
        for share in SHARES:
            by = _floats(rows["change_by"]) + special.ndtri(share) * _floats(rows["change_error"])
            moved = some.sets.moved(-some.groups.spread(by) * steps)
            made = fit_many(moved)
            parts.append(
                life_posterior(moved, LifePrior.nothing(tools.size), np.log(made.shape), np.sqrt(made.shape_variance))
            )
            chances.append(chance / len(SHARES))
            if share == 0.5:
                changing = rows.select(IS_CHANGING).to_series().to_numpy()
                self.shape_now[tools[changing]] = made.shape[changing]
                self.scale_now[tools[changing]] = made.scale[changing]
        self._add(tools, mixed(parts, chances))

    def split(self, which: IntArray) -> list[tuple[IntArray, Any]]:
        """Return places among `which` with the posteriors of these tools, those of one kind together."""
        found: list[tuple[IntArray, Any]] = []
        kinds = self._of[which]
        for kind, (tools, posterior) in enumerate([(np.arange(self._of.size), self._own), *self._others]):
            at = np.flatnonzero(kinds == kind)
            if at.size:
                found.append((at, posterior.take(np.searchsorted(tools, which[at]))))
        return found


def pooling(table: pl.DataFrame, settings: pl.DataFrame) -> tuple[BoolArray, Any, list[str | None]]:
    """Return which tools lean on others, what these say of each tool (LifePrior), and which others they are."""
    from pipeline.stats.life_pooling import OWN_FAILURES, pooled_prior

    fits = _fits(table)
    of_name, of_type = _groups(settings, table["unit"], "name"), _groups(settings, table["unit"], "tool_type")
    same = np.where(_teachers(of_name, fits) > 0, of_name, -1)
    group = np.where(same >= 0, same, np.where(of_type >= 0, of_type + of_name.max(initial=-1) + 1, -1))
    prior = pooled_prior(fits, group)
    # with no failure of its own a tool takes its scale from tools that are alike, or nothing is known of it
    has_scale = np.isfinite(prior.log_scale)
    pooled = (
        (fits.failures < OWN_FAILURES) & np.isfinite(prior.log_shape) & (has_scale | (fits.failures >= 1))
    )  # fmt: skip
    leant = [
        None if not is_pooled else "same tool" if has and name >= 0 else "same type" if has else "all tools"
        for is_pooled, has, name in zip(pooled, has_scale, same, strict=True)
    ]
    return pooled, prior, leant


def to_come(some: ToolLives, rows: pl.DataFrame) -> FloatArray:
    """Return how often each life's tool still changed after it, up to the edge in use: edge by edge, or by one step."""
    is_step = some.groups.spread((rows["trend_kind"] == "step").fill_null(False).to_numpy())
    first_after = some.groups.spread(rows["step_at_edge"].fill_null(0).to_numpy())
    before_step = some.edges["edge_number"].to_numpy() < first_after
    return np.where(is_step, before_step, some.groups.spread(some.groups.sizes - 1.0) - some.groups.position())


def changes(table: pl.DataFrame) -> list[pl.Series]:
    """Return change_chance, change_by and change_error: how likely lives change, and ln of the change with its error.

    The change is that of one edge to the next, or over the step where lives were found to change by one.
    """
    from pipeline.stats.trend_chances import trend_chances

    # limits are those of Student's t with failures - 1 degrees of freedom
    freedom = np.maximum(table["failures"].to_numpy() - 1.0, 3.0)
    reach, wider = special.stdtrit(freedom, 0.975), np.sqrt(freedom / (freedom - 2.0))

    def told(by: FloatArray, low: FloatArray, high: FloatArray) -> tuple[FloatArray, FloatArray]:
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.log(by), (np.log(high) - np.log(low)) / (2.0 * reach) * wider

    slope, slope_error = told(*(1.0 + _floats(table[name]) for name in ("trend_per_edge", "trend_low", "trend_high")))
    step, step_error = told(*(_floats(table[name]) for name in ("step_ratio", "step_low", "step_high")))
    found = trend_chances(slope, slope_error)
    is_step = (table["trend_kind"] == "step").fill_null(False).to_numpy()
    by = {
        "change_chance": np.where(is_step, 1.0, found.chance),
        "change_by": np.where(is_step, step, found.slope),
        "change_error": np.where(is_step, np.where(np.isfinite(step_error), step_error, 0.0), found.error),
    }
    return [pl.Series(name, values, dtype=pl.Float64).fill_nan(None) for name, values in by.items()]


def _own_posterior(table: pl.DataFrame) -> Any:
    from pipeline.stats.life_posterior import LifePosterior

    shape, weight, total = (table[name].to_numpy().astype(np.float64).reshape(table.height, NODES) for name in GRID)
    failures = table["failures"].to_numpy().astype(np.float64)
    count = np.where(np.isnan(shape), math.nan, failures[:, None])
    return LifePosterior(shape=shape, weight=weight, count=count, total=total, top=_floats(table["grid_top"]))


def _pooled_posterior(some: ToolLives, prior: Any, rows: pl.DataFrame) -> Any:
    from pipeline.stats.life_posterior import life_posterior

    return life_posterior(some.sets, prior, np.log(_floats(rows["shape"])), _floats(rows["shape_error"]))


def _fits(table: pl.DataFrame) -> Any:
    from pipeline.stats.weibull_many import WeibullFits

    nothing = np.full(table.height, math.nan)
    return WeibullFits(
        shape=_floats(table["shape"]),
        log_scale=np.log(_floats(table["scale"])),
        log_likelihood=nothing,
        scale_variance=_floats(table["scale_error"]) ** 2,
        covariance=nothing,
        shape_variance=_floats(table["shape_error"]) ** 2,
        failures=table["failures"].to_numpy(),
    )


def _floats(column: pl.Series) -> FloatArray:
    return np.array(column.cast(pl.Float64).fill_null(np.nan).to_numpy())


def _groups(settings: pl.DataFrame, unit: pl.Series, by: str) -> IntArray:
    """Return the number of the tools that share a word of shop.toml and the unit of their lives; -1 without one."""
    word = settings[by] if by in settings.columns else pl.Series(by, [None] * settings.height, dtype=pl.String)
    told = pl.DataFrame({"word": word, "unit": unit}).select(
        pl.when(pl.col("word").is_not_null()).then(pl.struct("word", "unit").rank("dense").cast(pl.Int64) - 1)
    )
    return told.to_series().fill_null(-1).to_numpy()


def _teachers(group: IntArray, fits: Any) -> IntArray:
    """Return how many other tools of its group have a fit of their own, for each tool."""
    from pipeline.stats.life_pooling import OWN_FAILURES

    teaches = fits.fitted & (fits.failures >= OWN_FAILURES)
    number = np.bincount(group[(group >= 0) & teaches], minlength=group.max(initial=-1) + 1)
    others: IntArray = np.where(group >= 0, number[group] if number.size else 0, 0) - (teaches & (group >= 0))
    return others
