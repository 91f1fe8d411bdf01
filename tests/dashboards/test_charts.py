"""Every form of chart is valid Vega-Lite and encodes what it says, readable without colour."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import altair as alt
import jsonschema
import pytest

from dashboards.charts.drift import VERDICT_SHAPES, VERDICTS, Level, costs_chart, jobs_chart, runs_chart
from dashboards.charts.factors import factors_chart
from dashboards.charts.losses import losses_chart
from dashboards.charts.theme import Spec, script_json, spec_text
from dashboards.charts.tool_life import edges_chart, survival_chart
from dashboards.charts.trust import ESTIMATES, HELD, errors_chart, outcomes_chart
from dashboards.charts.utilisation import days_chart, machines_chart, months_chart, states_chart
from dashboards.charts.waterfall import stacked_steps, waterfall_chart

MONTH = {
    **{"month": "2026-05", "machine": "M1", "utilisation": 0.4, "coverage": 0.9, "thin": False},
    **{"text": "40", "told": "M1"},
}
RUN = {"at": "2026-05-04T07:00:00Z", "value": 12.0, "beyond": False, "told": "a run"}
LEVEL = Level("2026-05-04T07:00:00Z", "2026-05-09T07:00:00Z", 12.0, "+12 %")
JOB = {"label": "A", "over": 12.0, "low": 9.0, "high": 15.0, "verdict": "over", "told": "A"}
EDGE = {"edge": 1, "life": 40.0, "end": "worn", "known": True, "told": "edge 1"}
POINT = {"life": 10.0, "survival": 0.9, "low": 0.8, "high": 0.95}
LOSS = {"label": "idle\n9.0 h", "hours": 9.0, "seen": True, "before": 8.0, "told": "idle"}
STATE = {"state": "cutting", "order": 0, "hours": 60.0, "told": "cutting"}

COST = {"label": "A", "value": 12.0, "side": "more", "text": "+12 EUR", "told": "A"}
STEPS = stacked_steps([("cutting", 30.0), ("hold", 4.5), ("rapid", -3.0)])

FORMS: dict[str, Spec] = {
    "jobs": jobs_chart([JOB], 0.03),
    "runs with a shift": runs_chart([RUN], "Over (%)", [LEVEL, replace(LEVEL, late=True)], None, RUN["at"]),
    "runs with one level": runs_chart([RUN], "Over (%)", [LEVEL], (9.0, 15.0), None),
    "runs without an estimate": runs_chart([RUN], "Cycle time (min)", [], None, None),
    "costs": costs_chart([COST], "Over the estimate (EUR)"),
    "causes": waterfall_chart([{**step, "told": step["label"]} for step in STEPS]),
    "errors of quotes": errors_chart(
        [{"label": "setup", "which": which, "error": 9.0, "told": "setup"} for which in ESTIMATES]
    ),
    "quotes kept": outcomes_chart(
        [{"label": held, "over": 2.0, "low": -7.0, "high": 7.0, "held": held, "told": "a quote"} for held in HELD]
    ),
    "edges with a trend": edges_chart([EDGE], [{"edge": 1.0, "life": 40.0}], "Life (min of cutting)"),
    "edges without a trend": edges_chart([EDGE], [], "Life (parts)"),
    "survival": survival_chart([POINT], [{**POINT, "low": None, "high": None}], "Life (min of cutting)"),
    "months": months_chart([MONTH]),
    "machines": machines_chart([MONTH], "Month, May 2026 to May 2026"),
    "states": states_chart([{**STATE, "month": "2026-05", "middle": 30.0, "text": "cutting 60"}]),
    "days": days_chart([{**STATE, "day": "2026-05-04"}]),
    "losses": losses_chart([{**LOSS, "before": None}]),
    "losses against the month before": losses_chart([LOSS, {**LOSS, "label": "no data", "seen": False}]),
    "factors": factors_chart(
        [{"label": "M1", "factor": 1.1, "low": 1.0, "high": 1.2, "clear": False, "text": "1.10  n=9", "told": "M1"}]
    ),
}


def layers(spec: Spec) -> list[dict[str, Any]]:
    """Return a chart's layers, or the chart itself where it has one."""
    found: list[dict[str, Any]] = spec.get("layer", [spec])
    return found


@pytest.mark.parametrize("name", FORMS)
def test_form_is_valid_vega_lite(name: str) -> None:
    """The text of a chart passes the schema of Vega-Lite, rows, config and all."""
    spec = json.loads(spec_text(FORMS[name], f"The {name} say something", 240))

    alt.Chart.from_dict(spec, validate=True)

    assert spec["description"] == f"The {name} say something"
    assert spec["width"] == "container"
    assert spec["autosize"] == {"type": "fit-x", "contains": "padding"}
    assert "$schema" not in spec


def test_schema_check_bites() -> None:
    """A wrong word in a form does not pass the check above."""
    with pytest.raises(jsonschema.ValidationError, match="pie chart"):
        alt.Chart.from_dict({**FORMS["days"], "mark": {"type": "pie chart"}}, validate=True)


