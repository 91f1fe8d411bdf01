"""What reading needs to know of a workspace, and which [[source]] of shop.toml counts for a file. It reads none."""

from __future__ import annotations

import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Final, NamedTuple

from pipeline.read.devices_xml import DevicesDocument
from pipeline.read.recognition.sisters import HeadKey, Sisters
from schemas.profile import Profile
from schemas.shop import LimitSettings


class SourceRule(NamedTuple):
    """One [[source]] of shop.toml, its profile read."""

    files: str
    profile: Profile | None = None
    timezone: str | None = None
    machine: str | None = None


NO_RULE: Final = SourceRule("*")


@dataclass(frozen=True)
class ReadSettings:
    """What reading needs to know of the workspace. `zone` is an IANA name; times without an offset are read in it."""

    zone: str = "UTC"
    sources: Sequence[SourceRule] = ()
    record_operators: bool = False
    operator_key: bytes = b""
    tool_change_s: Mapping[str, float] = field(default_factory=dict)  # for logs that stamp a change's end
    machines: Mapping[str, str] = field(default_factory=dict)  # ids and names of shop.toml, case folded -> ids
    programs: frozenset[str] = frozenset()  # that the book knows, by which a column of them is told
    jobs: frozenset[str] = frozenset()
    machines_seen: frozenset[str] = frozenset()  # ids that rows of the book name, case folded
    heads: Mapping[HeadKey, Sisters] = field(default_factory=dict)  # what files that are sure tell of others
    currency: str = ""  # of the shop, as its shop.toml says: costs in another are not taken
    limits: LimitSettings = field(default_factory=LimitSettings)
    roots: Sequence[str] = ()  # where links may lead to, as `files.real_paths` gives it; anywhere where it is empty
    devices: Sequence[DevicesDocument] = ()  # what the items of streams are, for the folder of each and those below


def source_rule(path: str, sources: Sequence[SourceRule]) -> SourceRule:
    """Return the rule whose `files` matches the end of `path`, the longest of several; an empty rule if none does."""
    fitting = [rule for rule in sources if matches_end(path, rule.files)]
    return max(fitting, key=lambda rule: len(rule.files), default=NO_RULE)


def matches_end(path: str, glob: str) -> bool:
    """Return whether a glob matches the end of a path, whole parts at a time; `**` stands for any folders."""
    return _pattern(glob).fullmatch(path.replace("\\", "/")) is not None


@cache
def _pattern(glob: str) -> re.Pattern[str]:
    parts = re.findall(r"\*\*/|\*\*|.", glob.replace("\\", "/").removeprefix("./"))
    flags = re.IGNORECASE if os.name == "nt" else 0
    return re.compile(rf"(?:.*/)?{''.join(map(_glob_part, parts))}", flags | re.DOTALL)


def _glob_part(part: str) -> str:
    return {"**/": "(?:.*/)?", "**": ".*", "*": "[^/]*", "?": "[^/]"}.get(part, re.escape(part))
