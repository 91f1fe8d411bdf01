"""Page names are safe on every system and never shared."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboards.slugs import LONGEST, RESERVED, slugs


@settings(max_examples=200, derandomize=True)
@given(st.sets(st.text(), max_size=12))
def test_safe_and_unique(names: set[str]) -> None:
    """Whatever the names, file names are plain, short, not reserved, and as many as the names."""
    given_names = slugs(names)

    assert set(given_names) == names
    assert len(set(given_names.values())) == len(names)
    for slug in given_names.values():
        assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", slug)
        assert len(slug) <= LONGEST + 70
        assert slug not in RESERVED


def test_plain_names_stay_readable() -> None:
    """A name alone with its plain form keeps it."""
    assert slugs(["M1", "Bracket 4/B"]) == {"M1": "m1", "Bracket 4/B": "bracket-4-b"}


@pytest.mark.parametrize("pair", [("M1", "m1"), ("a/b", "a b"), ("../x", "x"), ("ä", "ö"), ("", "\x00")])
def test_names_alike_get_a_hash(pair: tuple[str, str]) -> None:
    """Names that differ only in what file systems ignore or forbid do not share a page."""
    one, two = slugs(pair).values()

    assert one != two


@pytest.mark.parametrize("name", ["CON", "nul", "com1", "index"])
def test_reserved_names(name: str) -> None:
    """Names that a system keeps for itself are not used bare."""
    assert slugs([name])[name] != name.lower()


def test_a_hash_never_meets_a_plain_name() -> None:
    """A plain name that looks like another's hashed one keeps its place; the other gets a longer hash."""
    hashed = slugs(["M1", "m1"])["M1"]

    all_three = slugs(["M1", "m1", hashed])

    assert len(set(all_three.values())) == 3
    assert all_three[hashed] == hashed
