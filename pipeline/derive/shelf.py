"""mart.edge_now and mart.shelf_list: every edge in use against the batch at hand, and what edges coming batches take.

Arranges frames for the statistics; it computes none of its own.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl

from pipeline.derive.outlook import Outlook
from pipeline.derive.tool_lives import KEYS
from pipeline.stats.arrays import FloatArray
from schemas.mart import columns

CHANCE: Final = 0.9
"""How sure `parts left` and the edges on the shelf are."""


def edge_now(edges: pl.DataFrame, life: pl.DataFrame, coming: pl.DataFrame, outlook: Outlook) -> pl.DataFrame:
    """Return mart.edge_now: one row for every edge in use.

    Parameters
    ----------
    edges : core.edge_life, as the statistics count them (life_machine and life_tool as KEYS)
    life : mart.tool_life
    coming : what each coming batch asks of each tool (sql/query/coming_use.sql)
    """
    at_hand = coming.sort("place").unique(["at_machine", "at_tool"], keep="first").select(
        "at_machine", "at_tool", pl.col("job").alias("batch_job"), pl.col("operation").alias("batch_operation"),
        pl.col("basis").alias("batch_basis"), pl.col("parts_left").alias("batch_parts"),
        pl.col("min_per_part").alias("_batch_pace"),
    )  # fmt: skip
    newest = edges.group_by(KEYS).agg(pl.col("edge_number").max().alias("_newest"))
    rows = (
        edges.filter(pl.col("removed_at").is_null())
        .join(newest, on=KEYS, how="left")
        .join(
            life.select(
                *KEYS, "unit", "name", "min_per_part", "change_at", "verdict", "wear_verdict", "wear_measure",
                "wear_since_part", "planned_cost", pl.col("shape").alias("_shape"),
            ),
            on=KEYS,
            how="left",
        )
        .join(at_hand, on=["at_machine", "at_tool"], how="left")
        .join(outlook.numbers, on=KEYS, how="left")
        .sort("at_machine", "at_tool", "edge_number")
    )  # fmt: skip
    in_parts = pl.col("unit") == "parts"
    age = pl.when(in_parts).then(pl.col("parts").cast(pl.Float64)).otherwise("cut_min")
    rows = rows.with_columns(
        pl.when(pl.col("in_use_at").is_not_null() & ~pl.col("is_suspect")).then(age).alias("_age"),
        pl.when(in_parts).then(1.0).otherwise(pl.coalesce("_batch_pace", "min_per_part")).alias("_pace"),
        (pl.col("edge_number") == pl.col("_newest")).alias("_is_newest"),
    )
    rows = rows.with_columns(_chances(rows, outlook))
    due = (
        pl.when("is_suspect")
        .then(pl.lit("suspect"))
        .when(pl.col("parts_left_90").is_null())
        .then(pl.lit("too few"))
        .when(pl.col("parts_left_90") < 1)
        .then(pl.lit("due"))
        .when(pl.col("parts_left_90") < pl.col("batch_parts"))
        .then(pl.lit("in this batch"))
        .otherwise(pl.lit("lasts"))
    )
    told = rows.with_columns(
        pl.col("at_machine").alias("machine"),
        pl.col("at_tool").alias("tool"),
        pl.col("at_edge").alias("edge_number"),
        pl.col("machine").alias("life_machine"),
        pl.col("tool").alias("life_tool"),
        pl.col("cut_min").alias("age_min"),
        pl.col("parts").alias("age_parts"),
        due.alias("due"),
        *(
            pl.when("_is_newest").then(pl.col(name)).alias(name)
            for name in ("wear_verdict", "wear_measure", "wear_since_part")
        ),
    )
    return told.sort("machine", "tool", "edge_number").select(
        pl.col(name).cast(dtype) for name, dtype in columns("edge_now").items()
    )


def _chances(rows: pl.DataFrame, outlook: Outlook) -> list[pl.Series]:
    """Return the chances and the parts left of edges in use; empty where nothing is known of age, pace or life."""
    asked = ("survive_next_part", "survive_batch", "parts_left_median", "parts_left_90")
    found = {name: np.full(rows.height, np.nan) for name in asked}
    known = rows.with_row_index("_row").filter(
        pl.col("_age").is_not_null() & pl.col("_pace").is_not_null() & pl.col("_shape").is_not_null()
    )
    place = known["_row"].to_numpy()
    age, pace, batch = (_floats(known, name) for name in ("_age", "_pace", "batch_parts"))
    for some, posterior in outlook.split(known["number"].to_numpy().astype(np.int64)):
        at = place[some]
        found["survive_next_part"][at] = posterior.survival(age[some], pace[some])
        found["survive_batch"][at] = posterior.survival(age[some], pace[some] * batch[some])
        for name, chance in (("parts_left_median", 0.5), ("parts_left_90", CHANCE)):
            found[name][at] = np.floor(posterior.left(age[some], chance) / pace[some] + 1e-9)
    series = [pl.Series(name, values).fill_nan(None) for name, values in found.items()]
    # without a batch there is nothing to outlive
    return [
        values.set(rows["batch_parts"].is_null(), None) if values.name == "survive_batch" else values
        for values in series
    ]


def _floats(frame: pl.DataFrame, name: str) -> FloatArray:
    return frame[name].cast(pl.Float64).fill_null(np.nan).to_numpy()


def shelf_list(
    edges: pl.DataFrame, tools: pl.DataFrame, life: pl.DataFrame, coming: pl.DataFrame, outlook: Outlook
) -> pl.DataFrame:
    """Return mart.shelf_list: for each coming batch and tool the fresh edges that are used up to its end.

    Batches of a machine follow each other: the edges of the second are those of both together. Sister tools make their
    share of a batch each.
    """
    from pipeline.stats.edges_needed import edges_needed

    now = edges.filter(pl.col("removed_at").is_null() & pl.col("in_use_at").is_not_null() & ~pl.col("is_suspect"))
    age_of = now.group_by("at_machine", "at_tool").agg(pl.col("cut_min", "parts").max())
    asked = (
        coming.sort("at_machine", "at_tool", "place")
        .join(
            life.select(*KEYS, "unit", "name", pl.col("shape").alias("_shape")),
            on=KEYS, how="left", maintain_order="left",
        )
        .join(
            tools.select(*KEYS, "inserts", "edges_per_insert", "edge_cost", "insert_cost"),
            on=KEYS, how="left", maintain_order="left",
        )
        .join(age_of, on=["at_machine", "at_tool"], how="left", maintain_order="left")
        .join(outlook.numbers, on=KEYS, how="left", maintain_order="left")
    )  # fmt: skip
    in_parts = pl.col("unit") == "parts"
    own_parts = (pl.col("parts_left") * pl.col("share") - 1e-9).ceil()
    minutes = (own_parts * pl.col("min_per_part")).cum_sum().over("at_machine", "at_tool")
    asked = asked.with_columns(
        # without an edge in use a fresh one is put in first
        pl.when(in_parts).then(pl.col("parts").cast(pl.Float64)).otherwise("cut_min").fill_null(0.0).alias("_age"),
        pl.col("cut_min").is_null().alias("_needs_first"),
        pl.when(in_parts).then(1.0).otherwise("min_per_part").alias("_pace"),
        pl.when(in_parts)
        .then(own_parts.cum_sum().over("at_machine", "at_tool"))
        .otherwise((minutes / pl.col("min_per_part")).ceil())
        .cast(pl.Int64)
        .alias("_parts"),
    )
    needed = np.full((2, asked.height), np.nan)
    known = asked.with_row_index("_row").filter(pl.col("_shape").is_not_null() & (pl.col("_pace") > 0))
    if known.height:
        place, parts = known["_row"].to_numpy(), known["_parts"].to_numpy()
        age, pace = _floats(known, "_age"), _floats(known, "_pace")
        for some, posterior in outlook.split(known["number"].to_numpy().astype(np.int64)):
            sizes = np.unique(parts[some])
            found = edges_needed(posterior, age[some], pace[some], sizes, (0.5, CHANCE))
            at = np.searchsorted(sizes, parts[some])
            needed[:, place[some]] = found[:, np.arange(some.size), at]
    first = pl.col("_needs_first").cast(pl.Int64)
    told = asked.with_columns(
        (pl.Series("edges_median", needed[0]).fill_nan(None) + first).alias("edges_median"),
        (pl.Series("edges_90", needed[1]).fill_nan(None) + first).alias("edges_90"),
    ).with_columns(
        (
            pl.col("edges_90") * pl.col("inserts").fill_null(1) / pl.col("edges_per_insert").fill_null(1)
        ).ceil().alias("inserts_90"),
        (pl.col("edges_median") * pl.col("edge_cost")).alias("cost_median"),
        (pl.col("edges_90") * pl.col("edge_cost")).alias("cost_90"),
    ).with_columns(
        pl.when(pl.col("insert_cost").is_not_null()).then("inserts_90").alias("inserts_90"),
        pl.col("machine").alias("life_machine"),
        pl.col("tool").alias("life_tool"),
        pl.col("at_machine").alias("machine"),
        pl.col("at_tool").alias("tool"),
    )  # fmt: skip
    return told.sort("machine", "place", "tool").select(
        pl.col(name).cast(dtype) for name, dtype in columns("shelf_list").items()
    )
