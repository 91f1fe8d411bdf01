"""Predicted times and costs of a new job from its estimate lines and the factors of the shop's past runs.

A pure function of frames. What rests on statistics of past runs says so, with the number of runs behind it.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import polars as pl

from pipeline.report.quoted_money import MATERIAL_COLUMNS, material_of, tooling_per_cycle
from pipeline.report.quoted_times import (
    ENDS,
    Likely,
    PastTimes,
    batch_time,
    expected_lines,
    factor_models,
    predicted,
)

CAUTION: Final = (
    "These figures are statistics of past runs. The machine's and the tool maker's limits, local rules and the "
    "qualified person at the machine come first."
)

OPERATION: Final = ("job", "program", "operation", "machine", "revision")


def _with_ends(name: str, middle: str) -> dict[str, pl.DataType]:
    return {middle: pl.Float64(), **{f"{name}_{end}": pl.Float64() for end in ENDS}}


QUOTE_COLUMNS: Final[dict[str, pl.DataType]] = {
    "quoted_quantity": pl.Int64(),
    "estimate_s": pl.Float64(),
    **_with_ends("cycle_s", "expected_cycle_s"),
    **_with_ends("setup_s", "expected_setup_s"),
    **_with_ends("load_s", "expected_load_s"),
    **_with_ends("part_s", "part_s"),
    **_with_ends("batch_s", "batch_s"),
    **MATERIAL_COLUMNS,
    **{
        f"{name}_cost_per_{per}": pl.Float64()
        for per in ("part", "batch")
        for name in ("tooling", "machine", "material", "total")
    },
    **{f"total_cost_per_{per}_{end}": pl.Float64() for per in ("part", "batch") for end in ENDS},
    "rests_on": pl.String(),
}
"""What a quote adds on the first line of each operation."""


@dataclass(frozen=True)
class PastRuns:
    """What a quote rests on: marts and settings of one shop."""

    ratios: pl.DataFrame  # mart.quote_ratio
    spreads: pl.DataFrame  # mart.quote_spread
    trust: pl.DataFrame  # mart.quote_trust
    drift: pl.DataFrame  # mart.job_drift: the same job's own history, where it has one
    spread: pl.DataFrame  # mart.run_spread: learning_rate
    tool_costs: pl.DataFrame  # machine, tool, cost_per_cut_min, edges
    machines: pl.DataFrame  # core.machine
    orders: pl.DataFrame  # job, part, material, stock_kg, part_kg
    materials: pl.DataFrame  # material, price_per_kg, swarf_per_kg
    stock_kg: float | None = None  # of one part, where the order list does not say
    part_kg: float | None = None
    _known: dict[str, Any] = field(default_factory=dict, repr=False)

    @property
    def version(self) -> str:
        """A hash of everything the predicted times rest on."""
        told = "".join(frame.write_csv() for frame in (self.ratios, self.spreads, self.trust, self.spread))
        return hashlib.sha256(told.encode()).hexdigest()[:12]

    @property
    def times(self) -> PastTimes:
        """The fitted factors; they are fitted once."""
        if "times" not in self._known:
            learning = self.spread["learning_rate"].drop_nulls() if "learning_rate" in self.spread.columns else None
            rate = float(learning[0]) if learning is not None and learning.len() else 1.0
            self._known["times"] = PastTimes(
                factor_models(self.ratios, self.spreads),
                self.ratios,
                self.spreads,
                self.trust,
                self.drift,
                math.log2(rate),
            )
        times: PastTimes = self._known["times"]
        return times


def quote(lines: pl.DataFrame, past: PastRuns) -> pl.DataFrame:
    """Return the estimate lines with predictions added on the first line of each operation.

    The figures of an operation stand once, on its first line, so that a column adds up in a spreadsheet; the other
    lines are empty there. Intervals of 50 % (q25, q75) and 90 % (low, high) are for the mean over the batch quantity.
    A cost is empty where a rate or price is not known, and a total counts what is known; `rests_on` says which.
    Each line with a tool also gets expected_cut_s and expected_noncut_s, from factors of their own: with tool changes,
    holds and faults they need not add up to the cycle.
    """
    numbered = lines.with_row_index("_line")
    added, by_line = [], []
    bought: set[str] = set()  # jobs whose material stands on an operation already
    for _, group in numbered.group_by(OPERATION, maintain_order=True):
        settings = _settings(group, past)
        job = first(group, "job")
        added.append({"_line": int(group["_line"][0]), **_predict(group, past, settings, job not in bought)})
        bought |= {job} - {None}
        by_line.append(expected_lines(group, past.times, settings))
    predictions = pl.DataFrame(added, schema={"_line": pl.UInt32(), **QUOTE_COLUMNS}, orient="row")
    joined = numbered.join(predictions, on="_line", how="left").join(pl.concat(by_line), on="_line", how="left")
    return joined.sort("_line").drop("_line")


def _settings(group: pl.DataFrame, past: PastRuns) -> dict[str, Any]:
    """Return the machine's settings with what the lines say the operation is."""
    machine = first(group, "machine")
    row = past.machines.filter(pl.col("machine").eq_missing(pl.lit(machine, dtype=pl.String)))
    settings = row.row(0, named=True) if row.height else {}
    return {
        **settings,
        "machine": machine,
        "material": first(group, "material"),
        "operation_kind": first(group, "operation_kind") or settings.get("kind"),
    }


