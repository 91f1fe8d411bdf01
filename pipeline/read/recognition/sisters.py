"""Files of one folder with one head: what those that are sure by themselves tell of the others.

A terminal writes all its files alike. A file of ten days of a month leaves open which of day and month stands first,
and one without a broken-off cycle what "Status" is; the file beside it tells. Only what a file leaves open is taken
from others, and only where all that are sure say the same.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from pipeline.read.rawtable import unique_names

HeadKey = tuple[str, tuple[str, ...]]
"""The name of a folder, and the names of the columns of a table in it."""

_DATE_PARTS: Final = re.compile(r"%([dmyYb])")
SHARED: Final = ("from", "unit", "utc", "with_scrap")
"""What rules of tables with one head have in common, beside the order of day and month."""


@dataclass(frozen=True)
class Sisters:
    """What the files of one head that are sure say together."""

    kind: str
    columns: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)  # field -> the rule that all of them share
    marks: Mapping[str, str] = field(default_factory=dict)  # decimal, thousands


def key_of(place: str, head: Iterable[str]) -> HeadKey:
    """Return what the files of one head in a folder have in common; `place` is the path of one of them."""
    return place.rpartition("/")[0].rpartition("/")[2], tuple(head)


def order_of_date(format: str | list[str]) -> list[str]:
    """Return the parts of a date in the order in which a format has them."""
    return _DATE_PARTS.findall(format if isinstance(format, str) else format[0])


def told_by(place: str, head: tuple[str, ...], kind: str, data: Mapping[str, Any]) -> str | None:
    """Return what a file that is sure by itself tells of the others of its head, None where its columns have no names.

    `data` is its profile as TOML would hold it.
    """
    if "item" in data or head == tuple(unique_names([None] * len(head))):
        return None
    shared = {
        name: {key: rule[key] for key in SHARED if key in rule} | _order(rule)
        for name, rule in data["columns"].items()
        if "constant" not in rule
    }
    marks = {key: data["file"][key] for key in ("decimal", "thousands") if key in data.get("file", {})}
    folder, names = key_of(place, head)
    return json.dumps([folder, names, kind, shared, marks], sort_keys=True, ensure_ascii=False)


def _order(rule: Mapping[str, Any]) -> dict[str, Any]:
    return {"order": order} if "format" in rule and (order := order_of_date(rule["format"])) else {}


def agreed(told: Iterable[str]) -> dict[HeadKey, Sisters]:
    """Return what files of one head say together, by head; what they say differently is left out."""
    by_head: dict[HeadKey, list[Any]] = {}
    for text in told:
        folder, names, *rest = json.loads(text)
        by_head.setdefault((folder, tuple(names)), []).append(rest)
    return {
        key: Sisters(
            kinds.pop(),
            _alike([columns for _, columns, _ in files]),
            _alike([marks for *_, marks in files]),
        )
        for key, files in by_head.items()
        if len(kinds := {kind for kind, *_ in files}) == 1
    }


def _alike(said: Iterable[Mapping[str, Any]]) -> dict[str, Any]:
    """Return what all say alike that say anything of it."""
    found: dict[str, list[Any]] = {}
    for one in said:
        for name, what in one.items():
            found.setdefault(name, []).append(what)
    return {name: values[0] for name, values in found.items() if all(value == values[0] for value in values)}
