"""Packed files that mean harm, or look like it: bombs, packings in packings, names that climb, broken directories."""

import gzip
import hashlib
import io
import struct
import time
import warnings
import zipfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.read.gunzip import Gunzip
from pipeline.read.reading import read_file
from pipeline.read.settings import ReadSettings
from schemas.shop import LimitSettings

CYCLES = "machine,program,started_at,ended_at\nM1,O1,2026-01-05T06:00:00Z,2026-01-05T06:10:00Z\n"
OTHER = CYCLES.replace("O1", "O2")
MIB = 1 << 20


def test_zips_in_zips_and_gzips_in_them_are_read(read, zipped):
    """Three packings are unpacked; each file bears the path to it, and the hash of its own bytes."""
    inner = zipped(("2026/a.csv", CYCLES), ("b.csv.gz", gzip.compress(OTHER.encode())))

    found = read(zipped(("in/inner.zip", inner), ("c.csv", CYCLES)), name="all.zip")

    assert [whole.file.source.member for whole in found] == [
        "c.csv",
        "in/inner.zip/2026/a.csv",
        "in/inner.zip/b.csv.gz",
    ]
    assert [whole.rows for whole in found] == [1, 1, 1]
    assert found[1].file.source.sha256 == hashlib.sha256(CYCLES.encode()).hexdigest()


def test_a_gzip_in_a_gzip_and_a_zip_in_a_gzip_are_read(read, zipped):
    """Whoever packs twice is read all the same."""
    assert read(gzip.compress(gzip.compress(CYCLES.encode())), name="a.csv.gz.gz")[0].rows == 1
    (whole,) = read(gzip.compress(zipped(("a.csv", CYCLES))), name="a.zip.gz")
    assert (whole.rows, whole.file.source.member) == (1, "a.csv")


def test_a_zip_packed_too_often_is_refused_and_its_neighbours_are_read(read, zipped):
    """A zip that holds itself for ever ends at the depth that is stated."""
    packed = zipped(("a.csv", CYCLES))
    for _ in range(6):
        packed = zipped(("again.zip", packed), ("b.csv", OTHER))

    found = read(packed, name="deep.zip")

    assert [whole.file.status for whole in found] == ["unreadable", "loaded", "loaded", "loaded"]
    assert found[0].file.reason == (
        "The file is packed more than 3 times over. Unpack it by hand, or raise zip_depth under [limits] in shop.toml."
    )


def test_a_bomb_is_stopped_by_its_ratio(read, zipped):
    """A gigabyte of one letter in a megabyte is given up early, in one line, and quickly."""
    bomb = zipped(("a.csv", CYCLES), ("b.csv", b"0" * (200 * MIB)), ("c.csv", CYCLES))
    began = time.monotonic()

    found = read(bomb, name="bomb.zip")

    assert time.monotonic() - began < 10
    assert [(whole.file.source.member, whole.file.status) for whole in found] == [
        ("a.csv", "loaded"),
        (None, "unreadable"),
    ]
    assert found[1].file.reason == (
        "2 of the 3 files in the zip were not read: it unpacks to more than 300 times its size, as no log does; unpack "
        "it by hand, or raise unpacked_ratio under [limits] in shop.toml."
    )


def test_many_gzips_in_a_zip_share_what_they_may_unpack_to(read, zipped):
    """A thousand bombs are no more than one."""
    lines = "".join(f"M1,O1,2026-01-05T06:{n % 60:02}:{n % 59:02}Z,2026-01-05T09:00:00Z\n" for n in range(9_000))
    member = gzip.compress((CYCLES + lines).encode())
    bombs = zipped(*((f"{n}.csv.gz", member) for n in range(12)), compression=zipfile.ZIP_STORED)

    found = read(bombs, name="bombs.zip", unpacked_gib=4 / 1024)

    told = ["; ".join([whole.file.reason, *whole.messages]) for whole in found]
    assert 0 < len([text for text in told if "unpacks to more than" in text]) < 12
    assert 0 < sum(whole.rows for whole in found) < 12 * 9_000


def test_too_many_members_are_refused_before_they_are_listed(read, zipped):
    """The number in the zip's own end record is enough."""
    members = zipped(*((f"{n}.csv", CYCLES) for n in range(30)))

    (whole,) = read(members, name="many.zip", zip_members=20)

    assert whole.file.status == "unreadable"
    assert "30 files" in whole.file.reason
    assert "20 files are allowed" in whole.file.reason


def test_members_of_inner_zips_count_as_well(read, zipped):
    """Splitting the many over inner zips helps nobody."""
    inner = zipped(*((f"{n}.csv", CYCLES) for n in range(15)))

    found = read(zipped(("a.zip", inner), ("b.zip", inner)), name="many.zip", zip_members=20)

    assert [whole.file.status for whole in found] == ["loaded"] * 15 + ["unreadable"]


@pytest.mark.parametrize(
    "name", ["../../../etc/up.csv", "/abs/olute.csv", "C:\\temp\\x.csv", "..", "a/../../b.csv", "\\\\host\\share.csv"]
)
def test_names_that_climb_are_only_names(read, zipped, tmp_path, name):
    """Nothing is written anywhere, whatever a member is called; it is read under its name."""
    before = {folder: sorted(folder.iterdir()) for folder in (tmp_path, tmp_path.parent, Path("/"))}

    (whole,) = read(zipped((name, CYCLES)), name="climb.zip")

    assert whole.rows == 1
    assert whole.file.source.name.endswith(f"climb.zip!{name}")
    (tmp_path / "climb.zip").unlink()
    assert {folder: sorted(folder.iterdir()) for folder in before} == before


