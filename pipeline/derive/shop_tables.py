"""What shop.toml says, as the small tables that the SQL of the derive step reads.

Builds frames only; they are stored by `deriving`.
"""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl

from pipeline.derive.calendar import (
    ROUND_THE_CLOCK,
    closed_days,
    local_days,
    open_days,
    public_holidays,
    working_calendar,
)
from schemas.shop import ShopFile


def shop_setting(shop: ShopFile) -> pl.DataFrame:
    """Return the one row of shop-wide rules."""
    rules = shop.shop
    return pl.DataFrame(
        {
            "name": [rules.name],
            "timezone": [rules.timezone],
            "currency": [rules.currency],
            "tolerance": [rules.tolerance],
            "batch_gap_h": [rules.batch_gap_h],
            "off_shift_hold_max_s": [rules.off_shift_hold_max_s],
            "unknown_reason": [rules.unknown_reason],
            "least_coverage": [rules.least_coverage],
        }
    )


def machine_setting(shop: ShopFile) -> pl.DataFrame:
    """Return one row a [[machine]]."""
    schema = {
        "machine": pl.String(),
        "name": pl.String(),
        "kind": pl.String(),
        "rate_per_hour": pl.Float64(),
        "max_speed_rpm": pl.Float64(),
        "spindle_kw": pl.Float64(),
        "rapid_mm_min": pl.Float64(),
        "tool_change_s": pl.Float64(),
        "silent_after_s": pl.Float64(),
        "no_data_after_h": pl.Float64(),
        "setup_max_s": pl.Float64(),
    }
    rows = [
        (m.id, m.name, m.kind, m.rate_per_hour, m.max_speed_rpm, m.spindle_kw, m.slowest_rapid_mm_min, m.tool_change_s,
         m.silent_after_s, m.no_data_after_h, m.setup_max_s)
        for m in shop.machine
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row")


def tool_setting(shop: ShopFile) -> pl.DataFrame:
    """Return one row a [[tool]] and machine it names ("*" for all); `number` is its place in the file."""
    schema = {
        "number": pl.Int64(),
        "machine": pl.String(),
        "tool": pl.String(),
        "from_on": pl.Date(),
        "to_on": pl.Date(),
        "name": pl.String(),
        "tool_type": pl.String(),
        "sister_of": pl.String(),
        "one_tool": pl.Boolean(),
        "diameter_mm": pl.Float64(),
        "inserts": pl.Int64(),
        "edges_per_insert": pl.Int64(),
        "edge_cost": pl.Float64(),
        "insert_cost": pl.Float64(),
        "regrind_cost": pl.Float64(),
        "tool_cost": pl.Float64(),
        "regrinds": pl.Int64(),
        "change_min": pl.Float64(),
        "failure_cost": pl.Float64(),
    }
    rows = [
        (number, machine, t.tool, t.from_, t.to, t.name, t.tool_type, t.sister_of, t.one_tool, t.diameter_mm,
         t.inserts, t.edges_per_insert, t.edge_cost, t.insert_cost, t.regrind_cost, t.tool_cost, t.regrinds,
         t.change_min, t.failure_cost)
        for number, t in enumerate(shop.tool, start=1)
        for machine in t.machines
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=schema, orient="row")


def material_setting(shop: ShopFile) -> pl.DataFrame:
    """Return one row a [[material]]."""
    rows = [(m.name, m.price_per_kg, m.swarf_per_kg) for m in shop.material]
    schema = {"material": pl.String(), "price_per_kg": pl.Float64(), "swarf_per_kg": pl.Float64()}
    return pl.DataFrame(rows, schema=schema, orient="row")


def shop_tables(shop: ShopFile, first: date, last: date) -> dict[str, pl.DataFrame]:
    """Return every table that comes from shop.toml; the calendar covers the months and weeks of `first` to `last`."""
    start = min(first.replace(day=1), first - timedelta(days=first.weekday()))
    month_end = (last.replace(day=28) + timedelta(days=4)).replace(day=1) - timedelta(days=1)
    end = max(month_end, last + timedelta(days=6 - last.weekday()))
    night_before = start - timedelta(days=1)  # a night shift of the day before reaches into the first day
    rules, zone = shop.shop, shop.shop.timezone
    overtime = [
        working_calendar(
            (rule for rule in shop.overtime if rule.is_dated == is_dated), night_before, end, zone
        ).with_columns(pl.lit(is_dated).alias("is_dated"))
        for is_dated in (False, True)
    ]
    closed = [closed_days(shop.closed)]
    if rules.holidays is not None:
        closed.append(public_holidays(rules.holidays, night_before, end))
    return {
        "core.shop_setting": shop_setting(shop),
        "core.machine_setting": machine_setting(shop),
        "core.tool_setting": tool_setting(shop),
        "core.material": material_setting(shop),
        "core.local_day": local_days(start, end, zone),
        "core.shift_calendar": working_calendar(shop.shift or [ROUND_THE_CLOCK], night_before, end, zone),
        "core.overtime_calendar": pl.concat(overtime),
        "core.closed_calendar": pl.concat(closed),
        "core.open_calendar": open_days(shop.open),
    }
