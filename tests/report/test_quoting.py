"""Quotes worked out by hand: factors, intervals, setup, costs, and what is said where nothing is known."""

import math
from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest
from scipy import stats

from pipeline.derive.factor_model import fit_factors
from pipeline.derive.quote_factor import with_job_numbers
from pipeline.report.quoting import PastRuns, quote, total_lines
from schemas.columns import columns
from schemas.mart import columns as mart_columns

AT = datetime(2026, 3, 2, tzinfo=UTC)
OFFERED = {"jobs": 12, "least_reach": None, "offered": True, "because": "off by 4 % against 11 %"}


SPREADS = pl.DataFrame({"time_kind": ["cycle"], "between_sd": [0.03], "within_sd": [0.04], "freedom": [40]})


def ratio(number: int, time_kind: str, log_ratio: float, **changes: object) -> dict[str, object]:
    return {
        "time_kind": time_kind, "job_key": f"P{number}", "machine": "M1", "program": f"O{100 + number}",
        "material": "brass", "operation_kind": "milling", "batches": 2, "runs": 20, "log_ratio": log_ratio,
        "sampling_variance": 0.0004, "shared_variance": 0.0, "estimate_s": 100.0, "first_at": AT,
        "last_at": AT, **changes,
    }  # fmt: skip


