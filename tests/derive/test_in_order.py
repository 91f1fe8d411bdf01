"""What sweeps begin with: observations in order of machine, time, file and row, against a plain sort."""

from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.derive.sweeps.in_order import by_key, by_time, filled, in_order, merged, until_next

FILES = 4


def _told(rng: np.random.Generator, rows: int, *, disorder: float) -> pl.DataFrame:
    """Observations of a few machines at few instants, in order but for a share of them."""
    frame = pl.DataFrame(
        {
            "machine_number": np.sort(rng.integers(0, 3, rows)).astype(np.int16),
            "at_us": np.sort(rng.integers(-5, 40, rows)),
            "file_hash": rng.integers(0, FILES, rows).astype(np.uint64),
            "row_number": rng.permutation(rows),
        }
    ).sort("machine_number", "at_us")
    moved = np.flatnonzero(rng.random(rows) < disorder)
    place = np.arange(rows)
    place[moved] = rng.permutation(moved)
    return frame[place]


def _ranks(name: str, /, **values: str) -> pl.DataFrame:
    """Files in another order than that of their hashes."""
    assert (name, values) == ("file_rank", {})
    return pl.DataFrame({"file_hash": np.arange(FILES, dtype=np.uint64), "rank": np.arange(FILES)[::-1]})


def _sorted(frame: pl.DataFrame) -> list[tuple[Any, ...]]:
    return sorted(frame.rows(), key=lambda row: (row[0], row[1], -row[2], row[3]))


@pytest.mark.parametrize("disorder", [0.0, 0.05, 1.0])
@pytest.mark.parametrize("rows", [0, 1, 2, 200])
def test_rows_are_put_in_order(rows: int, disorder: float) -> None:
    rng = np.random.default_rng([rows, int(disorder * 100)])
    for _ in range(20):
        told = _told(rng, rows, disorder=disorder)
        assert in_order(told, _ranks).rows() == _sorted(told)


def test_rare_rows_are_merged_in() -> None:
    rng = np.random.default_rng(3)
    for _ in range(20):
        told, rare = (by_time(_told(rng, rows, disorder=0.3)) for rows in (100, 7))
        both = pl.concat([told, rare])
        assert in_order(merged(told, rare), _ranks).rows() == _sorted(both)


def test_what_was_told_last_holds_until_it_is_told_again() -> None:
    """Of the same key: what another was told before says nothing."""
    key = np.array([0, 0, 0, 1, 1, 1])
    is_told = np.array([False, True, False, False, True, False])
    values = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0])

    assert filled(key, is_told, values, -1.0).tolist() == [-1, 2, 2, -1, 5, 5]
    assert until_next(key, np.arange(6), np.array([90, 91])).tolist() == [1, 2, 90, 4, 5, 91]


def test_rows_of_a_key_keep_their_order() -> None:
    frame = pl.DataFrame({"key": [2, 0, 2, 1, 0], "place": [0, 1, 2, 3, 4]})

    assert by_key(frame, frame["key"].to_numpy())["place"].to_list() == [1, 4, 3, 0, 2]
