"""mart.edge_outlook: how long the edge in use of each tool will hold, and how many edges a coming batch takes.

Arranges frames for the statistics; it computes none of its own.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.derive.edge_now import posterior_after_change, posterior_of
from pipeline.derive.life_trends import IS_CHANGING
from pipeline.derive.tool_lives import KEYS, tool_lives
from pipeline.stats.arrays import FloatArray, IntArray
from schemas.mart import columns

PARTS_MORE: IntArray = np.array([1, 2, 3, 5, 8, 12, 20, 30, 50, 80, 120, 200])


def edge_outlook(
    edges: pl.DataFrame,
    tools: pl.DataFrame,
    life: pl.DataFrame,
    before: pl.DataFrame | None = None,
    life_before: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """Return mart.edge_outlook, for the tools with an edge in use of which a life and its pace are known.

    Parameters
    ----------
    edges, tools : core.edge_life, core.tool
    life : mart.tool_life
    before, life_before : mart.edge_outlook and mart.tool_life as they stood
        Tools that lean on no other and whose rows are the same keep theirs; the result is the same without them.
    """
    from pipeline.stats.edges_needed import edges_needed
    from pipeline.stats.life_posterior import LifePrior, life_posterior
    from pipeline.stats.weibull_many import fit_many

    kept = _standing(life, before, life_before)
    lives = tool_lives(edges)
    now = lives.tools.select(KEYS).join(life, on=KEYS, how="left", maintain_order="left")
    anew = life.filter(pl.col("survive_next_part").is_not_null()).join(kept.select(KEYS), on=KEYS, how="anti")
    which = _numbers_of(now, anew)
    pooled = now["pooled"].fill_null(False).to_numpy()
    sets = lives.sets
    fits = fit_many(sets)
    settings = now.select(KEYS).join(tools, on=KEYS, how="left", maintain_order="left")
    _, leaning, _ = posterior_of(sets, fits, settings, now["unit"])
    changing = now.select(IS_CHANGING).to_series().to_numpy()
    frames = [kept]
    for part in (which[pooled[which]], which[changing[which]], which[~pooled[which] & ~changing[which]]):
        if part.size == 0:
            continue
        if pooled[part[0]]:
            posterior = leaning.take(part)
        elif changing[part[0]]:
            posterior, _ = posterior_after_change(lives, now, part)
        else:
            shape, error = np.log(fits.shape[part]), np.sqrt(fits.shape_variance[part])
            posterior = life_posterior(sets.take(part), LifePrior.nothing(part.size), shape, error)
        rows = now[part]
        age = rows["current_age"].to_numpy()
        pace = (
            rows.select(pl.when(pl.col("unit") == "parts").then(1.0).otherwise("min_per_part")).to_series().to_numpy()
        )
        survive = np.stack([posterior.survival(age, pace * more) for more in PARTS_MORE], axis=1)
        needed = edges_needed(posterior, age, pace, PARTS_MORE, (0.5, 0.9))
        frames.append(_frame(rows, survive, needed))
    return pl.concat(frames).sort(*KEYS, "parts_more")


def _numbers_of(now: pl.DataFrame, some: pl.DataFrame) -> IntArray:
    """Return which rows of `now` are of some tools."""
    numbered = now.select(KEYS).with_row_index("number").join(some.select(KEYS), on=KEYS, how="semi")
    return np.sort(numbered["number"].to_numpy().astype(np.int64))


def _standing(life: pl.DataFrame, before: pl.DataFrame | None, life_before: pl.DataFrame | None) -> pl.DataFrame:
    """Return the rows that stand as they stood."""
    names = columns("edge_outlook")
    if before is None or life_before is None or "rests_on" not in life_before.columns:
        return pl.DataFrame(schema=names)
    marked = [*KEYS, "rests_on"]
    alone = ~pl.col("pooled") & ~IS_CHANGING
    same = life.filter(alone & pl.col("survive_next_part").is_not_null()).select(marked)
    same = same.join(life_before.filter(alone).select(marked), on=marked, how="semi")
    return before.join(same, on=KEYS, how="semi").select(pl.col(name).cast(dtype) for name, dtype in names.items())


def _frame(rows: pl.DataFrame, survive: FloatArray, needed: FloatArray) -> pl.DataFrame:
    """Lay out (tools, sizes) arrays as one row a tool and size."""
    sizes = PARTS_MORE.size
    repeated = {name: np.repeat(rows[name].to_numpy(), sizes) for name in KEYS}
    frame = pl.DataFrame(
        repeated
        | {
            "parts_more": np.tile(PARTS_MORE, rows.height),
            "survive": np.clip(survive.ravel(), 0.0, 1.0),
            "edges_median": needed[0].ravel(),
            "edges_90": needed[1].ravel(),
        }
    ).with_columns(pl.col("edges_median", "edges_90").fill_nan(None))
    return frame.select(pl.col(name).cast(dtype) for name, dtype in columns("edge_outlook").items())
