"""Delimited text: encodings, delimiters, quotes, lines that are no rows."""

import codecs
import csv
import io
from datetime import UTC, datetime

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.read.delimited import Layout, read_delimited
from pipeline.read.rawtable import LINE, RAW, ROW
from pipeline.read.text import TextBlock, lines_of, text_blocks

CYCLES = "machine,program,started_at,ended_at\nM1,O1,2026-01-05T06:00:00Z,2026-01-05T06:10:00Z\n"


def at(hour: int, minute: int, second: int = 0) -> datetime:
    return datetime(2026, 1, 5, hour, minute, second, tzinfo=UTC)


def test_a_file_with_our_own_names_needs_no_profile(read):
    """Names count whatever their case; times with an offset are instants."""
    whole = read(CYCLES.replace("machine,program", "Machine,PROGRAM"))

    assert whole.file.status == "loaded"
    assert whole.tables[0].kind == "cycle"
    row = whole.rows.row(0, named=True)
    assert (row["machine"], row["program"], row["started_at"], row["ended_at"]) == ("M1", "O1", at(6, 0), at(6, 10))
    assert (row["row_number"], row["line"]) == (1, 2)
    assert row["raw"] == "M1,O1,2026-01-05T06:00:00Z,2026-01-05T06:10:00Z"


@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
def test_the_delimiter_is_told_from_the_header(read, mark):
    """Comma, semicolon, tab and bar are all found without a word in a profile."""
    assert read(CYCLES.replace(",", mark)).rows.height == 1


ENCODED = "machine;program;started_at;ended_at;job\nFräse;Öse;2026-01-05 06:00:00;2026-01-05 06:10:00;Größe\n"


@pytest.mark.parametrize(
    "data",
    [
        ENCODED.encode(),
        codecs.BOM_UTF8 + ENCODED.encode(),
        codecs.BOM_UTF16_LE + ENCODED.encode("utf-16-le"),
        codecs.BOM_UTF16_BE + ENCODED.encode("utf-16-be"),
        ENCODED.encode("utf-16-le"),
        ENCODED.encode("cp1252"),
        ENCODED.encode("latin-1"),
        ENCODED.replace("\n", "\r\n").encode("cp1252"),
        ENCODED.replace("\n", "\r").encode(),
    ],
    ids=["utf-8", "utf-8 mark", "utf-16 le", "utf-16 be", "utf-16 bare", "cp1252", "latin-1", "crlf", "cr"],
)
def test_letters_survive_every_usual_encoding(read, data):
    """Umlauts come out the same from every encoding and line end."""
    row = read(data).rows.row(0, named=True)

    assert (row["machine"], row["program"], row["job"]) == ("Fräse", "Öse", "Größe")


def test_a_profile_may_name_an_encoding_that_cannot_be_guessed(read):
    """Old DOS exports differ from Western Windows ones in bytes that look alike."""
    profile = (
        'version = 1\nname = "dos"\nkind = "tool_change"\n[file]\nencoding = "cp850"\n'
        '[columns.machine]\nfrom = "machine"\n[columns.occurred_at]\nfrom = "occurred_at"\n'
        '[columns.tool]\nfrom = "tool"\n'
    )

    whole = read("machine,occurred_at,tool\nFräse,2026-01-05T06:00:00Z,4\n".encode("cp850"), profile=profile)

    assert whole.rows["machine"].to_list() == ["Fräse"]


def test_lines_that_are_no_rows_are_skipped_and_kept(read):
    """Title, blank, units, repeated header and total lines are counted apart from rows."""
    text = (
        "Machine report;;;\n\nmachine;program;started_at;ended_at;parts\n[-];;[h:mm:ss];;[pcs]\n"
        "M1;O1;2026-01-05 06:00:00;2026-01-05 06:10:00;1\n;;;;\n"
        "machine;program;started_at;ended_at;parts\n"
        "M1;O2;2026-01-05 07:00:00;2026-01-05 07:10:00;2\nTotal;;;;3\n"
    )

    whole = read(text)

    assert whole.rows["program"].to_list() == ["O1", "O2"]
    assert whole.rows_read == 2
    assert whole.rejects.height == 0
    assert whole.skipped.select("line", "why").rows() == [
        (1, "title line"),
        (2, "blank line"),
        (4, "units row"),
        (6, "blank line"),
        (7, "repeated header"),
        (9, "total line"),
    ]
    assert whole.skipped["raw"][-1] == "Total;;;;3"


def test_a_program_called_total_is_a_row(read):
    """A row is taken for a total line only where it cannot be read as a row."""
    whole = read("program,machine,started_at,ended_at\nTotal,M1,2026-01-05T06:00:00Z,2026-01-05T06:10:00Z\n")

    assert whole.rows["program"].to_list() == ["Total"]


def test_a_line_with_too_many_cells_is_rejected_whole(read):
    """A decimal comma in a comma file shifts the cells: nothing of the row can be trusted."""
    whole = read(CYCLES + "M1,O1,2026-01-05T07:00:00Z,2026-01-05T07:10:00Z,5\n")

    assert whole.rows.height == 1
    assert whole.told() == [
        (
            2,
            "broken_line",
            None,
            "M1,O1,2026-01-05T07:00:00Z,2026-01-05T07:10:00Z,5",
            "The line has more than the 4 cells of the header. Usual causes are a decimal comma or a delimiter inside "
            "a text; put the text in quotes, or export with another delimiter.",
        )
    ]


