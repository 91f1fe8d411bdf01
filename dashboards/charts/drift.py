"""Charts of time against the estimate: all jobs with their intervals, and the runs of one job in order of time.

Both show per cent over the estimate, 0 being on estimate. What a verdict is was decided long before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from dashboards.charts.theme import BLACK, BLUE, GREY, ORANGE, PALE, SKY, VERMILLION, chart_data, layered, number_axis

if TYPE_CHECKING:
    import altair as alt

VERDICTS: Final = ("over", "on", "under", "too few")
VERDICT_COLOURS: Final = (VERMILLION, BLACK, BLUE, GREY)
VERDICT_SHAPES: Final = ("triangle-up", "circle", "triangle-down", "circle")


def jobs_chart(rows: Sequence[dict[str, Any]], tolerance: float) -> alt.LayerChart:
    """Draw each job's drift with its interval, in the order given.

    Rows: label (unique), over, low, high (per cent; low and high may be None), verdict, told (tooltip text).
    """
    import altair as alt

    data = chart_data(rows)
    order = [row["label"] for row in rows]
    y = alt.Y("label:N", sort=order, title=None)
    x_title = "Median time against the estimate (% over, 95 % interval)"
    band = (
        alt.Chart(chart_data([{"from": -100 * tolerance, "to": 100 * tolerance}]))
        .mark_rect(color=PALE, opacity=0.55)
        .encode(x=alt.X("from:Q", title=x_title, axis=number_axis()), x2="to:Q")
    )
    zero = alt.Chart(chart_data([{"at": 0}])).mark_rule(color=BLACK).encode(x="at:Q")
    whisker = (
        alt.Chart(data)
        .transform_filter("isValid(datum.low) && isValid(datum.high)")
        .mark_rule(strokeWidth=1.5)
        .encode(y=y, x="low:Q", x2="high:Q", color=_verdict_colour(), tooltip="told:N")
    )
    point = (
        alt.Chart(data)
        .mark_point(size=70, strokeWidth=1.5, opacity=1)
        .encode(
            y=y,
            x="over:Q",
            color=_verdict_colour(),
            shape=alt.Shape("verdict:N", scale=alt.Scale(domain=list(VERDICTS), range=list(VERDICT_SHAPES))),
            fill=alt.Fill("verdict:N", scale=alt.Scale(domain=list(VERDICTS), range=[*VERDICT_COLOURS[:3], "white"])),
            tooltip="told:N",
        )
    )
    return layered(band, zero, whisker, point)


def _verdict_colour() -> alt.Color:
    import altair as alt

    return alt.Color("verdict:N", scale=alt.Scale(domain=list(VERDICTS), range=list(VERDICT_COLOURS)))


@dataclass(frozen=True, slots=True)
class Level:
    """A stretch of runs on one level: from and to (wall time), its per cent over the estimate and its label."""

    start: str
    end: str
    over: float
    label: str


def runs_chart(
    rows: Sequence[dict[str, Any]],
    y_title: str,
    levels: Sequence[Level],
    interval: tuple[float, float] | None,
    shift: tuple[str, str] | None,
    label_left: bool = False,
) -> alt.LayerChart:
    """Draw each run over time, with the level before and after a shift, or the one level and its interval.

    Rows: at (wall time), value, beyond (True where the point is off the scale and drawn at its edge), told.
    `shift` is the wall time of the change and its label, left of it on demand.
    0 is the estimate, where values are per cent over it.
    """
    import altair as alt

    x = alt.X("at:T", scale=alt.Scale(type="utc"), title=None, axis=alt.Axis(tickCount=6, labelOverlap=True))
    y = alt.Y("value:Q", title=y_title, scale=alt.Scale(zero=False, nice=True))
    layers: list[alt.Chart] = []
    if interval is not None:
        band = chart_data([{"low": interval[0], "high": interval[1]}])
        layers.append(alt.Chart(band).mark_rect(color=ORANGE, opacity=0.22).encode(y="low:Q", y2="high:Q"))
    if levels:
        estimate = alt.Chart(chart_data([{"value": 0}])).mark_rule(color=BLACK, strokeDash=[2, 2])
        layers.append(estimate.encode(y=y))
    shape = alt.Shape("beyond:N", legend=None, scale=alt.Scale(domain=[False, True], range=["circle", "triangle-up"]))
    colour = alt.Color("beyond:N", legend=None, scale=alt.Scale(domain=[False, True], range=[BLUE, VERMILLION]))
    points = alt.Chart(chart_data(rows)).mark_point(size=26, strokeWidth=1.2, opacity=0.75)
    layers.append(points.encode(x=x, y=y, shape=shape, color=colour, tooltip="told:N"))
    if levels:
        values = [{"at": level.start, "end": level.end, "value": level.over, "label": level.label} for level in levels]
        line = alt.Chart(chart_data(values)).mark_rule(color=VERMILLION, strokeWidth=2.5)
        layers.append(line.encode(x=x, x2="end:T", y=y))
        text = alt.Chart(chart_data(values)).mark_text(
            align="left",
            dx=3,
            dy=-8,
            fontWeight="bold",
            color="#8f3d00",
            stroke="white",
            strokeWidth=3,
            strokeOpacity=0.85,
        )
        layers.append(text.encode(x=x, y=y, text="label:N"))
        layers.append(
            alt.Chart(chart_data(values))
            .mark_text(align="left", dx=3, dy=-8, fontWeight="bold", color="#8f3d00")
            .encode(x=x, y=y, text="label:N")
        )
    if shift is not None:
        mark = chart_data([{"at": shift[0], "label": shift[1]}])
        layers.append(alt.Chart(mark).mark_rule(color=BLACK, strokeDash=[6, 3]).encode(x=x))
        layers.append(
            alt.Chart(mark)
            .mark_text(align="right" if label_left else "left", baseline="top", dx=-4 if label_left else 4, dy=2)
            .encode(x=x, y=alt.value(0), text="label:N")
        )
    return layered(*layers)


def causes_chart(rows: Sequence[dict[str, Any]]) -> alt.LayerChart:
    """Draw seconds per run by cause and tool, largest loss first.

    Rows: label (unique), seconds, side (`more` or `less`), text, told.
    """
    import altair as alt

    order = [row["label"] for row in rows]
    y = alt.Y("label:N", sort=order, title=None)
    reach = max((abs(row["seconds"]) for row in rows), default=1.0) or 1.0
    low = min(0.0, *(row["seconds"] for row in rows)) if rows else 0.0
    high = max(0.0, *(row["seconds"] for row in rows)) if rows else 1.0
    # Room for the figure that stands beyond the end of each bar.
    domain = [low - (0.35 * reach if low < 0 else 0), high + (0.35 * reach if high > 0 else 0)]
    x = alt.X(
        "seconds:Q",
        title="Seconds per run, mean (above 0: longer than estimated)",
        scale=alt.Scale(domain=domain),
        axis=number_axis(),
    )
    bars = (
        alt.Chart(chart_data(rows))
        .mark_bar(height={"band": 0.72}, strokeWidth=1.2)
        .encode(
            y=y,
            x=x,
            color=alt.Color("side:N", legend=None, scale=alt.Scale(domain=["more", "less"], range=[ORANGE, SKY])),
            stroke=alt.Stroke("side:N", legend=None, scale=alt.Scale(domain=["more", "less"], range=["#8a5f00", BLUE])),
            tooltip="told:N",
        )
    )
    zero = alt.Chart(chart_data([{"at": 0}])).mark_rule(color=BLACK).encode(x="at:Q")
    more = (
        alt.Chart(chart_data(rows))
        .transform_filter("datum.seconds >= 0")
        .mark_text(align="left", dx=5)
        .encode(y=y, x=x, text="text:N")
    )
    less = (
        alt.Chart(chart_data(rows))
        .transform_filter("datum.seconds < 0")
        .mark_text(align="right", dx=-5)
        .encode(y=y, x=x, text="text:N")
    )
    return layered(bars, zero, more, less)
