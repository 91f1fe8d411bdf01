"""What the program does, as structured lines on stderr for --verbose: logfmt for people, JSON lines for collectors.

Messages to the user do not go through here, and nothing is ever sent anywhere.
"""

from __future__ import annotations

import json
import logging
import re
from datetime import UTC, datetime
from typing import IO, Any, Final, Literal

_LOGGER: Final = logging.getLogger("spindlebook")
_PLAIN: Final = re.compile(r"[^\s=\"\\]+")
_FIELDS: Final = "spindlebook_fields"


def set_up(*, verbose: bool, style: Literal["logfmt", "json"] = "logfmt", stream: IO[str] | None = None) -> None:
    """Send log lines to `stream` (stderr) from now on when `verbose`; otherwise only warnings, and errors, go there."""
    handler = logging.StreamHandler(stream)
    handler.setFormatter(_JsonLines() if style == "json" else _Logfmt())
    _LOGGER.handlers[:] = [handler]
    _LOGGER.setLevel(logging.INFO if verbose else logging.WARNING)
    _LOGGER.propagate = False


def log(event: str, **fields: Any) -> None:
    """Log that something happened: a plain phrase, and named values that carry their units in their names."""
    _LOGGER.info(event, extra={_FIELDS: fields})


def warn(event: str, **fields: Any) -> None:
    """Log something that deserves a look, also without --verbose."""
    _LOGGER.warning(event, extra={_FIELDS: fields})


def _parts(record: logging.LogRecord) -> dict[str, Any]:
    at = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
    head = {"at": at, "level": record.levelname.lower(), "event": record.getMessage()}
    return {**head, **getattr(record, _FIELDS, {})}


class _Logfmt(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        return " ".join(f"{key}={_word(value)}" for key, value in _parts(record).items())


class _JsonLines(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        return json.dumps(_parts(record), ensure_ascii=False, default=str)


def _word(value: Any) -> str:
    """One logfmt value: quoted, JSON fashion, unless it is a plain word."""
    text = "" if value is None else str(value)
    if not text.isprintable():
        return json.dumps(text)  # what a terminal would obey is written as an escape
    return text if _PLAIN.fullmatch(text) else json.dumps(text, ensure_ascii=False)
