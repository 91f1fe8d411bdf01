"""The plan of the demo shop: parts, operations, tools and planted effects, read from plan.toml and shop.toml.
It draws no random number and knows nothing of files that are written.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from datetime import date
from importlib.resources import files
from typing import Any

STREAM_MACHINE = "M2"


@dataclass(frozen=True)
class ToolPlan:
    """One tool of one machine; lives in cut minutes, `trend` as the fractional change of life per edge."""

    machine: str
    tool: str
    tool_type: str
    shape: float
    scale_min: float
    trend: float
    feed_mm_min: int
    speed_rpm: int
    change_min: float
    edge_cost: float


@dataclass(frozen=True)
class Step:
    """What one tool does in a program, by the estimate; seconds, without the tool change."""

    tool: str
    cut_s: float
    noncut_s: float


@dataclass(frozen=True)
class Planted:
    """An effect planted in one operation of a part, from one of its orders on."""

    part: str
    operation: str
    how: str
    from_order: int
    ratio: float | None = None
    override: int | None = None
    tool: str | None = None


@dataclass(frozen=True)
class Operation:
    """One program on one machine that makes one operation of a part."""

    part: str
    operation: str
    machine: str
    program: str
    setup_s: float
    load_s: float
    steps: tuple[Step, ...]
    lead_s: float
    changes_s: float
    planted: Planted | None

    @property
    def cut_s(self) -> float:
        """Estimated cutting time of one cycle, seconds."""
        return sum(step.cut_s for step in self.steps)

    @property
    def noncut_s(self) -> float:
        """Estimated non-cutting time of one cycle without tool changes and lead, seconds."""
        return sum(step.noncut_s for step in self.steps)

    @property
    def estimate_s(self) -> float:
        """Estimated length of one cycle, seconds: cutting, non-cutting, tool changes and lead."""
        return self.cut_s + self.noncut_s + self.changes_s + self.lead_s


@dataclass(frozen=True)
class Part:
    """A part of the shop with its orders; masses in kg."""

    part: str
    name: str
    material: str
    orders: int
    quantity: tuple[int, int]
    stock_kg: float
    part_kg: float
    standing_job: str | None
    quote_only: bool
    operations: tuple[Operation, ...]


@dataclass(frozen=True)
class Noise:
    """Standard deviations of log ratios, and how far an unplanted job may lie from its estimate."""

    batch_sd: float
    run_sd: float
    tool_sd: float
    on_estimate_half_width: float


@dataclass(frozen=True)
class EdgeEnds:
    """Shares of the ways in which an edge ends; `planned` is the share with a planned change, if it lives so long."""

    worn: float
    broken: float
    chipped: float
    unknown: float
    planned: float


@dataclass(frozen=True)
class Plan:
    """Everything that is fixed about the demo shop, whatever the seed.

    `pinned` gives release and quantity of the orders that are not drawn, by part and number of the order.
    """

    first_day: date
    last_day: date
    last_release: date
    noise: Noise
    edges: EdgeEnds
    machines: tuple[str, ...]
    tool_change_s: dict[str, float]
    rapid_mm_min: dict[str, float]
    tools: dict[tuple[str, str], ToolPlan]
    parts: tuple[Part, ...]
    pinned: dict[tuple[str, int], tuple[date, int]]
    shop: dict[str, Any]

    @property
    def timezone(self) -> str:
        """IANA name of the shop's zone."""
        return str(self.shop["shop"]["timezone"])


def load_plan() -> Plan:
    """Read the two TOML files of the demo shop.

    Raises KeyError where an operation uses a machine or tool that is not in the shop.
    """
    here = files("sample_logs")
    plan = tomllib.loads((here / "plan.toml").read_text(encoding="utf-8"))
    shop = tomllib.loads((here / "shop.toml").read_text(encoding="utf-8"))
    change_s = {m["id"]: float(m["tool_change_s"]) for m in shop["machine"]}
    tools = _read_tools(plan["tool"], shop["tool"])
    planted = {(p["part"], p["operation"]): Planted(**p) for p in plan["planted"]}
    parts = tuple(_read_part(p, change_s, tools, planted) for p in plan["part"])
    return Plan(
        first_day=plan["period"]["first_day"],
        last_day=plan["period"]["last_day"],
        last_release=plan["period"]["last_release"],
        noise=Noise(**plan["noise"]),
        edges=EdgeEnds(**plan["edges"]),
        machines=tuple(change_s),
        tool_change_s=change_s,
        rapid_mm_min={m["id"]: float(m["rapid_mm_min"]) for m in shop["machine"]},
        tools=tools,
        parts=parts,
        pinned={(p["part"], p["order"]): (p["release"], p["quantity"]) for p in plan["pinned"]},
        shop=shop,
    )


