"""CUSUM and EWMA against the NIST/SEMATECH handbook and published tables of run lengths. CPU: 1 s."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.stats.control_chart import cusum, cusum_run_length, ewma, ewma_reach, ewma_run_length
from pipeline.stats.errors import InvalidInput


def test_the_handbooks_cusum() -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.3: both columns, and the signal at group 14."""
    means = [
        324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
        324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
    ]  # fmt: skip
    chart = cusum(means, 325, 0.3175)

    high = [0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
    low = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, *[0] * 9]
    assert chart.high == pytest.approx(np.array(high), abs=0.0051)
    assert chart.low == pytest.approx(np.array(low), abs=0.0051)
    assert int(np.flatnonzero(chart.high > 4.1959)[0]) + 1 == 14


def test_the_handbooks_ewma() -> None:
    """NIST/SEMATECH e-Handbook, section 6.3.2.4: the series and its limits (the lower is truncated in print)."""
    data = [
        52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4,
        53.6, 52.1,
    ]  # fmt: skip
    series = [
        50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92,
        50.73, 51.23, 51.94, 51.99,
    ]  # fmt: skip
    assert ewma(data, 50, 0.3) == pytest.approx(np.array(series), abs=0.0051)
    reach = 2.0539 * float(ewma_reach(0.3, 3))
    assert 50 + reach == pytest.approx(52.5884, abs=5e-5)
    assert 50 - reach == pytest.approx(47.4115, abs=1e-4)
    # limits that widen over the first values: our own sum, not published
    assert 50 + 2.0539 * ewma_reach(0.3, 3, [1, 2, 3]) == pytest.approx([51.84851, 52.256394, 52.431406], abs=1e-5)


def test_a_textbooks_cusum() -> None:
    """Montgomery, Introduction to Statistical Quality Control, example 9.1 (by a transcription of its data)."""
    data = [
        9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08, 9.37, 10.62,
        10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52,
    ]  # fmt: skip
    chart = cusum(data, 10, 0.5)

    first = int(np.flatnonzero(chart.high > 5)[0])
    assert first + 1 == 29
    assert chart.high[first] == pytest.approx(5.28, abs=0.0051)
    assert chart.high_count[first] == 7
    assert 10 + 0.5 + chart.high[first] / chart.high_count[first] == pytest.approx(11.25, abs=0.0051)


SHIFTS = (0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 4, 5)


def test_lucas_and_crosier() -> None:
    """Lucas & Crosier (1982), Table 1: two-sided, k 0.5, h 4, from zero and with a head start of h/2.

    Their 1.32 at a shift of 3 with a head start is 1.3254: it is held to a digit less.
    """
    zero = (168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71, 1.31)
    headed = (149, 62.7, 20.1, 8.97, 5.29, 2.86, 2.01, 1.59, 1.32, 1.07, 1.01)
    digit = (0.5, 0.05, 0.05, 0.05, *[0.0051] * 7)
    for shift, plain, head, within in zip(SHIFTS, zero, headed, digit, strict=True):
        assert cusum_run_length(shift, 0.5, 4) == pytest.approx(plain, abs=within)
        within = 0.0055 if shift == 3 else min(within, 0.5 if shift == 0 else 0.05 if shift < 0.75 else 0.0051)
        assert cusum_run_length(shift, 0.5, 4, start=2) == pytest.approx(head, abs=within)


@pytest.mark.parametrize(
    ("shift", "slack", "limit", "start", "published", "within"),
    [
        (0.0, 0.5, 3.0, 0.0, 117.59, 0.01),  # Brook & Evans (1972)
        (1.5, 0.5, 3.0, 0.0, 3.75, 0.005),
        (0.0, 0.0, 10.0, 0.0, 124.66, 0.005),  # Vance (1986)
        (-0.125, 0.0, 10.0, 0.0, 400.28, 0.005),
        (1.0, 0.0, 10.0, 0.0, 10.75, 0.005),
        (0.5, 0.5, 3.0, 0.0, 17.35, 0.005),  # Waldmann
        (2.5, 0.25, 8.0, 0.0, 4.1500836, 1e-6),  # documentation of SAS/QC
        (2.5, 0.25, 8.0, 0.1, 4.1061588, 1e-6),
    ],
)
def test_one_sided_cusum(
    shift: float, slack: float, limit: float, start: float, published: float, within: float
) -> None:
    """Published run lengths of one side."""
    assert cusum_run_length(shift, slack, limit, start, two_sided=False) == pytest.approx(published, abs=within)


def test_montgomerys_cusum_of_five() -> None:
    """Two-sided, k 0.5, h 5 (Montgomery's table, quoted from memory)."""
    for shift, published in zip((0, 0.5, 1, 1.5, 2, 3, 4), (465, 38.0, 10.4, 5.75, 4.01, 2.57, 2.01), strict=True):
        within = 0.5 if published > 99 else 0.05 if published > 9.99 else 0.0051
        assert cusum_run_length(shift, 0.5, 5) == pytest.approx(published, abs=within)


def test_lucas_and_saccucci() -> None:
    """Lucas & Saccucci (1990), Table 3, weights 0.5 and 0.03."""
    shifts = (0, 0.25, 0.5, 0.75, 1, 1.5, 2, 2.5, 3, 3.5, 4, 5)
    for weight, limit, row in (
        (0.5, 3.071, (500, 255, 88.8, 35.9, 17.5, 6.53, 3.63, 2.50, 1.93, 1.58, 1.34, 1.07)),
        (0.03, 2.437, (500, 76.7, 29.3, 17.6, 12.6, 8.07, 5.99, 4.80, 4.03, 3.49, 3.11, 2.55)),
    ):
        for shift, published in zip(shifts, row, strict=True):
            within = 0.5 if published > 99 else 0.05 if published > 9.99 else 0.0051
            assert ewma_run_length(shift, weight, limit) == pytest.approx(published, abs=within)


def test_the_sharpest_ewma() -> None:
    """Documentation of SAS/QC: weight 0.25, limit 3, shift 1."""
    assert ewma_run_length(1.0, 0.25, 3.0) == pytest.approx(11.154267016, abs=1e-8)


@settings(derandomize=True, max_examples=50, deadline=None)
@given(st.lists(st.floats(-5, 5), max_size=40), st.floats(0, 2))
def test_recursions_written_out(values: list[float], slack: float) -> None:
    """The charts equal their recursions value by value."""
    chart, smooth = cusum(values, 0.3, slack), ewma(values, 0.1, 0.2)
    high = low = 0.0
    z = 0.1
    for at, value in enumerate(values):
        high, low = max(0.0, high + value - 0.3 - slack), max(0.0, low + 0.3 - slack - value)
        z = 0.2 * value + 0.8 * z
        assert (chart.high[at], chart.low[at], smooth[at]) == pytest.approx((high, low, z), abs=1e-9)


def test_impossible_charts() -> None:
    """A negative slack, a limit of nothing and a weight above one are refused."""
    with pytest.raises(InvalidInput, match="slack"):
        cusum([1.0], 0, -1)
    with pytest.raises(InvalidInput, match="limit"):
        cusum_run_length(0, 0.5, 0)
    with pytest.raises(InvalidInput, match="weight"):
        ewma([1.0], 0, 1.5)
