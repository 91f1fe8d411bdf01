"""What is planted can be found again in the logs, where truth.json says and as large; nothing else is planted."""

from __future__ import annotations

import math

import numpy as np
import polars as pl
import pytest

from sample_logs.generate import DemoShop, PlantedJob, simulate
from sample_logs.plan import load_plan

SEEDS = range(12)


@pytest.fixture(scope="module")
def shops() -> list[DemoShop]:
    """Twelve demo shops."""
    return [simulate(seed) for seed in SEEDS]


def _ratios(shop: DemoShop) -> pl.DataFrame:
    length_s = (pl.col("ended_at") - pl.col("started_at")).dt.total_milliseconds() / 1000
    complete = shop.truth.cycles.filter(outcome="complete")
    return complete.with_columns(ratio=length_s / pl.col("estimate_s"))


def _of(ratios: pl.DataFrame, job: PlantedJob) -> pl.DataFrame:
    return ratios.filter((pl.col("part") == job.part) & (pl.col("operation") == job.operation))


def test_planted_jobs_are_the_four_of_the_plan(shop: DemoShop) -> None:
    """Two jobs overrun from a date on, one overruns all along, one runs under."""
    told = {(job.part, job.operation, job.verdict, job.since is None) for job in shop.truth.planted_jobs}
    assert told == {
        ("TM-102", "10", "over", False),
        ("TM-201", "10", "over", False),
        ("TM-305", "10", "over", True),
        ("TM-103", "10", "under", True),
    }
    for job in shop.truth.planted_jobs:
        assert job.ratio >= 1.10 or job.ratio <= 0.90


def test_planted_ratios_come_out(shops: list[DemoShop]) -> None:
    """The median ratio of a planted job lies within 2 % of what was planted, and near 1 before its date.

    Batches scatter by 1.7 %, so over 10 batches or more the median does by some 0.5 %; stops add at most 0.7 %.
    """
    for shop in shops:
        ratios = _ratios(shop)
        for job in shop.truth.planted_jobs:
            own = _of(ratios, job)
            after = own if job.since is None else own.filter(pl.col("started_at") >= job.since)
            assert after["order"].n_unique() >= 8
            assert after["ratio"].median() == pytest.approx(job.ratio, rel=0.02)
            if job.since is not None:
                before = own.filter(pl.col("started_at") < job.since)
                assert before["order"].n_unique() >= 5
                assert before["ratio"].median() == pytest.approx(1.0, abs=0.025)


def test_a_planted_date_is_the_start_of_an_order(shop: DemoShop) -> None:
    """`since` is the first cycle of an order, and every later cycle of the job belongs to that order or a later one."""
    for job in shop.truth.planted_jobs:
        if job.since is not None:
            own = _of(shop.truth.cycles, job)
            first = own.filter(pl.col("started_at") >= job.since).sort("started_at")
            assert first["started_at"][0] == job.since
            assert first["job"][0] == job.since_job
            assert own.filter(pl.col("started_at") < job.since)["order"].max() < first["order"].min()  # type: ignore[operator]


def test_all_other_jobs_keep_to_their_estimate(shops: list[DemoShop]) -> None:
    """An unplanted job is planned within 1 % of its estimate, and runs there: its median is never 3 % off."""
    for shop in shops:
        planted = [(job.part, job.operation) for job in shop.truth.planted_jobs]
        jobs = shop.truth.jobs.filter(
            ~pl.struct("part", "operation").is_in(
                [dict(zip(("part", "operation"), key, strict=True)) for key in planted]
            )
        )
        assert len(jobs) == 17
        assert jobs["ratio"].is_between(0.99, 1.01).all()
        assert (jobs["actual_median_s"] / jobs["estimate_s"]).is_between(0.97, 1.03).all()


