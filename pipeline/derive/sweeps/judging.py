"""What a stretch of the time line is, from the signals that hold over it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

SIGNALS: Final = (
    *("known", "stream", "active", "hold", "stop", "ready", "away", "silent", "fault", "manual"),
    *("turning", "feeding", "changing", "listed_change", "record", "seen", "lost", "cycle", "noncut", "shared"),
    *("shift", "setup"),
)
"""Each is one digit of a binary number, the first one the lowest."""


@dataclass(frozen=True)
class Traits:
    """What the stream of a machine can tell; what it never tells is not asked of it."""

    has_speed: bool
    has_feed: bool


@dataclass(frozen=True)
class Look:
    """What a stretch is; two that look alike and touch are one."""

    state: str
    planned: bool
    detail: str | None
    basis: str

    @property
    def is_late(self) -> bool:
        """Whether it counts for a limited time only: held and faulted outside shifts."""
        return self.state in ("held", "faulted") and not self.planned

    @property
    def too_late(self) -> Look:
        """What it is when that time is over."""
        return Look("off_shift", False, None, self.basis)


def signals_of(digits: int) -> frozenset[str]:
    """Return the signals that hold where they add up to a number."""
    return frozenset(signal for place, signal in enumerate(SIGNALS) if digits >> place & 1)


def look_of(now: frozenset[str], traits: Traits) -> Look:
    """Return what a stretch is over which these signals hold."""
    planned = "shift" in now
    if not tells_stream(now):
        return Look(_listed_state(now, planned=planned), planned, None, _listed_basis(now))
    if "fault" in now:
        return Look("faulted", planned, None, "measured")
    if "active" in now:
        basis = "measured" if traits.has_speed or traits.has_feed else "estimated"
        return Look("cutting" if _is_cut(now, traits) else "noncutting", planned, None, basis)
    if now & {"hold", "stop"}:
        return Look("held", planned, "stop" if "stop" in now else "hold", "measured")
    return Look(_waiting_state(now | {"setup"} if "manual" in now else now, planned=planned), planned, None, "measured")


def tells_stream(now: frozenset[str]) -> bool:
    """Whether the stream, which is the better basis, says what the machine does."""
    return "stream" in now and not now & {"away", "silent"} and bool(now & {"active", "hold", "stop", "ready"})


def _is_cut(now: frozenset[str], traits: Traits) -> bool:
    is_turning, is_feeding = "turning" in now or not traits.has_speed, "feeding" in now or not traits.has_feed
    return is_turning and is_feeding and "changing" not in now


def _listed_state(now: frozenset[str], *, planned: bool) -> str:
    if "cycle" in now:
        return "noncutting" if now & {"noncut", "listed_change"} else "cutting"
    if "lost" in now or not now & {"record", "seen"}:
        return "unobserved"
    return _waiting_state(now, planned=planned)


def _listed_basis(now: frozenset[str]) -> str:
    if "record" not in now:
        return "measured"
    return "estimated" if "cycle" in now and not now & {"shared", "listed_change"} else "derived"


def _waiting_state(now: frozenset[str], *, planned: bool) -> str:
    if not planned:
        return "off_shift"
    return "setup" if "setup" in now else "idle"
