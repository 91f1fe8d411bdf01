"""The contract between report and pages is checked when SiteData is made."""

from __future__ import annotations

from collections.abc import Callable

import polars as pl
import pytest

from dashboards.site_data import SiteData, empty_frames, frame_columns


def test_every_frame_is_named() -> None:
    """Each frame of the contract is a field of SiteData."""
    assert set(empty_frames()) == set(frame_columns())
    assert {"utilisation", "drift", "runs", "edges", "files"} <= set(frame_columns())


def test_missing_column_is_named(make: Callable[..., SiteData]) -> None:
    """A frame that lacks a column is refused by name."""
    with pytest.raises(ValueError, match=r"SiteData\.gaps has no column hours"):
        make(gaps=empty_frames()["gaps"].drop("hours"))


def test_wrong_type_is_named(make: Callable[..., SiteData]) -> None:
    """A column of another type is refused by name."""
    with pytest.raises(ValueError, match=r"SiteData\.gaps\.hours is String, not Float64"):
        make(gaps=empty_frames()["gaps"].with_columns(pl.lit("1").alias("hours")))


def test_more_columns_are_welcome(make: Callable[..., SiteData]) -> None:
    """Columns beyond the contract do no harm."""
    data = make(gaps=empty_frames()["gaps"].with_columns(extra=1))

    assert "extra" in data.gaps.columns
