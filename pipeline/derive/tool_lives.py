"""The lives of each tool's edges as arrays, one tool behind the other, as the statistics of tool life want them.

It decides which edges count and in which unit; it fits nothing else.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.stats.arrays import AnyArray, BoolArray, FloatArray, IntArray
from pipeline.stats.life_sets import LifeSets
from pipeline.stats.ragged import Ragged

KEYS = ["machine", "tool"]
# Log-likelihoods that far apart decide for a unit: the one is then more than seven times as likely (e^2).
CLEARLY_BETTER = 2.0


@dataclass(frozen=True, eq=False)
class ToolLives:
    """Edges whose life is known, by tool, in their order.

    Attributes
    ----------
    tools : machine, tool, unit, unit_because, suspects; one row a tool, also where no life of it is known
    edges : the edges with a known life, of one tool after the other
    groups : which of the edges are of which tool
    life, censored, in_use : shape (edges,)
    """

    tools: pl.DataFrame
    edges: pl.DataFrame
    groups: Ragged
    life: FloatArray
    censored: BoolArray
    in_use: BoolArray

    @property
    def sets(self) -> LifeSets:
        """The lives for the likelihood."""
        return LifeSets.of(self.life, self.censored, self.groups.sizes)

    def take(self, which: IntArray) -> ToolLives:
        """Return some of the tools."""
        groups, rows = self.groups.take(which)
        return ToolLives(
            self.tools[which], self.edges[rows], groups, self.life[rows], self.censored[rows], self.in_use[rows]
        )


def tool_lives(edges: pl.DataFrame, told: pl.DataFrame | None = None) -> ToolLives:
    """Arrange core.edge_life by tool.

    An edge whose start nobody knows, or with a change that nobody logged (is_suspect), has no known life; nor has one
    that was never used. `told`, where it is given, says the unit of each tool's lives (machine, tool, unit,
    unit_because); otherwise it is found.
    """
    ordered = edges.with_columns(pl.col("is_suspect").fill_null(False)).sort(*KEYS, "edge_number")
    tools = ordered.group_by(KEYS, maintain_order=True).agg(pl.col("is_suspect").sum().cast(pl.Int64).alias("suspects"))
    number = tools.select(*KEYS).with_row_index("tool_index")
    started = ordered.filter(pl.col("in_use_at").is_not_null() & ~pl.col("is_suspect")).join(
        number, on=KEYS, how="left", maintain_order="left"
    )
    if told is None:
        tools = tools.with_columns(_units(started, tools.height))
    else:
        units = told.select(*KEYS, "unit", "unit_because")
        tools = tools.join(units, on=KEYS, how="left", maintain_order="left")
    in_parts = (tools["unit"] == "parts").to_numpy()
    index = started["tool_index"].to_numpy()
    life = np.where(
        in_parts[index],
        started["parts"].cast(pl.Float64).fill_null(0.0).to_numpy(),
        started["cut_min"].cast(pl.Float64).fill_null(0.0).to_numpy(),
    )
    used = life > 0
    known = started.filter(pl.Series(used))
    return ToolLives(
        tools=tools,
        edges=known,
        groups=Ragged.of_sizes(np.bincount(index[used], minlength=tools.height)),
        life=life[used],
        censored=known["censored"].to_numpy(),
        in_use=known["removed_at"].is_null().to_numpy(),
    )


def _units(started: pl.DataFrame, tools: int) -> list[pl.Series]:
    """Return unit and unit_because of each tool.

    Where both are known the unit is the one in which the lives are likelier, edge by edge the same edges: the two
    likelihoods are those of ln life, on which a change of unit has no Jacobian, so that they compare. Minutes stand
    where neither is clearly better.
    """
    from pipeline.stats.weibull_many import fit_many

    index = started["tool_index"].to_numpy()
    minutes = started["cut_min"].cast(pl.Float64).fill_null(0.0).to_numpy()
    parts = started["parts"].cast(pl.Float64).fill_null(0.0).to_numpy()
    has_minutes = np.bincount(index, minutes > 0, tools) > 0
    has_parts = np.bincount(index, parts > 0, tools) > 0
    both = (minutes > 0) & (parts > 0)
    sizes = np.bincount(index[both], minlength=tools)
    censored = started["censored"].to_numpy()[both]
    height = []
    for life in (minutes, parts):
        sets = LifeSets.of(life[both], censored, sizes)
        # of ln life: the density of the life times the life
        height.append(fit_many(sets).log_likelihood + sets.failure_sum + sets.failures * sets.top)
    better = height[1] - height[0]
    because = np.select(
        [~has_parts, ~has_minutes, np.isnan(better), better > CLEARLY_BETTER, better < -CLEARLY_BETTER],
        ["only minutes known", "only parts known", "too few", "parts fit better", "minutes fit better"],
        "alike",
    )
    # of a tool with no use at all neither is known; without minutes it is counted in parts, as it always was
    because[~has_minutes & ~has_parts] = "only parts known"
    unit = np.where(np.isin(because, ["only parts known", "parts fit better"]), "parts", "min")
    return [pl.Series("unit", unit), pl.Series("unit_because", because)]


def level_scores(lives: ToolLives, shape: AnyArray, log_scale: AnyArray) -> AnyArray:
    """Return failed less cumulative hazard of each edge under a level fit: low where an edge lived long."""
    spread = lives.groups.spread
    with np.errstate(over="ignore", invalid="ignore"):
        hazard = np.exp(spread(shape) * (np.log(lives.life) - spread(log_scale)))
    return np.asarray(np.nan_to_num(hazard) - ~lives.censored)


def as_columns(found: Mapping[str, AnyArray]) -> list[pl.Series]:
    """Return arrays as columns; what is not a finite number is empty."""
    return [
        pl.Series(name, np.where(np.isfinite(values), values, np.nan), dtype=pl.Float64).fill_nan(None)
        for name, values in found.items()
    ]
