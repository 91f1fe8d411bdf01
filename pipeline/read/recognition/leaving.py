"""Fields that are left out where they stay open, and not asked about: rows can do without them.

A field that is absent must not be read as a value: without an outcome a cycle counts as complete, without parts it
makes one, without a job it is of another batch. Those are asked about; so is a unit that a person can tell.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Final

from pipeline.read.recognition.assigning import MINOR, SURE, Assignment, Guess
from pipeline.read.recognition.names import says
from pipeline.read.recognition.settling import Settled
from schemas.vocabulary import InputKind

_DESCRIBING: Final[Mapping[InputKind, frozenset[str]]] = {
    "tool_change": frozenset({"program"}),
    "job": frozenset({"quoted_cycle_s", "quoted_setup_s"}),
}
"""Fields beside MINOR that nothing is dated, counted or told apart by; the kind must be sure without them."""


def without_open_fields(settled: Settled, found: Assignment, kind_without: Callable[[str], float]) -> Settled:
    """Return the rules without fields that are open and that rows can do without.

    `kind_without` says how sure the kind of the table is by all other columns.
    """
    for name, guess in found.guesses.items():
        topics = list(_open(settled, name, guess))
        minor = name in MINOR and bool(topics)
        describing = name in _DESCRIBING.get(found.kind, ()) and (name, "field") in settled.doubts
        of_plan = not name.startswith("quoted") or says(guess.cells.name, "quoted", "planned")
        if minor or (describing and of_plan and kind_without(name) >= SURE):
            settled.rules.pop(name, None)
            settled.left[name] = guess.cells.name
            settled.evidence.pop(name, None)
            settled.doubts = {key: what for key, what in settled.doubts.items() if key not in topics}
    return settled


def _open(settled: Settled, name: str, guess: Guess) -> Iterator[tuple[str, str]]:
    """Yield the keys of doubts about a field, or about how the numbers of its column are written."""
    for key in settled.doubts:
        if key[0] == name or (key[0] == guess.cells.name and key[1] == "marks"):
            yield key
