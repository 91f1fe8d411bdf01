"""Key performance indicators as ISO 22400-2 defines them, from the time elements of one unit.

It takes times as they are given and does not decide what counts as planned, busy or producing.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class TimeElements:
    """Time elements of a work unit, in seconds.

    Attributes
    ----------
    pbt_s : float
        Planned busy time.
    apt_s : float
        Actual production time: in cycle.
    aust_s : float
        Actual unit setup time.
    adet_s : float
        Actual unit delay time: held or faulted.
    """

    pbt_s: float
    apt_s: float
    aust_s: float
    adet_s: float

    @property
    def aupt_s(self) -> float:
        """Actual unit processing time: production and setup."""
        return self.apt_s + self.aust_s

    @property
    def aubt_s(self) -> float:
        """Actual unit busy time: processing and delay."""
        return self.aupt_s + self.adet_s

    @property
    def utilization_efficiency(self) -> float | None:
        """APT / AUBT."""
        return ratio(self.apt_s, self.aubt_s)

    @property
    def availability(self) -> float | None:
        """APT / PBT."""
        return ratio(self.apt_s, self.pbt_s)

    @property
    def allocation_efficiency(self) -> float | None:
        """AUBT / PBT."""
        return ratio(self.aubt_s, self.pbt_s)

    @property
    def technical_efficiency(self) -> float | None:
        """APT / (APT + ADET)."""
        return ratio(self.apt_s, self.apt_s + self.adet_s)

    @property
    def setup_rate(self) -> float | None:
        """AUST / AUPT."""
        return ratio(self.aust_s, self.aupt_s)


def ratio(part: float, whole: float) -> float | None:
    """Return part / whole, None where the whole is 0: there is then nothing to have a share of."""
    return part / whole if whole != 0 else None


def effectiveness(planned_run_s_per_item: float, produced: float, apt_s: float) -> float | None:
    """Return PRI x PQ / APT: planned run time of all items made over the time it took; may exceed 1."""
    return ratio(planned_run_s_per_item * produced, apt_s)


def quality_ratio(good: float, produced: float) -> float | None:
    """Return GQ / PQ, good over produced quantity."""
    return ratio(good, produced)


def oee_index(availability: float | None, effectiveness: float | None, quality_ratio: float | None) -> float | None:
    """Return the overall equipment effectiveness index, availability x effectiveness x quality ratio."""
    return _product(availability, effectiveness, quality_ratio)


def nee_index(times: TimeElements, effectiveness: float | None, quality_ratio: float | None) -> float | None:
    """Return the net equipment effectiveness index, AUPT / PBT x effectiveness x quality ratio."""
    return _product(ratio(times.aupt_s, times.pbt_s), effectiveness, quality_ratio)


def _product(*factors: float | None) -> float | None:
    """Return the product, None where a factor is unknown."""
    product = 1.0
    for factor in factors:
        if factor is None:
            return None
        product *= factor
    return product
