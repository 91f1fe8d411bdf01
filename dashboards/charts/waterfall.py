"""The chart of causes: from the estimate of a cycle, cause by cause, to what it takes.

Each bar begins where the one above it ends, so that the last end is actual less estimate. What a cause is was decided
long before; this draws the order given.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise
from typing import Any

from dashboards.charts.theme import BLACK, GREY, Spec, by_side, layered, number_axis, rows_named, shell, with_rows


def stacked_steps(steps: Sequence[tuple[str, float]]) -> list[dict[str, Any]]:
    """Lay causes end to end: label, start and end (seconds over the estimate), side, next (the label below)."""
    rows: list[dict[str, Any]] = []
    start = 0.0
    for label, seconds in steps:
        side = "more" if seconds >= 0 else "less"
        rows.append({"label": label, "start": start, "end": start + seconds, "side": side})
        start += seconds
    for row, below in pairwise(rows):
        row["next"] = below["label"]
    return rows


def waterfall_chart(rows: Sequence[dict[str, Any]]) -> Spec:
    """Draw causes end to end, the estimate above and the actual time below them.

    Rows: label (unique, its lines apart by a line feed; it bears the signed figure), start, end (seconds over the
    estimate), side (`more`, `less`; `sum` for the two ends), next (label of the row below, absent at the last), told.
    """
    joints = [{"label": row["label"], "next": row["next"], "end": row["end"]} for row in rows if row.get("next")]
    return with_rows(_waterfall_shell(), steps=rows, joints=joints, estimate=[{"at": 0}])


@lru_cache(maxsize=1)
def _waterfall_shell() -> Spec:
    import altair as alt

    # The figure stands under the name, where it fits on a phone however long the bar is.
    axis = alt.Axis(labelExpr="split(datum.value, '\\n')", labelLineHeight=13, labelLimit=160)
    y = alt.Y("label:N", sort=None, title=None, axis=axis)
    title = ["Seconds per run over", "the estimate, mean"]
    x = alt.X("start:Q", title=title, scale=alt.Scale(nice=False, padding=8), axis=number_axis())
    bars = rows_named("steps").mark_bar(height={"band": 0.62}, strokeWidth=1.2)
    bars = bars.encode(y=y, x=x, x2="end:Q", color=by_side(alt.Color), stroke=by_side(alt.Stroke), tooltip="told:N")
    joints = rows_named("joints").mark_rule(color=GREY, strokeDash=[2, 2])
    joints = joints.encode(y=y, y2="next:N", x=alt.X("end:Q", title=title))
    zero = rows_named("estimate").mark_rule(color=BLACK).encode(x="at:Q")
    return shell(layered(bars, joints, zero))
