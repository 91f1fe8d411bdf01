"""What changed in shop.toml between two readings of it, in words, of what can reach a machine's month.

Plain mappings in, sentences out; it reads no file.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from typing import Any, Final

NO_FIGURE: Final = frozenset({"limits", "tool", "material", "source"})
"""Tables that move no figure of a month: costs of edges and stock, and how files are read, which they tell."""
NO_FIGURE_KEYS: Final = frozenset({"name", "kind", "currency", "record_operators", "tolerance", "unknown_reason"})
"""Keys that move no state and no money, in any table."""


def changed_settings(then: Mapping[str, Any], now: Mapping[str, Any], machine: str, month: str) -> list[str]:
    """Say which settings differ that can reach a machine in a month ('2026-03'): `[shop] timezone: UTC -> ...`."""
    said = []
    for table in dict.fromkeys((*then, *now)):
        if table not in NO_FIGURE:
            before, after = _entries(then.get(table), machine, month), _entries(now.get(table), machine, month)
            said += list(_told(f"[{table}]" if isinstance(now.get(table), Mapping) else f"[[{table}]]", before, after))
    return said


def _entries(table: Any, machine: str, month: str) -> list[Mapping[str, Any]]:
    """Return a table's entries that can reach a machine in a month; a table that stands once has one."""
    entries = table if isinstance(table, list) else [table] if isinstance(table, Mapping) else []
    return [entry for entry in entries if _reaches(entry, machine, month)]


def _reaches(entry: Mapping[str, Any], machine: str, month: str) -> bool:
    if entry.get("id", machine) != machine or not {machine, "*"} & set(entry.get("machines") or ["*"]):
        return False
    first, last = str(entry.get("from") or month)[:7], str(entry.get("to") or month)[:7]
    return first <= month <= last


def _told(name: str, then: list[Mapping[str, Any]], now: list[Mapping[str, Any]]) -> Iterator[str]:
    """Yield what differs; where one entry took the place of one other, only its keys that differ."""
    gone = [entry for entry in then if entry not in now]
    come = [entry for entry in now if entry not in then]
    if len(gone) == len(come) == 1:
        for key in dict.fromkeys((*gone[0], *come[0])):
            before, after = gone[0].get(key), come[0].get(key)
            if before != after and key not in NO_FIGURE_KEYS:
                yield f"{name} {key}: {_written(before)} -> {_written(after)}"
        return
    for entries, word in ((gone, "taken out"), (come, "added")):
        yield from (f"{name} {word}: {_short(entry)}" for entry in entries)


def _short(entry: Mapping[str, Any]) -> str:
    return ", ".join(f"{key} {_written(value)}" for key, value in entry.items() if value not in (None, [], ["*"]))


def _written(value: Any) -> str:
    if value is None:
        return "not set"
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
