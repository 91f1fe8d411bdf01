"""The indicators of each machine's month as rows: name, whose term, value, formula, basis and coverage.

Lays out what the utilisation mart holds by the catalogue of schemas.indicators; works nothing out.
"""

from __future__ import annotations

import polars as pl

from schemas.indicators import INDICATORS


def indicator_rows(utilisation: pl.DataFrame) -> pl.DataFrame:
    """Return one row per machine, period and indicator, in the order of the catalogue.

    Parameters
    ----------
    utilisation
        Rows of a utilisation mart. Times come back in seconds, shares as shares of one.
    """
    keys = [name for name in ("machine", "month", "week", "day") if name in utilisation.columns]
    said = ["basis", "coverage", "low_coverage", "ideal_share"]
    catalogue = pl.DataFrame(
        [(order, i.column, i.name, i.standard, i.unit, i.formula, i.needs) for order, i in enumerate(INDICATORS)],
        schema=["_order", "indicator", "name", "standard", "unit", "formula", "needs"],
        orient="row",
    )
    long = utilisation.unpivot(
        [i.column for i in INDICATORS], index=[*keys, *said], variable_name="indicator", value_name="value"
    )
    with_ideal = pl.col("indicator").is_in(["effectiveness", "oee_index", "nee_index"])
    return (
        long.join(catalogue, on="indicator", how="left")
        .sort(*keys, "_order")
        .with_columns(pl.when(with_ideal).then(pl.col("ideal_share")).alias("ideal_share"))
        .select(*keys, "indicator", "name", "standard", "value", "unit", "formula", *said, "needs")
    )
