"""Which changes of shop.toml are told as the cause of a restatement, and in what words."""

from __future__ import annotations

from typing import Any

import pytest

from pipeline.report.freezing import settings_of
from pipeline.report.settings_change import changed_settings
from schemas.shop import ShopFile
from schemas.toml_model import parse

SHOP = """
[shop]
timezone = "Europe/Lisbon"
name = "A shop"
[[machine]]
id = "M1"
setup_max_s = 14400
[[machine]]
id = "M2"
[[shift]]
days = ["Mon"]
start = "06:00"
end = "14:00"
[[closed]]
from = 2026-08-03
to = 2026-08-14
"""


def settings(text: str) -> dict[str, Any]:
    return settings_of(parse(text, ShopFile, "shop.toml"))


def changes(old: str, new: str, month: str = "2026-08", machine: str = "M1") -> list[str]:
    assert old in SHOP
    return changed_settings(settings(SHOP), settings(SHOP.replace(old, new)), machine, month)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"Europe/Lisbon"', '"Europe/Madrid"', ["[shop] timezone: Europe/Lisbon -> Europe/Madrid"]),
        ("setup_max_s = 14400", "setup_max_s = 7200", ["[[machine]] setup_max_s: 14400.0 -> 7200.0"]),
        ('end = "14:00"', 'end = "15:00"', ["[[shift]] end: 14:00:00 -> 15:00:00"]),
        ("to = 2026-08-14", "to = 2026-08-21", ["[[closed]] to: 2026-08-14 -> 2026-08-21"]),
        (
            "to = 2026-08-14",
            "to = 2026-08-14\n[[closed]]\nfrom = 2026-08-31\nto = 2026-08-31",
            ["[[closed]] added: from 2026-08-31, to 2026-08-31"],
        ),
        (
            "[[closed]]\nfrom = 2026-08-03\nto = 2026-08-14\n",
            "",
            ["[[closed]] taken out: from 2026-08-03, to 2026-08-14"],
        ),
    ],
)
def test_what_reaches_the_month_is_told(old: str, new: str, said: list[str]) -> None:
    assert changes(old, new) == said


@pytest.mark.parametrize(
    ("old", "new", "month"),
    [
        ('"A shop"', '"Another name"', "2026-08"),
        ('id = "M2"', 'id = "M2"\nsetup_max_s = 60', "2026-08"),
        ("to = 2026-08-14", "to = 2026-08-21", "2026-07"),
        (
            "[[shift]]",
            '[[shift]]\ndays = ["Sun"]\nstart = "06:00"\nend = "14:00"\nmachines = ["M2"]\n[[shift]]',
            "2026-08",
        ),
        ("[[closed]]", "[limits]\ncolumns = 9\n[[closed]]", "2026-08"),
    ],
)
def test_what_cannot_reach_it_is_not(old: str, new: str, month: str) -> None:
    """Names, other machines, other months, limits of reading."""
    assert changes(old, new, month) == []


def test_settings_unlike_todays_are_no_fault() -> None:
    """A statement of an older program lacks tables, or has some that are gone."""
    now = settings(SHOP)

    assert (
        changed_settings({"shop": now["shop"], "robots": [{"id": "R1"}]}, {"shop": now["shop"]}, "M1", "2026-08") == []
    )
    assert changed_settings({"robots": [{"speed": 1}]}, {}, "M1", "2026-08") == ["[[robots]] taken out: speed 1"]