def _read_tools(planned: list[dict[str, Any]], priced: list[dict[str, Any]]) -> dict[tuple[str, str], ToolPlan]:
    prices = {(machine, str(row["tool"])): row for row in priced for machine in row["machines"]}
    tools: dict[tuple[str, str], ToolPlan] = {}
    for group in planned:
        for row in group["tools"]:
            key = (group["machine"], row["tool"])
            price = prices[key]
            if "regrind_cost" in price:
                cost = float(price["regrind_cost"])
            else:
                cost = price["inserts"] * price["insert_cost"] / price["edges_per_insert"]
            tools[key] = ToolPlan(
                machine=key[0],
                tool=key[1],
                tool_type=row["type"],
                shape=float(row["shape"]),
                scale_min=float(row["scale_min"]),
                trend=float(row.get("trend", 0.0)),
                feed_mm_min=int(row.get("feed_mm_min", 0)),
                speed_rpm=int(row.get("speed_rpm", 0)),
                change_min=float(price["change_min"]),
                edge_cost=round(cost, 2),
            )
    return tools


def _read_part(
    row: dict[str, Any],
    change_s: dict[str, float],
    tools: dict[tuple[str, str], ToolPlan],
    planted: dict[tuple[str, str], Planted],
) -> Part:
    operations = []
    for op in row["operation"]:
        steps = tuple(Step(str(tool), float(cut), float(noncut)) for tool, cut, noncut in op["tools"])
        for step in steps:
            tools[op["machine"], step.tool]  # an unknown tool is a mistake of the plan: KeyError names it
        operations.append(
            Operation(
                part=row["part"],
                operation=op["operation"],
                machine=op["machine"],
                program=op["program"],
                setup_s=float(op["setup_s"]),
                load_s=float(op["load_s"]),
                steps=steps,
                lead_s=1.0,
                changes_s=len(steps) * change_s[op["machine"]],
                planted=planted.get((row["part"], op["operation"])),
            )
        )
    low, high = row["quantity"]
    return Part(
        part=row["part"],
        name=row["name"],
        material=row["material"],
        orders=row["orders"],
        quantity=(low, high),
        stock_kg=row["stock_kg"],
        part_kg=row["part_kg"],
        standing_job=row.get("standing_job"),
        quote_only=row.get("quote_only", False),
        operations=tuple(operations),
    )


def stretch(operation: Operation, on_ratio: float, order: int) -> tuple[list[float], float, int]:
    """Say by how much an order's times differ from the estimate before any noise.

    Returns the factor of each step's cutting time, that of all non-cutting time, and the feed override in percent.
    `on_ratio` applies to operations without a planted effect; a planted one is on its estimate until it begins.
    """
    planted = operation.planted
    count = len(operation.steps)
    if planted is None:
        return [on_ratio] * count, on_ratio, 100
    if order < planted.from_order:
        return [1.0] * count, 1.0, 100
    if planted.how == "feed_override" and planted.override is not None:
        return [100 / planted.override] * count, 1.0, planted.override
    if planted.ratio is None:
        raise ValueError(f"{planted.part}: a planted effect '{planted.how}' needs a ratio")
    extra_s = (planted.ratio - 1) * operation.estimate_s
    if planted.how == "tool":
        one = next(step for step in operation.steps if step.tool == planted.tool)
        return [1 + extra_s / one.cut_s if step is one else 1.0 for step in operation.steps], 1.0, 100
    if planted.how == "cutting":
        return [1 + extra_s / operation.cut_s] * count, 1.0, 100
    factor = 1 + extra_s / (operation.cut_s + operation.noncut_s)
    return [factor] * count, factor, 100


def planned_ratio(operation: Operation, on_ratio: float, order: int) -> float:
    """Give the planted actual / estimate of one undisturbed run, noise left out."""
    cuts, noncut, _ = stretch(operation, on_ratio, order)
    cut_s = sum(step.cut_s * factor for step, factor in zip(operation.steps, cuts, strict=True))
    actual_s = cut_s + operation.noncut_s * noncut + operation.changes_s + operation.lead_s
    return actual_s / operation.estimate_s
