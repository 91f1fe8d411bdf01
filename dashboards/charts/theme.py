"""Colours, type and the way from an Altair chart to the text that a page carries.

Colours are those of Okabe and Ito (jfly.uni-koeln.de/color, 2008), which stay apart for colour-blind readers; every
chart also tells its groups apart by shape, dash, outline or a label. No chart is built here.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

if TYPE_CHECKING:
    import altair as alt

BLACK: Final = "#1b1f23"
GREY: Final = "#6b737b"
PALE: Final = "#d9dee3"
ORANGE: Final = "#E69F00"
SKY: Final = "#56B4E9"
GREEN: Final = "#009E73"
YELLOW: Final = "#F0E442"
BLUE: Final = "#0072B2"
VERMILLION: Final = "#D55E00"
PURPLE: Final = "#CC79A7"

LABEL_FLUSH: Final = 40
"""Labels so many pixels from the end of an axis of time turn inward, so that none is cut on a phone."""

CONFIG: Final[dict[str, Any]] = {
    "background": "white",
    "font": "system-ui, -apple-system, 'Segoe UI', Roboto, 'Helvetica Neue', Arial, sans-serif",
    "view": {"stroke": None},
    "axis": {
        "labelColor": BLACK,
        "titleColor": BLACK,
        "labelFontSize": 11,
        "titleFontSize": 11,
        "titleFontWeight": "normal",
        "titlePadding": 8,
        "gridColor": "#e7eaed",
        "domainColor": "#9aa2aa",
        "tickColor": "#9aa2aa",
    },
    "axisY": {"labelLimit": 150},
    "legend": {
        "orient": "bottom",
        "labelFontSize": 11,
        "labelLimit": 200,
        "symbolStrokeWidth": 1.5,
        "title": None,
        "columnPadding": 14,
    },
    "text": {"fontSize": 11, "color": BLACK},
}


Spec = dict[str, Any]
"""A Vega-Lite chart as Altair writes it."""


def rows_named(name: str) -> alt.Chart:
    """Start a chart on rows that `with_rows` puts in under this name; fields are typed where they are encoded."""
    import altair as alt

    return alt.Chart(alt.NamedData(name=name))


def layered(*charts: alt.Chart) -> alt.LayerChart:
    """Lay charts over each other, first below."""
    import altair as alt

    return alt.LayerChart(layer=list(charts))


def number_axis(**more: Any) -> alt.Axis:
    """Return an axis with about one tick in 90 pixels, on a phone as on a desk."""
    import altair as alt

    return alt.Axis(tickCount=alt.ExprRef("ceil(width / 90)"), **more)


def by_side(channel: Any) -> Any:
    """Fill or outline a bar by its side: more than estimated or less; signs at the bars tell them apart without ink."""
    import altair as alt

    inks = [ORANGE, SKY, "white"] if channel is alt.Color else ["#8a5f00", BLUE, BLACK]
    return channel("side:N", legend=None, scale=alt.Scale(domain=["more", "less", "sum"], range=inks))


def wall_time(instant: datetime, zone: ZoneInfo) -> str:
    """Write the shop's own clock time for an axis whose scale is set to UTC, so that no browser shifts it."""
    return instant.astimezone(zone).strftime("%Y-%m-%dT%H:%M:%SZ")


def script_json(value: object) -> str:
    """Write JSON that may stand inside a script element: no name in it can close the element."""
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), sort_keys=True, allow_nan=False)
    for char in "<>&\u2028\u2029":
        text = text.replace(char, f"\\u{ord(char):04x}")
    return text


def shell(chart: alt.Chart | alt.LayerChart) -> Spec:
    """Return a chart without its rows. Building one takes Altair 10 to 50 ms, so pages share shells of one form.

    The charts' tests validate every form against the schema; pages skip that to stay quick.
    """
    spec: Spec = chart.properties(width="container").to_dict(validate=False)
    spec.pop("$schema", None)
    spec["config"] = CONFIG
    spec["autosize"] = {"type": "fit-x", "contains": "padding"}
    return spec


def with_rows(form: Spec, **rows: Sequence[dict[str, Any]]) -> Spec:
    """Return a shell with the rows that its layers name."""
    return {**form, "datasets": {name: list(values) for name, values in rows.items()}}


def spec_text(spec: Spec, title: str, height: int) -> str:
    """Return the text of a chart that fills its place; `title` is also what a screen reader says."""
    return script_json({**spec, "description": title, "height": height})
