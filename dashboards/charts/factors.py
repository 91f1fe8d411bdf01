"""The chart of quoting factors: each with its interval against 1.00, where the estimate needs no correction.

It draws what the mart holds, in the order given, and judges nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

from dashboards.charts.theme import BLACK, BLUE, ORANGE, Spec, layered, number_axis, rows_named, shell, with_rows


def factors_chart(rows: Sequence[dict[str, Any]]) -> Spec:
    """Draw factors with 95 % intervals on a scale of ratios.

    Rows: label (unique), factor, low, high, clear (True: the interval lies off 1.00), text, told.
    """
    return with_rows(_factors_shell(), factors=rows, one=[{"at": 1}])


@lru_cache(maxsize=1)
def _factors_shell() -> Spec:
    import altair as alt

    y = alt.Y("label:N", sort=None, title=None)
    scale = alt.Scale(type="log", nice=False, padding=12)
    title = ["Actual time / estimated time", "(factor, 95 % interval)"]
    x = alt.X("factor:Q", title=title, scale=scale, axis=number_axis(format=".2f"))
    colour = alt.Color("clear:N", legend=None, scale=alt.Scale(domain=[True, False], range=[BLUE, BLACK]))
    one = rows_named("one").mark_rule(color=ORANGE, strokeWidth=2).encode(x=alt.X("at:Q", scale=scale))
    whisker = rows_named("factors").mark_rule(strokeWidth=1.5)
    whisker = whisker.encode(y=y, x=alt.X("low:Q", scale=scale), x2="high:Q", color=colour, tooltip="told:N")
    fill = alt.condition("datum.clear", alt.value(BLUE), alt.value("white"))
    point = rows_named("factors").mark_point(size=60, strokeWidth=1.5, opacity=1)
    point = point.encode(y=y, x=x, color=colour, fill=fill, tooltip="told:N")
    label = rows_named("factors").mark_text(align="left", dx=6)
    label = label.encode(y=y, x=alt.X("high:Q", scale=scale), text="text:N")
    return shell(layered(one, whisker, point, label))
