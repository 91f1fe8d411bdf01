"""Whether the edge in use runs away from earlier edges of its tool in what each part told: spindle load, or cut time.

It warns of an edge that wears otherwise than its forerunners; it knows nothing of lives.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from pipeline.stats.arrays import BoolArray, FloatArray, IntArray
from pipeline.stats.errors import InvalidInput
from pipeline.stats.ragged import Ragged

# Parts that say what an edge was like when it was new.
FIRST_PARTS = 3
# Earlier edges that it takes to know how edges of a tool go.
LEAST_EDGES = 5
LEAST_PARTS = FIRST_PARTS + 2
# Steps of age, in tenths of the usual number of parts, up to three times that number.
STEPS, USUAL = 30, 10
# Half of the rise, in standard deviations, that the sum is quickest to find.
ALLOWANCE = 0.5
FALSE_ALARMS = 0.05


@dataclass(frozen=True, eq=False)
class EarlySigns:
    """What the edge in use says, by tool.

    Attributes
    ----------
    score, limit : shape (tools,)
        Highest sum so far, and the limit that an edge like the earlier ones passes once in its life with a chance of
        5 %; nan where there are too few earlier edges or no edge in use.
    earlier : shape (tools,)
        Edges that were learned from.
    since : shape (tools,)
        Number of the part, from 1, at which the limit was first passed; 0 where it was not.
    """

    score: FloatArray
    limit: FloatArray
    earlier: IntArray
    since: IntArray


def early_signs(value: FloatArray, parts: Ragged, tool: IntArray, in_use: BoolArray, tools: int) -> EarlySigns:
    """Score the edges in use.

    Parameters
    ----------
    value : shape (parts of all edges,), above zero
        One a part, in order, one edge behind the other.
    parts : Ragged
        How many parts each edge has.
    tool : shape (edges,)
        Number of the tool that each edge is of, rising.
    in_use : shape (edges,)
        At most one edge a tool; where there are more, the last counts.
    tools : int

    Notes
    -----
    ln value less that of the edge's first three parts is set against the mean of earlier edges of one relative age
    (tenths of the usual number of parts), in units of the spread about it. A CUSUM with allowance 0.5 adds up what
    lies above. Every earlier edge is scored in the same way against the others; from the logarithms of their highest
    sums follows, by Student's t and by their rank, the limit for one more edge. So the limit holds whatever hangs
    together from part to part, as long as edges are alike.
    """
    if value.shape != (parts.rows,) or bool((value <= 0).any()):
        raise InvalidInput("value: expected one number above zero a part")
    counts = parts.sizes
    place = parts.position()
    log_value = np.log(value)
    new = place < FIRST_PARTS
    start = parts.sum(np.where(new, log_value, 0.0)) / np.maximum(np.minimum(counts, FIRST_PARTS), 1)
    rise = log_value - parts.spread(start)
    learned = ~in_use & (counts >= LEAST_PARTS)
    usual = _usual_length(counts, tool, learned, tools)
    with np.errstate(invalid="ignore"):
        step = place * USUAL / parts.spread(np.where(usual > 0, usual, 1.0)[tool])
    steps = np.minimum(step.astype(np.int64), STEPS - 1)
    expected = _expected(rise, parts, steps, tool, learned, tools)
    off = rise - expected[parts.spread(np.arange(counts.size)), steps]
    judged = parts.spread(learned) & ~new
    owner = parts.spread(tool)
    freedom = np.bincount(owner[judged], minlength=tools).astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = np.sqrt(np.bincount(owner[judged], off[judged] ** 2, tools) / freedom)
        standard = np.where(new, 0.0, off / np.where(spread > 0, spread, np.nan)[owner])
    sums = _cusum(np.nan_to_num(standard) - np.where(new, 0.0, ALLOWANCE), parts)
    highest = np.where(counts > 0, parts.max(sums), 0.0)
    earlier = np.bincount(tool[learned], minlength=tools)
    limit = _limits(highest, tool, learned, tools, earlier)
    limit = np.where(spread > 0, limit, math.nan)
    score, since = np.full(tools, math.nan), np.zeros(tools, dtype=np.int64)
    using = np.flatnonzero(in_use & (counts > 0))
    score[tool[using]] = highest[using]
    passed = sums > parts.spread(limit[tool])
    first = parts.min(np.where(passed, place, np.inf))
    since[tool[using]] = np.where(np.isfinite(first[using]), first[using] + 1, 0).astype(np.int64)
    return EarlySigns(np.where(np.isnan(limit), math.nan, score), limit, earlier.astype(np.int64), since)


def _usual_length(counts: IntArray, tool: IntArray, learned: BoolArray, tools: int) -> FloatArray:
    """Return the median number of parts of the edges that are learned from, 0 where there are none."""
    length, of = counts[learned].astype(np.float64), tool[learned]
    order = np.lexsort((length, of))
    groups = Ragged.of_sizes(np.bincount(of, minlength=tools))
    usual = np.zeros(tools)
    middle = groups.starts + (groups.sizes - 1) // 2
    usual[groups.filled] = length[order][middle[groups.filled]]
    return usual


def _expected(
    rise: FloatArray, parts: Ragged, step: IntArray, tool: IntArray, learned: BoolArray, tools: int
) -> FloatArray:
    """Return what the other, earlier edges of its tool lead to expect of each edge, shape (edges, STEPS)."""
    edges = parts.sizes.size
    cell = parts.spread(np.arange(edges)) * STEPS + step
    count = np.bincount(cell, minlength=edges * STEPS).reshape(edges, STEPS)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.bincount(cell, rise, edges * STEPS).reshape(edges, STEPS) / count
    has = (count > 0) & learned[:, None]
    total, known = np.zeros((tools, STEPS)), np.zeros((tools, STEPS))
    np.add.at(total, tool, np.where(has, mean, 0.0))
    np.add.at(known, tool, has)
    others = known[tool] - has
    with np.errstate(divide="ignore", invalid="ignore"):
        curve = (total[tool] - np.where(has, mean, 0.0)) / others
    # an age that no other edge reached is expected to be as the last one that one did
    reached = np.where(others > 0, np.arange(STEPS), 0)
    curve = np.take_along_axis(curve, np.maximum.accumulate(reached, axis=1), axis=1)
    return np.nan_to_num(curve)


def _cusum(moves: FloatArray, parts: Ragged) -> FloatArray:
    """Return max(0, sum so far + move), edge by edge."""
    running = parts.running(moves, np.add)
    lowest = parts.running(np.minimum(running, 0.0), np.minimum)
    return running - lowest


def _limits(highest: FloatArray, tool: IntArray, learned: BoolArray, tools: int, earlier: IntArray) -> FloatArray:
    """Return the limit for one more edge, from the highest sums of the earlier ones."""
    of, value = tool[learned], np.log1p(highest[learned])
    n = earlier.astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.bincount(of, value, tools) / n
        spread = np.sqrt(np.bincount(of, (value - mean[of]) ** 2, tools) / (n - 1.0))
        reach = special.stdtrit(np.maximum(n - 1.0, 1.0), 1.0 - FALSE_ALARMS) * np.sqrt(1.0 + 1.0 / n)
    # no lower than what all but a twentieth of edges reached: sums of many edges have a longer tail than t allows for
    groups = Ragged.of_sizes(earlier)
    place = np.minimum(np.ceil((n + 1.0) * (1.0 - FALSE_ALARMS)).astype(np.int64), earlier)
    reached = np.zeros(tools)
    ranked = value[np.lexsort((value, of))]
    reached[groups.filled] = ranked[(groups.starts + place - 1)[groups.filled]]
    known = earlier >= LEAST_EDGES
    with np.errstate(invalid="ignore"):
        by_spread = mean + reach * spread
    return np.where(known, np.expm1(np.maximum(by_spread, reached)), math.nan)
