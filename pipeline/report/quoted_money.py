"""What a new job costs in edges and in material: bought, left, and recycled.

Pure functions of frames; machine time is priced where the times are known.
"""

from __future__ import annotations

from typing import Final

import polars as pl

MATERIAL_COLUMNS: Final[dict[str, pl.DataType]] = {
    name: pl.Float64()
    for name in (
        "stock_kg_per_part", "part_kg_per_part", "swarf_kg_per_part", "stock_kg_per_batch", "part_kg_per_batch",
        "swarf_kg_per_batch", "bought_to_left", "stock_cost_per_part", "swarf_value_per_part", "stock_cost_per_batch",
        "swarf_value_per_batch",
    )
}  # fmt: skip


def tooling_per_cycle(group: pl.DataFrame, tool_costs: pl.DataFrame, stretch: float, said: list[str]) -> float | None:
    """Return the cost of edges used up by a cycle: minutes of cut of each tool times what a minute of it has cost.

    Parameters
    ----------
    group : estimate lines of one operation
    tool_costs : machine, tool, cost_per_cut_min, edges
    stretch : expected over estimated cycle time
    said : what is left out, or rests on what, is added
    """
    tools = group.filter(pl.col("tool").is_not_null() & pl.col("cut_s").is_not_null())
    priced = tools.join(tool_costs, on=["machine", "tool"], how="left")
    known = priced.filter(pl.col("cost_per_cut_min").is_not_null())
    if not known.height:
        said.append("tooling cost left out: no edge of these tools has a known cost and life")
        return None
    if known.height < priced.height:
        unknown = priced.filter(pl.col("cost_per_cut_min").is_null())["tool"].unique().sort()
        said.append(f"tooling cost without tools {', '.join(unknown)}: no known cost and life")
    said.append(f"tooling from {int(known['edges'].sum())} edges")
    return float((known["cut_s"] / 60 * stretch * known["cost_per_cut_min"]).sum())


def material_of(
    job: str | None, material: str | None, quantity: int, orders: pl.DataFrame, materials: pl.DataFrame,
    given_kg: tuple[float | None, float | None], said: list[str],
) -> dict[str, float | None]:  # fmt: skip
    """Return MATERIAL_COLUMNS and material_cost_per_batch: stock less what its swarf brings.

    Parameters
    ----------
    orders : job, part, stock_kg, part_kg (of one part)
    materials : material, price_per_kg, swarf_per_kg
    given_kg : stock and part mass where the user gave them; else the order's
    said : what is left out, or rests on what, is added
    """
    order = orders.filter((pl.col("job") == job) | (pl.col("part") == job)).tail(1)
    stock_kg, part_kg = (
        given if given is not None else (order[name][0] if order.height else None)
        for given, name in zip(given_kg, ("stock_kg", "part_kg"), strict=True)
    )
    known = materials.filter(pl.col("material").eq_missing(pl.lit(material, dtype=pl.String)))
    price = float(known["price_per_kg"][0]) if known.height else None
    swarf_price = known["swarf_per_kg"][0] if known.height and "swarf_per_kg" in known.columns else None
    if stock_kg is None:
        said.append("material cost left out: no stock_kg in the order list, and no --stock-kg")
    elif price is None:
        said.append(f"material cost left out: no price_per_kg of {material or 'a material'} under [[material]]")
    swarf_kg = None if stock_kg is None or part_kg is None else stock_kg - part_kg
    if swarf_kg is not None and swarf_kg < 0:
        said.append("the part is heavier than its stock: check stock_kg and part_kg")
        swarf_kg = None
    if swarf_kg and price is not None and swarf_price is None:
        said.append(f"swarf counted at nothing: no swarf_per_kg of {material} under [[material]]")
    masses = {"stock": stock_kg, "part": part_kg, "swarf": swarf_kg}
    cost = None if stock_kg is None or price is None else stock_kg * price
    value = None if swarf_kg is None or swarf_price is None else swarf_kg * float(swarf_price)
    return {
        **{f"{name}_kg_per_part": mass for name, mass in masses.items()},
        **{f"{name}_kg_per_batch": None if mass is None else mass * quantity for name, mass in masses.items()},
        "bought_to_left": stock_kg / part_kg if stock_kg is not None and part_kg else None,
        "stock_cost_per_part": cost,
        "swarf_value_per_part": value,
        "stock_cost_per_batch": None if cost is None else cost * quantity,
        "swarf_value_per_batch": None if value is None else value * quantity,
        "material_cost_per_batch": None if cost is None else (cost - (value or 0.0)) * quantity,
    }
