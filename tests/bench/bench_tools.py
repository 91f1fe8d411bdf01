"""Tool life of a million edges over 5,000 tools: fits, limits, trends, verdicts, what is left, against a bare group-by.

Not collected by pytest and no timed assertion: run `python tests/bench/bench_tools.py [EDGES] [TOOLS]` and read the
figures, in seconds of processor time. The baseline is polars' mean life and count of each tool over the same rows. The
second run is told the mart of the first and edges of one tool in a hundred that are new.
"""

import resource
import sys
from datetime import UTC, datetime

import numpy as np
import polars as pl
from bench_run import say

from pipeline.derive.tool_fit import tool_fit
from pipeline.derive.tool_life import life_curves, tool_life

SHAPES = (1.5, 5.0)
FALLING = 0.02


def processor_s() -> float:
    """Seconds of processor time of this process, all threads, so far."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def ledger(edges: int, tools: int, seed: int = 1) -> pl.DataFrame:
    """Edges of tools that are used in turn: lives in minutes and parts, a third changed as planned, the last in use."""
    rng = np.random.default_rng(seed)
    sizes = np.maximum(5, rng.poisson(edges / tools, tools))
    tool = np.repeat(np.arange(tools), sizes)
    number = np.arange(tool.size) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    shape, scale = (np.repeat(rng.uniform(*of, tools), sizes) for of in (SHAPES, (20.0, 200.0)))
    slope = np.repeat(np.where(rng.random(tools) < FALLING, -2.0 / sizes, 0.0), sizes)
    level = scale * np.exp(slope * number)
    life, removal = level * rng.weibull(shape), 1.3 * level * rng.weibull(shape)
    minutes, censored = np.minimum(life, removal), removal < life
    in_use = number == sizes[tool] - 1
    per_part = np.repeat(rng.uniform(0.5, 5.0, tools), sizes) * rng.lognormal(0, 0.1, tool.size)
    started = (np.cumsum(minutes) - minutes) * 60e6
    started = started - started[np.cumsum(sizes) - sizes][tool]
    first = datetime(2024, 1, 1, tzinfo=UTC)
    return pl.DataFrame(
        {
            "machine": pl.Series((tool // 50).astype(str)),
            "tool": pl.Series((tool % 50).astype(str)),
            "edge_number": number + 1,
            "in_use_at": pl.Series(started.astype(np.int64)).cast(pl.Duration("us")) + first,
            "cut_min": minutes,
            "parts": np.maximum(1, minutes / per_part).astype(np.int64),
            "censored": censored | in_use,
            "edge_cost": np.full(tool.size, 8.0),
            "is_suspect": False,
            "speed_m_min": pl.Series([None] * tool.size, dtype=pl.Float64),
            "insert_batch": pl.Series([None] * tool.size, dtype=pl.String),
            "is_in_use": in_use,
        }
    ).with_columns(
        pl.when("is_in_use").then(None).otherwise(pl.col("in_use_at") + pl.duration(minutes=60)).alias("removed_at")
    )


def main() -> None:
    """Measure and print."""
    edges, tools = (int(of) for of in (*sys.argv[1:], "1000000", "5000")[:2])
    rows = ledger(edges, tools)
    settings = (
        rows.select("machine", "tool")
        .unique()
        .with_columns(
            name=pl.lit(None, dtype=pl.String), tool_type=pl.lit("end mill"), change_min=3.0, failure_cost=40.0
        )
    )
    rates = settings.select("machine").unique().with_columns(rate_per_hour=60.0)
    start = processor_s()
    rows.group_by("machine", "tool").agg(pl.col("cut_min").mean(), pl.len())
    baseline = processor_s() - start
    say(f"{rows.height:,} edges of {settings.height:,} tools; a bare group-by takes {baseline:.3f} s")

    def measured(what: str, make: object) -> pl.DataFrame:
        begun = processor_s()
        frame: pl.DataFrame = make()  # type: ignore[operator]
        took = processor_s() - begun
        say(f"{what}: {took:.2f} s, {took / baseline:.0f} times the group-by, {frame.height:,} rows")
        return frame

    def life_of(of: pl.DataFrame, fits: pl.DataFrame, before: pl.DataFrame | None = None) -> pl.DataFrame:
        return tool_life(of, fits, settings, rates, before=before)[0]

    fits = measured("mart.tool_fit", lambda: tool_fit(rows, settings, rates))
    life = measured("mart.tool_life", lambda: life_of(rows, fits))
    say(str(life["verdict"].value_counts().sort("verdict").rows()))
    curves = measured("mart.life_curve", lambda: life_curves(rows, life))
    new = pl.col("is_in_use") & (pl.col("tool") == "7") & (pl.col("machine").cast(pl.Int64) % 2 == 0)
    grown = rows.with_columns(pl.when(new).then(pl.col("cut_min") + 5.0).otherwise("cut_min").alias("cut_min"))
    say("one tool in a hundred new")
    fits_again = measured("mart.tool_fit", lambda: tool_fit(grown, settings, rates, before=fits))
    again = measured("mart.tool_life", lambda: life_of(grown, fits_again, life))
    measured("mart.life_curve", lambda: life_curves(grown, again, before=curves, life_before=life))


if __name__ == "__main__":
    main()
