"""Closes what a file leaves open as the files of its head are read that are sure by themselves (`sisters.py`).

It only closes: what such a file is, and what its own rows tell, is decided before.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from pipeline.read.recognition.assigning import Guess
from pipeline.read.recognition.settling import Settled, settle_rhythm
from pipeline.read.recognition.sisters import Sisters, order_of_date

_OF_UNITS: Final = ("unit", "clock", "dotted")
_SAID: Final = "the files beside it with the same head are surely read so"


def settle_by(sisters: Sisters, settled: Settled, guesses: Mapping[str, Guess]) -> None:
    """Close what a file leaves open as the files of its head that are sure are read."""
    for name, topic in list(settled.doubts):
        rule, said = settled.rules.get(name), sisters.columns.get(name)
        if topic == "marks" and _settle_marks(sisters, settled, name):
            continue
        if rule is None or said is None or rule.get("from") != said["from"]:
            continue
        if topic == "field":
            _close(settled, name, topic)
        elif topic == "format":
            ways = [way for way in settled.open_times.get(name, ()) if order_of_date(way) == said.get("order")]
            if len(ways) == 1:
                rule["format"] = ways[0]
                _close(settled, name, topic)
        elif topic in _OF_UNITS and "unit" in said:
            rule["unit"] = said["unit"]
            for each in _OF_UNITS:
                _close(settled, name, each)
            if sisters.kind == "cycle":
                settle_rhythm(settled, guesses)
        elif topic == "scrap":
            if said.get("with_scrap"):
                rule["with_scrap"] = True
            _close(settled, name, topic)
        elif topic == "stamp":
            _close(settled, name, topic)


def _settle_marks(sisters: Sisters, settled: Settled, column: str) -> bool:
    """Take the decimal mark of the sisters for a column whose numbers can be read with a point and with a comma."""
    decimal = sisters.marks.get("decimal")
    if decimal is None or not column:
        return False
    settled.file["decimal"] = decimal
    settled.file["thousands"] = "." if decimal == "," else ","
    settled.doubts.pop((column, "marks"), None)
    return True


def _close(settled: Settled, name: str, topic: str) -> None:
    if settled.doubts.pop((name, topic), None) is not None:
        settled.tell(name, _SAID)
