"""Charts of how machine time was spent: utilisation per month, all machines at a glance, states per month and day.

Shares are of planned, observed time unless a title says otherwise. A month with little data is drawn hollow.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

from dashboards.charts.theme import (
    BLACK,
    BLUE,
    GREY,
    LABEL_FLUSH,
    ORANGE,
    SKY,
    VERMILLION,
    YELLOW,
    Spec,
    layered,
    number_axis,
    rows_named,
    shell,
    with_rows,
)
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
OUTLINE: Final = "#5d656d"
THIN: Final = [False, True]


def months_chart(rows: Sequence[dict[str, Any]]) -> Spec:
    """Draw one machine's spindle utilisation per month, with the share of planned time that was observed.

    Rows: month ('2026-05'), utilisation, coverage (0 to 1), thin (True: little data), text, told.
    """
    return with_rows(_months_shell(), months=rows)


@lru_cache(maxsize=1)
def _months_shell() -> Spec:
    import altair as alt

    x = alt.X("month:N", title="Month", scale=alt.Scale(padding=0.3), axis=alt.Axis(labelAngle=0, labelOverlap=True))
    scale = alt.Scale(domain=[0, 1])
    y = alt.Y("utilisation:Q", title="Share of time", scale=scale, axis=alt.Axis(format=".0%"))
    dash = alt.Scale(domain=THIN, range=[[1, 0], [4, 3]])
    bars = rows_named("months").mark_bar(stroke=BLUE, strokeWidth=1.5)
    bars = bars.encode(
        x=x,
        y=y,
        fill=alt.Fill("thin:N", legend=None, scale=alt.Scale(domain=THIN, range=[BLUE, "white"])),
        strokeDash=alt.StrokeDash("thin:N", legend=None, scale=dash),
        tooltip="told:N",
    )
    seen = rows_named("months").mark_tick(color=BLACK, thickness=2, width={"band": 0.9})
    seen = seen.encode(x=x, y=alt.Y("coverage:Q", scale=scale), tooltip="told:N")
    labels = rows_named("months").mark_text(dy=-7, fontWeight="bold").encode(x=x, y=y, text="text:N")
    return shell(layered(bars, seen, labels))


def machines_chart(rows: Sequence[dict[str, Any]], months: str) -> Spec:
    """Draw spindle utilisation of every machine and month as labelled squares, the busier the darker.

    Rows: machine, month, utilisation (0 to 1), thin, text, told. `months` says which months the columns are.
    """
    import altair as alt

    # The number of the month alone fits twelve beside each other on a phone; the title says the years.
    axis = alt.Axis(orient="top", labelAngle=0, labelExpr="slice(datum.value, 5)", domain=False, ticks=False)
    x = alt.X("month:N", title=months, axis=axis)
    y = alt.Y("machine:N", title=None)
    shades = alt.Scale(domain=[0, 1], range=["#f3f8fc", "#9cc9e6", "#0072B2"])
    full = rows_named("months").transform_filter("!datum.thin").mark_rect(stroke="white", strokeWidth=2)
    full = full.encode(x=x, y=y, color=alt.Color("utilisation:Q", legend=None, scale=shades), tooltip="told:N")
    thin = rows_named("months").transform_filter("datum.thin")
    thin = thin.mark_rect(fill="white", stroke=GREY, strokeDash=[3, 2], height={"band": 0.8}, width={"band": 0.86})
    ink = alt.condition("datum.utilisation > 0.72 && !datum.thin", alt.value("white"), alt.value(BLACK))
    text = rows_named("months").mark_text().encode(x=x, y=y, text="text:N", color=ink)
    return with_rows(shell(layered(full, thin.encode(x=x, y=y, tooltip="told:N"), text)), months=rows)


def states_chart(rows: Sequence[dict[str, Any]]) -> Spec:
    """Draw the hours of each state in planned time per month, stacked; wide stretches bear their name and hours.

    Rows: month, state, hours, order, middle (where the stretch's middle lies), text (empty if narrow), told.
    """
    return with_rows(_states_shell(), states=rows)


@lru_cache(maxsize=1)
def _states_shell() -> Spec:
    import altair as alt

    y = alt.Y("month:N", title=None)
    x = alt.X("hours:Q", title="Hours of planned time", stack="zero", scale=alt.Scale(nice=False), axis=number_axis())
    bars = rows_named("states").mark_bar(stroke=OUTLINE, strokeWidth=0.7)
    bars = bars.encode(y=y, x=x, color=_by_state(), order="order:Q", tooltip="told:N")
    ink = alt.condition("datum.state === 'cutting'", alt.value("white"), alt.value(BLACK))
    text = rows_named("states").mark_text(fontSize=10).encode(y=y, x="middle:Q", text="text:N", color=ink)
    return shell(layered(bars, text))


def days_chart(rows: Sequence[dict[str, Any]]) -> Spec:
    """Draw the hours of each state per day, stacked in the order of the legend.

    Rows: day ('2026-05-04'), state, hours, order, told.
    """
    return with_rows(_days_shell(), days=rows)


@lru_cache(maxsize=1)
def _days_shell() -> Spec:
    import altair as alt

    labels = "slice(datum.value, 5)"
    axis = alt.Axis(labelAngle=0, labelOverlap="greedy", labelSeparation=8, labelExpr=labels, labelFlush=LABEL_FLUSH)
    bars = rows_named("days").mark_bar()
    return shell(
        bars.encode(
            x=alt.X("day:O", title="Day (month-day)", axis=axis),
            y=alt.Y("hours:Q", title="Hours", stack="zero"),
            color=_by_state(),
            order="order:Q",
            tooltip="told:N",
        )
    )


def _by_state() -> alt.Color:
    import altair as alt

    names = " : ".join(f"datum.value === '{state}' ? '{STATE_NAMES[state]}'" for state in STATES)
    legend = alt.Legend(
        columns=alt.ExprRef("width < 520 ? 2 : 8"), labelExpr=f"{names} : datum.value", symbolStrokeColor=OUTLINE
    )
    scale = alt.Scale(domain=list(STATES), range=[STATE_COLOURS[state] for state in STATES])
    return alt.Color("state:N", scale=scale, legend=legend)
