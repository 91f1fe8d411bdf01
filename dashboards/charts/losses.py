"""Chart of what kept a machine from cutting: hours of each loss in one month, with their cost and the month before.

Hours lie inside planned time; what was not observed is drawn hollow, because it is not known to be lost.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

from dashboards.charts.theme import BLACK, GREY, ORANGE, Spec, layered, number_axis, rows_named, shell, with_rows


def losses_chart(rows: Sequence[dict[str, Any]]) -> Spec:
    """Draw losses in the order given; a tick marks what a loss would have taken at its share of the month before.

    Rows: label (its lines apart by a line feed), hours, seen (False: not observed), before (hours, or None), told.
    """
    before = [row for row in rows if row["before"] is not None]
    return with_rows(_losses_shell(bool(before)), losses=rows, **({"before": before} if before else {}))


@lru_cache(maxsize=2)
def _losses_shell(with_before: bool) -> Spec:
    import altair as alt

    # Hours and cost stand under the name, where they fit on a phone however long the bar is.
    axis = alt.Axis(labelExpr="split(datum.value, '\\n')", labelLineHeight=13)
    y = alt.Y("label:N", sort=None, title=None, axis=axis)
    x = alt.X("hours:Q", title="Hours of planned time", scale=alt.Scale(nice=False), axis=number_axis())
    seen = [False, True]
    bars = rows_named("losses").mark_bar(height={"band": 0.72}, strokeWidth=1.2)
    bars = bars.encode(
        y=y,
        x=x,
        fill=alt.Fill("seen:N", legend=None, scale=alt.Scale(domain=seen, range=["white", ORANGE])),
        stroke=alt.Stroke("seen:N", legend=None, scale=alt.Scale(domain=seen, range=[GREY, "#8a5f00"])),
        strokeDash=alt.StrokeDash("seen:N", legend=None, scale=alt.Scale(domain=seen, range=[[4, 3], [1, 0]])),
        tooltip="told:N",
    )
    if not with_before:
        return shell(bars)
    tick = rows_named("before").mark_tick(color=BLACK, thickness=2, height={"band": 0.9})
    return shell(layered(bars, tick.encode(y=y, x="before:Q", tooltip="told:N")))