def first(group: pl.DataFrame, name: str) -> Any:
    """Return the first value that a column has, or None."""
    known = group[name].drop_nulls()
    return known[0] if known.len() else None


def estimate_of(group: pl.DataFrame) -> float:
    """Return the estimated time of a cycle: cycle_s, which replaces the other lines, or their sum."""
    whole = group["cycle_s"].drop_nulls()
    if whole.len():
        return float(whole.max())  # type: ignore[arg-type]
    return sum(float(group[name].fill_null(0).sum()) for name in ("cut_s", "noncut_s"))


def _predict(group: pl.DataFrame, past: PastRuns, settings: Mapping[str, Any], with_material: bool) -> dict[str, Any]:
    quantity = max(1, int(first(group, "quantity") or 1))
    parts_per_cycle = max(1, int(first(group, "parts_per_cycle") or 1))
    cycles = math.ceil(quantity / parts_per_cycle)
    estimate_s = estimate_of(group)
    if not estimate_s:
        return {"quoted_quantity": quantity, "rests_on": "no time on these lines, nothing to predict"}
    keys = {name: first(group, name) for name in ("job", "program", "operation")}
    cycle = predicted("cycle", estimate_s, settings, past.times, cycles, keys)
    said = [cycle.said]
    setup, load = Likely.nothing(), Likely.nothing()
    for name in ("setup", "load"):
        given = first(group, f"{name}_s")
        if given is None or float(given) <= 0:
            said.append("setup left out: no setup_s on these lines" if name == "setup" else "")
            continue
        found = predicted(name, float(given), settings, past.times, cycles)
        said.append(found.said)
        setup, load = (found, load) if name == "setup" else (setup, found)
    batch_s, batch_ends = batch_time(cycle, load, setup, cycles)
    result = {
        "quoted_quantity": quantity,
        "estimate_s": estimate_s,
        **cycle.columns("cycle_s", "expected_cycle_s"),
        **setup.columns("setup_s", "expected_setup_s"),
        **load.columns("load_s", "expected_load_s"),
        "batch_s": batch_s,
        "part_s": batch_s / quantity,
        **{f"batch_s_{end}": value for end, value in batch_ends.items()},
        **{f"part_s_{end}": value / quantity for end, value in batch_ends.items()},
    }
    material: dict[str, float | None] = {"material_cost_per_batch": None}
    if with_material:
        masses = (past.stock_kg, past.part_kg)
        kind = settings["material"]
        material = material_of(keys["job"], kind, quantity, past.orders, past.materials, masses, said)
    else:
        said.append("material stands on the first operation of the job")
    costs = _costs(group, past, result, settings, material, cycles, said)
    return {**result, **costs, "rests_on": "; ".join(part for part in said if part)}


