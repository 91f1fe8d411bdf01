"""Whole files: what they are taken for, how they are found, packed, matched, and read back in every shape."""

import gzip
import io
import json
import os
import struct
import zipfile
import zlib
from datetime import UTC, datetime
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import InputError
from pipeline.read.files import find_sources
from pipeline.read.reading import read_file
from pipeline.read.settings import ReadSettings, SourceRule, matches_end, source_rule
from schemas.shop import LimitSettings

CYCLES = "machine,program,started_at,ended_at\nM1,O1,2026-01-05T06:00:00Z,2026-01-05T06:10:00Z\n"


# --- what a file is taken for ---

PNG = b"\x89PNG\r\n\x1a\n" + bytes(range(256))
LETTER = (
    "Dear Sir,\n\nplease find below what we spoke of. The lathe runs, we think, as it should,\nand so do we.\n\nYours\n"
)
NC = "%\nO0100(PLATE)\nN10 G21 G90\nN20 T4 M6\nN30 G0 X0. Y0. S8000 M3\nN40 G1 Z-2. F900.\nN50 M30\n%\n"


@pytest.mark.parametrize(
    ("content", "status", "shape", "reason"),
    [
        (b"", "unreadable", "unknown", "The file is empty. Export it again; if the machine made nothing, delete the "
         "file."),
        (b"\n \r\n", "unreadable", "unknown", "The file is empty. Export it again; if the machine made nothing, delete "
         "the file."),
        (PNG, "unreadable", "unknown", "This is a picture (PNG), not a run log. Take it out of the folder, or leave "
         "it: it does no harm."),
        (LETTER.encode(), "unreadable", "text", "This is text, but its lines are no table and no log that is known "
         "here. If it is a letter or a note, leave it: it does no harm. If it is a log, export it as CSV with a header "
         "line."),
        (bytes(range(256)) * 20, "unreadable", "unknown", "This is not text, and no kind of file that can be read "
         "here. Export it as CSV."),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "unreadable", "unknown", "This is an old or password-protected workbook. "
         "Save it as XLSX without a password."),
        (b"[{\"machine\": \"M1\"}]", "unreadable", "unknown", "This is one JSON list. Export it as JSON Lines: one "
         "object a line."),
        (b"<html><body>log</body></html>", "unreadable", "unknown", "This is a web page without a table. Export the "
         "log as CSV, or as XLSX."),
        (b"<Workbook/>", "unreadable", "unknown", "This is an XML document of another kind (<Workbook>); "
         "only MTConnectStreams documents can be read. Export it as CSV."),
        (b"<<<", "unreadable", "unknown", "This is damaged XML; only MTConnectStreams documents can be read. Export it "
         "as CSV."),
        (NC.encode(), "set aside", "nc program", "This is an NC program. Times from NC programs are not read by this "
         "version; nothing was stored."),
        (b'<MTConnectDevices xmlns="urn:mtconnect.org:MTConnectDevices:1.3"/>', "set aside", "devices xml", "This is "
         "an MTConnectDevices document: it says what the items of the streams in its folder and in the folders below "
         "it are, and is read for that. It holds no run log itself."),
        (b"a;b\n1;2\n3;4\n", "needs a profile", "table", 'Nobody has said yet what this file is; its columns are "a", '
         '"b". Write a profile that says which column is which field (the README shows one) and name it under '
         "[[source]] in shop.toml."),
        (b"PAR1 and no more", "unreadable", "parquet", None),
        (b"PK\x03\x04 and no more", "unreadable", "zip", None),
        (b"\x1f\x8b and no more", "unreadable", "unknown", None),
    ],
)  # fmt: skip
def test_files_that_are_no_logs_are_told_apart_with_a_reason(read, content, status, shape, reason):
    """No traceback, no guess: what it is, and what to do about it."""
    whole = read(content, name="thing.dat")

    assert (whole.file.status, whole.file.shape) == (status, shape)
    assert reason is None or whole.file.reason == reason
    assert whole.file.reason.endswith(".")
    assert whole.tables == []


