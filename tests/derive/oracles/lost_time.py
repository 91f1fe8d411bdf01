"""The longest stops and the time of tool changes, span by span, to hold the SQL against. No SQL, no frames."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

MOST_STOPS = 20
STILL = ("held", "faulted", "idle")

Row = dict[str, Any]


@dataclass(frozen=True)
class Stop:
    """One stop's part in one month."""

    month: str
    state: str
    started_at: datetime
    ended_at: datetime
    length: timedelta


def longest_stops(spans: Sequence[Row], zone: ZoneInfo) -> list[Stop]:
    """Return up to twenty stops a month of one machine's spans, in order of month and length."""
    found: list[Stop] = []
    for stop in _stops(sorted(spans, key=lambda span: span["started_at"])):
        by_month: dict[str, list[tuple[datetime, datetime]]] = {}
        for span in stop:
            for month, began, ended in _months(span["started_at"], span["ended_at"], zone):
                by_month.setdefault(month, []).append((began, ended))
        found += [
            Stop(
                month,
                stop[0]["state"],
                pieces[0][0],
                pieces[-1][1],
                sum((ended - began for began, ended in pieces), timedelta()),
            )
            for month, pieces in by_month.items()
        ]
    found.sort(key=lambda stop: (stop.month, -stop.length, stop.started_at))
    return [
        stop
        for place, stop in enumerate(found)
        if sum(other.month == stop.month for other in found[:place]) < MOST_STOPS
    ]


def _stops(spans: Sequence[Row]) -> Iterator[list[Row]]:
    """Planned spans of one state and detail; only unplanned time without a cycle may lie between them."""
    stop: list[Row] = []
    for span in spans:
        stands = span["state"] in STILL or (span["state"] == "off_shift" and not span["planned"])
        same = stop and (span["state"], span["detail"]) == (stop[0]["state"], stop[0]["detail"])
        if stop and (not stands or (span["planned"] and not same)):
            yield stop
            stop = []
        if stands and span["planned"]:
            stop.append(span)
    if stop:
        yield stop


def _months(began: datetime, ended: datetime, zone: ZoneInfo) -> Iterator[tuple[str, datetime, datetime]]:
    while began < ended:
        local = began.astimezone(zone)
        following = (local.replace(day=1) + timedelta(days=32)).replace(day=1).date()
        after = datetime(following.year, following.month, 1, tzinfo=zone).astimezone(began.tzinfo)
        yield f"{local:%Y-%m}", began, min(ended, after)
        began = min(ended, after)


def changing_s(spans: Sequence[Row], stretches: Sequence[Row]) -> float:
    """Return the seconds of tool changes in planned time in cycle and not cutting."""
    total = timedelta()
    for span in spans:
        if span["planned"] and span["state"] == "noncutting":
            for stretch in stretches:
                began = max(span["started_at"], stretch["started_at"])
                total += max(min(span["ended_at"], stretch["changed_until"]) - began, timedelta())
    return total.total_seconds()
