"""What changed from one month to the next, in plain words: utilisation, losses, jobs that came and went, setups.

Sentences from frames; hours were put on the footing of the newer month's planned, observed time in the mart.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Any, Final

import polars as pl

from schemas.vocabulary import LOSSES

Row = dict[str, Any]
MOST_LOSSES: Final = 3
MOST_JOBS: Final = 3
LEAST_HOURS: Final = 0.5
"""Changes smaller than this are not told (our choice, no source)."""

LEAST_POINTS: Final = 0.0005
"""Less than this share of the time reads as 0.0 points."""


def month_changes(changes: pl.DataFrame, jobs: pl.DataFrame) -> pl.DataFrame:
    """Return one row per machine and month that has a month before it, with what changed in a few sentences.

    Parameters
    ----------
    changes
        The query `changes`.
    jobs
        The query `month_jobs`, of all months.
    """
    keys = ["machine", "month", "month_before"]
    figures = [
        "observed_hours", "observed_hours_before", "coverage", "coverage_before", "spindle_utilisation",
        "spindle_utilisation_before",
    ]  # fmt: skip
    by_month = {key: rows.to_dicts() for key, rows in jobs.partition_by("machine", "month", as_dict=True).items()}
    rows = []
    for (machine, month, before), group in changes.partition_by(keys, as_dict=True, maintain_order=True).items():
        first = group.row(0, named=True)
        change = dict(group.select("loss", "change_hours").iter_rows())
        now, then = by_month.get((machine, month), []), by_month.get((machine, before), [])
        rows.append(
            {
                **{name: first[name] for name in (*keys, *figures)},
                "utilisation_change": first["spindle_utilisation"] - first["spindle_utilisation_before"],
                **{f"{loss}_change_hours": change[loss] for loss in ("cutting", *LOSSES) if loss in change},
                "setups": sum(row["setups"] for row in now),
                "setups_before": sum(row["setups"] for row in then),
                "what_changed": " ".join(_sentences(first, change, now, then)),
            }
        )
    loss_columns = [f"{loss}_change_hours" for loss in ("cutting", *LOSSES) if loss != "unobserved"]
    schema: dict[str, pl.DataType] = {
        **dict.fromkeys(keys, pl.String()),
        **dict.fromkeys([*figures, "utilisation_change", *loss_columns], pl.Float64()),
        "setups": pl.Int64(),
        "setups_before": pl.Int64(),
        "what_changed": pl.String(),
    }
    return pl.DataFrame(rows, schema=schema, orient="row")


def _sentences(row: Row, change: dict[str, float], now: list[Row], then: list[Row]) -> Iterable[str]:
    yield _utilisation(row, change)
    for verb, sign in (("More", 1), ("Less", -1)):
        moved = sorted(
            ((hours, LOSSES[loss]) for loss, hours in change.items() if loss in LOSSES and sign * hours >= LEAST_HOURS),
            key=lambda pair: (-abs(pair[0]), pair[1]),
        )
        if moved:
            yield f"{verb} {_listed(f'{name} ({abs(hours):.1f} h)' for hours, name in moved[:MOST_LOSSES])}."
    yield from _jobs(now, then)
    setups, before = (sum(row["setups"] for row in rows) for rows in (now, then))
    if setups != before:
        yield f"{_count(setups, 'setup')} after {before}."


def _utilisation(row: Row, change: dict[str, float]) -> str:
    share, before = row["spindle_utilisation"], row["spindle_utilisation_before"]
    name = month_name(row["month_before"])
    points = share - before
    if abs(points) < LEAST_POINTS:
        return f"Cut the same {share:.1%} of planned, observed time as in {name}."
    return (
        f"Cut {share:.1%} of planned, observed time after {before:.1%} in {name}: {abs(change['cutting']):.1f} h "
        f"{'more' if points > 0 else 'less'}."
    )


def _jobs(now: list[Row], then: list[Row]) -> Iterable[str]:
    known, earlier = ({row["job_key"]: row["in_cycle_hours"] for row in rows} for rows in (now, then))
    came = {job: hours for job, hours in known.items() if job not in earlier}
    gone = {job: hours for job, hours in earlier.items() if job not in known}
    for said, jobs in (("New", came), ("Gone", gone)):
        largest = sorted(jobs.items(), key=lambda pair: (-pair[1], pair[0]))
        if largest:
            rest = len(largest) - MOST_JOBS
            names = [f"{job} ({hours:.1f} h in cycle)" for job, hours in largest[:MOST_JOBS]]
            yield f"{said}: {_listed([*names, *([f'{rest} more'] if rest > 0 else [])])}."
    grown = {job: hours - earlier[job] for job, hours in known.items() if job in earlier}
    most = max(grown.items(), key=lambda pair: (abs(pair[1]), pair[0]), default=None)
    if most is not None and abs(most[1]) >= LEAST_HOURS:
        yield f"{most[0]} ran {abs(most[1]):.1f} h {'longer' if most[1] > 0 else 'less'} than before."


def month_name(month: str) -> str:
    """Write '2026-05' as May 2026."""
    return f"{date.fromisoformat(f'{month}-01'):%B %Y}"


def _listed(names: Iterable[str]) -> str:
    *first, last = names
    return f"{', '.join(first)} and {last}" if first else last


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" + "s" * (number != 1)
