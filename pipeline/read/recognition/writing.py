"""A proposal as the text of a profile: TOML that reads back as the same profile, with the evidence as comments.

It writes text only; where the file goes is the command's business.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from typing import Any

from pipeline.read.recognition.assigning import SURE
from pipeline.read.recognition.proposing import Proposal

_COMMENT_WIDTH = 110


def profile_text(proposal: Proposal) -> str:
    """Return the TOML of a proposed profile; what a person must decide stands in front, and beside each field."""
    return (
        "\n".join([*_head(proposal), *_file(proposal.data.get("file", {})), *_columns(proposal), *_items(proposal)])
        + "\n"
    )


def _head(proposal: Proposal) -> Iterator[str]:
    if proposal.sure:
        yield f"# Every field is at least {SURE:.2f} sure: the file is read like this without a profile, too."
    yield "version = 1"
    yield f"name = {_value(proposal.data['name'])}"
    yield f"kind = {_value(proposal.kind)}"
    missing = [f"no column is surely {name}: give it below, every row needs one" for name in proposal.missing]
    if open_points := [*missing, *proposal.doubts]:
        yield ""
        yield "# Answer each of these below, then delete its line. Until then no file is read by this profile."
        yield "to_check = ["
        yield from (f"  {_value(_plain(point))}," for point in open_points)
        yield "]"


def _file(layout: Mapping[str, Any]) -> Iterator[str]:
    if layout:
        yield "\n[file]"
        yield from (f"{key} = {_value(value)}" for key, value in layout.items())


def _columns(proposal: Proposal) -> Iterator[str]:
    for name, rule in proposal.data["columns"].items():
        yield f"\n[columns.{name}]"
        guess = proposal.guesses.get(name)
        evidence = "; ".join(proposal.evidence.get(name, ()))
        if guess is not None:
            yield from _comment(f"{min(guess.confidence, 0.99):.2f}: {evidence}")
        elif evidence:
            yield from _comment(evidence)
        yield from (f"{key} = {_value(value)}" for key, value in rule.items())
    for name in proposal.missing:
        yield f"\n# [columns.{name}]"
        yield from _comment('from = "..."  (or constant = "...")')
    if proposal.unused:
        yield ""
        yield from _comment(f"Columns that are not used: {', '.join(_plain(name) for name in proposal.unused)}")


def _items(proposal: Proposal) -> Iterator[str]:
    for item in proposal.data.get("item", ()):
        yield "\n[[item]]"
        yield from (f"{key} = {_value(value)}" for key, value in item.items())


def _comment(text: str) -> Iterator[str]:
    line = "#"
    for word in _plain(text).split(" "):
        if len(line) + len(word) >= _COMMENT_WIDTH and line != "#":
            yield line
            line = "#  "
        line += f" {word}"
    yield line


def _plain(text: str) -> str:
    """Return a text without line ends and control characters: nothing ends a comment but its line."""
    return "".join(character if character.isprintable() else " " for character in text)


def _value(value: Any) -> str:
    """Return a value as TOML writes it; its basic strings are those of JSON but for the delete character."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_value(str(key))} = {_value(item)}" for key, item in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    return json.dumps(str(value), ensure_ascii=False).replace("\x7f", "\\u007f")


def source_glob(path: str, proposal: Proposal) -> str:
    """Return the end of a path that a profile is for: the file and those of its folder that differ by numbers only.

    A profile that names the machine, or another field, of the whole file is for that file alone.
    """
    folder, name = path.split("/")[-2:] if path.count("/") > 1 else ("", path.rpartition("/")[2])
    is_said = any("constant" in rule for rule in proposal.data["columns"].values())
    glob = name if is_said else re.sub(r"\d[\d_.-]*\d|\d", "*", name)
    return "/".join(part for part in (re.sub(r"([*?])", "?", folder), glob) if part)