def test_members_of_one_name_are_both_read(read, zipped):
    """Each with its own bytes, told apart by a number."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library that writes the zip warns
        packed = zipped(("a.csv", CYCLES), ("a.csv", OTHER), ("b", CYCLES), ("b", OTHER))

    found = read(packed, name="twice.zip")

    assert [whole.file.source.member for whole in found] == ["a.csv", "a (2).csv", "b", "b (2)"]
    assert [whole.tables[0].rows["program"][0] for whole in found] == ["O1", "O2", "O1", "O2"]


def test_a_zip_without_logs_says_so(read, zipped):
    """Nothing is passed over in silence."""
    for packed in (zipped(), zipped(("shop.toml", "x")), zipped(("folder/", ""))):
        (whole,) = read(packed, name="empty.zip")
        assert whole.file.status == "unreadable"
        assert whole.file.reason == "The zip holds no log. Export it again; if the machine made nothing, delete it."


@pytest.mark.parametrize("share", [0.2, 0.5, 0.9, 0.99])
def test_a_truncated_zip_is_refused(read, zipped, share):
    """Cut off anywhere, it says that it is damaged."""
    packed = zipped(("a.csv", CYCLES * 50), ("b.csv", OTHER * 50))

    (whole,) = read(packed[: int(len(packed) * share)], name="cut.zip")

    assert whole.file.status == "unreadable"
    assert "damaged" in whole.file.reason


def test_a_damaged_member_does_not_take_the_others_along(read, zipped):
    """One checksum is wrong: that file is refused, the rest is read."""
    packed = bytearray(zipped(("a.csv", CYCLES), ("b.csv", OTHER), compression=zipfile.ZIP_STORED))
    packed[packed.find(b"O2")] = ord("P")

    found = read(bytes(packed), name="bad.zip")

    assert [(whole.file.status, whole.rows) for whole in found] == [("loaded", 1), ("unreadable", 0)]
    assert "cannot be unpacked" in found[1].file.reason


def test_a_zip64_is_read(tmp_path):
    """Zips in the format for huge files are zips, written here by the library itself."""
    path = tmp_path / "big.zip"
    with zipfile.ZipFile(path, "w") as archive, archive.open(zipfile.ZipInfo("a.csv"), "w", force_zip64=True) as member:
        member.write(CYCLES.encode())

    (file,) = read_file(path, ReadSettings())

    assert [table.rows.height for table in file.tables] == [1]


def test_a_directory_that_lies_about_its_size_is_refused(read, zipped):
    """An end record that promises a directory of gigabytes is not believed far enough to read it."""
    packed = bytearray(zipped(("a.csv", CYCLES)))
    struct.pack_into("<L", packed, packed.rfind(b"PK\x05\x06") + 12, 0xF0000000)

    (whole,) = read(bytes(packed), name="lie.zip")

    assert whole.file.status == "unreadable"


def test_unpacking_the_same_bytes_again_is_free(tmp_path, zipped):
    """A file that is read twice does not use up what it may unpack to twice."""
    path = tmp_path / "a.zip"
    path.write_bytes(zipped(("a.csv", CYCLES + "M1,O1,x,y\n" * 60_000)))
    limits = LimitSettings(unpacked_gib=1.5 / 1024)

    (file,) = read_file(path, ReadSettings(limits=limits))
    rows = sum(table.rows_read for table in file.tables)

    assert rows == 60_001


@given(
    st.lists(st.binary(max_size=3000) | st.builds(bytes, st.integers(0, 300_000)), max_size=4),
    st.integers(1, 100_000),
    st.integers(0, 40),
)
@settings(max_examples=60, deadline=None, derandomize=True)
def test_gunzip_gives_what_was_packed(parts, size, padding):
    """Any members one after the other, read in any steps, with zeros behind them, give the bytes that were packed."""
    packed = b"".join(gzip.compress(part) for part in parts) + b"\0" * padding
    stream, found = Gunzip(io.BytesIO(packed)), []
    while part := stream.read1(size):
        assert len(part) <= size
        found.append(part)

    assert b"".join(found) == b"".join(parts)


@given(st.binary(min_size=1, max_size=2000), st.data())
@settings(max_examples=60, deadline=None, derandomize=True)
def test_gunzip_of_half_a_member_gives_its_beginning_and_an_error(part, data):
    """What could be unpacked comes out; the end is told apart from a whole one."""
    packed = gzip.compress(part)
    cut = data.draw(st.integers(1, len(packed) - 1))
    stream, found = Gunzip(io.BytesIO(packed[:cut])), b""
    ended = ""
    while not ended:
        try:
            piece = stream.read1(100)
        except EOFError as error:
            ended = str(error)
        else:
            assert piece, "the end of half a file passed for the end of a whole one"
            found += piece

    assert part.startswith(found)


def test_a_gzip_with_an_endless_name_is_refused_quickly(read):
    """The name in the header of a gzip has no bound in the format."""
    began = time.monotonic()

    (whole,) = read(b"\x1f\x8b\x08\x08\0\0\0\0\0\x03" + b"a" * (30 * MIB), name="a.csv.gz")

    assert whole.file.status == "unreadable"
    assert time.monotonic() - began < 5


def test_no_file_is_left_open(read, zipped, tmp_path):
    """Archives are closed when nobody reads from them any more; an open file is a warning, and warnings are errors."""
    inner = zipped(("a.csv", CYCLES * 2))
    for _ in range(3):
        assert [whole.file.status for whole in read(zipped(("i.zip", inner)), name="open.zip")] == ["loaded"]
    assert not [link for link in Path("/proc/self/fd").iterdir() if "open.zip" in str(link.resolve())]