def test_noise_is_as_large_as_the_plan_says(shops: list[DemoShop]) -> None:
    """Between batches the log ratio scatters by 1.7 %, inside a batch by 1 %, holds and stops aside."""
    noise = load_plan().noise
    between, within = [], []
    for shop in shops:
        ratios = _ratios(shop).filter(part="TM-202").with_columns(log=pl.col("ratio").log())
        batches = ratios.group_by("order").agg(pl.col("log").median().alias("middle"), pl.col("log"))
        between.append(float(np.std(batches["middle"].to_numpy(), ddof=1)))
        spread = ratios.with_columns(rest=pl.col("log") - pl.col("log").median().over("order"))["rest"]
        within.append(1.4826 * float(spread.abs().median()))  # type: ignore[arg-type]
    assert np.mean(between) == pytest.approx(noise.batch_sd, rel=0.15)
    assert np.mean(within) == pytest.approx(noise.run_sd, rel=0.25)


def test_a_slow_override_is_in_the_stream(shop: DemoShop) -> None:
    """The job that runs at 85 % has that override set while it runs, and no other job has."""
    job = next(job for job in shop.truth.planted_jobs if job.how == "feed_override")
    set_at = shop.event.filter(item="PathFeedrateOverride", value="85").select("occurred_at")
    running = set_at.sort("occurred_at").join_asof(
        shop.truth.cycles.filter(machine="M2").sort("started_at").select("started_at", "program"),
        left_on="occurred_at",
        right_on="started_at",
    )
    assert len(running) > 10
    assert set(running["program"]) == {job.program}
    assert running["started_at"].min() == job.since


def _slope_per_edge(shop: DemoShop, machine: str, tool: str) -> float:
    edges = shop.truth.edges.filter(
        (pl.col("machine") == machine)
        & (pl.col("tool") == tool)
        & pl.col("in_use_at").is_not_null()
        & pl.col("removed_at").is_not_null()
    )
    return float(np.polyfit(edges["number"].to_numpy(), np.log(edges["cut_min"].to_numpy()), 1)[0])


def test_lives_fall_where_planted_and_nowhere_else(shops: list[DemoShop]) -> None:
    """Over twelve shops the log of life falls by the planted change per edge, and stays level for all other tools.

    One fit scatters by some 0.01 to 0.02 per edge (about 30 edges, shape 3), the mean of twelve by a third of that.
    """
    tools = shops[0].truth.tools.filter(pl.col("verdict") != "too few")
    for row in tools.to_dicts():
        mean = np.mean([_slope_per_edge(shop, row["machine"], row["tool"]) for shop in shops])
        assert mean == pytest.approx(math.log(1 + row["change_per_edge"]), abs=0.012), (row["machine"], row["tool"])


def test_there_are_edges_enough(shops: list[DemoShop]) -> None:
    """25 edges or more for most tools, 20 or more for a falling one, and exactly one tool with too few."""
    for shop in shops:
        tools = shop.truth.tools
        assert tools.filter(pl.col("edges") >= 25).height >= 32
        assert tools.filter(verdict="too few").select("machine", "tool").rows() == [("M1", "14")]
        falling = tools.filter(verdict="falling")
        assert falling.select("machine", "tool").rows() == [("M2", "3"), ("L1", "2")]
        assert falling["change_per_edge"].is_between(-0.06, -0.04).all()
        assert falling["edges"].min() >= 20  # type: ignore[operator]


def test_edges_end_in_all_ways(shop: DemoShop) -> None:
    """Worn, broken, chipped, planned and unknown all occur; a broken edge ends its cycle, which makes no part."""
    edges = shop.truth.edges
    assert set(edges["reason"].drop_nulls()) == {"worn", "broken", "chipped", "planned", "unknown"}
    broken = edges.filter(reason="broken").sort("removed_at")
    last = broken.join_asof(
        shop.truth.cycles.sort("started_at"),
        left_on="removed_at",
        right_on="started_at",
        by="machine",
        check_sortedness=False,
    )
    assert len(last) > 40
    assert set(last["outcome"]) == {"aborted"}
    assert set(last["parts"]) == {0}
