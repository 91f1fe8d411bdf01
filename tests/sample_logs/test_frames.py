"""The frames obey the project's schemas, and what they tell could have happened in a shop."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from importlib.resources import files
from pathlib import Path

import polars as pl
import pytest

from sample_logs.generate import DemoShop, simulate
from schemas.columns import columns
from schemas.inputs import MODELS
from schemas.profile import load_profile
from schemas.shop import load_shop
from schemas.vocabulary import InputKind

KINDS: list[InputKind] = ["cycle", "tool_change", "edge_change", "event", "estimate", "job"]
FOLDER = Path(str(files("sample_logs")))
CLOCK_CHANGE = datetime(2026, 3, 29, 1, tzinfo=UTC)


@pytest.mark.parametrize("kind", KINDS)
def test_frames_obey_the_schemas(shop: DemoShop, kind: InputKind) -> None:
    """Every frame has exactly the columns and dtypes of its kind, and passes its checks."""
    frame: pl.DataFrame = getattr(shop, kind)
    assert dict(frame.schema) == dict(pl.DataFrame(schema=columns(kind)).schema)
    assert len(MODELS[kind].validate(frame)) > 50


def test_shop_and_profiles_obey_the_schemas() -> None:
    """shop.toml and the profiles are valid, and every profile that shop.toml names is there."""
    settings = load_shop(FOLDER / "shop.toml")
    kinds = {load_profile(FOLDER / str(source.profile)).kind for source in settings.source}
    assert kinds == {"cycle", "tool_change", "event", "edge_change"}
    assert {path.name for path in (FOLDER / "profiles").iterdir()} == {
        Path(str(source.profile)).name for source in settings.source
    }


def test_facts_are_told_once(shop: DemoShop) -> None:
    """No two rows of a list share their identity."""
    assert not shop.cycle.select(pl.struct("machine", "program", "started_at").is_duplicated().any()).item()
    assert not shop.tool_change.select(pl.struct("machine", "tool", "occurred_at").is_duplicated().any()).item()
    assert not shop.edge_change.select(pl.struct("machine", "tool", "occurred_at").is_duplicated().any()).item()
    assert not shop.event.select(pl.struct("data_item_id", "occurred_at").is_duplicated().any()).item()
    assert not shop.job.select(pl.struct("job", "ordered_on").is_duplicated().any()).item()


def test_a_machine_does_one_thing_at_a_time(shop: DemoShop) -> None:
    """Cycles of a machine do not overlap, and an edge is changed between cycles."""
    cycles = shop.truth.cycles.sort("machine", "started_at")
    overlap = cycles.select((pl.col("started_at") < pl.col("ended_at").shift().over("machine")).any()).item()
    assert not overlap
    last = shop.edge_change.sort("occurred_at").join_asof(
        cycles.sort("started_at").select("machine", "started_at", "ended_at"),
        left_on="occurred_at",
        right_on="started_at",
        by="machine",
        check_sortedness=False,
    )
    assert last["ended_at"].null_count() == 0
    assert last.select((pl.col("occurred_at") > pl.col("ended_at")).all()).item()


def test_tool_changes_lie_in_a_cycle_of_their_program(shop: DemoShop) -> None:
    """Each listed change falls into a cycle that runs the program which the change names."""
    found = shop.tool_change.sort("occurred_at").join_asof(
        shop.cycle.sort("started_at").select("machine", "program", "started_at", "ended_at"),
        left_on="occurred_at",
        right_on="started_at",
        by="machine",
        check_sortedness=False,
    )
    inside = (pl.col("occurred_at") < pl.col("ended_at")) & (pl.col("program") == pl.col("program_right"))
    assert found.select(inside.all()).item()


def test_operation_20_follows_operation_10(shop: DemoShop) -> None:
    """No order's second operation begins before its first is done."""
    turns = shop.truth.cycles.group_by("part", "order").agg(
        done=pl.col("ended_at").filter(pl.col("operation") == "10").max(),
        begun=pl.col("started_at").filter(pl.col("operation") == "20").min(),
    )
    turns = turns.drop_nulls("begun")
    assert len(turns) > 80
    assert turns.select((pl.col("begun") > pl.col("done")).all()).item()


@pytest.mark.parametrize("seed", [2, 3, 44])
def test_both_mills_work_through_the_spring_clock_change(seed: int) -> None:
    """A cycle runs on M1 and on M2 within the hour before and the hour after the clocks go forward."""
    cycles = simulate(seed).truth.cycles
    for edge in (CLOCK_CHANGE - timedelta(minutes=59), CLOCK_CHANGE + timedelta(minutes=1)):
        until = edge + timedelta(minutes=58)
        running = cycles.filter((pl.col("started_at") < until) & (pl.col("ended_at") > edge))
        assert {"M1", "M2"} <= set(running["machine"])


def test_the_shop_repeats_its_parts(shop: DemoShop) -> None:
    """At least 12 parts, 6 to 20 orders each, 4 to 25 parts an order, on three machines over eight months and more."""
    orders = shop.job.group_by("part").agg(pl.len(), pl.col("quantity").min().alias("least"), pl.col("quantity").max())
    assert len(orders) >= 12
    assert orders["len"].is_between(6, 20).all()
    assert orders["least"].min() >= 4  # type: ignore[operator]
    assert orders["quantity"].max() <= 25  # type: ignore[operator]
    assert set(shop.truth.cycles["machine"]) == {"M1", "M2", "L1"}
    assert shop.truth.states["month"].n_unique() == 9
    assert shop.truth.cycles["started_at"].dt.month().n_unique() == 9
    assert shop.truth.cycles.filter(pl.col("outcome") == "aborted").height > 50


def test_estimates_add_up_to_what_the_plan_says(shop: DemoShop) -> None:
    """The lines of an operation, summed, are the estimate that drift is measured against; nothing is added."""
    lines = shop.estimate.group_by("program").agg((pl.col("cut_s").sum() + pl.col("noncut_s").sum()).alias("lines_s"))
    told = shop.truth.jobs.join(lines, on="program", how="left")
    assert told.filter(pl.col("lines_s").is_null())["part"].to_list() == ["TM-306"]
    assert (told["lines_s"] - told["estimate_s"]).drop_nulls().abs().max() == 0
