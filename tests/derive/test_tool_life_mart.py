"""mart.tool_life from edges laid out by hand: units, pooling, what is left, what is made anew.

CPU: about 3 s.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.derive.outlook import Outlook
from pipeline.derive.tool_fit import tool_fit
from pipeline.derive.tool_life import life_curves, tool_life
from pipeline.derive.tool_lives import ToolLives, tool_lives
from schemas import mart

START = datetime(2026, 1, 5, tzinfo=UTC)


def edges_of(machine: str, tool: str, minutes: Any, parts: Any, failed: Any, **more: Any) -> pl.DataFrame:
    """Edges of one tool, a day each, the last in use."""
    count = len(minutes)
    days = [START + timedelta(days=n) for n in range(count + 1)]
    return pl.DataFrame(
        {
            "machine": [machine] * count,
            "tool": [tool] * count,
            "edge_number": list(range(1, count + 1)),
            "in_use_at": days[:-1],
            "removed_at": [*days[1:-1], None],
            "cut_min": pl.Series(minutes, dtype=pl.Float64),
            "parts": pl.Series(parts, dtype=pl.Int64),
            "censored": [not of for of in failed],
            "edge_cost": [10.0] * count,
            "is_suspect": more.get("suspect", [False] * count),
            "speed_m_min": pl.Series([None] * count, dtype=pl.Float64),
            "insert_batch": pl.Series([None] * count, dtype=pl.String),
        }
    )


def settings_of(edges: pl.DataFrame, **columns: Any) -> tuple[pl.DataFrame, pl.DataFrame]:
    known = {"name": None, "tool_type": None, "change_min": 3.0, "failure_cost": 40.0} | columns
    tools = (
        edges.select("machine", "tool")
        .unique()
        .with_columns(
            pl.lit(value, dtype=pl.String if name in ("name", "tool_type") else pl.Float64).alias(name)
            for name, value in known.items()
        )
    )
    return tools, tools.select("machine").unique().with_columns(rate_per_hour=60.0)


def random_shop(seed: int, tools: int = 12) -> pl.DataFrame:
    rng = np.random.default_rng(seed)
    frames = []
    for tool in range(tools):
        count, scale = int(rng.integers(2, 40)), rng.uniform(20, 200)
        level = scale * (0.93 if tool == 0 else 1.0) ** np.arange(count)
        minutes = level * rng.weibull(4.0, count)
        failed = rng.random(count) < 0.7
        failed[-1] = False
        parts = np.maximum(1, minutes / 3).astype(int)
        frames.append(edges_of("M1", str(tool), minutes, parts, failed))
    return pl.concat(frames)


def derived(
    edges: pl.DataFrame,
    tools: pl.DataFrame,
    rates: pl.DataFrame,
    before: tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame] | None = None,
) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Return fits, mart.tool_life and the curves, from those that stood where they are given."""
    fits_before, life_before, curves_before = before or (None, None, None)
    fits = tool_fit(edges, tools, rates, before=fits_before)
    life, _ = tool_life(edges, fits, tools, rates, before=life_before)
    return fits, life, life_curves(edges, life, before=curves_before, life_before=life_before)


def both(edges: pl.DataFrame, **columns: Any) -> tuple[pl.DataFrame, Outlook]:
    tools, rates = settings_of(edges, **columns)
    return tool_life(edges, tool_fit(edges, tools, rates), tools, rates)


def test_marts_are_valid() -> None:
    """Every column is within its model, and the curves begin at the first life."""
    edges = random_shop(1)
    life, _ = both(edges)
    mart.MODELS["tool_life"].validate(life, lazy=True)
    assert set(life_curves(edges, life)["which"]) == {"observed", "fitted"}


