"""Observations of a stream, still in the machine's own words and times -> typed event rows and rejects.

What adapter text and MTConnectStreams documents have in common; it parses neither.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import polars as pl

from pipeline.read.devices_xml import Device, text_factors, text_rules
from pipeline.read.events import STREAM_FEED_FACTOR, UNAVAILABLE, Items, items_seen, translate
from pipeline.read.localtime import resolve
from pipeline.read.plan import Context
from pipeline.read.problems import Problems
from pipeline.read.rawtable import LINE, RAW, ROW, concat_rejects
from pipeline.read.rows import TableRead, no_skipped, row_columns
from pipeline.read.timefields import EARLIEST_YEAR, LATEST_YEAR, doubled_times
from schemas.profile import ItemRule, Profile

MACHINE: Final = "machine"
INSTANCE: Final = "instance"  # of the agent that numbered the observations
SEQUENCE: Final = "sequence"
NAME_IT: Final = (
    "If the item is another than its name says, tell so under [[item]] in a profile; else correct the line."
)


def stream_items(profile: Profile | None) -> Items:
    """Return a profile's rules for the items of a stream, whose feeds are mm/s unless it says otherwise."""
    rules: Mapping[str, ItemRule] = {item.name: item for item in profile.item} if profile else {}
    decimal = profile.file.decimal if profile else "."
    return Items(rules, STREAM_FEED_FACTOR, decimal, profile.file.thousands if profile else None)


def text_items(profile: Profile | None, device: Device | None) -> Items:
    """Return the rules for the items of adapter text: the profile's, and what a devices document says beyond them."""
    items = stream_items(profile)
    if device is None:
        return items
    rules = text_rules(device, profile)
    return replace(items, rules=rules, factors=text_factors(device, rules))


def stream_machine(profile: Profile | None, context: Context) -> str | None:
    """Return the machine that a profile or shop.toml names for a whole stream."""
    rule = profile.columns.get("machine") if profile else None
    return str(rule.constant) if rule and rule.constant is not None else context.machine


def event_table(
    found: pl.DataFrame,
    broken: pl.DataFrame,
    items: Items,
    context: Context,
    last_row: int,
    skipped: pl.DataFrame | None = None,
) -> TableRead:
    """Return observations as event rows, numbered on from `last_row` in the order of lines.

    `found` has LINE, RAW, `utc` or `naive`, `machine`, `name`, `value` and what else the source has; `broken` are
    rejects of lines that hold no observation, without row numbers yet.
    """
    rows = pl.int_range(last_row + 1, last_row + 1 + found.height, dtype=pl.Int64, eager=True)
    if broken.height:
        broken = broken.sort("line", nulls_last=True)
        lines = broken["line"].fill_null(2**62)
        rows = rows + lines.search_sorted(found[LINE], side="left").cast(pl.Int64)
        place = found[LINE].search_sorted(lines, side="right").cast(pl.Int64)
        numbers = place + pl.int_range(last_row + 1, last_row + 1 + broken.height, dtype=pl.Int64, eager=True)
        broken = broken.with_columns(numbers.alias("row_number"))
    found = found.with_columns(value=_unavailable_in_capitals(found["value"]))
    problems = Problems(pl.DataFrame([rows.alias(ROW), found[LINE], found[RAW]]))
    observed, bad = translate(found, items)
    mend = "Correct the item in the profile, or the line." if items.rules else NAME_IT
    message = f'"{{value}}" should be a number for this item. {mend}'
    problems.add(bad, "value", observed["value"], "not_a_number", message)
    at, later_us = _instants(found, context, problems)
    problems.add(
        observed[MACHINE].is_null(),
        MACHINE,
        None,
        "missing_value",
        'No machine is named. Add machine = "..." to the [[source]] of this file in shop.toml and run again.',
    )
    rejects = problems.rejects()
    series = {
        **{column.name: column for column in observed},
        "occurred_at": at,
        "row_number": rows,
        "line": found[LINE],
    }
    series.pop("raw", None)
    accepted = pl.DataFrame(
        [
            (
                series[name].cast(dtype)
                if name in series
                else pl.Series([None], dtype=dtype).new_from_index(0, found.height)
            ).alias(name)
            for name, dtype in row_columns("event").items()
        ]
    )
    if rejects.height:
        accepted = accepted.filter(~pl.col("row_number").is_in(rejects["row_number"].unique().implode()))
    rejects = concat_rejects(broken, rejects)
    count = accepted.height + rejects["row_number"].n_unique()
    skipped = no_skipped() if skipped is None else skipped
    times = None if later_us is None else doubled_times(rows, later_us)
    return TableRead(
        "event",
        accepted,
        count,
        rejects,
        skipped,
        items=items_seen(found, items),
        times=times,
        sequences=_sequences(found, rows),
    )


def _sequences(found: pl.DataFrame, rows: pl.Series) -> pl.DataFrame | None:
    """Return the numbers that an agent gave observations; one alone, without its instance, says nothing."""
    if SEQUENCE not in found.columns:
        return None
    numbered = pl.DataFrame([rows.alias("row_number"), found[INSTANCE], found[SEQUENCE]]).drop_nulls()
    return numbered if numbered.height else None


def condition_text(qualifier: str, text: str) -> pl.Expr:
    """Return the text of conditions (columns) with the direction that they say (HIGH, LOW) before it."""
    return pl.concat_str(qualifier, text, separator=": ", ignore_nulls=True).replace("", None)


def _unavailable_in_capitals(value: pl.Series) -> pl.Series:
    """Return values with the standard's word for "not known" as it writes it, in whatever case it came."""
    others = (value.str.len_bytes() == len(UNAVAILABLE)) & (value != UNAVAILABLE)
    if not others.any():
        return value
    is_meant = others & (value.str.to_uppercase() == UNAVAILABLE)
    return value.set(is_meant.fill_null(False), UNAVAILABLE) if is_meant.any() else value


def _instants(found: pl.DataFrame, context: Context, problems: Problems) -> tuple[pl.Series, pl.Series | None]:
    """Return when each observation was made, and how much later second readings are where there are clock times.

    Times that the zone never had and impossible years are problems.
    """
    at, later_us = found["utc"], None
    if found["naive"].null_count() < found.height:
        resolved = resolve(found["naive"], context.zone)
        at, later_us = at.zip_with(at.is_not_null(), resolved.at), resolved.later_us
        message = (
            f'"{{value}}" was on no clock in {context.zone}: they were put forward over it. Give the zone of the '
            "export as timezone under [[source]] in shop.toml."
        )
        problems.add(resolved.skipped, "time", found["naive"].cast(pl.String), "skipped_by_clock", message)
    strange = ~at.dt.year().is_between(EARLIEST_YEAR, LATEST_YEAR - 1)
    if strange.any():
        message = (
            f'"{{value}}" lies outside the years {EARLIEST_YEAR} to {LATEST_YEAR}. Set the clock of the control or of '
            "the computer that writes the log."
        )
        problems.add(strange, "time", at.dt.strftime("%Y-%m-%d %H:%M:%S"), "out_of_range", message)
    return at, later_us