def test_delimiters_behind_the_last_cell_do_no_harm(read):
    """Spreadsheets end lines with empty cells."""
    assert read(CYCLES.replace("06:10:00Z\n", "06:10:00Z,,,\n")).rows.height == 1


def test_a_half_written_last_line_is_rejected(read):
    """A file copied while it was written ends in the middle of a row."""
    whole = read(CYCLES + "M1,O1,2026-01-05T07:0")

    assert whole.rows.height == 1
    assert whole.told() == [
        (
            2,
            "broken_line",
            None,
            "M1,O1,2026-01-05T07:0",
            "The file breaks off in this line, before the last of its 4 cells. Copy or export the file again when the "
            "export is finished.",
        )
    ]


def test_zero_bytes_of_a_half_written_file_are_no_text(read):
    """A power cut leaves blocks of zeros at the end of a file."""
    assert read(CYCLES.encode() + b"\0" * 10).rows.height == 1


def test_quotes_hold_delimiters_quotes_and_line_ends(read):
    """Cells in quotes are read as they were meant, and a row over two lines knows its first."""
    text = (
        "machine,occurred_at,tool,reason,note\n"
        'M1,2026-01-05T06:00:00Z,4,worn,"rough, dull"\n'
        'M1,2026-01-05T07:00:00Z,4,worn,"a ""white"" edge\nand a chip"\n'
        "M1,2026-01-05T08:00:00Z,4,worn,plain\n"
    )

    whole = read(text)

    assert whole.rows["note"].to_list() == ["rough, dull", 'a "white" edge\nand a chip', "plain"]
    assert whole.rows["line"].to_list() == [2, 3, 5]


def test_inch_marks_are_no_quotes(read):
    """A stray quote costs at most its own line, never the rows below it."""
    rows = [f'M1,2026-01-05T06:{minute:02}:00Z,4,worn,"3 inch' for minute in range(2)]
    rows += [f'M1,2026-01-05T07:{minute:02}:00Z,4,worn,3" face mill' for minute in range(59)]

    whole = read("machine,occurred_at,tool,reason,note\n" + "\n".join(rows) + "\n")

    assert whole.rows_read == 61
    assert whole.rows.height == 61
    assert whole.rows["note"][-1] == '3" face mill'


@given(
    st.lists(st.text(alphabet="ab,\n\"; é'", max_size=8), min_size=1, max_size=30),
    st.sampled_from([",", ";"]),
    st.integers(5, 4000),
)
def test_quoted_text_reads_back_as_the_standard_library_wrote_it(cells, mark, block_bytes):
    """What csv.writer writes, in whatever blocks it is read, comes back cell by cell."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, delimiter=mark, lineterminator="\n", quoting=csv.QUOTE_ALL)
    writer.writerow(["a", "b"])
    writer.writerows([[cell, "x"] for cell in cells])
    blocks = text_blocks(io.BytesIO(buffer.getvalue().encode()), quoted=True, block_bytes=block_bytes)

    tables = list(read_delimited(blocks, Layout(mark, 1, ["a", "b"])))
    back = pl.concat([table.cells for table in tables])

    assert back["a"].fill_null("").to_list() == cells
    assert back["b"].to_list() == ["x"] * len(cells)
    assert back[ROW].to_list() == list(range(1, len(cells) + 1))


@given(st.lists(st.text(alphabet="abc ;é", max_size=12), max_size=60), st.integers(1, 64), st.booleans())
def test_blocks_hold_every_line_once(lines, block_bytes, last_ends):
    """However a file is cut into blocks, its lines and their numbers are the same."""
    text = "\n".join(lines) + ("\n" if last_ends and lines else "")
    blocks = list(text_blocks(io.BytesIO(text.encode()), block_bytes=block_bytes))
    found = {}
    for block in blocks:
        for offset, line in enumerate(lines_of(block.data).to_list()):
            found[block.first_line + offset] = line or ""

    wanted = text.split("\n")
    if wanted[-1] == "":
        wanted.pop()
    assert [found[number] for number in sorted(found)] == wanted
    assert sorted(found) == list(range(1, len(wanted) + 1))


def test_long_blocks_and_short_ones_are_cut_alike():
    """The quick way of cutting lines and the plain one agree, blank lines and all."""
    lines = [f"line {number}" if number % 7 else "" for number in range(1, 20_000)]
    data = ("\n".join(lines) + "\n").encode()

    assert lines_of(data).fill_null("").to_list() == lines
    assert [line for part in (data[:70_000], data[70_000:]) for line in lines_of(part)][:3] == [
        "line 1",
        "line 2",
        "line 3",
    ]


def test_rows_of_the_quick_and_the_careful_way_are_the_same():
    """Plain cells, cells in good quotes and cells with stray quotes go three ways to one result."""
    plain = "\n".join(f"a{n},b{n}" for n in range(50))
    quoted = "\n".join(f'"a{n}","b{n}"' for n in range(50))
    layout = Layout(",", 1, ["x", "y"])

    def cells(text: str) -> pl.DataFrame:
        (table,) = read_delimited([TextBlock(f"x,y\n{text}\n".encode(), 1)], layout)
        return table.cells.drop(RAW)

    stray = cells(quoted + '\nlast,5" bar')
    assert cells(plain).equals(cells(quoted))
    assert stray.head(50).equals(cells(plain))
    assert stray[LINE][-1] == 52
    assert stray["y"][-1] == '5" bar'
