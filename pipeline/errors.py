"""Every error that a user can cause, as one tree, each with the exit code it ends in. Holds no logic of any step.

SpindlebookError
    UsageError        wrong use of a command (2)
    ConfigError       shop.toml or a profile must be mended (2)
    InputError        input missing, or none of it readable (3)
    RejectedError     rows rejected or an audit failed under --strict (4)
    StoreBusyError    the store is locked, or newer than this program (5)
AuditError            a law of the book was broken: a fault of ours (1)
"""

from __future__ import annotations

from enum import IntEnum


class Exit(IntEnum):
    """Exit codes of the command (DESIGN section 6)."""

    DONE = 0
    FAULT = 1
    USAGE = 2
    INPUT = 3
    REJECTED = 4
    BUSY = 5
    INTERRUPTED = 130


class SpindlebookError(Exception):
    """A problem that the user can mend; `str()` is the whole message for a machinist."""

    exit_code: Exit = Exit.FAULT


class UsageError(SpindlebookError):
    exit_code = Exit.USAGE


class ConfigError(SpindlebookError):
    """shop.toml or a profile is wrong; the message names file, line and key."""

    exit_code = Exit.USAGE


class InputError(SpindlebookError):
    exit_code = Exit.INPUT


class RejectedError(SpindlebookError):
    exit_code = Exit.REJECTED


class StoreBusyError(SpindlebookError):
    exit_code = Exit.BUSY


class AuditError(Exception):
    """A law of the book (accounting, tiling, causes) does not hold; carries the offending rows as text."""

    exit_code = Exit.FAULT

    def __init__(self, name: str, message: str, rows: str = "") -> None:
        super().__init__(f"audit {name}: {message}" + (f"\n{rows}" if rows else ""))
        self.name = name
        self.rows = rows
