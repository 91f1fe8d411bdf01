"""Which stretches of which machines must be derived anew: windows that begin and end where nothing reaches across.

A cut is the start of a complete cycle at which a stretch of the time line begins and over which no other cycle runs.
What was derived before a cut cannot change because of records after the next one, so a window keeps what lies from one
cut to another and reads a cut more on both sides. Pure functions of days and cuts; nothing is read or stored here.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

US_A_DAY = 86_400_000_000
BEGINNING = -(2**62)
END = 2**62


@dataclass(frozen=True, order=True)
class Window:
    """A stretch of one machine's time in microseconds since 1970 (UTC), each bound a cut or an end of time.

    Cycles are looked at from `warm_from` to `read_until`; derived rows are renewed from `keep_from` to `keep_until`.
    """

    machine: str
    warm_from: int
    keep_from: int
    keep_until: int
    read_until: int

    @property
    def read_from(self) -> int:
        """From when on events are looked at: a UTC midnight, where what stood before is known."""
        return self.warm_from if self.warm_from == BEGINNING else self.warm_from // US_A_DAY * US_A_DAY

    @property
    def is_whole(self) -> bool:
        """Whether all of the machine's time is derived anew."""
        return self.keep_from == BEGINNING and self.keep_until == END

    def to_the_end(self) -> Window:
        """Return the window up to the machine's last record."""
        return replace(self, keep_until=END, read_until=END)


def whole(machine: str) -> Window:
    """Return the window of all of a machine's time."""
    return Window(machine, BEGINNING, BEGINNING, END, END)


def windows(touched: Mapping[str, Iterable[int]], cuts: Mapping[str, Sequence[int]]) -> list[Window]:
    """Return the windows of the machines whose days were touched, in order; those of a machine do not overlap.

    Parameters
    ----------
    touched : machine -> UTC days since 1970 whose records changed
    cuts : machine -> instants of its cuts, in order
    """
    found = []
    for machine, days in touched.items():
        around = [_around(machine, day, cuts.get(machine, ())) for day in sorted(set(days))]
        found += _merged(around)
    return sorted(found)


def _around(machine: str, day: int, cuts: Sequence[int]) -> Window:
    """The last cut before the day may begin a cycle that the day's records end, so two are left between."""
    before = bisect_right(cuts, day * US_A_DAY)
    after = bisect_left(cuts, (day + 1) * US_A_DAY)
    keep_from = cuts[before - 2] if before >= 2 else BEGINNING
    warm_from = cuts[before - 3] if before >= 3 else BEGINNING
    keep_until = cuts[after] if after < len(cuts) else END
    read_until = cuts[after + 1] if after + 1 < len(cuts) else END
    return Window(machine, warm_from, keep_from, keep_until, read_until)


def _merged(ordered: Iterable[Window]) -> list[Window]:
    merged: list[Window] = []
    for window in ordered:
        if merged and window.read_from < merged[-1].read_until:
            last = merged.pop()
            window = Window(
                window.machine,
                min(last.warm_from, window.warm_from),
                min(last.keep_from, window.keep_from),
                max(last.keep_until, window.keep_until),
                max(last.read_until, window.read_until),
            )
        merged.append(window)
    return merged


def together(waiting: Sequence[Window], weight: Callable[[Window], int], most: int) -> list[Window]:
    """Return the first of some windows that can be derived together: each machine once, up to `most` events in all."""
    group: list[Window] = []
    held = 0
    for window in waiting:
        if any(other.machine == window.machine for other in group):
            continue
        held += weight(window)
        if group and held > most:
            break
        group.append(window)
    return group
