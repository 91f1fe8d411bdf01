"""Files whose content means harm: lines and columns without end, bytes that are no text, XML that unfolds, workbooks
and Parquet files that are small on the disk and huge in memory."""

import io
import json
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import polars as pl
import pyarrow as pa
import pytest
import xlsxwriter
from hypothesis import given, settings
from hypothesis import strategies as st
from pyarrow import parquet

from pipeline.read import workbook_guard
from pipeline.read.jsonlines import parse_object, read_json_lines
from pipeline.read.parquet import BATCH_BYTES, ParquetError, parquet_names, read_parquet
from pipeline.read.text import text_blocks
from schemas.shop import LimitSettings

HEAD = "machine,program,started_at,ended_at"
ROW = "M1,O1,2026-01-05T06:00:00Z,2026-01-05T06:10:00Z"
CYCLES = f"{HEAD}\n{ROW}\n"
MIB = 1 << 20


# --- text ---


@pytest.mark.parametrize("content", [b"a", b"a,b;", b'"', b"\0", b"{", b"[[", b"<", b"M1,"])
def test_a_file_without_any_line_end_is_refused_quickly(read, content):
    """Forty megabytes of one line are no log, whatever they are made of."""
    began = time.monotonic()

    (whole,) = read(content * (40 * MIB // len(content)), line_mib=2)

    assert time.monotonic() - began < 10
    assert whole.rows == 0


def test_a_log_whose_lines_stop_ending_keeps_what_it_had(read):
    """The rows before are loaded, and one reject says what is wrong."""
    (whole,) = read(CYCLES + "M1," * (5 * MIB), line_mib=2)

    assert whole.rows >= 1
    assert any("no line ends within 2 MiB" in message for message in whole.messages)


@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
@pytest.mark.parametrize("rows", [1, 40])
def test_five_thousand_columns_are_refused_in_one_line(read, mark, rows):
    """At once, saying how many there are and how many may be."""
    head = mark.join([HEAD.replace(",", mark), *(f"c{n}" for n in range(4996))])
    began = time.monotonic()

    (whole,) = read("\n".join([head, *[mark.join(["1"] * 5000)] * rows]) + "\n")

    assert time.monotonic() - began < 3
    assert (whole.file.status, whole.file.reason) == (
        "unreadable",
        "The file has 5,000 columns, and 2,000 are allowed. Export fewer, or raise columns under [limits] in "
        "shop.toml.",
    )


def test_many_columns_that_are_allowed_are_read_quickly(read):
    """As wide as it may be, and read."""
    head = ",".join([HEAD, *(f"c{n}" for n in range(1996))])
    began = time.monotonic()

    (whole,) = read("\n".join([head, *[ROW + ",x" * 1996] * 200]) + "\n")

    assert whole.rows == 200
    assert time.monotonic() - began < 10


def test_a_foreign_table_too_wide_to_be_weighed_asks_for_a_profile(read):
    """No minutes of guessing: three hundred columns that nobody named are for a person."""
    began = time.monotonic()

    (whole,) = read("\n".join([",".join(f"Spalte {n}" for n in range(300)), *[",".join(["7"] * 300)] * 50]) + "\n")

    assert time.monotonic() - began < 5
    assert (whole.file.status, whole.file.reason[:30]) == ("needs a profile", "The table has 300 columns; mor")


def test_doubled_names_of_columns_cost_no_more(read):
    """A thousand columns of one name are told apart without trying every number for each."""
    (whole,) = read("\n".join([HEAD + ",x" * 1900, ROW + ",1" * 1900]) + "\n")

    assert whole.rows == 1


@pytest.mark.parametrize(
    "content",
    [
        CYCLES.replace("M1", "M\x001"),
        CYCLES.replace("O1", "O\x1b[2J1"),
        CYCLES.replace("O1", "O\u202e1"),
        CYCLES.encode("utf-16-le") + b"\x00\xd8,\x00",
        CYCLES.encode() + b"\xed\xa0\x80\n\xff\xfe\n",
        CYCLES.encode() + b"\0" * 5000,
        CYCLES.replace("\n", "\r"),
        CYCLES + '"' * 5001 + "\n",
        CYCLES + (ROW + ',"\n') * 3000,
    ],
)
def test_bytes_that_are_no_text_do_no_harm(read, content):
    """The good row comes in; what is wrong elsewhere is told or skipped."""
    (whole,) = read(content)

    assert whole.file.status == "loaded"
    assert whole.rows >= 1


# --- JSON Lines ---


def test_a_million_keys_are_refused_in_one_line(read):
    """An object for each key, or one object with all of them."""
    one = {**dict(zip(HEAD.split(","), ROW.split(","), strict=True)), **{f"k{n}": 1 for n in range(3000)}}

    (whole,) = read(json.dumps(one) + "\n")

    assert "3,004 keys, and 2,000 are allowed" in whole.file.reason


def test_keys_that_come_late_cost_flat_memory():
    """What is remembered of new keys has a bound, however many lines bring one more."""
    lines = "".join(f'{{"machine": "M1", "k{n}": {n}}}\n' for n in range(60_000)).encode()

    tables = list(read_json_lines(text_blocks(io.BytesIO(lines), block_bytes=1 << 16), ["machine"]))

    assert sum(table.cells.height for table in tables) == 60_000
    assert all(len(note) < 500 for table in tables for note in table.notes)


@pytest.mark.parametrize("depth", [50, 900, 5_000, 200_000])
def test_deep_json_is_a_broken_line(read, depth):
    """Nesting that no parser follows is one reject; what it does follow is one cell."""
    row = dict(zip(HEAD.split(","), ROW.split(","), strict=True))
    deep = json.dumps(row)[:-1] + ', "deep": ' + "[" * depth + "]" * depth + "}"

    (whole,) = read(f"{json.dumps(row)}\n{deep}\n")

    assert whole.rows + len(whole.messages) == 2


@given(st.text(alphabet=st.characters(min_codepoint=0xD7F0, max_codepoint=0xE010, categories=("Cs", "Lo", "Co"))))
@settings(max_examples=50, deadline=None, derandomize=True)
def test_halves_of_letters_in_json_are_replaced(text):
    """An escape can write half a letter; no text that is stored holds one, alone or inside."""
    found = parse_object(json.dumps({text: text, "a": {"b": text}}))
    assert found is not None
    blocks = text_blocks(io.BytesIO((json.dumps({"a": {"b": [text]}, "c": text}) + "\n").encode()))
    (table,) = read_json_lines(blocks, ["a.b", "c"])

    "".join([*found, *(value for value in found.values() if isinstance(value, str))]).encode()
    assert table.cells.select("a.b", "c").null_count().row(0) == (0, 0)


# --- XML ---

URN = "urn:mtconnect.org:MTConnectStreams:1.3"


def document(before: str = "", inside: str = "", value: str = "ACTIVE", more: str = "") -> str:
    at = 'timestamp="2026-01-05T06:00:00Z"'
    return (
        f'<?xml version="1.0"?>\n{before}<MTConnectStreams xmlns="{URN}"><Header instanceId="1"/><Streams>'
        f'<DeviceStream name="M1" uuid="u"><ComponentStream component="Path" componentId="p" name="p"><Events>'
        f'<Execution dataItemId="x" sequence="1" {at}>READY</Execution>{inside}'
        f'<Execution dataItemId="x" sequence="2" {at.replace(":00Z", ":05Z")} {more}>{value}</Execution></Events>'
        f"</ComponentStream></DeviceStream></Streams></MTConnectStreams>\n"
    )


BILLION = '<!DOCTYPE x [<!ENTITY a0 "lol">' + "".join(
    f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">' for n in range(1, 12)
) + "]>\n"  # fmt: skip


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("entities in entities", document(BILLION, value="&a11;")),
        ("entities in an attribute", document(BILLION, more='name="&a11;"')),
        ("one long entity used often", document(
            f'<!DOCTYPE x [<!ENTITY a "{"x" * 100_000}">]>\n', value="&a;" * 20_000)),
        ("parameter entities", document(
            '<!DOCTYPE x [<!ENTITY % a "<!ENTITY b \'c\'>"> %a; %a; %a;]>\n', value="&b;")),
        ("a DTD elsewhere", document('<!DOCTYPE x SYSTEM "http://127.0.0.1:9/x.dtd">\n')),
    ],
)  # fmt: skip
def test_entities_do_not_unfold(read, name, content):
    """A document that declares entities ends there; nothing of them reaches a row, and it takes no time."""
    began = time.monotonic()

    (whole,) = read(content)

    assert time.monotonic() - began < 5
    for table in whole.tables:
        values = [value for value in table.rows["value"] if value]
        assert all(len(value) < 1000 for value in values)
        assert "c" not in values


