"""The fast ways of reading give what the careful ones give, on text of any dirt: cells, lines, rejects and all."""

import io
from datetime import UTC, datetime

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from polars.testing import assert_frame_equal, assert_series_equal

from pipeline.read import delimited
from pipeline.read.delimited import Layout, read_delimited
from pipeline.read.events import Items, translate
from pipeline.read.numbers import number_text, read_numbers
from pipeline.read.text import text_blocks
from pipeline.read.times import _read_iso_patterns, read_times
from schemas.profile import SkipRule

NAMES = ["machine", "at", "item"]
CELL = st.sampled_from(
    ["M1", "a", "7", "", " ", " x ", "\t", "ö", "\ufeff", '5"', '"q"', '"a,b"', '"', "\r", "machine", "\x1f"]
)
PLAIN_CELL = st.sampled_from(["M1", "a", "7", "", " ", " x ", "ö", "machine"])


@st.composite
def texts(draw: st.DrawFn) -> str:
    """Mostly rows of three cells, with blank lines, short and long ones, repeated headers, quotes and odd letters."""
    cell = draw(st.sampled_from([PLAIN_CELL, PLAIN_CELL, CELL]))
    whole = st.lists(cell, min_size=3, max_size=3).map(",".join)
    odd = st.one_of(st.lists(cell, max_size=5).map(",".join), st.sampled_from(["", ",,", "   ", "machine,at,item"]))
    lines = draw(st.lists(st.one_of(whole, whole, whole, odd), max_size=12))
    if draw(st.booleans()):
        lines = [line for line in lines if line.count(",") == 2]
    above = draw(st.lists(st.sampled_from(["Export of the day", "", "a,b"]), max_size=2))
    end = draw(st.sampled_from(["\n", "\n", ""]))
    return draw(st.sampled_from(["\n", "\n", "\r\n"])).join([*above, "machine,at,item", *lines]) + end


def read(text: str, block_bytes: int) -> list[pl.DataFrame]:
    """All cells, rejects and skipped lines of a text."""
    header_line = text.replace("\r\n", "\n").split("\n").index("machine,at,item") + 1
    layout = Layout(",", header_line, NAMES, [SkipRule(column="item", matches="^$")])
    blocks = text_blocks(io.BytesIO(text.encode()), quoted=True, block_bytes=block_bytes)
    tables = list(read_delimited(blocks, layout))
    return [pl.concat(part) for part in zip(*((t.cells, t.rejects, t.skipped) for t in tables), strict=True)]


