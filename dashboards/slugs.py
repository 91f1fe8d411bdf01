"""File names for pages: safe on every system and different for different names, whatever the names hold.

It names files only; nothing is escaped for HTML here.
"""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Iterable
from typing import Final

LONGEST: Final = 60
RESERVED: Final = frozenset(
    {"con", "prn", "aux", "nul", "index", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10))}
)


def plain(name: str) -> str:
    """Return a name in lower-case letters, digits and single hyphens, cut to LONGEST."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:LONGEST].strip("-")


def slugs(names: Iterable[str]) -> dict[str, str]:
    """Give each name its own file name; those that would clash, or say nothing, get part of a hash as well."""
    wanted = sorted(set(names))
    count = Counter(plain(name) for name in wanted)
    simple = {name for name in wanted if plain(name) and plain(name) not in RESERVED and count[plain(name)] == 1}
    taken = {plain(name) for name in simple}
    given: dict[str, str] = {}
    for name in wanted:
        if name in simple:
            given[name] = plain(name)
            continue
        digest = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()
        length = 8
        while (slug := f"{plain(name)}-{digest[:length]}".strip("-")) in taken:
            length += 4
        taken.add(slug)
        given[name] = slug
    return given
