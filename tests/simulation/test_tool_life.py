"""What the statistics of tool life promise, by simulation with fixed seeds: the figures stand in DEVELOPERS.md.

Tolerances are three standard errors of a binomial share at the stated figure. CPU: about 25 s.
"""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.derive.tool_fit import tool_fit
from pipeline.derive.tool_life import tool_life
from pipeline.stats.aft_many import fit_slopes
from pipeline.stats.early_signs import early_signs
from pipeline.stats.life_sets import LifeSets
from pipeline.stats.multiple import benjamini_hochberg
from pipeline.stats.permutation_many import trend_shares
from pipeline.stats.ragged import Ragged
from pipeline.stats.shared_batches import bends, learn_batches
from pipeline.stats.trend_kind import trend_kinds
from pipeline.stats.weibull_many import MeanLife, Quantile, fit_many, limits_many

STATED_IN = Path(__file__).parents[2] / "DEVELOPERS.md"


def stated(what: str) -> float:
    """Return the share that the table of figures in DEVELOPERS.md states."""
    found = re.search(rf"^\| {re.escape(what)} \| ([0-9.]+) % \|", STATED_IN.read_text(encoding="utf-8"), re.MULTILINE)
    assert found, f"DEVELOPERS.md states no figure for: {what}"
    return float(found[1]) / 100


def assert_as_stated(what: str, hits: np.ndarray) -> float:
    """Hold a share against its figure, and return the share."""
    share, promise, of = float(np.mean(hits)), stated(what), hits.size
    assert abs(share - promise) <= 3 * math.sqrt(max(promise * (1 - promise), 1 / of) / of), f"{share:.4f} of {of}"
    return share


def removed_at_random(rng: np.random.Generator, life: np.ndarray, level: np.ndarray, shape: float, share: float):
    """Lives as they are seen when a share of edges is taken out early, at a random age."""
    if share == 0.0:
        return life, np.zeros(life.shape, dtype=bool)
    removal = level * rng.weibull(shape, life.shape) * (share / (1.0 - share)) ** (-1.0 / shape)
    return np.minimum(life, removal), removal < life


@pytest.mark.parametrize("failures", [5, 10, 30])
@pytest.mark.parametrize("how", ["until so many have failed", "taken out at random"])
def test_limits_cover(failures: int, how: str) -> None:
    """90 % limits of B10 and of the mean with half of the edges censored, shape 3, 2,000 tools each."""
    rng = np.random.default_rng([failures, len(how)])
    tools, edges, shape = 2000, 2 * failures, 3.0
    life = rng.weibull(shape, (tools, edges))
    if how == "taken out at random":
        lives, censored = removed_at_random(rng, life, np.ones(life.shape), shape, 0.5)
    else:
        end = np.sort(life, axis=1)[:, failures - 1 : failures]
        lives, censored = np.minimum(life, end), life > end
    sets = LifeSets.of(lives.ravel(), censored.ravel(), np.full(tools, edges))
    fits = fit_many(sets)
    for name, of, truth in (
        ("B10", Quantile(0.1), (-math.log(0.9)) ** (1 / shape)),
        ("the mean life", MeanLife(), math.gamma(1 + 1 / shape)),
    ):
        low, high = limits_many(sets, fits, of, 0.9)
        covered = ((low <= truth) & (truth <= high))[fits.fitted]
        share = assert_as_stated(f"limits (90 %) that hold {name}, {failures} failures, {how}", covered)
        assert share >= 0.85
        if failures >= 10 and name == "B10":
            assert 0.87 <= share <= 0.93


