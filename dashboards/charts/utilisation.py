"""Charts of how machine time was spent: utilisation per month, all machines at a glance, states per month and day.

Shares are of planned, observed time unless a title says otherwise. A month with little data is drawn hollow.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

from dashboards.charts.theme import BLACK, BLUE, GREY, ORANGE, SKY, VERMILLION, YELLOW, chart_data, layered, number_axis
from dashboards.wording import STATE_NAMES
from schemas.vocabulary import STATES

if TYPE_CHECKING:
    import altair as alt

STATE_COLOURS: Final = {
    "cutting": BLUE,
    "noncutting": SKY,
    "held": YELLOW,
    "faulted": VERMILLION,
    "setup": ORANGE,
    "idle": "#c3c9cf",
    "off_shift": "#eceff2",
    "unobserved": "#ffffff",
}


def months_chart(rows: Sequence[dict[str, Any]]) -> alt.LayerChart:
    """Draw one machine's spindle utilisation per month, with the share of planned time that was observed.

    Rows: month ('2026-05'), utilisation, coverage (0 to 1), thin (True: little data), text, told.
    """
    import altair as alt

    data = chart_data(rows)
    x = alt.X("month:N", title="Month", scale=alt.Scale(padding=0.3), axis=alt.Axis(labelAngle=0, labelOverlap=True))
    scale = alt.Scale(domain=[0, 1])
    y = alt.Y("utilisation:Q", title="Share of time", scale=scale, axis=alt.Axis(format=".0%"))
    fill = alt.Fill("thin:N", legend=None, scale=alt.Scale(domain=[False, True], range=[BLUE, "white"]))
    bars = (
        alt.Chart(data)
        .mark_bar(stroke=BLUE, strokeWidth=1.5)
        .encode(
            x=x,
            y=y,
            fill=fill,
            strokeDash=alt.StrokeDash(
                "thin:N", legend=None, scale=alt.Scale(domain=[False, True], range=[[1, 0], [4, 3]])
            ),
            tooltip="told:N",
        )
    )
    labels = alt.Chart(data).mark_text(dy=-7, fontWeight="bold").encode(x=x, y=y, text="text:N")
    seen = (
        alt.Chart(data)
        .mark_tick(color=BLACK, thickness=2, width={"band": 0.9})
        .encode(x=x, y=alt.Y("coverage:Q", scale=scale), tooltip="told:N")
    )
    return layered(bars, seen, labels)


def machines_chart(rows: Sequence[dict[str, Any]], machines: Sequence[str], months: str) -> alt.LayerChart:
    """Draw spindle utilisation of every machine and month as labelled squares, the busier the darker.

    Rows: machine, month, utilisation (0 to 1), thin, text, told. `months` says which months the columns are.
    """
    import altair as alt

    data = chart_data(rows)
    # The number of the month alone fits twelve beside each other on a phone; the title says the years.
    axis = alt.Axis(orient="top", labelAngle=0, labelExpr="slice(datum.value, 5)", domain=False, ticks=False)
    x = alt.X("month:N", title=months, axis=axis)
    y = alt.Y("machine:N", sort=list(machines), title=None)
    shade = alt.Color(
        "utilisation:Q", legend=None, scale=alt.Scale(domain=[0, 1], range=["#f3f8fc", "#9cc9e6", "#0072B2"])
    )
    full = (
        alt.Chart(data)
        .transform_filter("!datum.thin")
        .mark_rect(stroke="white", strokeWidth=2)
        .encode(x=x, y=y, color=shade, tooltip="told:N")
    )
    thin = (
        alt.Chart(data)
        .transform_filter("datum.thin")
        .mark_rect(fill="white", stroke=GREY, strokeDash=[3, 2], height={"band": 0.8}, width={"band": 0.86})
        .encode(x=x, y=y, tooltip="told:N")
    )
    ink = alt.condition("datum.utilisation > 0.72 && !datum.thin", alt.value("white"), alt.value(BLACK))
    text = alt.Chart(data).mark_text().encode(x=x, y=y, text="text:N", color=ink)
    return layered(full, thin, text)


def states_chart(rows: Sequence[dict[str, Any]], total_title: str) -> alt.LayerChart:
    """Draw the hours of each state per month, stacked; wide stretches bear their name and hours.

    Rows: month, state, hours, middle (where in the stack the stretch's middle lies), text (empty if narrow), told.
    """
    import altair as alt

    data = chart_data(rows)
    y = alt.Y("month:N", title=None)
    bars = (
        alt.Chart(data)
        .mark_bar(stroke="#5d656d", strokeWidth=0.7)
        .encode(
            y=y,
            x=alt.X("hours:Q", title=total_title, stack="zero", scale=alt.Scale(nice=False), axis=number_axis()),
            color=_state_colour(columns="width < 520 ? 2 : 8"),
            order="order:Q",
            tooltip="told:N",
        )
    )
    ink = alt.condition("datum.state === 'cutting'", alt.value("white"), alt.value(BLACK))
    text = alt.Chart(data).mark_text(fontSize=10).encode(y=y, x="middle:Q", text="text:N", color=ink)
    return layered(bars, text)


def days_chart(rows: Sequence[dict[str, Any]]) -> alt.Chart:
    """Draw the hours of each state per day, stacked in the order of the legend.

    Rows: day ('2026-05-04'), state, hours, order, told.
    """
    import altair as alt

    chart: alt.Chart = (
        alt.Chart(chart_data(rows))
        .mark_bar()
        .encode(
            x=alt.X(
                "day:O",
                title="Day",
                axis=alt.Axis(
                    labelAngle=0, labelOverlap="greedy", labelSeparation=8, labelExpr="slice(datum.value, 5)"
                ),
            ),
            y=alt.Y("hours:Q", title="Hours", stack="zero"),
            color=_state_colour(columns="width < 520 ? 2 : 8"),
            order="order:Q",
            tooltip="told:N",
        )
    )
    return chart


def _state_colour(columns: str) -> alt.Color:
    import altair as alt

    names = " : ".join(f"datum.value === '{state}' ? '{STATE_NAMES[state]}'" for state in STATES)
    return alt.Color(
        "state:N",
        scale=alt.Scale(domain=list(STATES), range=[STATE_COLOURS[state] for state in STATES]),
        legend=alt.Legend(
            columns=alt.ExprRef(columns), labelExpr=f"{names} : datum.value", symbolStrokeColor="#5d656d"
        ),
    )