def test_no_entity_reads_a_file(read, tmp_path):
    """What lies on this computer does not come in through a document."""
    (tmp_path / "secret.txt").write_text("the safe is behind the picture")
    for uri in (f"file://{tmp_path}/secret.txt", f"{tmp_path}/secret.txt"):
        for declared in (f'<!ENTITY s SYSTEM "{uri}">', f'<!ENTITY % p SYSTEM "{uri}"> %p;'):
            (whole,) = read(document(f"<!DOCTYPE x [{declared}]>\n", value="&s;"))
            said = [str(table.rows.rows()) + str(table.rejects.rows()) for table in whole.tables]
            assert "behind the picture" not in "".join(said) + whole.file.reason


@pytest.mark.parametrize(
    "inside", ["<a>" * 100_000, "<a>" * 300 + "</a>" * 300, f'<A name="{"x" * 11_000_000}"/>', "<!--" + "-" * 100_000]
)
def test_xml_that_no_parser_follows_breaks_off(read, inside):
    """Nesting without end and attributes of megabytes: what came before is kept."""
    (whole,) = read(document(inside=inside))

    assert whole.rows >= 1
    assert len(whole.messages) <= 1


@pytest.mark.parametrize("child", ["<y>1</y>", '<Entry key="k">1</Entry>'])
def test_an_observation_with_very_many_parts_takes_no_longer_for_each(read, child):
    """Sixty thousand parts are read in a moment, a hundred megabytes of them are refused."""
    began = time.monotonic()

    (whole,) = read(document(inside=f'<DataSet dataItemId="d">{child * 60_000}</DataSet>'))
    (endless,) = read(document(inside=f'<DataSet dataItemId="d">{child * (17 * MIB // len(child))}</DataSet>'))

    assert time.monotonic() - began < 20
    assert whole.rows >= 2
    assert any("an observation is longer than 16 MiB" in message for message in endless.messages)