def steady_shop(seed: int, batch_spread: float, batch_edges: int) -> LifeSets:
    """Forty steady tools of 5 to 40 edges, 30 % taken out early; ten tools share each stream of batches of edges."""
    rng = np.random.default_rng([seed, int(100 * batch_spread)])
    sizes = rng.integers(5, 41, 40)
    effects = rng.normal(0.0, batch_spread, (4, 60))
    batches = [np.repeat(np.arange(60), rng.poisson(batch_edges - 1, 60) + 1)[first : first + size] for first, size in
               zip(rng.integers(0, 3, 40), sizes, strict=True)]  # fmt: skip
    level = np.exp(np.concatenate([effects[tool // 10][batch] for tool, batch in enumerate(batches)]))
    lives, censored = removed_at_random(rng, level * rng.weibull(3.0, level.size), level, 3.0, 0.3)
    return LifeSets.of(lives, censored, sizes)


def has_verdict(sets: LifeSets) -> bool:
    """Whether any of the tools is called falling or rising."""
    slopes = fit_slopes(sets, sets.groups.position().astype(float), level=None)
    fits = fit_many(sets)
    judged = np.flatnonzero(np.isfinite(slopes.slope))
    some, shape = sets.take(judged), fits.shape[judged]
    hazard = np.exp(some.groups.spread(shape) * (some.logs + some.groups.spread(some.top - fits.log_scale[judged])))
    scores = hazard - some.failed
    p, _ = trend_shares(some.groups, scores)
    learned = learn_batches(bends(some.groups, scores), some.groups.sizes, shape, some.failures / some.groups.sizes)
    return bool((benjamini_hochberg(learned.widened(p)) <= 0.05).any())


@pytest.mark.parametrize(
    ("what", "shops", "spread", "batch_edges"),
    [
        ("shops of 40 steady tools with any false trend", 150, 0.0, 10),
        ("the same with insert batches of ten edges, lives 10 % apart", 150, 0.1, 10),
        ("the same with insert batches of ten edges, lives 20 % apart", 150, 0.2, 10),
        ("the same with insert batches of four edges, lives 20 % apart", 100, 0.2, 4),
    ],
)
def test_steady_shops_seldom_alarm(what: str, shops: int, spread: float, batch_edges: int) -> None:
    """Benjamini-Hochberg at 5 % over 40 steady tools: the share of shops with any verdict is at most 5 %."""
    alarms = np.array([has_verdict(steady_shop(seed, spread, batch_edges)) for seed in range(shops)])
    assert_as_stated(what, alarms)
    assert alarms.mean() <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / shops)


@pytest.mark.parametrize("shape", [2, 4])
@pytest.mark.parametrize("share", [0, 50])
def test_falling_lives_are_found(shape: int, share: int) -> None:
    """Lives that fall by 5 % an edge over 20 edges, p < 0.05 of one tool alone, 1,000 tools."""
    rng = np.random.default_rng([shape, share])
    level = np.broadcast_to(0.95 ** np.arange(20.0), (1000, 20))
    lives, censored = removed_at_random(rng, level * rng.weibull(shape, level.shape), level, shape, share / 100)
    sets = LifeSets.of(lives.ravel(), censored.ravel(), np.full(1000, 20))
    fits = fit_many(sets, 5)
    some = sets.take(np.flatnonzero(fits.fitted))
    shapes, scales = fits.shape[fits.fitted], fits.log_scale[fits.fitted]
    hazard = np.exp(some.groups.spread(shapes) * (some.logs + some.groups.spread(some.top - scales)))
    p, _ = trend_shares(some.groups, hazard - some.failed)
    assert_as_stated(
        f"tools found that fall by 5 % an edge over 20 edges, shape {shape}, {share} % censored", p <= 0.05
    )


def edges_until_a_day(rng: np.random.Generator, tool: int, per_edge: float) -> pl.DataFrame | None:
    """One tool's edges from one to the next until a day, a fifth taken out early; whole parts in the one in use."""
    shape, pace = rng.uniform(2.0, 5.0), rng.uniform(1.0, 6.0)
    level = pace * rng.uniform(8, 40) * (1.0 + per_edge) ** np.arange(80.0)
    life = level * rng.weibull(shape, 80)
    used, censored = removed_at_random(rng, life, level, shape, 0.2)
    start = np.cumsum(used) - used
    # a quarter of the tools are new: one to three edges are over
    day = start[rng.integers(1, 4) if tool % 4 == 1 else rng.integers(8, 31)] + rng.random() * level[0]
    last = int(np.searchsorted(start, day) - 1)
    age = math.floor((day - start[last]) / pace) * pace
    if not 0 < age < used[last]:
        return None
    minutes = np.append(used[:last], age)
    in_use = np.arange(last + 1) == last
    return pl.DataFrame(
        {
            "tool": [str(tool)] * (last + 1),
            "edge_number": np.arange(1, last + 2),
            "cut_min": minutes,
            "parts": np.floor(minutes / pace + 1e-9).astype(np.int64),
            "censored": censored[: last + 1] | in_use,
            "in_use": in_use,
            "minutes_left": np.full(last + 1, life[last] - age),
            "parts_left": np.full(last + 1, math.floor((life[last] - age) / pace)),
        }
    )


@lru_cache(maxsize=2)
def predicted(falling_every: int) -> pl.DataFrame:
    """Shops of 40 tools: mart.tool_life beside what is truly left to each edge in use; 0 is: no tool falls."""
    frames = []
    for seed in range(20):
        rng = np.random.default_rng([seed, falling_every])
        per_edge = [-0.05 if falling_every and tool % falling_every == 0 else 0.0 for tool in range(40)]
        falling = [str(tool) for tool, by in enumerate(per_edge) if by]
        edges = [edges_until_a_day(rng, tool, by) for tool, by in enumerate(per_edge)]
        shop = pl.concat([of for of in edges if of is not None]).with_columns(
            machine=pl.lit(f"M{seed}"),
            edge_cost=pl.lit(1.0),
            in_use_at=pl.lit(datetime(2026, 1, 1, tzinfo=UTC)),
            removed_at=pl.when("in_use").then(None).otherwise(datetime(2026, 2, 1, tzinfo=UTC)),
            is_suspect=pl.lit(False),
            speed_m_min=pl.lit(None, dtype=pl.Float64),
            insert_batch=pl.lit(None, dtype=pl.String),
        )
        settings = shop.select("machine", "tool").unique().with_columns(
            name=pl.lit(None, dtype=pl.String), tool_type=pl.lit(None, dtype=pl.String), change_min=1.0,
            failure_cost=pl.lit(None, dtype=pl.Float64),
        )  # fmt: skip
        rates = pl.DataFrame({"machine": [f"M{seed}"], "rate_per_hour": [60.0]})
        truth = shop.filter("in_use").select("tool", "minutes_left", "parts_left")
        seen = shop.drop("in_use", "minutes_left", "parts_left")
        life, _ = tool_life(seen, tool_fit(seen, settings, rates), settings, rates)
        frames.append(life.join(truth, on="tool").with_columns(falls=pl.col("tool").is_in(falling)))
    return pl.concat(frames).filter(pl.col("parts_left_90").is_not_null())


@pytest.mark.parametrize(
    ("what", "falling_every", "which"),
    [
        ("edges in use of steady tools that made the life left to 90 %", 0, pl.lit(True)),
        ("the same of tools that are new and lean on others", 0, pl.col("pooled")),
        ("the same in shops where a quarter of the tools fall", 4, pl.lit(True)),
        ("the same of tools that fall and were found to", 4, pl.col("falls") & (pl.col("verdict") == "falling")),
        ("the same of tools that fall and were not found to", 4, pl.col("falls") & (pl.col("verdict") != "falling")),
    ],
)
def test_predictions_hold(what: str, falling_every: int, which: pl.Expr) -> None:
    """The life left that nine of ten edges make is made by nine of ten; in whole parts by no fewer."""
    rows = predicted(falling_every).filter(which)
    in_minutes = pl.col("unit") == "min"
    life_left = pl.when(in_minutes).then("minutes_left").otherwise("parts_left")
    made = rows.select(life_left >= pl.col("remaining_p10")).to_series().to_numpy()
    assert_as_stated(what, made)
    if not falling_every:
        parts_made = rows.select(pl.col("parts_left") >= pl.col("parts_left_90")).to_series().to_numpy()
        assert_as_stated(f"{what}, in whole parts", parts_made)
        assert parts_made.mean() >= 0.9 - 3 * math.sqrt(0.9 * 0.1 / parts_made.size)


def test_predictions_hold_averaged_over_shops() -> None:
    """Steady shops and shops with falling tools together: made by nine of ten."""
    made = np.concatenate(
        [
            predicted(every)
            .select(
                pl.when(pl.col("unit") == "min").then("minutes_left").otherwise("parts_left") >= pl.col("remaining_p10")
            )
            .to_series()
            .to_numpy()
            for every in (0, 4)
        ]
    )
    share = assert_as_stated("edges in use that made the life left to 90 %, all these shops together", made)
    assert abs(share - 0.9) <= 3 * math.sqrt(0.9 * 0.1 / made.size)


def test_kinds_are_told() -> None:
    """Half of the life lost at once in the middle, or evenly, over 40 edges, shape 4: 200 tools each."""
    rng = np.random.default_rng(40)
    for kind, level in (("step", np.where(np.arange(40) < 20, 1.0, 0.5)), ("slope", 0.965 ** np.arange(40.0))):
        life = level * rng.weibull(4.0, (200, 40))
        kinds = trend_kinds(LifeSets.of(life.ravel(), np.zeros(life.size, dtype=bool), np.full(200, 40)))
        assert_as_stated(f"a {kind} over 40 edges that is called one", kinds.kind == kind)
        other = {"step": "slope", "slope": "step"}[kind]
        assert (kinds.kind == other).mean() <= 0.1 + 3 * math.sqrt(0.1 * 0.9 / 200)
        if kind == "step":
            assert_as_stated("steps that lie among the edges named (90 %)", (kinds.low <= 20) & (kinds.high >= 20))


@pytest.mark.parametrize("earlier", [5, 12, 25])
def test_early_signs_are_rare_and_in_time(earlier: int) -> None:
    """Load rises by 15 % over about 25 parts, 2 % noise that hangs together; an edge that rises threefold runs away."""

    def scored(seed: int, tools: int, faster: float):
        rng = np.random.default_rng([earlier, seed])
        sizes = rng.poisson(25, tools * (earlier + 1)) + 6
        parts = Ragged.of_sizes(sizes)
        in_use = np.tile(np.arange(earlier + 1) == earlier, tools)
        rise = 0.15 * np.exp(rng.normal(0, 0.2, sizes.size)) * np.where(in_use, faster, 1.0)
        noise = rng.normal(0, 0.02, parts.rows)
        noise = noise + 0.5 * np.concatenate(([0.0], noise[:-1]))
        value = np.exp(parts.spread(rise) * (parts.position() / 25.0) ** 1.5 + noise)
        tool = np.repeat(np.arange(tools), earlier + 1)
        return early_signs(value, parts, tool, in_use, tools)

    steady = scored(1, 1000, 1.0)
    assert_as_stated(f"edges like {earlier} earlier ones that are said to run away", steady.score > steady.limit)
    away = scored(2, 300, 3.0)
    found = away.score > away.limit
    assert_as_stated(f"edges found that wear three times as fast as {earlier} earlier ones", found)
    assert 8 <= np.median(away.since[found]) <= 25
