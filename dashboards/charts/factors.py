"""The chart of quoting factors: each with its interval against 1.00, where the estimate needs no correction.

It draws what the mart holds, in the order given, and judges nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from dashboards.charts.theme import BLACK, BLUE, ORANGE, chart_data, layered, number_axis

if TYPE_CHECKING:
    import altair as alt


def factors_chart(rows: Sequence[dict[str, Any]]) -> alt.LayerChart:
    """Draw factors with 95 % intervals on a scale of ratios.

    Rows: label (unique), factor, low, high, clear (True: the interval lies off 1.00), text, told.
    """
    import altair as alt

    data = chart_data(rows)
    y = alt.Y("label:N", sort=[row["label"] for row in rows], title=None)
    scale = alt.Scale(type="log", nice=False, padding=12)
    title = "Actual time / estimated time (factor, 95 % interval)"
    x = alt.X("factor:Q", title=title, scale=scale, axis=number_axis(format=".2f"))
    colour = alt.Color("clear:N", legend=None, scale=alt.Scale(domain=[True, False], range=[BLUE, BLACK]))
    one = alt.Chart(chart_data([{"at": 1}])).mark_rule(color=ORANGE, strokeWidth=2).encode(x=alt.X("at:Q", scale=scale))
    whisker = (
        alt.Chart(data)
        .mark_rule(strokeWidth=1.5)
        .encode(y=y, x=alt.X("low:Q", scale=scale), x2="high:Q", color=colour, tooltip="told:N")
    )
    point = (
        alt.Chart(data)
        .mark_point(size=60, strokeWidth=1.5, opacity=1)
        .encode(
            y=y,
            x=x,
            color=colour,
            fill=alt.condition("datum.clear", alt.value(BLUE), alt.value("white")),
            tooltip="told:N",
        )
    )
    label = alt.Chart(data).mark_text(align="left", dx=6).encode(y=y, x=alt.X("high:Q", scale=scale), text="text:N")
    return layered(one, whisker, point, label)