def _costs(
    group: pl.DataFrame, past: PastRuns, times: Mapping[str, Any], settings: Mapping[str, Any],
    material: dict[str, float | None], cycles: int, said: list[str],
) -> dict[str, Any]:  # fmt: skip
    stretch = times["expected_cycle_s"] / times["estimate_s"]
    tooling = tooling_per_cycle(group, past.tool_costs, stretch, said)
    rate = settings.get("rate_per_hour")
    if rate is None:
        lacks = f"no rate_per_hour of {settings['machine']}" if settings["machine"] else "these lines name no machine"
        said.append(f"machine cost left out: {lacks}")
    quantity = times["quoted_quantity"]
    batch = {
        "tooling": None if tooling is None else tooling * cycles,
        "machine": None if rate is None else rate / 3600 * times["batch_s"],
        "material": material["material_cost_per_batch"],
    }
    known = [value for value in batch.values() if value is not None]
    batch["total"] = sum(known) if known else None
    ends = {
        f"total_cost_per_batch_{end}": batch["total"] + rate / 3600 * (times[f"batch_s_{end}"] - times["batch_s"])
        for end in ENDS
        if batch["total"] is not None and rate is not None and f"batch_s_{end}" in times
    }
    return {
        **{name: value for name, value in material.items() if name in MATERIAL_COLUMNS},
        **{f"{name}_cost_per_batch": value for name, value in batch.items()},
        **{f"{name}_cost_per_part": None if value is None else value / quantity for name, value in batch.items()},
        **ends,
        **{name.replace("_batch_", "_part_"): value / quantity for name, value in ends.items()},
    }


def total_lines(quoted: pl.DataFrame, currency: str) -> Iterable[str]:
    """Yield a few sentences an operation for a reader at a terminal."""
    for row in quoted.filter(pl.col("rests_on").is_not_null()).iter_rows(named=True):
        name = " ".join(str(row[key]) for key in ("job", "program") if row[key] is not None)
        operation = f"{name} operation {row['operation']}"
        if row["expected_cycle_s"] is None:
            yield f"{operation}: {row['rests_on']}"
            continue
        cost = row["total_cost_per_part"]
        money = "" if cost is None else f", {cost:.2f} {currency} a part".replace("  ", " ")
        cycle = _interval(row, "cycle_s", 1)
        yield f"{operation}: {row['expected_cycle_s']:.0f} s a cycle{cycle}{money}"
        if row["expected_setup_s"] is not None:
            yield f"  setup {row['expected_setup_s'] / 3600:.2f} h{_interval(row, 'setup_s', 3600)}"
        if row["expected_load_s"] is not None:
            yield f"  loading {row['expected_load_s']:.0f} s a cycle{_interval(row, 'load_s', 1)}"
        batch = _interval(row, "batch_s", 3600)
        parts = f"{row['quoted_quantity']} part" + ("s" if row["quoted_quantity"] != 1 else "")
        yield f"  {parts}, setup and loading included: {row['batch_s'] / 3600:.2f} h{batch}"
        yield from _cost_lines(row, currency)
        if row["stock_kg_per_part"] is not None and row["swarf_kg_per_part"] is not None:
            yield (
                f"  material a part: {row['stock_kg_per_part']:g} kg bought, {row['part_kg_per_part']:g} kg left "
                f"({row['bought_to_left']:.1f} to 1), {row['swarf_kg_per_part']:.2f} kg of swarf"
            )
        yield f"  rests on {row['rests_on']}"


def _cost_lines(row: Mapping[str, Any], currency: str) -> Iterable[str]:
    """Yield what a part and the batch cost, and of what that is made."""
    for per in ("part", "batch"):
        total = row[f"total_cost_per_{per}"]
        if total is None:
            continue
        kinds = [(name, row[f"{name}_cost_per_{per}"]) for name in ("machine", "tooling", "material")]
        known = ", ".join(f"{name} {cost:.2f}" for name, cost in kinds if cost is not None)
        said = f"{total:.2f} {currency}".rstrip()
        ends = _interval(row, f"total_cost_per_{per}", 1, 2, currency)
        yield f"  cost {'a part' if per == 'part' else 'of the batch'}: {said}{ends}: {known}"


def _interval(
    row: Mapping[str, Any], name: str, unit: float, digits: int | None = None, named: str | None = None
) -> str:
    if row[f"{name}_low"] is None:
        return ""
    digits = (0 if unit == 1 else 2) if digits is None else digits
    named = ("s" if unit == 1 else "h") if named is None else named
    low, q25, q75, high = (f"{row[f'{name}_{end}'] / unit:.{digits}f}" for end in ENDS)
    return f" (90 %: {low} to {high}, 50 %: {q25} to {q75} {named}".rstrip() + ")"


__all__ = ["CAUTION", "QUOTE_COLUMNS", "PastRuns", "quote", "total_lines"]