def ratios(*rows: dict[str, object]) -> pl.DataFrame:
    """Eight jobs of two machines and materials at 1.10 a cycle, 1.5 a setup, twice the loading; or the rows given."""
    told = list(rows) or [
        ratio(number, kind, math.log(centre) + 0.01 * (number % 3 - 1), machine=f"M{1 + number % 2}",
              material=("brass", "steel")[number // 4])
        for kind, centre in (("cycle", 1.10), ("setup", 1.5), ("load", 2.0))
        for number in range(8)
    ]  # fmt: skip
    return pl.DataFrame(told, schema=mart_columns("quote_ratio"))


def trust(**changes: object) -> pl.DataFrame:
    rows = [{"time_kind": kind, **OFFERED, **changes} for kind in ("cycle", "cut", "noncut", "setup", "load")]
    return pl.DataFrame(rows, schema=mart_columns("quote_trust"))


def past(**changes: object) -> PastRuns:
    known = {
        "ratios": ratios(),
        "spreads": SPREADS,
        "trust": trust(),
        "drift": pl.DataFrame(schema=mart_columns("job_drift")),
        "spread": pl.DataFrame({"learning_rate": [1.0]}),
        "tool_costs": pl.DataFrame({"machine": ["M1"], "tool": ["3"], "cost_per_cut_min": [0.2], "edges": [12]}),
        "machines": pl.DataFrame(
            {"machine": ["M1", "M2", "M9"], "kind": ["milling"] * 3, "rate_per_hour": [60.0, 60.0, None]}
        ),
        "orders": pl.DataFrame(
            {"job": ["J1"], "part": ["P"], "material": ["brass"], "stock_kg": [0.5], "part_kg": [None]},
            schema_overrides={"part_kg": pl.Float64},
        ),
        "materials": pl.DataFrame({"material": ["brass"], "price_per_kg": [8.0], "swarf_per_kg": [2.0]}),
    }
    return PastRuns(**{**known, **changes})


def lines(*rows: dict[str, object]) -> pl.DataFrame:
    return pl.DataFrame(list(rows), schema=columns("estimate"))


def factor(time_kind: str, machine: str = "M1", variance: float = 0.0) -> tuple[float, float, float]:
    """ln factor, scale and degrees of freedom by the model itself."""
    numbered = with_job_numbers(ratios()).filter(pl.col("time_kind") == time_kind)
    model = fit_factors(numbered, time_kind, SPREADS)
    assert model is not None
    cell = pl.DataFrame({"machine": [machine], "material": ["brass"], "operation_kind": ["milling"]})
    found = model.predict(cell, variance)
    return float(found.mean[0]), float(found.scale[0]), float(found.degrees_of_freedom[0])


LINE = {"job": "J1", "operation": "10", "machine": "M1", "material": "brass", "quantity": 4, "tool": "3"}


def test_figures_by_hand() -> None:
    """600 s of estimate, four parts, setup and loading, each times its own factor, and what they cost."""
    given = lines({**LINE, "cut_s": 500.0, "noncut_s": 100.0, "setup_s": 1200.0, "load_s": 30.0})

    row = quote(given, past()).row(0, named=True)

    cycle, setup, load = (math.exp(factor(kind)[0]) for kind in ("cycle", "setup", "load"))
    assert (cycle, setup, load) == pytest.approx((1.10, 1.5, 2.0), rel=0.01)
    assert row["expected_cycle_s"] == pytest.approx(600 * cycle)
    assert row["expected_setup_s"] == pytest.approx(1200 * setup)
    assert row["expected_load_s"] == pytest.approx(30 * load)
    batch_s = 4 * (600 * cycle + 30 * load) + 1200 * setup
    assert row["batch_s"] == pytest.approx(batch_s)
    assert row["part_s"] == pytest.approx(batch_s / 4)
    assert row["machine_cost_per_part"] == pytest.approx(batch_s / 4 / 3600 * 60)
    assert row["tooling_cost_per_part"] == pytest.approx(500 / 60 * cycle * 0.2)
    assert row["material_cost_per_part"] == pytest.approx(4.0)
    total = sum(row[f"{name}_cost_per_part"] for name in ("machine", "tooling", "material"))
    assert row["total_cost_per_part"] == pytest.approx(total)
    assert row["total_cost_per_batch"] == pytest.approx(4 * total)
    assert row["total_cost_per_part_low"] < total < row["total_cost_per_part_high"]
    assert "160 runs of 8 jobs, 4 of M1, 4 of brass, 8 of milling" in row["rests_on"]
    assert any("a cycle (90 %: " in line for line in total_lines(quote(given, past()), "EUR"))


def test_interval_is_for_the_mean_cycle_of_the_batch() -> None:
    """The model's own, with the spread from batch to batch and from run to run over four cycles in it."""
    row = quote(lines({**LINE, "cut_s": 600.0}), past()).row(0, named=True)

    mean, scale, df = factor("cycle", variance=0.03**2 + 0.04**2 / 4)
    for name, share in (("low", 0.05), ("q25", 0.25), ("q75", 0.75), ("high", 0.95)):
        expected = 600.0 * math.exp(mean + stats.t.ppf(share, df) * scale)
        assert row[f"cycle_s_{name}"] == pytest.approx(expected)


def test_the_batchs_interval_adds_independent_times_up() -> None:
    """Of one time alone it is that time's, times the cycles; with setup it is narrower than the sum of the ends."""
    one = quote(lines({**LINE, "cut_s": 600.0}), past()).row(0, named=True)
    two = quote(lines({**LINE, "cut_s": 600.0, "setup_s": 2400.0}), past()).row(0, named=True)

    assert one["batch_s_high"] == pytest.approx(4 * one["cycle_s_high"], rel=2e-3)
    widths = [two[f"{name}_high"] - two[f"{name}_low"] for name in ("batch_s", "cycle_s", "setup_s")]
    assert max(4 * widths[1], widths[2]) < widths[0] < 4 * widths[1] + widths[2]


def test_a_machine_not_seen_before_is_wider_and_says_so() -> None:
    """The spread between machines is part of the interval."""
    known = quote(lines({**LINE, "cut_s": 100.0}), past()).row(0, named=True)
    row = quote(lines({**LINE, "machine": "M9", "cut_s": 100.0}), past()).row(0, named=True)

    assert row["expected_cycle_s"] == pytest.approx(110.0, rel=0.02)
    assert "not seen before: machine M9" in row["rests_on"]
    assert row["cycle_s_high"] / row["cycle_s_low"] > known["cycle_s_high"] / known["cycle_s_low"]
    assert row["machine_cost_per_part"] is None
    assert "no rate_per_hour" in row["rests_on"]


@pytest.mark.filterwarnings("error")
def test_lines_that_say_little() -> None:
    """No machine and no material are said to be lacking; an operation without a time is named, not left out."""
    nothing = {"job": "J7", "operation": "10", "quantity": 3}
    told = list(total_lines(quote(lines({**nothing, "cut_s": 90.0}, {**nothing, "operation": "20"}), past()), "EUR"))

    assert "machine cost left out: these lines name no machine" in told[-2]
    assert told[-1] == "J7 operation 20: no time on these lines, nothing to predict"


def test_what_a_part_and_the_batch_cost_is_told() -> None:
    """Setup, loading, and each kind of cost beside the total with its interval."""
    told = list(total_lines(quote(lines({**LINE, "cut_s": 500.0, "setup_s": 1200.0, "load_s": 30.0}), past()), "EUR"))

    row = quote(lines({**LINE, "cut_s": 500.0, "setup_s": 1200.0, "load_s": 30.0}), past()).row(0, named=True)
    part = next(line for line in told if line.startswith("  cost a part: "))
    assert f"{row['total_cost_per_part']:.2f} EUR (90 %: {row['total_cost_per_part_low']:.2f} to " in part
    assert part.endswith(
        f"machine {row['machine_cost_per_part']:.2f}, tooling {row['tooling_cost_per_part']:.2f}, material 4.00"
    )
    assert any(line.startswith("  setup 0.50 h (90 %: ") for line in told)
    assert any(line.startswith("  loading 60 s a cycle (90 %: ") for line in told)


def test_factors_that_do_not_beat_the_estimate_are_not_offered() -> None:
    """The estimate stands; the interval lies about it and is wide enough for what the factor says."""
    because = "off by 5 % against 4 %: not better"
    row = quote(lines({**LINE, "cut_s": 600.0}), past(trust=trust(offered=False, because=because))).row(0, named=True)

    assert row["expected_cycle_s"] == pytest.approx(600.0)
    assert f"not offered: {because}" in row["rests_on"]
    mean, scale, df = factor("cycle", variance=0.03**2 + 0.04**2 / 4)
    reach = stats.t.ppf(0.95, df) * math.hypot(scale, mean)
    assert row["cycle_s_high"] == pytest.approx(600.0 * math.exp(reach))


def test_intervals_that_did_not_hold_are_widened() -> None:
    """As wide as past quotes were off; one that is wider already stays."""
    plain = quote(lines({**LINE, "cut_s": 600.0}), past()).row(0, named=True)
    wide = quote(lines({**LINE, "cut_s": 600.0}), past(trust=trust(least_reach=0.3))).row(0, named=True)
    little = quote(lines({**LINE, "cut_s": 600.0}), past(trust=trust(least_reach=0.01))).row(0, named=True)

    assert math.log(wide["cycle_s_high"] / wide["cycle_s_low"]) == pytest.approx(0.6)
    assert "as wide as past quotes were off" in wide["rests_on"]
    assert little["cycle_s_high"] == plain["cycle_s_high"]


def test_material_counts_once_a_job() -> None:
    """Two operations of one job are one piece of stock: it stands on the first, and the second says so."""
    orders = pl.DataFrame({"job": ["J1"], "part": ["P"], "material": ["brass"], "stock_kg": [19.0], "part_kg": [1.68]})
    found = quote(lines({**LINE, "cut_s": 60.0}, {**LINE, "operation": "20", "cut_s": 60.0}), past(orders=orders))

    assert found["stock_kg_per_part"].to_list() == [19.0, None]
    assert found["material_cost_per_part"].to_list() == [pytest.approx(117.36), None]
    assert "material stands on the first operation" in found["rests_on"][1]


def test_learning_over_the_batch() -> None:
    """At a rate of 95 % the first of ten cycles takes 18 % more; a batch of four costs more a cycle than one of 400."""
    learns = past(spread=pl.DataFrame({"learning_rate": [0.95]}))
    few = quote(lines({**LINE, "cut_s": 600.0}), learns).row(0, named=True)
    many = quote(lines({**LINE, "cut_s": 600.0, "quantity": 400}), learns).row(0, named=True)

    slope = math.log2(0.95)
    mean = sum((number / 10) ** slope for number in (1, 2, 3, 4)) / 4
    assert few["expected_cycle_s"] == pytest.approx(600 * math.exp(factor("cycle")[0]) * mean)
    assert "for learning over 4 cycles" in few["rests_on"]
    assert many["expected_cycle_s"] == pytest.approx(600 * math.exp(factor("cycle")[0]), rel=0.01)


def test_each_line_has_its_own_cut_and_noncut_time() -> None:
    """A tool type that cuts longer than estimated shows on its lines."""
    by_tool = [
        ratio(number, kind, math.log(centre) + 0.004 * (number % 3 - 1), tool_type=tool_type)
        for kind in ("cut", "noncut")
        for tool_type, centre in (("drill", 1.0), ("face mill", 1.3))
        for number in range(8)
    ]
    given = lines(
        {**LINE, "tool": "3", "tool_type": "drill", "cut_s": 60.0, "noncut_s": 10.0},
        {**LINE, "tool": "4", "tool_type": "face mill", "cut_s": 100.0},
    )
    found = quote(given, past(ratios=ratios(*by_tool)))

    assert found["expected_cut_s"].to_list() == [pytest.approx(60.0, rel=0.02), pytest.approx(130.0, rel=0.02)]
    assert found["expected_noncut_s"].to_list() == [pytest.approx(10.0, rel=0.02), None]
    assert "no history, the estimate as it stands" in found["rests_on"][0]


def test_a_billet_and_its_swarf() -> None:
    """Common practice, no source: a billet of 19 kg becomes a part of 1.68 kg, 11.3 to 1, 17.3 kg of swarf."""
    orders = pl.DataFrame({"job": ["J1"], "part": ["P"], "material": ["brass"], "stock_kg": [19.0], "part_kg": [1.68]})
    row = quote(lines({**LINE, "cut_s": 600.0}), past(orders=orders)).row(0, named=True)

    assert row["stock_kg_per_part"] == 19.0
    assert row["part_kg_per_part"] == 1.68
    assert row["swarf_kg_per_part"] == pytest.approx(17.32, abs=1e-12)
    assert round(row["bought_to_left"], 1) == 11.3
    assert round(row["swarf_kg_per_part"], 1) == 17.3
    assert row["stock_kg_per_batch"] == 76.0
    assert row["swarf_kg_per_batch"] == pytest.approx(69.28, abs=1e-12)
    assert row["stock_cost_per_part"] == 152.0
    assert row["swarf_value_per_part"] == pytest.approx(34.64, abs=1e-12)
    assert row["material_cost_per_part"] == pytest.approx(117.36, abs=1e-12)
    assert row["material_cost_per_batch"] == pytest.approx(469.44, abs=1e-12)
    told = "\n".join(total_lines(quote(lines({**LINE, "cut_s": 600.0}), past(orders=orders)), "EUR"))
    assert "19 kg bought, 1.68 kg left (11.3 to 1), 17.32 kg of swarf" in told


def test_masses_that_are_given_and_masses_that_cannot_be() -> None:
    """What the user gives stands before the order list; a part heavier than its stock has no swarf, and it is said."""
    given = quote(lines({**LINE, "cut_s": 60.0}), past(stock_kg=2.0, part_kg=1.5)).row(0, named=True)
    odd = quote(lines({**LINE, "cut_s": 60.0}), past(stock_kg=1.0, part_kg=1.5)).row(0, named=True)

    assert (given["swarf_kg_per_part"], given["material_cost_per_part"]) == pytest.approx((0.5, 15.0))
    assert odd["swarf_kg_per_part"] is None
    assert "heavier than its stock" in odd["rests_on"]


def test_no_history_leaves_the_estimate_as_it_stands() -> None:
    """A new shop: factor one, no interval, and it says so."""
    empty = pl.DataFrame(schema=mart_columns("quote_ratio"))
    row = quote(lines({**LINE, "cycle_s": 90.0}), past(ratios=empty)).row(0, named=True)

    assert row["expected_cycle_s"] == pytest.approx(90.0)
    assert row["cycle_s_low"] is None
    assert row["batch_s_low"] is None
    assert "too few jobs for an interval" in row["rests_on"]


def test_figures_stand_once_for_each_operation() -> None:
    """Two tools of one operation: the cycle is their sum, on the first line; a cycle_s line replaces the others."""
    two = quote(lines({**LINE, "cut_s": 60.0, "noncut_s": 10.0}, {**LINE, "tool": "9", "cut_s": 30.0}), past())
    whole = quote(lines({**LINE, "cut_s": 60.0}, {**LINE, "tool": "9", "cycle_s": 200.0}), past())

    assert two["expected_cycle_s"].to_list() == [pytest.approx(100 * math.exp(factor("cycle")[0])), None]
    assert whole["expected_cycle_s"][0] == pytest.approx(200 * math.exp(factor("cycle")[0]))
    assert "without tools 9" in two["rests_on"][0]


def test_several_parts_in_a_cycle_share_it() -> None:
    """Two parts a cycle: half the cycle's cost each, and half the cycles."""
    one = quote(lines({**LINE, "cut_s": 600.0}), past()).row(0, named=True)
    two = quote(lines({**LINE, "cut_s": 600.0, "parts_per_cycle": 2}), past()).row(0, named=True)

    assert two["machine_cost_per_part"] == pytest.approx(one["machine_cost_per_part"] / 2)
    assert two["cycle_s_high"] > one["cycle_s_high"]


def test_the_version_of_the_factors_is_that_of_what_they_rest_on() -> None:
    """The same past has the same version; one ratio more is another."""
    assert past().version == past().version
    assert past().version != past(ratios=ratios().tail(23)).version


def history(**changes: object) -> pl.DataFrame:
    row = {
        "job_key": "J1", "job": "J1", "part": "P", "operation": "10", "machine": "M1", "program": "O7", "runs": 60,
        "batches": 6, "estimate_s": 600.0, "drift": 1.10, "drift_low": 1.05, "drift_high": 1.152381, "verdict": "over",
    }  # fmt: skip
    return pl.DataFrame([{**row, **changes}], schema=mart_columns("job_drift"))


def test_a_job_that_ran_before_is_quoted_from_its_own_runs() -> None:
    """The same estimate: its own ratio; nine tenths of its error and the next batch's together lie in the limits.

    The first is Student's t of five degrees of freedom, the other, known from all jobs, a normal.
    """
    row = quote(lines({**LINE, "cut_s": 600.0}), past(drift=history())).row(0, named=True)

    assert row["expected_cycle_s"] == pytest.approx(660.0)
    error = math.log(1.152381 / 1.05) / 2 / stats.t.ppf(0.975, 5)
    normal = np.linspace(-8, 8, 4001)
    away = (math.log(row["cycle_s_high"] / 660.0) - math.sqrt(0.03**2 + 0.04**2 / 4) * normal) / error
    weight = stats.norm.pdf(normal) / stats.norm.pdf(normal).sum()
    assert float((weight * stats.t.cdf(away, 5)).sum()) == pytest.approx(0.95, abs=0.001)
    assert "this job's own runs" in row["rests_on"]


def test_a_job_that_shifted_is_quoted_from_what_it_takes_since() -> None:
    """Months before the shift do not pull the next price down."""
    shifted = history(
        shifted_at=datetime(2026, 3, 20, tzinfo=UTC), drift_after=1.16, drift_after_low=1.14, drift_after_high=1.18
    )

    row = quote(lines({**LINE, "cut_s": 600.0}), past(drift=shifted)).row(0, named=True)

    assert row["expected_cycle_s"] == pytest.approx(696.0)
    assert "since 2026-03-20" in row["rests_on"]


def test_another_estimate_of_a_known_job_takes_the_cells_factor() -> None:
    """A changed estimate may already hold what was learnt: the job's own ratio would count it twice."""
    row = quote(lines({**LINE, "cut_s": 700.0}), past(drift=history())).row(0, named=True)

    assert "160 runs of 8 jobs" in row["rests_on"]