def test_only_changed_tools_are_made_anew() -> None:
    """With the mart as it stood the result is the same to the last bit, after new rows and after a tool has gone."""
    edges = random_shop(2)
    tools, rates = settings_of(edges)
    stood = derived(edges, tools, rates)
    longer = (pl.col("tool") == "3") & pl.col("removed_at").is_null()
    dearer = tools.with_columns(failure_cost=pl.lit(80.0))
    for grown, settings in (
        (edges, tools),
        (edges.with_columns(pl.when(longer).then(pl.col("cut_min") + 7).otherwise("cut_min").alias("cut_min")), tools),
        (edges.filter(pl.col("tool") != "5"), tools),
        (edges.filter((pl.col("tool") != "7") | (pl.col("edge_number") < 4)), tools),
        (edges, dearer),
    ):
        for anew, renewed in zip(derived(grown, settings, rates), derived(grown, settings, rates, stood), strict=True):
            assert_frame_equal(anew, renewed, check_exact=True)


def test_tools_without_new_rows_are_not_fitted_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """Only the edges of the tool that has a new row reach the fits."""
    edges = random_shop(3)
    tools, rates = settings_of(edges)
    fits = tool_fit(edges, tools, rates)
    reached: list[set[str]] = []
    arranged = tool_lives

    def watched(some: pl.DataFrame, told: pl.DataFrame | None = None) -> ToolLives:
        reached.append(set(some["tool"]))
        return arranged(some, told)

    monkeypatch.setattr("pipeline.derive.tool_fit.tool_lives", watched)
    grown = edges.filter((pl.col("tool") != "7") | (pl.col("edge_number") > 1))
    renewed = tool_fit(grown, tools, rates, before=fits)
    assert reached == [{"7"}]
    same = pl.col("tool") != "7"
    assert_frame_equal(renewed.filter(same), fits.filter(same), check_exact=True)


@pytest.mark.parametrize(
    ("what", "unit", "because"),
    [
        ("minutes alike", "min", "minutes fit better"),
        ("parts alike", "parts", "parts fit better"),
        ("one job", "min", "alike"),
        ("no minutes", "parts", "only parts known"),
        ("no parts", "min", "only minutes known"),
        ("two failures", "min", "too few"),
    ],
)
def test_unit(what: str, unit: str, because: str) -> None:
    """The unit in which lives are likelier stands, minutes where neither is; the row says why."""
    rng = np.random.default_rng(7)
    alike = 40.0 * rng.weibull(12.0, 20)
    per_part = np.exp(rng.normal(0, 0.6, 20))
    failed = np.arange(20) < (2 if what == "two failures" else 19)
    minutes, parts = {
        "minutes alike": (alike, alike * per_part * 20),
        "parts alike": (alike * per_part, alike * 20),
        "no minutes": ([None] * 20, alike * 20),
        "no parts": (alike, [0] * 20),
    }.get(what, (alike, alike * 20))
    life, _ = both(edges_of("M1", "4", minutes, np.asarray(parts).astype(int), failed))
    assert life.select("unit", "unit_because").row(0) == (unit, because)


def test_few_failures_lean_on_others() -> None:
    """Two failures take their shape from the shop and their scale from tools of the type; alone they are too few."""
    rng = np.random.default_rng(8)
    teachers = [edges_of("M1", str(n), 60 * rng.weibull(3, 25), [1] * 25, np.arange(25) < 24) for n in range(6)]
    young = edges_of("M2", "9", [40.0, 55.0, 5.0], [1] * 3, [True, True, False])
    life, _ = both(pl.concat([*teachers, young]), tool_type="end mill")
    row = life.row(by_predicate=pl.col("machine") == "M2", named=True)
    assert (row["pooled"], row["pooled_with"], row["verdict"]) == (True, "same type", "too few")
    assert row["shape"] == pytest.approx(3.0, rel=0.25)
    assert row["b10_low"] < row["life_b10"] < row["b10_high"]
    assert row["life_low"] < row["life_median"] < row["life_high"]
    assert row["parts_left_90"] is not None
    untyped, _ = both(pl.concat([*teachers, young]))
    assert untyped.row(by_predicate=pl.col("machine") == "M2", named=True)["pooled_with"] == "all tools"
    alone, _ = both(young)
    assert alone.select("pooled", "shape", "parts_left_90").row(0) == (False, None, None)