@given(st.binary(max_size=400))
def test_no_bytes_whatever_raise(read, content):
    """Any file at all is read, or told apart with a reason."""
    whole = read(content, name="noise")

    assert whole.file.status == "loaded" or whole.file.reason


@given(st.text(alphabet='machine,program;started_at|ended_at\t"\n 2026-01-05T06:00:00Z|{}<>%G1', max_size=300))
def test_no_text_whatever_raises(read, content):
    """Nor does text that looks like a log here and there."""
    whole = read("machine,program,started_at,ended_at\n" + content, name="noise")

    assert whole.file.status == "loaded" or whole.file.reason


def test_a_table_that_could_be_two_things_asks(read):
    """Where our own names fit two kinds equally well, nobody guesses."""
    whole = read("machine,program,started_at,ended_at,job,part,quantity\nM1,O1,x,y,1,P,3\n")

    assert whole.file.status == "loaded"
    assert whole.tables[0].kind == "cycle"  # five of its names are a cycle's, three a job's
    assert read("job,part,quantity,machine,occurred_at,tool\n").file.status == "needs a profile"


# --- finding ---


def test_sources_are_found_in_order_without_what_is_no_export(tmp_path):
    """Folders are walked in sorted order; settings, profiles and hidden files are no sources."""
    for name in ("b.csv", "a/2.txt", "a/10.txt", "shop.toml", "profiles/x.toml", ".hidden", ".git/x", "a/~$open.xlsx"):
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_text("x")

    found = [path.relative_to(tmp_path).as_posix() for path in find_sources([tmp_path, tmp_path / "b.csv"])]

    assert found == ["b.csv", "a/10.txt", "a/2.txt"]


def test_a_loop_of_links_is_walked_once(tmp_path):
    """A link back to the folder above does not go round for ever."""
    (tmp_path / "in").mkdir()
    (tmp_path / "in/x.csv").write_text("x")
    (tmp_path / "in/again").symlink_to(tmp_path)

    assert [path.name for path in find_sources([tmp_path])] == ["x.csv"]


def test_a_path_that_is_not_there_is_an_error(tmp_path):
    """A slip in the command line is told at once."""
    with pytest.raises(InputError, match="there is no such file or folder"):
        list(find_sources([tmp_path / "nowhere"]))


@pytest.mark.parametrize(
    ("glob", "path", "matches"),
    [
        ("*.csv", "/shop/exports/a.csv", True),
        ("exports/old-lathe/*.csv", "/shop/exports/old-lathe/a.csv", True),
        ("exports/old-lathe/*.csv", "/shop/exports/old-lathe/2026/a.csv", False),
        ("exports/**/*.csv", "/shop/exports/old-lathe/2026/a.csv", True),
        ("exports/**", "exports/old-lathe/2026/a.csv", True),
        ("lathe/*.csv", "/shop/old-lathe/a.csv", False),
        ("a?.csv", "a1.csv", True),
        ("all.zip/*.csv", "/x/all.zip/a.csv", True),
        ("./a.csv", "a.csv", True),
        ("a.csv", "a_csv", False),
    ],
)
def test_globs_match_the_end_of_a_path(glob, path, matches):
    """Whole parts of the path, from its end."""
    assert matches_end(path, glob) is matches


def test_the_longest_glob_wins():
    """The more a [[source]] says of a path, the more it is meant."""
    rules = [SourceRule("*.csv", machine="A"), SourceRule("lathe/*.csv", machine="B"), SourceRule("*", machine="C")]

    assert source_rule("x/lathe/1.csv", rules).machine == "B"
    assert source_rule("x/mill/1.csv", rules).machine == "A"
    assert source_rule("x/mill/1.txt", rules).machine == "C"
    assert source_rule("x", []).machine is None


# --- packing ---


