"""The report of indicators follows the catalogue and the utilisation mart, and a table says what it shows."""

from __future__ import annotations

import polars as pl

from pipeline.report.indicators import indicator_rows
from pipeline.report.output import as_table
from schemas import mart
from schemas.indicators import INDICATORS


def months() -> pl.DataFrame:
    """Two months of M1, of which the second was hardly observed."""
    columns = mart.columns("utilisation_monthly")
    rows = [
        {
            **{
                name: 0 if dtype.is_integer() else 0.5 if dtype.is_float() else "derived"
                for name, dtype in columns.items()
            },
            **{"machine": "M1", "month": month, "low_coverage": low, "observed_planned_s": 7200.0},
            **{"ideal_share": 0.7, "oee_index": None},
        }
        for month, low in (("2026-03", False), ("2026-04", True))
    ]
    return pl.DataFrame(rows, schema=columns)


def test_every_indicator_is_a_column_of_the_mart_and_a_row_of_the_report() -> None:
    """The catalogue names columns that the mart has, each once; the report gives them in its order."""
    named = [indicator.column for indicator in INDICATORS]
    rows = indicator_rows(months())

    assert len(set(named)) == len(named)
    assert set(named) <= set(mart.columns("utilisation_monthly"))
    assert rows["indicator"].to_list() == named * 2
    assert rows["low_coverage"].to_list() == [False] * len(named) + [True] * len(named)
    for indicator in INDICATORS:
        assert (indicator.unit == "s") == indicator.column.endswith("_s")


def test_the_share_behind_the_ideal_stands_where_it_matters() -> None:
    """Effectiveness, OEE and NEE carry the share of the production time that has an estimate."""
    rows = indicator_rows(months().head(1))
    carrying = rows.filter(pl.col("ideal_share").is_not_null())

    assert carrying["indicator"].to_list() == ["effectiveness", "oee_index", "nee_index"]


def test_table_writes_units_and_marks_low_coverage() -> None:
    """Seconds read as hours, shares as per cent, what is not known as nothing; low coverage is said."""
    lines = as_table(indicator_rows(months()), "indicators", "UTC").splitlines()
    pbt, oee = (next(line for line in lines if name in line) for name in ("(PBT)", "OEE index"))

    assert "2.0 h" in pbt
    assert "%" not in oee.split("availability")[0]
    assert sum("low coverage" in line for line in lines) == len(INDICATORS)
