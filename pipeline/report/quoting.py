"""Predicted times and costs of a new job from its estimate lines and the factors of the shop's past runs.

A pure function of frames. What rests on statistics of past runs says so, with the number of runs behind it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

import polars as pl

CAUTION: Final = (
    "These figures are statistics of past runs. The machine's and the tool maker's limits, local rules and the "
    "qualified person at the machine come first."
)

SAME_ESTIMATE: Final = 0.01
"""Lines within this share of the estimate that a job ran against are that estimate: its own runs speak for them."""

OPERATION: Final = ("job", "program", "operation", "machine", "revision")

QUOTE_COLUMNS: Final[dict[str, pl.DataType]] = {
    "expected_cycle_s": pl.Float64(),
    "cycle_s_low": pl.Float64(),
    "cycle_s_high": pl.Float64(),
    "cycle_s_q25": pl.Float64(),
    "cycle_s_q75": pl.Float64(),
    "expected_setup_s": pl.Float64(),
    "expected_load_s": pl.Float64(),
    "tooling_cost_per_part": pl.Float64(),
    "machine_cost_per_part": pl.Float64(),
    "material_cost_per_part": pl.Float64(),
    "total_cost_per_part": pl.Float64(),
    "tooling_cost_per_batch": pl.Float64(),
    "machine_cost_per_batch": pl.Float64(),
    "material_cost_per_batch": pl.Float64(),
    "total_cost_per_batch": pl.Float64(),
    "rests_on": pl.String(),
}


@dataclass(frozen=True)
class PastRuns:
    """What a quote rests on: marts and settings of one shop."""

    factors: pl.DataFrame  # mart.quote_factor
    drift: pl.DataFrame  # mart.job_drift: the same job's own history, where it has one
    spread: pl.DataFrame  # mart.run_spread: between_sd, within_sd of ln ratio
    tool_costs: pl.DataFrame  # machine, tool, cost_per_cut_min, edges
    machines: pl.DataFrame  # core.machine
    orders: pl.DataFrame  # job, part, material, stock_kg
    materials: pl.DataFrame  # material, price_per_kg


@dataclass(frozen=True)
class Factor:
    """A correction factor with what a new job needs of it."""

    factor: float
    log_mean: float
    log_sd: float | None
    df: float | None
    runs: int
    jobs: int
    scope: str


def quote(lines: pl.DataFrame, past: PastRuns) -> pl.DataFrame:
    """Return the estimate lines with predictions added on the first line of each operation.

    The figures of an operation stand once, on its first line, so that a column adds up in a spreadsheet; the other
    lines are empty there. Intervals are for the mean cycle over the batch quantity: 90 % and the middle half.
    A cost is empty where a rate or price is not known, and a total counts what is known; `rests_on` says which.
    """
    numbered = lines.with_row_index("_line")
    added = []
    for _, group in numbered.group_by(OPERATION, maintain_order=True):
        row = _predict(group, past)
        added.append({"_line": int(group["_line"][0]), **row})
    predicted = pl.DataFrame(added, schema={"_line": pl.UInt32(), **QUOTE_COLUMNS}, orient="row")
    return numbered.join(predicted, on="_line", how="left").sort("_line").drop("_line")


def _predict(group: pl.DataFrame, past: PastRuns) -> dict[str, Any]:
    from scipy import stats

    machine, material, kind = (_first(group, name) for name in ("machine", "material", "operation_kind"))
    machine_row = past.machines.filter(pl.col("machine") == machine)
    settings = machine_row.row(0, named=True) if machine_row.height else {}
    kind = kind or settings.get("kind")
    quantity = max(1, int(_first(group, "quantity") or 1))
    parts_per_cycle = max(1, int(_first(group, "parts_per_cycle") or 1))
    estimate_s = _estimate_s(group)
    if not estimate_s:
        return {"rests_on": "no time on these lines, nothing to predict"}
    cycle = _own_history(group, past.drift, estimate_s) or _factor(past.factors, "cycle", machine, material, kind)
    cycles = math.ceil(quantity / parts_per_cycle)
    result: dict[str, Any] = {"expected_cycle_s": estimate_s * math.exp(cycle.log_mean)}
    said = [f"cycle x {cycle.factor:.3f} ({cycle.scope}: {cycle.runs} runs of {cycle.jobs} jobs)"]
    if cycle.log_sd is not None and cycle.df is not None:
        between, within = (past.spread[name][0] or 0.0 for name in ("between_sd", "within_sd"))
        sd = math.sqrt(cycle.log_sd**2 + between**2 + within**2 / cycles)
        for name, share in (("low", 0.05), ("q25", 0.25), ("q75", 0.75), ("high", 0.95)):
            at = cycle.log_mean + float(stats.t.ppf(share, cycle.df)) * sd
            result[f"cycle_s_{name}"] = estimate_s * math.exp(at)
    else:
        said.append("too few jobs for an interval")
    for name in ("setup", "load"):
        given = _first(group, f"{name}_s")
        if given is not None:
            factor = _factor(past.factors, name, machine, material, kind)
            result[f"expected_{name}_s"] = float(given) * factor.factor
            said.append(f"{name} x {factor.factor:.3f} ({factor.scope}: {factor.runs} runs)")
        elif name == "setup":
            said.append("setup left out: no setup_s on these lines")
    costs = _costs(group, past, result, settings, quantity, parts_per_cycle, said)
    return {**result, **costs, "rests_on": "; ".join(said)}


def _first(group: pl.DataFrame, name: str) -> Any:
    known = group[name].drop_nulls()
    return known[0] if known.len() else None


def _estimate_s(group: pl.DataFrame) -> float:
    whole = group["cycle_s"].drop_nulls()
    if whole.len():
        return float(whole.max())  # type: ignore[arg-type]
    return sum(float(group[name].fill_null(0).sum()) for name in ("cut_s", "noncut_s"))


def _own_history(group: pl.DataFrame, drift: pl.DataFrame, estimate_s: float) -> Factor | None:
    """Return what this very job took against this very estimate since its last shift; None without enough runs."""
    from scipy import stats

    job, program, operation, machine = (_first(group, name) for name in ("job", "program", "operation", "machine"))
    same = (
        pl.col("program") == program
        if program is not None
        else pl.any_horizontal(pl.col(name) == job for name in ("job", "part", "job_key"))
    )
    known = drift.filter(
        same
        & pl.col("operation").eq_missing(pl.lit(operation))
        & (pl.lit(machine is None) | (pl.col("machine") == machine))
        & ((pl.col("estimate_s") / estimate_s - 1).abs() < SAME_ESTIMATE)
        & (pl.col("verdict") != "too few")
    ).sort("runs", descending=True)
    if known.is_empty():
        return None
    row = known.row(0, named=True)
    shifted = row["shifted_at"] is not None
    ratio, low, high = (row[f"drift_after{end}" if shifted else f"drift{end}"] for end in ("", "_low", "_high"))
    if ratio is None:
        return None
    df = max(1.0, row["batches"] - 1.0)
    sd = None if low is None or high is None else math.log(high / low) / 2 / float(stats.t.ppf(0.975, df))
    since = f" since {row['shifted_at']:%Y-%m-%d}" if shifted else ""
    scope = f"this job's own runs{since}, {row['batches']} batches in all"
    return Factor(ratio, math.log(ratio), sd, df, row["runs"], 1, scope)


def _factor(
    factors: pl.DataFrame, time_kind: str, machine: str | None, material: str | None, kind: str | None
) -> Factor:
    """Return the factor of the cell, or the shop's where the cell has no history."""
    known = factors.filter((pl.col("time_kind") == time_kind) & pl.col("tool_type").is_null())
    keys = {"machine": machine, "material": material, "operation_kind": kind}
    cell = known.filter(pl.all_horizontal(pl.col(name).eq_missing(pl.lit(value)) for name, value in keys.items()))
    whole = known.filter(pl.all_horizontal(pl.col(name).is_null() for name in keys))
    if all(value is None for value in keys.values()) or not cell.height:
        cell, scope = whole, "whole shop, no history of this machine, material and kind together"
    else:
        scope = " / ".join(str(value) for value in keys.values() if value is not None)
    if not cell.height:
        return Factor(1.0, 0.0, None, None, 0, 0, "no history, the estimate as it stands")
    row = cell.row(0, named=True)
    return Factor(
        factor=row["factor"],
        log_mean=row["predict_log_mean"],
        log_sd=row["predict_log_sd"],
        df=row["predict_df"],
        runs=row["runs"],
        jobs=row["jobs"],
        scope=scope,
    )