# --- workbooks ---

CONTENT_TYPES = (
    '<?xml version="1.0"?><Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"><Default '
    'Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/><Default Extension="xml" '
    'ContentType="application/xml"/></Types>'
)
OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
SHEETS = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"


def relation(kind: str, target: str) -> str:
    return (
        '<?xml version="1.0"?><Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        f'<Relationship Id="r1" Type="{OFFICE}/{kind}" Target="{target}"/></Relationships>'
    )


def workbook(rows: str, strings: str = "", before: str = "") -> bytes:
    """Return a workbook of one sheet whose cells are written by hand."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as book:
        book.writestr("[Content_Types].xml", CONTENT_TYPES)
        book.writestr("_rels/.rels", relation("officeDocument", "xl/workbook.xml"))
        book.writestr("xl/_rels/workbook.xml.rels", relation("worksheet", "worksheets/sheet1.xml"))
        sheets = '<sheets><sheet name="S" sheetId="1" r:id="r1"/></sheets>'
        book.writestr("xl/workbook.xml", f'<workbook xmlns="{SHEETS}" xmlns:r="{OFFICE}">{sheets}</workbook>')
        if strings:
            book.writestr("xl/sharedStrings.xml", f'<sst xmlns="{SHEETS}">{strings}</sst>')
        sheet = f'<worksheet xmlns="{SHEETS}">{before}<sheetData>{rows}</sheetData></worksheet>'
        book.writestr("xl/worksheets/sheet1.xml", sheet)
    return buffer.getvalue()


def cell(place: str, text: str = "x", quote: str = '"', prefix: str = "") -> str:
    return (
        f"<{prefix}c r={quote}{place}{quote} t={quote}inlineStr{quote}><{prefix}is><{prefix}t>{text}</{prefix}t>"
        f"</{prefix}is></{prefix}c>"
    )


def row(number: int, *cells: str) -> str:
    return f'<row r="{number}">{"".join(cells)}</row>'


TABLE = row(1, *(cell(f"{'ABCD'[at]}1", name) for at, name in enumerate(HEAD.split(",")))) + row(
    2, *(cell(f"{'ABCD'[at]}2", text) for at, text in enumerate(ROW.split(",")))
)
FAR_RIGHT = "A sheet has 16,384 columns, and 2,000 are allowed."
FAR_BELOW = "A sheet spans 1,048,576,000 cells, and 20,000,000 are allowed."


@pytest.mark.parametrize(
    ("rows", "reason"),
    [
        (TABLE + row(1_048_576, cell("XFD1048576")), FAR_RIGHT),
        (TABLE + row(3, cell("ALL3")) + row(1_048_576, cell("A1048576")), FAR_BELOW),
        (TABLE + row(3, cell("XFD3", quote="'")), FAR_RIGHT),
        (TABLE + '<row r="3"><c  r="XFD3"><v>1</v></c></row>', FAR_RIGHT),
        (TABLE + '<row r="3"><c s="1" r="XFD3"><v>1</v></c></row>', FAR_RIGHT),
        (TABLE + f'<row r="3"><c r="XFD3" s="{"1" * 200_000}"><v>1</v></c></row>', FAR_RIGHT),
        (TABLE + f'<row r="3"><c s="{"1" * 1_500_000}" r="XFD3"><v>1</v></c></row>', FAR_RIGHT),
        (TABLE + '<row r="1048576">' + "<c><v>1</v></c>" * 1000 + "</row>", FAR_BELOW),
        (TABLE + row(3, "<c/>" * 16_383 + "<c><v>1</v></c>"), FAR_RIGHT),
        (TABLE + row(3, cell("ZZZZZZ4294967295")), "A sheet has 321,272,406 columns"),
    ],
)  # fmt: skip
def test_a_sheet_that_spans_too_much_is_refused_before_it_is_laid_out(read, rows, reason):
    """Two cells far apart would take gigabytes: the library that reads them would end the program."""
    (whole,) = read(workbook(rows), name="far.xlsx")

    assert whole.file.status == "unreadable"
    assert whole.file.reason.startswith(reason)
    assert "[limits]" in whole.file.reason


@pytest.mark.parametrize(
    "rows",
    [
        TABLE + row(3, '<c r="XFD3" s="1"/>') + row(1_048_576, '<c r="XFD1048576" s="1"></c>'),
        TABLE,
    ],
)
def test_cells_that_only_have_a_format_take_no_room(read, rows):
    """Whole rows and columns that somebody coloured are usual."""
    (whole,) = read(workbook(rows, before='<dimension ref="A1:XFD1048576"/>'), name="fine.xlsx")

    assert whole.rows == 1


def test_a_long_text_cited_by_many_cells_is_refused(read):
    """A megabyte that twenty thousand cells cite is twenty gigabytes."""
    strings = f"<si><t>{'x' * MIB}</t></si><si><t>M1</t></si>"
    often = "".join(row(n, f'<c r="A{n}" t="s"><v>0</v></c>') for n in range(3, 3000))
    seldom = "".join(row(n, f'<c r="A{n}" t="s"><v>1</v></c>') for n in range(3, 3000))

    (whole,) = read(workbook(TABLE + often, strings), name="strings.xlsx")
    (fine,) = read(workbook(TABLE + seldom, strings), name="fine.xlsx")

    assert "text of the workbook's cells takes more than 1024 MiB" in whole.file.reason
    assert fine.file.status == "loaded"


def test_a_workbook_that_unpacks_to_too_much_is_refused(read):
    """Whatever length its directory gives: the bytes are counted as they come."""
    big = workbook(TABLE + f"<!--{'x' * (5 * MIB)}-->")
    name = b"xl/worksheets/sheet1.xml"
    lying = bytearray(big)
    at = lying.rfind(name) - 46
    lying[at + 24 : at + 28] = (1000).to_bytes(4, "little")

    for data in (big, bytes(lying)):
        (whole,) = read(data, name="big.xlsx", workbook_mib=4)
        assert whole.file.reason.startswith("The workbook unpacks to more than 4 MiB.")


PLACES = st.builds(
    lambda column, line: f"{column}{line}",
    st.sampled_from(["A", "Z", "AA", "bc", "XFD"]),
    st.sampled_from([1, 7, 1048576]),
)
CELLS = st.lists(
    st.builds(
        lambda form, place: form.format(place),
        st.sampled_from(
            [
                '<c r="{}"><v>1</v></c>',
                '<c r="{}" s="1"/>',
                '<c r="{}" t="s"></c>',
                '<c r="{}" t="s"><v>2</v></c>',
                '<c r="{}" s="3" t="inlineStr"><is><t>x</t></is></c>',
            ]
        ),
        PLACES,
    ),
    max_size=8,
)


@given(CELLS)
@settings(max_examples=200, deadline=None, derandomize=True)
def test_the_quick_look_at_cells_sees_what_the_careful_ones_see(cells):
    """Three ways to measure a sheet agree on every sheet that says where its cells stand."""
    rows = "".join(f"<row>{one}</row>" for one in cells)
    quick, plain = workbook_guard._Span(), workbook_guard._Span()

    assert workbook_guard._measure_usual(rows.encode(), quick)
    assert workbook_guard._measure_any(rows.encode(), plain)
    careful = workbook_guard._measure_carefully(io.BytesIO(f"<sheetData>{rows}</sheetData>".encode()))

    assert quick == plain == careful


@given(CELLS, st.integers(1, 200))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_cells_are_measured_alike_however_they_are_cut(cells, size):
    """A cell that two pieces share is seen whole."""
    rows = "".join(f"<row>{one}</row>" for one in cells).encode()
    whole, cut = workbook_guard._Span(), workbook_guard._Span()
    workbook_guard._measure_any(rows, whole)

    class Slow(io.BytesIO):
        def read(self, _: int | None = -1, /) -> bytes:
            return super().read(size)

    for piece in workbook_guard._pieces(Slow(rows)):
        workbook_guard._measure_any(piece.tags, cut)

    assert cut == whole


def test_hidden_sheets_are_read_like_others(read):
    """What is hidden is data all the same: two sheets, two tables."""
    buffer = io.BytesIO()
    with xlsxwriter.Workbook(buffer, {"in_memory": True}) as book:
        book.add_worksheet("shown").write_row(0, 0, ["job", "part", "quantity", "quoted_cycle_s"])
        hidden = book.add_worksheet("hidden")
        hidden.write_row(0, 0, HEAD.split(","))
        hidden.write_row(1, 0, ROW.split(","))
        hidden.very_hidden()

    (whole,) = read(buffer.getvalue(), name="hidden.xlsx")

    assert "cycle" in [table.kind for table in whole.tables if table.rows.height]


@pytest.mark.parametrize("member", ["word/document.xml", "ppt/presentation.xml", "xl/workbook.bin"])
def test_other_documents_are_no_workbooks(read, zipped, member):
    """A letter is not opened as a table."""
    (whole,) = read(zipped(("[Content_Types].xml", CONTENT_TYPES), (member, "x")), name="letter.docx")

    assert whole.file.reason == "This is a packed document, but no XLSX workbook. Save it as XLSX, or as CSV."


# --- Parquet ---


def written(table: pa.Table) -> bytes:
    buffer = io.BytesIO()
    parquet.write_table(table, buffer)
    return buffer.getvalue()


def test_a_long_text_cited_by_many_rows_is_laid_out_in_parts():
    """A small file of rows that share a long text never takes much memory at once."""
    cited = pa.DictionaryArray.from_arrays(pa.array([0] * 2_000, type=pa.int32()), pa.array(["x" * 500_000]))
    stream = io.BytesIO(written(pa.table({"machine": cited})))
    assert len(stream.getvalue()) < MIB

    sizes = [
        (table.cells.height, table.cells["machine"].str.len_bytes().sum())
        for table in read_parquet(stream, ["machine"])
    ]

    assert sum(rows for rows, _ in sizes) == 2_000
    assert max(size for _, size in sizes) <= BATCH_BYTES


def test_a_parquet_file_that_holds_too_much_breaks_off():
    """The bytes that its texts take are counted, not those that it says."""
    cited = pa.DictionaryArray.from_arrays(pa.array([0] * 500_000, type=pa.int32()), pa.array(["x" * 500_000]))

    tables = list(read_parquet(io.BytesIO(written(pa.table({"machine": cited}))), ["machine"]))

    assert tables[-1].rejects["message"].to_list() == [
        "The file breaks off here (The Parquet file holds more than 8 GiB. Export it in parts, or raise unpacked_gib "
        "under [limits] in shop.toml.); the rows before were read. Copy or export it again."
    ]


def test_a_parquet_file_of_many_columns_is_refused(read):
    """As any other table."""
    (whole,) = read(written(pa.table({f"c{n}": [1] for n in range(2_500)})))

    assert whole.file.reason.startswith("The Parquet file has 2,500 columns, and 2,000 are allowed.")


def test_types_that_are_no_cells_are_empty_cells(read):
    """Lists, structs, maps, binary and names that repeat do not stop the rest."""
    cycles = {name: [text] for name, text in zip(HEAD.split(","), ROW.split(","), strict=True)}
    names = [*cycles, "list", "struct", "map", "binary", "nothing", "list", "decimal"]
    columns = [
        *(pa.array(cells) for cells in cycles.values()),
        pa.array([[1, 2]]),
        pa.array([{"a": 1}]),
        pa.array([[("a", 1)]], type=pa.map_(pa.string(), pa.int64())),
        pa.array([b"\xff\0"]),
        pa.nulls(1),
        pa.array([[[1]]]),
        pa.array([None], type=pa.decimal128(30, 4)),
    ]

    (whole,) = read(written(pa.Table.from_arrays(columns, names=names)))

    assert (whole.rows, whole.messages) == (1, [])


@given(st.data())
@settings(max_examples=80, deadline=None, derandomize=True)
def test_a_damaged_parquet_file_ends_in_good_order(data):
    """Any byte of it may be wrong: it is refused, or breaks off, or its rows come in."""
    frame = pl.DataFrame({"machine": ["M1", "M2"] * 50, "n": range(100)})
    buffer = io.BytesIO()
    frame.write_parquet(buffer)
    damaged = bytearray(buffer.getvalue())
    for _ in range(data.draw(st.integers(1, 4))):
        damaged[data.draw(st.integers(0, len(damaged) - 1))] = data.draw(st.integers(0, 255))
    stream = io.BytesIO(bytes(damaged))
    try:
        names = parquet_names(stream)
    except ParquetError:
        return

    for table in read_parquet(stream, names):
        assert table.cells.width == len(names) + 3


# --- memory ---

CHILD = """
import resource, sys
from pathlib import Path
resource.setrlimit(resource.RLIMIT_AS, (int(sys.argv[2]) << 20,) * 2)
from pipeline.read.reading import read_file
from pipeline.read.settings import ReadSettings
for file in read_file(Path(sys.argv[1]), ReadSettings()):
    rows = sum(table.rows_read for table in file.tables)
    print(file.status, rows, file.reason)
