"""A folder full of harm beside one good log: the good log comes in, each of the others gives one clear line."""

import gzip
import os
import zipfile
from pathlib import Path

import duckdb
import pytest

from pipeline.cli import main
from pipeline.errors import Exit

CYCLES = "machine,program,started_at,ended_at\nM1,{},2026-01-05T06:00:00Z,2026-01-05T06:10:00Z\n"
SHOP = '[shop]\nname = "Shop"\ntimezone = "UTC"\n'


def lay_out(folder: Path) -> None:
    """Write one file of each sort, none of them large."""
    (folder / "sub").mkdir(parents=True)
    (folder / "good.csv").write_text(CYCLES.format("O1"))
    (folder / "line\nbreak \x1b[2J.csv").write_text(CYCLES.format("O2"))
    (folder / os.fsdecode(b"\xff.csv")).write_text(CYCLES.format("=cmd()"))
    (folder / "empty.csv").touch()
    (folder / "noise.bin").write_bytes(bytes(range(256)) * 50)
    (folder / "wide.csv").write_text(",".join(f"c{n}" for n in range(5000)) + "\n")
    (folder / "cut.csv.gz").write_bytes(gzip.compress(CYCLES.format("O3").encode() * 400)[:-20])
    (folder / "entities.xml").write_text('<!DOCTYPE x [<!ENTITY a "b">]><x>&a;</x>')
    (folder / "names.csv").write_text(CYCLES.format("<script>alert(1)</script>\x1b[31m\u202e"))
    (folder / "away.csv").symlink_to("/etc/hostname")
    (folder / "sub/loop").symlink_to(folder)
    (folder / "sub/self.csv").symlink_to(folder / "sub/self.csv")
    os.mkfifo(folder / "pipe.csv")
    with zipfile.ZipFile(folder / "members.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("../climbs.csv", CYCLES.format("O4"))
        archive.writestr("bomb.csv", b"\n" * (80 << 20))


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    lay_out(tmp_path / "in")
    (tmp_path / "shop").mkdir()
    (tmp_path / "shop/shop.toml").write_text(SHOP)
    return tmp_path


def test_ingest_goes_on(shop: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """Exit code 0, the good rows are in the book, and no control character reaches the terminal; twice the same."""
    for _ in range(2):
        assert main(["-q", "ingest", str(shop / "in"), "-w", str(shop / "shop")]) == Exit.DONE
        said = "".join(capfd.readouterr())
        assert not [letter for letter in said if not letter.isprintable() and letter != "\n"]

    with duckdb.connect(str(shop / "shop/spindlebook.duckdb"), read_only=True) as book:
        programs = {program for (program,) in book.sql("select program from core.cycle").fetchall()}
        files = dict(book.sql("select name, status from raw.source_file").fetchall())
        (unbalanced,) = book.sql(
            "select count(*) from raw.source_file where rows_read <> rows_loaded + rows_duplicate + rows_rejected"
        ).fetchall()[0]

    assert {"O1", "O2", "O4", "=cmd()"} <= programs
    assert unbalanced == 0
    told = {Path(name).name: status for name, status in files.items()}
    for name in ("empty.csv", "noise.bin", "wide.csv", "entities.xml", "away.csv", "pipe.csv"):
        assert told[name] == "unreadable", name
    assert "self.csv" in said
    assert not [name for name in files if "\n" in name or "\x1b" in name]


def test_each_gives_one_line(shop: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """`check` names every file that is not read once, on one line, with what to do."""
    assert main(["-q", "check", str(shop / "in"), "-w", str(shop / "shop")]) == Exit.DONE

    lines = capfd.readouterr().out.splitlines()
    for name in ("empty.csv", "noise.bin", "wide.csv", "entities.xml", "away.csv", "self.csv", "pipe.csv"):
        (line,) = [line for line in lines if f"/{name}: " in line]
        assert line.endswith(".")
    assert [line for line in lines if "unpacks to more than 300 times its size" in line]


def test_a_folder_with_nothing_but_harm_ends_with_3(shop: Path) -> None:
    """Nothing could be read: that is its own exit code, not a fault of ours."""
    for good in (
        "good.csv",
        "names.csv",
        "members.zip",
        "cut.csv.gz",
        "line\nbreak \x1b[2J.csv",
        os.fsdecode(b"\xff.csv"),
    ):
        (shop / "in" / good).unlink()

    for command in ("ingest", "check"):
        assert main(["-q", command, str(shop / "in"), "-w", str(shop / "shop")]) == Exit.INPUT


def test_reports_of_hostile_names_are_harmless(shop: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """What a file is called, or a program, runs nowhere: not in a terminal, not in a spreadsheet."""
    (shop / "in" / "bad.csv").write_text(CYCLES.format("O9").replace("2026-01-05T06:10:00Z", '"=cmd()\x1b[2J"'))
    main(["-q", "ingest", str(shop / "in"), "-w", str(shop / "shop")])
    capfd.readouterr()

    for form in ("table", "csv", "json"):
        assert main(["rejects", "-w", str(shop / "shop"), "--format", form]) == Exit.DONE
        said = capfd.readouterr().out
        assert "cmd()" in said
        assert "\x1b" not in said
        assert not [line for line in said.splitlines() if line.startswith("=")]
        assert ",=cmd" not in said