@pytest.mark.parametrize("name", FORMS)
def test_layers_draw_rows_that_are_there(name: str) -> None:
    """Each layer names rows that the chart carries, and those rows have the fields that it encodes."""
    spec = FORMS[name]
    for layer in layers(spec):
        rows = spec["datasets"][(layer.get("data") or spec["data"])["name"]]
        fields = {channel["field"] for channel in layer["encoding"].values() if "field" in channel}
        assert rows
        assert fields <= set(rows[0]), layer


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("jobs", "%"),
        ("runs with one level", "%"),
        ("runs without an estimate", "min"),
        ("causes", "Seconds"),
        ("costs", "EUR"),
        ("errors of quotes", "%"),
        ("quotes kept", "%"),
        ("edges with a trend", "min"),
        ("edges without a trend", "parts"),
        ("survival", "min"),
        ("months", "Share"),
        ("states", "Hours"),
        ("days", "Hours"),
        ("losses against the month before", "Hours"),
        ("factors", "Actual time / estimated time"),
    ],
)
def test_axes_name_their_unit(name: str, unit: str) -> None:
    """An axis title says the unit of what the chart measures."""
    titles = [channel.get("title") for layer in layers(FORMS[name]) for channel in layer["encoding"].values()]

    lines = [" ".join(title) if isinstance(title, list) else title for title in titles if title]
    assert any(unit in line for line in lines)


def test_verdicts_differ_by_shape_and_fill() -> None:
    """Over, on, under and too few differ without colour: by shape, and too few from on by an open mark."""
    points = next(layer for layer in layers(FORMS["jobs"]) if layer["mark"]["type"] == "point")["encoding"]

    assert points["shape"]["scale"] == {"domain": list(VERDICTS), "range": list(VERDICT_SHAPES)}
    assert points["fill"]["scale"]["range"][3] == "white"
    seen = list(zip(points["shape"]["scale"]["range"], points["fill"]["scale"]["range"], strict=True))
    assert len({(shape, ink == "white") for shape, ink in seen}) == 4


def test_thin_month_is_hollow_and_dashed() -> None:
    """A month with little data has a white bar with a dashed edge."""
    bars = layers(FORMS["months"])[0]["encoding"]

    assert bars["fill"]["scale"] == {"domain": [False, True], "range": ["#0072B2", "white"]}
    assert bars["strokeDash"]["scale"]["range"] == [[1, 0], [4, 3]]


def test_censored_edges_are_open() -> None:
    """Only ends that count as failures are filled, in the chart and in its key."""
    planned = {**EDGE, "end": "planned", "known": False}
    unknown = {**EDGE, "end": "unknown", "known": False}
    fill = layers(edges_chart([EDGE, planned, unknown], [], "Life"))[0]["encoding"]["fill"]["scale"]
    counted = layers(edges_chart([EDGE, {**unknown, "known": True}], [], "Life"))[0]["encoding"]["fill"]["scale"]

    assert fill == {"domain": ["worn", "planned", "unknown"], "range": ["#0072B2", "white", "white"]}
    assert counted["range"] == ["#0072B2", "#6b737b"]


def test_run_axis_is_held_to_the_shops_clock() -> None:
    """The time axis is a UTC scale fed with wall times, so that no browser shifts them."""
    points = next(layer for layer in layers(FORMS["runs with one level"]) if layer["mark"]["type"] == "point")

    assert points["encoding"]["x"]["scale"]["type"] == "utc"


def test_shells_are_shared_but_rows_are_not() -> None:
    """Two charts of one form hold their own rows."""
    one, two = (costs_chart([{**COST, "label": label}], "Over the estimate (EUR)") for label in "ab")

    assert one["layer"] is two["layer"]
    assert [chart["datasets"]["costs"][0]["label"] for chart in (one, two)] == ["a", "b"]


def test_waterfall_steps_stand_end_to_end() -> None:
    """Each cause begins where the one above it ends; the last ends at actual less estimate; sides tell the sign."""
    assert [(step["start"], step["end"]) for step in STEPS] == [(0.0, 30.0), (30.0, 34.5), (34.5, 31.5)]
    assert [step["side"] for step in STEPS] == ["more", "more", "less"]
    assert [step.get("next") for step in STEPS] == ["hold", "rapid", None]
    assert [joint["end"] for joint in FORMS["causes"]["datasets"]["joints"]] == [30.0, 34.5]


def test_estimates_and_outcomes_differ_without_colour() -> None:
    """Raw and corrected errors differ by shape and fill; so do quotes that held and those that did not."""
    for name in ("errors of quotes", "quotes kept"):
        points = next(layer for layer in layers(FORMS[name]) if layer["mark"]["type"] == "point")["encoding"]
        shapes, inks = (points[channel]["scale"]["range"] for channel in ("shape", "fill"))
        assert len(set(shapes)) == len(shapes)
        assert [ink == "white" for ink in inks].count(False) == 1


def test_script_json_cannot_close_its_element() -> None:
    """No name ends the script element, and the text is still the same JSON."""
    value = {"name": "</script><!-- \u2028 & '\""}

    text = script_json(value)

    assert "<" not in text
    assert "\u2028" not in text
    assert json.loads(text) == value


def test_script_json_refuses_what_json_has_no_word_for() -> None:
    """NaN would break the page's script; it is a fault of ours and raised."""
    with pytest.raises(ValueError, match="JSON"):
        script_json({"value": float("nan")})