def test_gzip_and_zip_are_read_through(tmp_path):
    """A member of a zip is a file of its own, with the hash of its own bytes."""
    plain, packed, many = tmp_path / "c.csv", tmp_path / "c.csv.gz", tmp_path / "all.zip"
    plain.write_text(CYCLES)
    packed.write_bytes(gzip.compress(CYCLES.encode()))
    with zipfile.ZipFile(many, "w") as archive:
        archive.writestr("b/c.csv", CYCLES)
        archive.writestr("a.csv.gz", gzip.compress(CYCLES.encode()))
        archive.writestr("__MACOSX/._a.csv", "x")
        archive.writestr("shop.toml", "x")

    (one,) = read_file(plain, ReadSettings())
    (two,) = read_file(packed, ReadSettings())
    three, four = read_file(many, ReadSettings())

    assert four.source.sha256 == one.source.sha256 != two.source.sha256
    assert four.source.name == f"{many.as_posix()}!b/c.csv"
    assert four.source.file_id == one.source.sha256[:12]
    for file in (one, two, three, four):
        assert [table.rows.height for table in file.tables] == [1]


def test_a_gzip_that_breaks_off_keeps_what_it_had(read):
    """The rows before the break are loaded, and one reject tells of it."""
    lines = "".join(f"M1,O1,2026-01-05T{n // 60:02}:{n % 60:02}:00Z,2026-01-05T23:59:00Z\n" for n in range(1380))
    data = gzip.compress((CYCLES.splitlines()[0] + "\n" + lines).encode(), compresslevel=0)

    whole = read(data[: len(data) * 3 // 4], name="c.csv.gz")

    assert whole.file.status == "loaded"
    assert 900 < whole.rows.height < 1100
    assert whole.told()[-1][1] == "broken_line"
    assert "breaks off here" in whole.told()[-1][4]


def test_what_unpacks_without_end_is_stopped(read):
    """A gzip of zeros cannot fill the disk or the memory."""
    limits = LimitSettings(unpacked_gib=1 / 1024)

    whole = read(gzip.compress(CYCLES.encode() + b"\n" * (3 << 20)), name="c.csv.gz", limits=limits)

    assert whole.told()[-1][4] == (
        "The file breaks off here (it unpacks to more than 0.000976562 GiB; unpack it by hand, or raise unpacked_gib "
        "under [limits] in shop.toml); the rows before were read. Copy or export it again."
    )


def test_a_zip_with_a_password_says_so(tmp_path):
    """Nobody asks for the password; the user unpacks it."""
    path = tmp_path / "locked.zip"
    data = zlib.compress(b"x")
    name = b"a.csv"
    local = struct.pack("<4s5H3I2H", b"PK\x03\x04", 20, 1, 8, 0, 33, zlib.crc32(b"x"), len(data), 1, len(name), 0)
    central = struct.pack(
        "<4s6H3I5H2I", b"PK\x01\x02", 20, 20, 1, 8, 0, 33, zlib.crc32(b"x"), len(data), 1, len(name), 0, 0, 0, 0, 0, 0
    )
    body = local + name + data
    end = struct.pack("<4s4H2IH", b"PK\x05\x06", 0, 0, 1, 1, len(central) + len(name), len(body), 0)
    path.write_bytes(body + central + name + end)

    (file,) = read_file(path, ReadSettings())

    assert (file.status, file.reason) == (
        "unreadable",
        "The file in the zip has a password. Unpack it and give the unpacked file.",
    )


# --- every shape reads back what was written ---

TEXT = st.text(alphabet=st.characters(codec="utf-8", exclude_categories=("C", "Z")), min_size=1, max_size=8).filter(
    lambda text: not text.startswith(("'", '"')) and text.strip() == text
)
ROWS = st.lists(
    st.fixed_dictionaries(
        {
            "machine": TEXT,
            "program": TEXT,
            "started_at": st.datetimes(datetime.fromisoformat("2000-01-01"), datetime.fromisoformat("2050-01-01")),
            "duration_s": st.integers(1, 100_000),
            "parts": st.none() | st.integers(0, 1000),
            "job": st.none() | TEXT,
        }
    ),
    min_size=1,
    max_size=20,
)


def written(rows: list[dict[str, object]]) -> pl.DataFrame:
    schema = {"machine": pl.String, "program": pl.String, "started_at": pl.Datetime("us"), "duration_s": pl.Int64}
    frame = pl.DataFrame(rows, schema={**schema, "parts": pl.Int64, "job": pl.String})
    return frame.with_columns(pl.col("started_at").dt.truncate("1ms"))


def as_lines(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.with_columns(pl.col("started_at").dt.strftime("%Y-%m-%d %H:%M:%S%.3f"))


def as_delimited(frame: pl.DataFrame, mark: str) -> bytes:
    return as_lines(frame).write_csv(separator=mark, quote_style="non_numeric").encode()


def as_workbook(frame: pl.DataFrame) -> bytes:
    buffer = io.BytesIO()
    with xlsxwriter.Workbook(buffer, {"in_memory": True, "strings_to_numbers": False}) as book:
        book.add_worksheet("notes").write(0, 0, "nothing here")
        sheet = book.add_worksheet("cycles")
        time_format = book.add_format({"num_format": "dd.mm.yyyy hh:mm:ss.000"})
        sheet.write(1, 1, "Shop log")
        for at, name in enumerate(frame.columns):
            sheet.write(3, at + 1, name)
        for row, cells in enumerate(frame.iter_rows(), start=4):
            for at, cell in enumerate(cells, start=1):
                if isinstance(cell, datetime):
                    sheet.write_datetime(row, at, cell, time_format)
                elif isinstance(cell, str):
                    sheet.write_string(row, at, cell)
                elif cell is not None:
                    sheet.write_number(row, at, cell)
    return buffer.getvalue()


def as_json_lines(frame: pl.DataFrame) -> bytes:
    rows = as_lines(frame).to_dicts()
    return "".join(json.dumps({k: v for k, v in row.items() if v is not None}) + "\n" for row in rows).encode()


def as_parquet(frame: pl.DataFrame) -> bytes:
    buffer = io.BytesIO()
    frame.write_parquet(buffer)
    return buffer.getvalue()


SHAPES = {
    "comma": lambda frame: as_delimited(frame, ","),
    "semicolon": lambda frame: as_delimited(frame, ";"),
    "tab": lambda frame: as_delimited(frame, "\t"),
    "workbook": as_workbook,
    "json lines": as_json_lines,
    "parquet": as_parquet,
}


@pytest.mark.parametrize("shape", SHAPES)
@given(rows=ROWS)
def test_rows_read_back_from_every_shape(read, shape, rows):
    """The same table as text, workbook, JSON Lines and Parquet gives the same rows."""
    frame = written(rows)

    whole = read(SHAPES[shape](frame), name=f"{shape}.dat", timezone="UTC")

    assert whole.rejects.height == 0
    assert whole.rows_read == frame.height
    start = frame["started_at"].dt.replace_time_zone("UTC")
    wanted = frame.select("machine", "program", "parts", "job").with_columns(
        started_at=start, ended_at=start + pl.duration(seconds=frame["duration_s"])
    )
    back = whole.rows.select("machine", "program", "parts", "job", "started_at", "ended_at")
    if shape == "workbook":  # a spreadsheet keeps days as floating numbers: about a millisecond
        for name in ("started_at", "ended_at"):
            assert (back[name] - wanted[name]).dt.total_microseconds().abs().max() <= 1000
        back, wanted = back.drop("started_at", "ended_at"), wanted.drop("started_at", "ended_at")
    assert back.equals(wanted.select(back.columns))
    assert whole.rows["row_number"].to_list() == list(range(1, frame.height + 1))


CELL = st.sampled_from(
    ["M1", "", "O1", "2026-01-05T06:00:00Z", "2026-01-05 07:00", "x", "5", "-1", "total", "complete"]
)


@given(st.lists(st.lists(CELL, min_size=3, max_size=7), max_size=30), st.sampled_from([",", ";", "\t"]))
def test_every_row_is_accepted_or_rejected(read, rows, mark):
    """No row is lost: what was written is accepted, rejected or skipped, each with its line."""
    header = ["machine", "program", "started_at", "ended_at", "parts", "outcome"]
    text = "\n".join(mark.join(row) for row in [header, *rows]) + "\n"

    whole = read(text)

    lines = [*whole.rows["line"], *whole.rejects["line"].unique(), *whole.skipped["line"]]
    assert sorted(lines) == list(range(2, len(rows) + 2))
    numbers = sorted([*whole.rows["row_number"], *whole.rejects["row_number"].unique()])
    assert len(set(numbers)) == len(numbers) == whole.rows_read


def test_json_lines_may_grow_keys_and_break_off(read):
    """A key that only later rows have is read; half an object is rejected."""
    text = (
        '{"machine": "M1", "occurred_at": "2026-01-05T06:00:00Z", "tool": 4, "reason": "worn"}\n\n'
        '{"machine": "M1", "occurred_at": "2026-01-05T07:00:00Z", "tool": "T05", "reason": "BROKEN", '
        '"edge_cost": 8.50}\n'
        '{"machine": "M1", "occurred_at": "2026-01-0'
    )

    whole = read(text, name="edges.jsonl")

    assert whole.rows.select("line", "tool", "reason", "edge_cost").rows() == [
        (1, "4", "worn", None),
        (3, "5", "broken", 8.5),
    ]
    assert [(row, reason, message) for row, reason, _, _, message in whole.told()] == [
        (
            3,
            "broken_line",
            "The line is not one whole JSON object. It was probably cut off while it was written; export the file "
            "again.",
        )
    ]


def test_late_keys_of_a_long_json_file_are_not_lost(read):
    """A key that first appears beyond the lines looked at is still read."""
    row = '{"machine": "M1", "occurred_at": "2026-01-05T06:00:00Z", "tool": 4, "reason": "worn"}\n'

    whole = read(row * 2000 + row.replace('"worn"}', '"worn", "note": "late"}'), name="edges.jsonl")

    assert whole.rows.height == 2001
    assert whole.rows["note"][-1] == "late"


def test_a_workbook_gives_every_sheet_that_is_a_table(read):
    """Two sheets of two kinds, numbered on; a sheet of notes is passed over."""
    buffer = io.BytesIO()
    with xlsxwriter.Workbook(buffer, {"in_memory": True}) as book:
        book.add_worksheet("cover").write(0, 0, "Export")
        sheet = book.add_worksheet("changes")
        sheet.write_row(0, 0, ["machine", "occurred_at", "tool"])
        sheet.write_row(1, 0, ["M1", "2026-01-05T06:00:00Z", 4])
        other = book.add_worksheet("orders")
        other.write_row(0, 0, ["job", "part", "quantity", "quoted_cycle_s"])
        other.write_row(1, 0, ["A1", "P", 5, 12.5])
        other.write_row(3, 0, ["Total", None, 5])

    whole = read(buffer.getvalue(), name="book.xlsx")

    assert [(table.kind, table.rows.height) for table in whole.tables] == [("tool_change", 1), ("job", 1)]
    assert whole.tables[0].rows["tool"].to_list() == ["4"]
    assert whole.tables[1].rows.select("row_number", "line", "quantity", "quoted_cycle_s").row(0) == (2, 2, 5, 12.5)
    assert whole.skipped.select("line", "why").rows() == [(4, "total line")]


def test_cells_of_a_workbook_are_read_by_what_they_are_not_how_they_look(read):
    """Dates, times of day, durations and numbers of a sheet go through a profile made for what the eye sees."""
    profile = (
        'version = 1\nname = "sheet"\nkind = "cycle"\n[file]\ndecimal = ","\nthousands = "."\n'
        '[columns.machine]\nconstant = "L1"\n[columns.program]\nfrom = "Prog"\n[columns.started_at]\n'
        'from = ["Tag", "Zeit"]\nformat = "%d.%m.%Y %H:%M:%S"\n[columns.duration_s]\nfrom = "Dauer"\nunit = "h:mm:ss"\n'
        '[columns.parts]\nfrom = "Teile"\n'
    )
    buffer = io.BytesIO()
    with xlsxwriter.Workbook(buffer, {"in_memory": True}) as book:
        sheet = book.add_worksheet("log")
        day, clock = book.add_format({"num_format": "dd.mm.yyyy"}), book.add_format({"num_format": "[h]:mm:ss"})
        sheet.write_row(0, 0, ["Prog", "Tag", "Zeit", "Dauer", "Teile"])
        sheet.write(1, 0, 1001)
        sheet.write_datetime(1, 1, datetime.fromisoformat("2026-01-05"), day)
        sheet.write_number(1, 2, 0.25, clock)
        sheet.write_number(1, 3, 1.5, clock)
        sheet.write_number(1, 4, 1234)
        sheet.write_row(2, 0, ["O2", "06.01.2026", "07:00:00", "0:10:00", "12,0"])

    whole = read(buffer.getvalue(), name="b.xlsx", profile=profile)

    assert whole.rejects.height == 0
    assert whole.rows.select("program", "started_at", "ended_at", "parts").rows() == [
        ("1001", datetime(2026, 1, 5, 6, tzinfo=UTC), datetime(2026, 1, 6, 18, tzinfo=UTC), 1234),
        ("O2", datetime(2026, 1, 6, 7, tzinfo=UTC), datetime(2026, 1, 6, 7, 10, tzinfo=UTC), 12),
    ]


def test_a_missing_sheet_is_named(read):
    """The profile asks for a sheet that the workbook does not have."""
    profile = (
        'version = 1\nname = "s"\nkind = "tool_change"\n[file]\nsheet = "log"\n[columns.occurred_at]\nfrom = "t"\n'
        '[columns.tool]\nfrom = "tool"\n'
    )
    frame = written(
        [{"machine": "M", "program": "O", "started_at": datetime.fromisoformat("2026-01-05"), "duration_s": 1}]
    )

    whole = read(as_workbook(frame), name="b.xlsx", profile=profile)

    assert (whole.file.status, whole.file.reason) == (
        "unreadable",
        'The workbook has no sheet "log"; it has "notes", "cycles". Correct `sheet` in the profile.',
    )


def test_reading_waits_until_the_rows_are_asked_for(tmp_path, monkeypatch):
    """A file known already costs its hash and a look at its first lines, not its rows."""
    path = tmp_path / "c.csv"
    path.write_text(CYCLES)
    (file,) = read_file(path, ReadSettings())
    path.write_text(CYCLES + "M1,O2,2026-01-05T07:00:00Z,2026-01-05T07:10:00Z\n")

    assert sum(table.rows.height for table in file.tables) == 2


# --- open data, where it is at hand ---

OPEN_DATA = os.environ.get("SPINDLEBOOK_OPEN_DATA")


@pytest.mark.skipif(OPEN_DATA is None, reason="SPINDLEBOOK_OPEN_DATA is not set: no open data at hand")
def test_real_documents_and_real_text_say_the_same():
    """mill-turn-xml: 44,853 observations are 44,724 lines less 2 asset lines plus 131 of the replay (its README)."""
    folder = Path(str(OPEN_DATA)) / "mill-turn-xml"
    assert folder.is_dir()
    settings = ReadSettings(sources=[SourceRule("*.txt.gz", machine="machine-c")])
    counts, documents = {}, []
    for path in sorted(folder.glob("*.gz")):
        (file,) = read_file(path, settings)
        tables = list(file.tables)
        assert not any(table.rejects.height for table in tables)
        counts[path.name.split("-")[0]] = counts.get(path.name.split("-")[0], 0) + sum(t.rows.height for t in tables)
        if path.name.startswith("document"):
            documents += [table.rows for table in tables]
    late = pl.concat(documents).filter(pl.col("occurred_at") > datetime(2016, 9, 1, tzinfo=UTC))

    assert counts == {"document": 44_853, "machine": 44_722}
    assert late.height == 131
    assert late.filter((pl.col("value") == "UNAVAILABLE") | (pl.col("level") == "UNAVAILABLE")).height == 131