def _costs(
    group: pl.DataFrame,
    past: PastRuns,
    times: dict[str, Any],
    settings: dict[str, Any],
    quantity: int,
    parts_per_cycle: int,
    said: list[str],
) -> dict[str, float | None]:
    stretch = times["expected_cycle_s"] / _estimate_s(group)
    tooling = _tooling_per_cycle(group, past, stretch, said)
    tooling_part = None if tooling is None else tooling / parts_per_cycle
    rate = settings.get("rate_per_hour")
    machine_part = None
    if rate is None:
        said.append("machine cost left out: no rate_per_hour")
    else:
        cycle_s = (times["expected_cycle_s"] + times.get("expected_load_s", 0.0)) / parts_per_cycle
        machine_part = rate / 3600 * (cycle_s + times.get("expected_setup_s", 0.0) / quantity)
    material_part = _material_per_part(group, past, said)
    per_part = {"tooling": tooling_part, "machine": machine_part, "material": material_part}
    known = [value for value in per_part.values() if value is not None]
    per_part["total"] = sum(known) if known else None
    return {
        **{f"{name}_cost_per_part": value for name, value in per_part.items()},
        **{f"{name}_cost_per_batch": _times(value, quantity) for name, value in per_part.items()},
    }


def _times(value: float | None, count: int) -> float | None:
    return None if value is None else value * count