print(int(Path("/proc/self/status").read_text().split("VmHWM:")[1].split()[0]) >> 10)  # of this program alone
"""


def in_little_memory(path: Path, mib: int) -> tuple[list[str], int]:
    """Read a file in a process that may not take more memory; return what it said and the memory it took, in MiB."""
    ran = subprocess.run(
        [sys.executable, "-c", CHILD, str(path), str(mib)], capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran.stderr
    *said, peak_mib = ran.stdout.splitlines()
    return said, int(peak_mib)


def test_bombs_of_every_sort_are_read_in_little_memory(tmp_path, zipped):
    """A gigabyte and more, packed small: refused, or read piece by piece."""
    bombs = {
        "line.csv": b"a," * (100 * MIB),
        "zeros.zip": zipped(("a.csv", b"0" * (150 * MIB))),
        "far.xlsx": workbook(TABLE + row(1_048_576, cell("XFD1048576"))),
        "strings.xlsx": workbook(
            "".join(row(n, f'<c r="A{n}" t="s"><v>0</v></c>') for n in range(1, 9_000)), f"<si><t>{'x' * MIB}</t></si>"
        ),
        "entities.xml": document(BILLION, value="&a11;").encode(),
    }
    for name, data in bombs.items():
        (tmp_path / name).write_bytes(data)
        said, peak_mib = in_little_memory(tmp_path / name, 6_000)
        assert len(said) == 1, name
        assert peak_mib < 900, (name, peak_mib)


def test_limits_are_the_shop_s_own():
    """Each limit has a value that is assumed, and none may be nought."""
    for name in LimitSettings.model_fields:
        with pytest.raises(ValueError, match="greater than"):
            LimitSettings(**{name: 0})
