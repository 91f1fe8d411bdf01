"""Charts of how far quotes can be trusted: errors of past jobs, raw and corrected, and what became of kept quotes.

Errors and intervals come from the backtest; nothing is fitted or judged here.
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
    VERMILLION,
    Spec,
    layered,
    number_axis,
    rows_named,
    shell,
    with_rows,
)

ESTIMATES: Final = ("estimate as it stands", "corrected")
HELD: Final = ("inside its 90 %", "outside", "no interval")


def errors_chart(rows: Sequence[dict[str, Any]]) -> Spec:
    """Draw how far off quotes of past jobs would have been: as it stands and corrected, by kind of time.

    Rows: label, which (one of ESTIMATES), error (per cent), told; two rows a label.
    """
    labels = dict.fromkeys(row["label"] for row in rows)
    ends = {label: {row["which"]: row["error"] for row in rows if row["label"] == label} for label in labels}
    spans = [
        {"label": label, "from": both[ESTIMATES[0]], "to": both[ESTIMATES[1]]}
        for label, both in ends.items()
        if len(both) == 2
    ]
    return with_rows(_errors_shell(), errors=rows, spans=spans)


@lru_cache(maxsize=1)
def _errors_shell() -> Spec:
    import altair as alt

    axis = alt.Axis(labelExpr="split(datum.value, '\\n')", labelLineHeight=13, labelLimit=160)
    y = alt.Y("label:N", sort=None, title=None, axis=axis)
    scale = alt.Scale(zero=True, nice=True)
    x = alt.X("error:Q", title="Off by, mean of past jobs (%)", scale=scale, axis=number_axis())
    names = list(ESTIMATES)
    legend = alt.Legend(columns=alt.ExprRef("width < 420 ? 1 : 2"))
    span = rows_named("spans").mark_rule(color=GREY, strokeWidth=1.5)
    span = span.encode(y=y, x=alt.X("from:Q", scale=scale), x2="to:Q")
    points = rows_named("errors").mark_point(size=90, strokeWidth=1.8, opacity=1)
    points = points.encode(
        y=y,
        x=x,
        shape=alt.Shape("which:N", legend=legend, scale=alt.Scale(domain=names, range=["circle", "diamond"])),
        color=alt.Color("which:N", legend=legend, scale=alt.Scale(domain=names, range=[VERMILLION, BLUE])),
        fill=alt.Fill("which:N", legend=legend, scale=alt.Scale(domain=names, range=["white", BLUE])),
        tooltip="told:N",
    )
    return shell(layered(span, points))


def outcomes_chart(rows: Sequence[dict[str, Any]]) -> Spec:
    """Draw kept quotes in the order given: what the job then took over what was quoted, and its interval.

    Rows: label (unique), over, low, high (per cent over the quoted; low and high equal to 0 without an interval), held
    (one of HELD), told.
    """
    return with_rows(_outcomes_shell(), outcomes=rows, quoted=[{"value": 0}])


@lru_cache(maxsize=1)
def _outcomes_shell() -> Spec:
    import altair as alt

    axis = alt.Axis(labelExpr="split(datum.value, '\\n')", labelLineHeight=13, labelLimit=160)
    y = alt.Y("label:N", sort=None, title=None, axis=axis)
    scale = alt.Scale(zero=True, padding=10)
    title = "Cycle time over the quoted (%)"
    x = alt.X("over:Q", title=title, scale=scale, axis=number_axis())
    names = list(HELD)
    legend = alt.Legend(columns=alt.ExprRef("width < 420 ? 1 : 3"))
    zero = rows_named("quoted").mark_rule(color=BLACK, strokeDash=[2, 2]).encode(x=alt.X("value:Q", scale=scale))
    band = rows_named("outcomes").mark_bar(height=8, color=ORANGE, opacity=0.35)
    band = band.encode(y=y, x=alt.X("low:Q", scale=scale, title=title), x2="high:Q")
    points = rows_named("outcomes").mark_point(size=60, strokeWidth=1.6, opacity=1)
    points = points.encode(
        x=x,
        y=y,
        shape=alt.Shape("held:N", legend=legend, scale=alt.Scale(domain=names, range=["circle", "cross", "square"])),
        color=alt.Color("held:N", legend=legend, scale=alt.Scale(domain=names, range=[BLUE, VERMILLION, GREY])),
        fill=alt.Fill("held:N", legend=legend, scale=alt.Scale(domain=names, range=[BLUE, "white", "white"])),
        tooltip="told:N",
    )
    return shell(layered(band, zero, points))