def _tooling_per_cycle(group: pl.DataFrame, past: PastRuns, stretch: float, said: list[str]) -> float | None:
    """Edges used up by a cycle: minutes of cut of each tool times what a minute of it has cost."""
    tools = group.filter(pl.col("tool").is_not_null() & pl.col("cut_s").is_not_null())
    priced = tools.join(past.tool_costs, on=["machine", "tool"], how="left")
    known = priced.filter(pl.col("cost_per_cut_min").is_not_null())
    if not known.height:
        said.append("tooling cost left out: no edge of these tools has a known cost and life")
        return None
    if known.height < priced.height:
        unknown = priced.filter(pl.col("cost_per_cut_min").is_null())["tool"].unique().sort()
        said.append(f"tooling cost without tools {', '.join(unknown)}: no known cost and life")
    said.append(f"tooling from {int(known['edges'].sum())} edges")
    return float((known["cut_s"] / 60 * stretch * known["cost_per_cut_min"]).sum())


def _material_per_part(group: pl.DataFrame, past: PastRuns, said: list[str]) -> float | None:
    job, material = _first(group, "job"), _first(group, "material")
    order = past.orders.filter(pl.col("job") == job)
    price = past.materials.filter(pl.col("material") == material)
    stock_kg = order["stock_kg"][0] if order.height else None
    if stock_kg is None or not price.height:
        said.append("material cost left out: no stock_kg in the order list or no [[material]] price")
        return None
    return float(stock_kg) * float(price["price_per_kg"][0])


def total_lines(quoted: pl.DataFrame, currency: str) -> Iterable[str]:
    """Yield a sentence an operation for a reader at a terminal."""
    for row in quoted.filter(pl.col("expected_cycle_s").is_not_null()).iter_rows(named=True):
        name = " ".join(str(row[key]) for key in ("job", "program") if row[key] is not None)
        interval = ""
        if row["cycle_s_low"] is not None:
            interval = f" (90 %: {row['cycle_s_low']:.0f} to {row['cycle_s_high']:.0f} s)"
        cost = row["total_cost_per_part"]
        money = "" if cost is None else f", {cost:.2f} {currency} a part".replace("  ", " ")
        yield f"{name} operation {row['operation']}: {row['expected_cycle_s']:.0f} s a cycle{interval}{money}"
        yield f"  rests on {row['rests_on']}"
