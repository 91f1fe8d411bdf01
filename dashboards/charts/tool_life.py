"""Charts of tool life: the edges of a tool in order with their trend, and survival, observed beside fitted.

An open mark is an edge whose life is not known to its end. The fit itself comes from elsewhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from dashboards.charts.theme import BLACK, BLUE, GREY, PURPLE, VERMILLION, chart_data, layered, number_axis

if TYPE_CHECKING:
    import altair as alt

ENDS: Final = ("worn", "broken", "chipped", "planned", "unknown", "in use")
END_SHAPES: Final = ("circle", "cross", "triangle-up", "square", "diamond", "triangle-right")
END_COLOURS: Final = (BLUE, VERMILLION, PURPLE, GREY, GREY, BLACK)


def edges_chart(rows: Sequence[dict[str, Any]], trend: Sequence[dict[str, float]], life_title: str) -> alt.LayerChart:
    """Draw each edge's life in the order of use; open marks for lives that had not ended.

    Rows: edge, life, end (one of ENDS), known (True: a failure, drawn filled like all of its kind), told.
    `trend`: edge, life.
    """
    import altair as alt

    x = alt.X(
        "edge:Q",
        title="Edge, in order of use",
        axis=number_axis(tickMinStep=1, format="d"),
        scale=alt.Scale(nice=False, padding=8),
    )
    y = alt.Y("life:Q", title=life_title, scale=alt.Scale(zero=True))
    used = [end for end in ENDS if any(row["end"] == end for row in rows)]
    colours = [END_COLOURS[ENDS.index(end)] for end in used]
    colour = alt.Color(
        "end:N",
        scale=alt.Scale(domain=used, range=colours),
        legend=alt.Legend(columns=alt.ExprRef("width < 420 ? 3 : 6")),
    )
    shape = alt.Shape("end:N", scale=alt.Scale(domain=used, range=[END_SHAPES[ENDS.index(end)] for end in used]))
    seen_out = {row["end"] for row in rows if row["known"]}
    inks = [ink if end in seen_out else "white" for end, ink in zip(used, colours, strict=True)]
    fill = alt.Fill("end:N", scale=alt.Scale(domain=used, range=inks))
    points = (
        alt.Chart(chart_data(rows))
        .mark_point(size=60, strokeWidth=1.5, opacity=1)
        .encode(
            x=x,
            y=y,
            color=colour,
            shape=shape,
            fill=fill,
            tooltip="told:N",
        )
    )
    line = alt.Chart(chart_data(trend)).mark_line(color=BLACK, strokeDash=[6, 3], strokeWidth=1.5).encode(x=x, y=y)
    return layered(line, points) if trend else layered(points)


def survival_chart(
    observed: Sequence[dict[str, float]], fitted: Sequence[dict[str, float]], life_title: str
) -> alt.LayerChart:
    """Draw the share of edges still in use by age: steps as observed, with their interval, and the fitted curve.

    Rows of both: life, survival, low, high.
    """
    import altair as alt

    x = alt.X("life:Q", title=life_title, scale=alt.Scale(nice=False, zero=True), axis=number_axis())
    y = alt.Y(
        "survival:Q", title="Share of edges still in use", scale=alt.Scale(domain=[0, 1]), axis=alt.Axis(format=".0%")
    )
    legend = alt.Legend(
        labelExpr="datum.value === 'observed' ? 'observed (Kaplan-Meier, 95 % band)' : 'fitted (Weibull)'",
        columns=alt.ExprRef("width < 420 ? 1 : 2"),
        symbolStrokeWidth=2,
        symbolSize=300,
        labelLimit=300,
    )
    which = ["observed", "fitted"]
    key = alt.StrokeDash("which:N", scale=alt.Scale(domain=which, range=[[1, 0], [6, 3]]), legend=legend)
    colour = alt.Color("which:N", scale=alt.Scale(domain=which, range=[BLUE, VERMILLION]), legend=legend)
    steps = [{**row, "which": "observed"} for row in observed]
    curve = [{**row, "which": "fitted"} for row in fitted]
    band = (
        alt.Chart(chart_data(steps))
        .mark_area(interpolate="step-after", color=BLUE, opacity=0.15)
        .encode(x=x, y=alt.Y("low:Q", scale=alt.Scale(domain=[0, 1])), y2="high:Q")
    )
    step = (
        alt.Chart(chart_data(steps))
        .mark_line(interpolate="step-after", strokeWidth=2)
        .encode(x=x, y=y, strokeDash=key, color=colour)
    )
    smooth = alt.Chart(chart_data(curve)).mark_line(strokeWidth=2).encode(x=x, y=y, strokeDash=key, color=colour)
    return layered(band, step, smooth)
