"""Charts of time against the estimate: all jobs with their intervals, what they cost, and the runs of one job.

Per cent are over the estimate, 0 being on estimate. What a verdict is was decided long before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

from dashboards.charts.theme import (
    BLACK,
    BLUE,
    GREY,
    LABEL_FLUSH,
    ORANGE,
    PALE,
    VERMILLION,
    Spec,
    by_side,
    layered,
    number_axis,
    rows_named,
    shell,
    with_rows,
)

if TYPE_CHECKING:
    import altair as alt

VERDICTS: Final = ("over", "on", "under", "too few")
VERDICT_COLOURS: Final = (VERMILLION, BLACK, BLUE, GREY)
VERDICT_SHAPES: Final = ("triangle-up", "circle", "triangle-down", "circle")
LABEL_INK: Final = "#8f3d00"


def jobs_chart(rows: Sequence[dict[str, Any]], tolerance: float) -> Spec:
    """Draw each job's drift with its interval, in the order given.

    Rows: label (unique), over, low, high (per cent; both equal to over where there is no interval), verdict, told.
    """
    per_cent = 100 * tolerance
    return with_rows(_jobs_shell(), jobs=rows, tolerance=[{"from": -per_cent, "to": per_cent}], estimate=[{"at": 0}])


@lru_cache(maxsize=1)
def _jobs_shell() -> Spec:
    import altair as alt

    y = alt.Y("label:N", sort=None, title=None)
    title = ["% over the estimate,", "median and 95 % interval"]
    band = rows_named("tolerance").mark_rect(color=PALE, opacity=0.55)
    band = band.encode(x=alt.X("from:Q", title=title, axis=number_axis()), x2="to:Q")
    zero = rows_named("estimate").mark_rule(color=BLACK).encode(x="at:Q")
    whisker = rows_named("jobs").mark_rule(strokeWidth=1.5)
    whisker = whisker.encode(y=y, x="low:Q", x2="high:Q", color=_by_verdict(alt.Color), tooltip="told:N")
    point = rows_named("jobs").mark_point(size=70, strokeWidth=1.5, opacity=1)
    point = point.encode(
        y=y,
        x="over:Q",
        color=_by_verdict(alt.Color),
        shape=_by_verdict(alt.Shape, VERDICT_SHAPES),
        fill=_by_verdict(alt.Fill, (*VERDICT_COLOURS[:3], "white")),
        tooltip="told:N",
    )
    return shell(layered(band, zero, whisker, point))


def _by_verdict(channel: Any, values: Sequence[str] = VERDICT_COLOURS) -> Any:
    import altair as alt

    scale = alt.Scale(domain=list(VERDICTS), range=list(values))
    return channel("verdict:N", scale=scale, legend=alt.Legend(columns=alt.ExprRef("width < 420 ? 2 : 4")))


@dataclass(frozen=True, slots=True)
class Level:
    """A stretch of runs on one level: from and to (wall time), its per cent over the estimate and its label.

    Labels stand above the points: at the left, or at the right for the later of two levels (`late`).
    """

    start: str
    end: str
    over: float
    label: str
    late: bool = False


def runs_chart(
    rows: Sequence[dict[str, Any]],
    y_title: str,
    levels: Sequence[Level],
    interval: tuple[float, float] | None,
    shift: str | None,
) -> Spec:
    """Draw each run over time, with the level before and after a shift, or the one level and its interval.

    Rows: at (wall time), value, beyond (True where the point is off the scale and drawn at its edge), told.
    `shift` is the wall time of the change.
    0 is the estimate, where values are per cent over it.
    """
    given: dict[str, list[dict[str, Any]]] = {"runs": list(rows)}
    if interval is not None:
        given["interval"] = [{"low": interval[0], "high": interval[1]}]
    if levels:
        given["estimate"] = [{"value": 0}]
        given["levels"] = [
            {"at": lv.start, "end": lv.end, "value": lv.over, "label": lv.label, "late": lv.late} for lv in levels
        ]
    if shift is not None:
        given["shift"] = [{"at": shift}]
    return with_rows(_runs_shell(y_title, frozenset(given)), **given)


@lru_cache(maxsize=32)
def _runs_shell(y_title: str, given: frozenset[str]) -> Spec:
    import altair as alt

    axis = alt.Axis(tickCount=6, labelOverlap=True, labelFlush=LABEL_FLUSH)
    x = alt.X("at:T", scale=alt.Scale(type="utc", padding=8), title=None, axis=axis)
    y = alt.Y("value:Q", title=y_title, scale=alt.Scale(zero=False, nice=False, padding=10))
    layers: list[alt.Chart] = []
    if "interval" in given:
        band = rows_named("interval").mark_rect(color=ORANGE, opacity=0.22)
        layers.append(band.encode(y="low:Q", y2="high:Q"))
    if "estimate" in given:
        layers.append(rows_named("estimate").mark_rule(color=BLACK, strokeDash=[2, 2]).encode(y=y))
    beyond = [False, True]
    points = rows_named("runs").mark_point(size=26, strokeWidth=1.2, opacity=0.75)
    layers.append(
        points.encode(
            x=x,
            y=y,
            shape=alt.Shape("beyond:N", legend=None, scale=alt.Scale(domain=beyond, range=["circle", "triangle-up"])),
            color=alt.Color("beyond:N", legend=None, scale=alt.Scale(domain=beyond, range=[BLUE, VERMILLION])),
            tooltip="told:N",
        )
    )
    if "levels" in given:
        line = rows_named("levels").mark_rule(color=VERMILLION, strokeWidth=2.5)
        layers.append(line.encode(x=x, x2="end:T", y=y))
        for late in (False, True):  # above the plot, where no point lies
            label = rows_named("levels").transform_filter(f"datum.late === {str(late).lower()}")
            label = label.mark_text(align="right" if late else "left", baseline="bottom", dy=-4, color=LABEL_INK)
            side = alt.value("width") if late else alt.value(0)
            layers.append(label.encode(x=side, y=alt.value(0), text="label:N"))
    if "shift" in given:
        layers.append(rows_named("shift").mark_rule(color=BLACK, strokeDash=[6, 3]).encode(x=x))
    return shell(layered(*layers))


def costs_chart(rows: Sequence[dict[str, Any]], unit_title: str) -> Spec:
    """Draw what jobs took over (or under) their estimates, in money or hours, in the order given.

    Rows: label (unique), value, side (`more` or `less`), text, told.
    """
    return with_rows(_costs_shell(unit_title), costs=rows, estimate=[{"at": 0}])


@lru_cache(maxsize=4)
def _costs_shell(unit_title: str) -> Spec:
    import altair as alt

    y = alt.Y("label:N", sort=None, title=None)
    # The padding leaves room for the figure beyond the end of each bar.
    x = alt.X("value:Q", title=unit_title, scale=alt.Scale(nice=False, padding=64), axis=number_axis())
    bars = rows_named("costs").mark_bar(height={"band": 0.72}, strokeWidth=1.2)
    bars = bars.encode(y=y, x=x, color=by_side(alt.Color), stroke=by_side(alt.Stroke), tooltip="told:N")
    zero = rows_named("estimate").mark_rule(color=BLACK).encode(x="at:Q")
    text = rows_named("costs").mark_text(
        align=alt.ExprRef("datum.value < 0 ? 'right' : 'left'"), dx=alt.ExprRef("datum.value < 0 ? -5 : 5")
    )
    return shell(layered(bars, zero, text.encode(y=y, x=x, text="text:N")))
