"""Reads a TOML file into a pydantic model and turns every error into file, line, key and what to do.

Knows nothing of what the keys mean; `shop.py` and `profile.py` do.
"""

import re
import tomllib
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

M = TypeVar("M", bound=BaseModel)

_TABLE = re.compile(r"^\s*(\[\[?)\s*([^\]]+?)\s*\]\]?\s*(?:#.*)?$")
_OURS = "Value error, "  # what pydantic puts before the messages of our own validators
_NO_KEY = re.compile(r"^(?:function-(?:after|before|wrap).*|str|int|float|bool|(?:list|dict)\b.*\[.*|constrained-\w+)$")
_PLACE = re.compile(r"^[A-Za-z_]\w*(?:\[\d+\])?(?:\.[A-Za-z_]\w*(?:\[\d+\])?)*$")
_PLACE_PART = re.compile(r"([A-Za-z_]\w*)(?:\[(\d+)\])?")
_KEY = re.compile(r"""^\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*'))*)\s*=""")


class TomlModel(BaseModel):
    """Base of all models of TOML files: unknown keys are errors, values are not bent into other types."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class TomlError(Exception):
    """A TOML file must be mended; `str()` is the whole message."""


def _parts(dotted: str) -> list[str]:
    return [part.strip().strip("\"'") for part in re.findall(r"""[^."']+|"[^"]*"|'[^']*'""", dotted) if part.strip()]


def line_numbers(text: str) -> dict[tuple[str | int, ...], int]:
    """Return the 1-based line of every table header and key of a TOML text, keyed as pydantic locates them."""
    lines: dict[tuple[str | int, ...], int] = {}
    table: tuple[str | int, ...] = ()
    counts: dict[tuple[str | int, ...], int] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        if header := _TABLE.match(line):
            path: tuple[str | int, ...] = ()
            parts = _parts(header[2])
            for position, part in enumerate(parts):
                path = (*path, part)
                if path in counts and not (header[1] == "[[" and position == len(parts) - 1):
                    path = (*path, counts[path])
            if header[1] == "[[":
                counts[path] = counts.get(path, -1) + 1
                path = (*path, counts[path])
            table = path
            lines.setdefault(table, number)
        elif key := _KEY.match(line):
            lines.setdefault((*table, *_parts(key[1])), number)
    return lines


def _locate(lines: dict[tuple[str | int, ...], int], location: tuple[str | int, ...]) -> int | None:
    """Return the line of the deepest part of `location` that stands in the file."""
    for end in range(len(location), 0, -1):
        if location[:end] in lines:
            return lines[location[:end]]
    return None


def _dotted(location: tuple[str | int, ...]) -> str:
    return "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in location).lstrip(".")


def parse(text: str, model: type[M], name: str) -> M:
    """Return `text` as `model`.

    A validator of the whole model places its message by opening it with a key, counted from 1 where a table may be
    given several times: `shift[2].machines: ...`.

    Raises
    ------
    TomlError
        Naming file, line and key of every problem, and what is allowed there.
    """
    try:
        data: dict[str, Any] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise TomlError(f"{name}: not valid TOML: {error}. Mend that line and run again.") from None
    try:
        return model.model_validate(data)
    except ValidationError as error:
        lines = line_numbers(text)
        problems: dict[tuple[str | int, ...], list[Any]] = {}
        for detail in error.errors():
            location = tuple(part for part in detail["loc"] if not _NO_KEY.match(str(part)))
            problems.setdefault(location or _named_in(detail, data), []).append(detail)
        raise TomlError("\n".join(_problem(name, lines, *problem) for problem in problems.items())) from None


def _named_in(detail: Any, data: dict[str, Any]) -> tuple[str | int, ...]:
    """Return the place that a message about the whole file opens with, as in `shift[1].machines: ...`."""
    named, colon, _ = str(detail["msg"]).removeprefix(_OURS).partition(": ")
    if not colon or not _PLACE.match(named):
        return ()
    parts = (part for pair in _PLACE_PART.findall(named) for part in pair if part)
    location = tuple(int(part) - 1 if part.isdigit() else part for part in parts)
    return location if location[0] in data else ()


def _problem(name: str, lines: dict[tuple[str | int, ...], int], location: tuple[str | int, ...], details: Any) -> str:
    """Return the line about one key; several errors are the several forms that its value might have had."""
    line = _locate(lines, location)
    where = f"{name}, line {line}" if line else name
    key = _dotted(location) or "file"
    sentence = _sentence(details[0], [str(detail["msg"]) for detail in details[1:]])
    return f"{where}: {key}: {sentence.removeprefix(f'{key}: ')}"


def _sentence(detail: Any, others: list[str]) -> str:
    match detail["type"]:
        case "missing":
            return "this key is missing; add it."
        case "extra_forbidden":
            return "this key is not known here; check its spelling or delete it."
        case _:
            message = str(detail["msg"]).removeprefix(_OURS)
            message = " or ".join([message, *(other.removeprefix("Input should be ") for other in others)])
            given = detail.get("input")
            shown = "" if isinstance(given, dict | list) else f" (found {given!r})"
            return f"{message}{shown}."


def load(path: Path, model: type[M]) -> M:
    """Read a TOML file as `model`; see `parse` for the errors."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise TomlError(f"{path}: there is no such file.") from None
    except UnicodeDecodeError:
        raise TomlError(f"{path}: not UTF-8 text; save it as UTF-8 and run again.") from None
    return parse(text, model, str(path))
