"""Charts of tool life: the edges of a tool in order with their trend, and survival, observed beside fitted.

An open mark is an edge whose life is not known to its end. The fit itself comes from elsewhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any, Final

from dashboards.charts.theme import (
    BLACK,
    BLUE,
    GREY,
    ORANGE,
    PURPLE,
    VERMILLION,
    Spec,
    layered,
    number_axis,
    rows_named,
    shell,
    with_rows,
)

ENDS: Final = ("worn", "broken", "chipped", "planned", "unknown", "exchanged", "in use", "suspect")
END_SHAPES: Final = ("circle", "cross", "triangle-up", "square", "diamond", "triangle-down", "triangle-right", "stroke")
END_COLOURS: Final = (BLUE, VERMILLION, PURPLE, GREY, GREY, GREY, BLACK, ORANGE)


def edges_chart(rows: Sequence[dict[str, Any]], trend: Sequence[dict[str, float]], life_title: str) -> Spec:
    """Draw each edge's life in the order of use; open marks for lives that were not seen to their end.

    Rows: edge, life, end (one of ENDS), known (True: a failure, drawn filled like all of its kind), told.
    `trend`: edge, life; empty for none.
    """
    used = tuple(end for end in ENDS if any(row["end"] == end for row in rows))
    filled = frozenset(str(row["end"]) for row in rows if row["known"])
    form = _edges_shell(used, filled, life_title, bool(trend))
    return with_rows(form, edges=rows, **({"trend": trend} if trend else {}))


@lru_cache(maxsize=64)
def _edges_shell(used: tuple[str, ...], filled: frozenset[str], life_title: str, with_trend: bool) -> Spec:
    import altair as alt

    axis = number_axis(tickMinStep=1, format="d")
    x = alt.X("edge:Q", title="Edge, in order of use", axis=axis, scale=alt.Scale(nice=False, padding=8, zero=False))
    y = alt.Y("life:Q", title=life_title, scale=alt.Scale(zero=True))
    colours = [END_COLOURS[ENDS.index(end)] for end in used]
    inks = [colour if end in filled else "white" for end, colour in zip(used, colours, strict=True)]
    legend = alt.Legend(columns=alt.ExprRef("width < 420 ? 3 : 6"))
    shapes = alt.Scale(domain=list(used), range=[END_SHAPES[ENDS.index(end)] for end in used])
    points = rows_named("edges").mark_point(size=60, strokeWidth=1.5, opacity=1)
    points = points.encode(
        x=x,
        y=y,
        color=alt.Color("end:N", scale=alt.Scale(domain=list(used), range=colours), legend=legend),
        shape=alt.Shape("end:N", scale=shapes, legend=legend),
        fill=alt.Fill("end:N", scale=alt.Scale(domain=list(used), range=inks), legend=legend),
        tooltip="told:N",
    )
    line = rows_named("trend").mark_line(color=BLACK, strokeDash=[6, 3], strokeWidth=1.5).encode(x=x, y=y)
    return shell(layered(line, points) if with_trend else layered(points))


def survival_chart(observed: Sequence[dict[str, float]], fitted: Sequence[dict[str, float]], life_title: str) -> Spec:
    """Draw the share of edges still in use by age: steps as observed, with their interval, and the fitted curve.

    Rows of both: life, survival, low, high.
    """
    return with_rows(
        _survival_shell(life_title),
        observed=[{**row, "which": "observed"} for row in observed],
        fitted=[{**row, "which": "fitted"} for row in fitted],
    )


@lru_cache(maxsize=4)
def _survival_shell(life_title: str) -> Spec:
    import altair as alt

    x = alt.X("life:Q", title=life_title, scale=alt.Scale(nice=False, zero=True), axis=number_axis())
    share = alt.Scale(domain=[0, 1])
    y = alt.Y("survival:Q", title="Share of edges still in use", scale=share, axis=alt.Axis(format=".0%"))
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
    band = rows_named("observed").mark_area(interpolate="step-after", color=BLUE, opacity=0.15)
    band = band.encode(x=x, y=alt.Y("low:Q", scale=share), y2="high:Q")
    step = rows_named("observed").mark_line(interpolate="step-after", strokeWidth=2)
    step = step.encode(x=x, y=y, strokeDash=key, color=colour)
    smooth = rows_named("fitted").mark_line(strokeWidth=2).encode(x=x, y=y, strokeDash=key, color=colour)
    return shell(layered(band, step, smooth))


def wear_chart(
    in_use: Sequence[dict[str, Any]], earlier: Sequence[dict[str, Any]], value_title: str, since: int | None
) -> Spec:
    """Draw what each part of the edge in use told, over the middle and band of earlier edges.

    Rows: part_number, value; of `earlier` low and high too. `since`: the part from which it runs away, if it does.
    """
    given: dict[str, Sequence[dict[str, Any]]] = {"in_use": in_use, "earlier": earlier}
    if since is not None:
        given["since"] = [{"part_number": since}]
    return with_rows(_wear_shell(value_title, since is not None), **given)


@lru_cache(maxsize=4)
def _wear_shell(value_title: str, with_since: bool) -> Spec:
    import altair as alt

    axis = number_axis(tickMinStep=1, format="d")
    x = alt.X("part_number:Q", title="Part of the edge", axis=axis, scale=alt.Scale(nice=False, padding=8, zero=False))
    scale = alt.Scale(zero=False)
    y = alt.Y("value:Q", title=value_title, scale=scale, axis=alt.Axis(format=".0%"))
    band = rows_named("earlier").mark_area(color=GREY, opacity=0.2)
    band = band.encode(x=x, y=alt.Y("low:Q", scale=scale, title=value_title, axis=alt.Axis(format=".0%")), y2="high:Q")
    middle = rows_named("earlier").mark_line(color=GREY, strokeWidth=2, strokeDash=[6, 3]).encode(x=x, y=y)
    points = rows_named("in_use").mark_point(size=50, filled=True, color=BLUE, opacity=1).encode(x=x, y=y)
    layers = [band, middle, points]
    if with_since:
        layers.append(rows_named("since").mark_rule(color=VERMILLION, strokeDash=[2, 2], strokeWidth=1.5).encode(x=x))
    return shell(layered(*layers))