@given(text=texts(), block_bytes=st.sampled_from([7, 40, 1 << 20]), piece_bytes=st.sampled_from([5, 30, 1 << 20]))
def test_clean_pieces_are_read_as_the_careful_way_reads_them(text, block_bytes, piece_bytes):
    """Whatever part of a text goes to the library's own reader, the rows and their numbers and lines are the same."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(delimited, "_PIECE_BYTES", piece_bytes)
        fast = read(text, block_bytes)
        patch.setattr(delimited, "_read_clean", lambda data, first_line, layout: None)
        careful = read(text, block_bytes)

    for one, other in zip(fast, careful, strict=True):
        assert_frame_equal(one, other)


def test_clean_text_does_go_the_fast_way(monkeypatch):
    """Nothing of an export in order is split line by line, not even behind title lines."""
    monkeypatch.setattr(delimited, "split_cells", None)

    cells, rejects, skipped = read("Export\nmachine,at,item\nM1,1,a\n,2,b\n , ,\nM1,3,c\n", 1 << 20)

    assert cells["at"].to_list() == ["1", "2", "3"]
    assert cells["__line"].to_list() == [3, 4, 6]
    assert cells["__raw"].to_list() == ["M1,1,a", ",2,b", "M1,3,c"]
    assert skipped.select("line", "why").rows() == [(1, "title line"), (5, "blank line")]
    assert rejects.is_empty()


def test_one_odd_line_costs_its_piece_and_no_more(monkeypatch):
    """A long line is rejected, and the lines around it are still read the fast way."""
    monkeypatch.setattr(delimited, "_PIECE_BYTES", 1000)
    careful = []
    monkeypatch.setattr(
        delimited,
        "split_cells",
        lambda lines, layout, split=delimited.split_cells: careful.append(lines) or split(lines, layout),
    )
    rows = [f"M1,{number},a" for number in range(2000)]
    rows[1500] = "M1,1500,a,b"

    cells, rejects, _ = read("\n".join(["machine,at,item", *rows, ""]), 1 << 20)

    assert cells.height == 1999
    assert rejects.select("row_number", "line", "raw").rows() == [(1501, 1502, "M1,1500,a,b")]
    assert sum(lines.height for lines in careful) < 200


TIME = st.one_of(
    st.datetimes(datetime(1990, 1, 1), datetime(2099, 1, 1)).flatmap(  # noqa: DTZ001
        lambda at: st.sampled_from(
            [
                at.strftime("%Y-%m-%dT%H:%M:%S"),
                at.strftime("%Y-%m-%d %H:%M:%S"),
                at.strftime("%Y-%m-%dT%H:%M:%SZ"),
                at.strftime("%Y-%m-%dT%H:%M:%S.%f")[:-3] + "Z",
                at.strftime("%Y-%m-%dT%H:%M:%S.%fZ"),
                at.strftime("%Y-%m-%d %H:%M:%S.%f"),
                at.strftime("%Y-%m-%dT%H:%M:%S.%f123Z"),
                at.strftime("%Y-%m-%dT%H:%M:%S,%f"),
                at.strftime("%Y-%m-%dT%H:%M:%S+02:00"),
                at.strftime("%Y-%m-%dT%H:%MZ"),
                at.strftime("%Y-%m-%d %H:%M"),
                at.strftime("%Y-%-m-%-dT%H:%M:%SZ"),
                at.strftime("%Y-%m-%dT24:00:00Z"),
                at.strftime("%Y-%m-%dT%H:%M:60Z"),
            ]
        )
    ),
    st.sampled_from(["2026-02-30T00:00:00Z", "2026-01-01T25:00:00.000Z", "soon", "2026-01-01", "+026-01-01T00:00:00Z"]),
    st.text("0123456789-:TZ. +", max_size=26),
    st.none(),
)


@given(st.lists(TIME, max_size=8))
def test_times_by_place_are_times_by_pattern(texts):
    """Reading the layout of the first time by its places changes no time of a column."""
    text = pl.Series("at", texts, dtype=pl.String)

    read, careful = read_times(text), _read_iso_patterns(text)

    assert_series_equal(read.utc, careful.utc, check_names=False)
    assert_series_equal(read.naive, careful.naive, check_names=False)


def test_an_instant_is_read_to_the_microsecond():
    """Three, six and nine places behind the point; what lies past a microsecond is cut."""
    text = pl.Series(["2026-01-05T06:00:00.250Z", "2026-01-05T06:00:00.123456Z", "2026-01-05T06:00:00.123456789Z"])

    assert [at.microsecond for at in read_times(text).utc] == [250_000, 123_456, 123_456]
    assert read_times(text).utc[0] == datetime(2026, 1, 5, 6, 0, 0, 250_000, tzinfo=UTC)


NUMBER = st.one_of(
    st.integers(-(10**17), 10**17).map(str),
    st.integers(-50, 50).map(str),
    st.floats(-1e6, 1e6).map(repr),
    st.sampled_from(
        ["007", "+5", "-0", "1e3", "5.", ".5", "1 000", "UNAVAILABLE", "fast", "1000000000000001", "", None]
    ),
)


@given(st.lists(NUMBER, max_size=6))
def test_whole_numbers_that_stand_as_they_should_are_what_writing_them_anew_gives(values):
    """Leaving such numbers alone is the same as reading and writing each."""
    frame = pl.DataFrame(
        {"name": ["PathFeedrate"] * len(values), "value": values}, schema={"name": pl.String, "value": pl.String}
    )

    observed, bad = translate(frame, Items({}))

    text = pl.Series("value", values, dtype=pl.String)
    number = read_numbers(text, ".")
    anew = number.to_frame("n").select(number_text(pl.col("n"))).to_series()
    kept = number.is_null() | (text == "UNAVAILABLE").fill_null(False)
    assert observed["value"].to_list() == text.zip_with(kept, anew).to_list()
    assert bad.to_list() == (number.is_null() & text.is_not_null() & (text != "UNAVAILABLE")).to_list()
