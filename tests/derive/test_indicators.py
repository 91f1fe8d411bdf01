"""Effectiveness, quality and the OEE index of a book: published examples, and when the index stays empty."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

DAY = "2026-03-02"  # a Monday


def figures(book: Any) -> dict[str, Any]:
    """The daily figures of M1 on DAY."""
    rows: list[dict[str, Any]] = book.frame(
        f"from mart.utilisation_daily where machine = 'M1' and day = '{DAY}'"
    ).to_dicts()
    return rows[0]


def later(when: Any) -> dict[str, Any]:
    """A cycle on a later day, without which nobody knows of the rest of the day before it."""
    began = when("2026-03-09 08:00")
    return {"machine": "M1", "program": "O1", "started_at": began, "ended_at": began + timedelta(minutes=5), "scrap": 0}


def cycles_of(when: Any, count: int, seconds: float, spoilt: int = 0, **more: Any) -> list[dict[str, Any]]:
    """Cycles that follow each other from 08:00 of DAY, the first of them scrap."""
    start = when(f"{DAY} 08:00")
    return [
        {
            **{"machine": "M1", "program": "O1", "parts": 1, "scrap": int(number < spoilt), "outcome": "complete"},
            "started_at": start + timedelta(seconds=seconds * number),
            "ended_at": start + timedelta(seconds=seconds * (number + 1)),
            **more,
        }
        for number in range(count)
    ]


SHIFT = {"days": ["Mon", "Tue", "Wed", "Thu", "Fri"], "start": "08:00", "end": "16:00"}
MINUTE = {"program": "O1", "operation": "10", "cycle_s": 60.0}


def test_calculator_example(book_of: Any, shop_with: Any, when: Any) -> None:
    """480 min planned, 420 run, ideal 1 min, 400 made, 380 good: 87.5, 95.2, 95 %, OEE 380/480.

    A public OEE calculator page; it prints 79.1 %, which is 79.17 % cut off.
    """
    frames = {"cycle": [*cycles_of(when, 400, 63.0, spoilt=20), later(when)], "estimate": [MINUTE]}
    row = figures(book_of(frames, shop_with(shift=[SHIFT])))

    assert (row["planned_s"], row["coverage"], row["low_coverage"]) == (480 * 60, 1.0, False)
    assert row["availability"] == pytest.approx(0.875)
    assert row["effectiveness"] == pytest.approx(0.952, abs=5e-4)
    assert row["quality_ratio"] == pytest.approx(0.95)
    assert row["oee_index"] == pytest.approx(380 / 480, rel=1e-6)
    assert row["ideal_share"] == 1.0


def test_widely_reprinted_shift(book_of: Any, shop_with: Any, when: Any) -> None:
    """420 min planned, 47 down, ideal cycle 1.0 s, 19 271 made, 423 rejected: 74.79 % (OEE primer, from memory)."""
    made = {"parts": 19_271, "scrap": 423}
    estimate = {**MINUTE, "cycle_s": 19_271.0, "parts_per_cycle": 19_271}
    shift = {**SHIFT, "breaks": ["15:00-16:00"]}
    frames = {"cycle": [*cycles_of(when, 1, 373 * 60.0, **made), later(when)], "estimate": [estimate]}
    row = figures(book_of(frames, shop_with(shift=[shift])))

    assert row["availability"] == pytest.approx(0.8881, abs=5e-5)
    assert row["effectiveness"] == pytest.approx(0.8611, abs=5e-5)
    assert row["quality_ratio"] == pytest.approx(0.9780, abs=1e-4)
    assert row["oee_index"] == pytest.approx(0.7479, abs=5e-5)


@pytest.mark.parametrize(
    ("parts", "scrap", "per_cycle", "ratio"),
    [(1, 1, 1, 0.0), (0, 1, 1, 0.0), (3, 1, 4, 0.75), (4, 1, 4, 0.75), (1, 0, 1, 1.0)],
)
def test_scrap_among_the_parts_or_beside_them(
    book_of: Any, shop_with: Any, when: Any, parts: int, scrap: int, per_cycle: int, ratio: float
) -> None:
    """Whether a list counts scrap among the parts or beside them shows in what the cycle can make."""
    cycles = cycles_of(when, 3, 60.0, parts=parts, scrap=scrap)
    frames = {"cycle": [*cycles, later(when)], "estimate": [{**MINUTE, "parts_per_cycle": per_cycle}]}
    book = book_of(frames, shop_with(shift=[SHIFT]))

    assert figures(book)["quality_ratio"] == pytest.approx(ratio)
    good = book.rows("select sum(good) from core.batch where started_at < '2026-03-09'")[0][0]
    assert good == pytest.approx(3 * max(parts, parts + scrap if parts + scrap <= per_cycle else 0, scrap) * ratio)


def test_broken_off_cycle_lowers_quality_not_twice(book_of: Any, shop_with: Any, when: Any) -> None:
    """The OEE index is PRI x GQ / PBT, whatever part of the loss is quality and what effectiveness."""
    cycles = cycles_of(when, 10, 60.0)
    cycles[4] |= {"outcome": "aborted", "parts": 0, "scrap": 1}
    frames = {"cycle": [*cycles, later(when)], "estimate": [MINUTE]}
    row = figures(book_of(frames, shop_with(shift=[SHIFT])))

    assert row["quality_ratio"] == pytest.approx(0.9)
    assert row["oee_index"] == pytest.approx(9 * 60 / (480 * 60), rel=1e-6)


@pytest.mark.parametrize(("timed", "known"), [(9, True), (8, True), (7, False), (0, False)])
def test_index_needs_estimates_for_most_of_the_time(
    book_of: Any, shop_with: Any, when: Any, timed: int, known: bool
) -> None:
    """The runs with an estimate stand for all where they took 80 % of the production time; the share is given."""
    cycles = [
        row | {"program": "O1" if number < timed else "O2"} for number, row in enumerate(cycles_of(when, 10, 75.0))
    ]
    frames = {"cycle": [*cycles, later(when)], "estimate": [MINUTE]}
    row = figures(book_of(frames, shop_with(shift=[SHIFT])))

    assert row["ideal_share"] == pytest.approx(timed / 10)
    assert row["effectiveness"] == (pytest.approx(0.8) if known else None)
    assert (row["oee_index"] is not None) == known


def test_where_no_list_tells_scrap_nothing_is_called_good(book_of: Any, shop_with: Any, when: Any) -> None:
    """Without a column of scrap the quality ratio is not known, and so no OEE index."""
    cycles = [{**row, "scrap": None} for row in [*cycles_of(when, 10, 60.0), later(when)]]
    row = figures(book_of({"cycle": cycles, "estimate": [MINUTE]}, shop_with(shift=[SHIFT])))

    assert row["effectiveness"] == pytest.approx(1.0)
    assert (row["quality_ratio"], row["oee_index"], row["nee_index"]) == (None, None, None)


def test_running_outside_shifts_is_no_planned_output(book_of: Any, shop_with: Any, when: Any) -> None:
    """A cycle that runs on after the shift counts by its share inside; one that runs at night not at all."""
    start = when(f"{DAY} 15:50")
    half = {
        "machine": "M1",
        "program": "O1",
        "started_at": start,
        "ended_at": start + timedelta(minutes=20),
        "scrap": 0,
    }
    night = {**half, "started_at": start + timedelta(hours=4), "ended_at": start + timedelta(hours=5), "scrap": 1}
    first = {**half, "started_at": start - timedelta(minutes=470), "ended_at": start - timedelta(minutes=460)}
    frames = {"cycle": [first, half, night, later(when)], "estimate": [{**MINUTE, "cycle_s": 600.0}]}
    row = figures(book_of(frames, shop_with(shift=[SHIFT])))

    # 10 min of 10 ideal, and half of a cycle of 20 min with 10 min ideal: 15 min ideal in 20 min
    assert row["effectiveness"] == pytest.approx(0.75, rel=1e-6)
    assert row["quality_ratio"] == pytest.approx(1.0)
