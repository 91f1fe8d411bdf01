"""Indicators of ISO 22400-2 against worked examples and the identities that tie them together."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.stats.iso22400 import TimeElements, effectiveness, nee_index, oee_index, quality_ratio

TIME = st.floats(1.0, 1e6)


def test_constructed_example() -> None:
    """An example of our own: no published numeric example of the standard is known to us."""
    times = TimeElements(pbt_s=480, apt_s=360, aust_s=60, adet_s=20)
    effective, quality = effectiveness(1.5, 220, times.apt_s), quality_ratio(209, 220)
    assert (times.aupt_s, times.aubt_s) == (420, 440)
    assert times.allocation_efficiency == pytest.approx(0.916667, abs=5e-7)
    assert times.utilization_efficiency == pytest.approx(0.818182, abs=5e-7)
    assert times.availability == pytest.approx(0.75)
    assert times.technical_efficiency == pytest.approx(0.947368, abs=5e-7)
    assert times.setup_rate == pytest.approx(0.142857, abs=5e-7)
    assert effective == pytest.approx(0.916667, abs=5e-7)
    assert quality == pytest.approx(0.95)
    assert oee_index(times.availability, effective, quality) == pytest.approx(0.653125, abs=5e-7)
    assert nee_index(times, effective, quality) == pytest.approx(0.761979, abs=5e-7)


def test_widely_reprinted_shift() -> None:
    """420 min planned, 47 down, ideal cycle 1.0 s, 19 271 made, 423 rejected: 74.79 % (OEE primer, from memory)."""
    times = TimeElements(pbt_s=420 * 60, apt_s=373 * 60, aust_s=0, adet_s=47 * 60)
    effective, quality = effectiveness(1.0, 19_271, times.apt_s), quality_ratio(18_848, 19_271)
    assert times.availability == pytest.approx(0.8881, abs=5e-5)
    assert effective == pytest.approx(0.8611, abs=5e-5)
    assert quality == pytest.approx(0.9780, abs=1e-4)
    assert oee_index(times.availability, effective, quality) == pytest.approx(0.7479, abs=5e-5)


def test_calculator_example() -> None:
    """480 min planned, 420 run, ideal 1 min, 400 made, 380 good: 87.5, 95.2, 95 %; 79.1 % is 380/480 cut off."""
    times = TimeElements(pbt_s=480 * 60, apt_s=420 * 60, aust_s=0, adet_s=60 * 60)
    effective, quality = effectiveness(60.0, 400, times.apt_s), quality_ratio(380, 400)
    assert times.availability == pytest.approx(0.875)
    assert effective == pytest.approx(0.952, abs=5e-4)
    assert oee_index(times.availability, effective, quality) == pytest.approx(380 / 480, rel=1e-12)


@settings(derandomize=True, max_examples=50, deadline=None)
@given(pbt=TIME, apt=TIME, aust=TIME, adet=TIME, pri=TIME, made=st.integers(1, 10_000), share=st.floats(0, 1))
def test_identities(pbt: float, apt: float, aust: float, adet: float, pri: float, made: int, share: float) -> None:
    """Availability = allocation x utilization; OEE = PRI x GQ / PBT; NEE = OEE x AUPT / APT."""
    times = TimeElements(pbt, apt, aust, adet)
    effective, quality = effectiveness(pri, made, apt), quality_ratio(share * made, made)
    oee, nee = oee_index(times.availability, effective, quality), nee_index(times, effective, quality)
    assert times.allocation_efficiency is not None
    assert times.utilization_efficiency is not None
    assert oee is not None
    assert times.availability == pytest.approx(times.allocation_efficiency * times.utilization_efficiency, rel=1e-9)
    assert oee == pytest.approx(pri * share * made / pbt, rel=1e-9, abs=1e-300)
    assert nee == pytest.approx(oee * times.aupt_s / apt, rel=1e-9, abs=1e-300)


def test_nothing_to_have_a_share_of() -> None:
    """Without time or parts an indicator is unknown, and so is what is made of it."""
    times = TimeElements(0, 0, 0, 0)
    assert times.availability is None
    assert times.utilization_efficiency is None
    assert times.allocation_efficiency is None
    assert times.technical_efficiency is None
    assert times.setup_rate is None
    assert effectiveness(1.0, 5, 0) is None
    assert quality_ratio(0, 0) is None
    assert oee_index(0.9, None, 1.0) is None
    assert nee_index(times, 0.9, 1.0) is None