def test_suspect_edges_and_unknown_starts_are_left_out() -> None:
    """They are in no fit, no cost and no age; suspects are counted."""
    rng = np.random.default_rng(9)
    minutes = 50 * rng.weibull(4, 12)
    plain = edges_of("M1", "4", minutes, [10] * 12, np.arange(12) < 11)
    odd = edges_of("M1", "4", np.append(minutes, 900.0), [10] * 13, [True] * 13, suspect=[False] * 12 + [True])
    odd = odd.with_columns(plain["removed_at"].extend_constant(None, 1), plain["censored"].extend_constant(False, 1))
    one, two = both(plain)[0], both(odd)[0]
    assert two["suspects"].item() == 1
    same = pl.exclude("suspects", "rests_on")
    assert_frame_equal(one.select(same), two.select(same), check_exact=True)


def test_a_set_of_edges_lasts_about_twenty_parts() -> None:
    """Common practice, no source: on a large 6000-series billet a shoulder mill's set of edges lasts about 20 parts.

    So with 15 parts made about 5 are left, and an insert of 6 to 12 costs 0.30 to 0.60 a part.
    """
    rng = np.random.default_rng(10)
    parts = np.round(20.5 * rng.weibull(8.0, 30)).astype(int)
    parts[-1] = 15
    edges = edges_of("M1", "4", parts * 6.2, parts, np.arange(30) < 29)
    for cost in (6.0, 12.0):
        life, _ = both(edges.with_columns(edge_cost=pl.lit(cost)))
        row = life.row(0, named=True)
        per_part = 1.0 if row["unit"] == "parts" else row["min_per_part"]
        assert row["life_low"] < 20 * per_part < row["life_high"]
        assert row["parts_left_90"] < 5 <= row["parts_left_median"] + 1
        assert row["survive_next_part"] > 0.9
        assert row["cost_per_part"] == pytest.approx(cost / 20, rel=0.1)


def test_falling_lives_are_taken_where_they_have_come_to() -> None:
    """After a clear fall what is left, the change point and the habit's cost are those of today's edges."""
    rng = np.random.default_rng(11)
    level = 100 * 0.95 ** np.arange(31)
    minutes = level * rng.weibull(6.0, 31)
    minutes[-1] = 0.1 * level[-1]
    life, _ = both(edges_of("M1", "4", minutes, [10] * 31, np.arange(31) < 30))
    row = life.row(0, named=True)
    assert (row["verdict"], row["trend_kind"]) == ("falling", "slope")
    assert row["trend_low"] < -0.05 < row["trend_high"]
    assert row["median_now"] == pytest.approx(0.94 * level[-1], rel=0.15)
    assert row["remaining_median"] < 0.5 * row["life_median"]
    assert row["change_at"] < row["median_now"]
    assert row["best_cost_month"] < row["habit_cost_month"]


def test_early_signs_reach_the_mart() -> None:
    """Load that runs away from earlier edges is told with its limit and its part; without parts nothing is said."""
    rng = np.random.default_rng(12)
    edges = edges_of("M1", "4", 50 * rng.weibull(4, 10), [20] * 10, np.arange(10) < 9)
    tools, rates = settings_of(edges)
    rise = np.where(np.arange(10) == 9, 0.05, 0.01)[:, None] * np.arange(20)
    wear = pl.DataFrame(
        {
            "machine": "M1", "tool": "4", "edge_number": np.repeat(np.arange(1, 11), 20),
            "part_number": np.tile(np.arange(1, 21), 10), "measure": "load",
            "value": np.exp(rise + rng.normal(0, 0.01, (10, 20))).ravel(),
        }
    )  # fmt: skip
    fits = tool_fit(edges, tools, rates)
    row = tool_life(edges, fits, tools, rates, wear=wear)[0].row(0, named=True)
    assert (row["wear_measure"], row["wear_verdict"], row["wear_edges"]) == ("load", "runs away", 9)
    assert row["wear_score"] > row["wear_limit"]
    assert 4 <= row["wear_since_part"] <= 10
    assert tool_life(edges, fits, tools, rates)[0]["wear_verdict"].item() is None


def test_no_edges() -> None:
    """An empty ledger gives empty marts."""
    edges = random_shop(1).clear()
    life, _ = both(edges)
    assert life.height == life_curves(edges, life).height == 0
