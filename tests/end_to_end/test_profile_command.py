"""A file that leaves something open: listed, proposed, kept, read - through the installed command."""

import re
import subprocess
from collections.abc import Callable
from pathlib import Path

import duckdb

Command = Callable[..., "subprocess.CompletedProcess[str]"]

# The 3rd of April or the 4th of March: nothing in the file tells.
ASKED = """Machine;Program;Start;End;Parts
M1;O1;03/04/2026 07:02;03/04/2026 07:14;1
M1;O1;03/04/2026 07:16;03/04/2026 07:28;1
"""


def test_what_is_asked_is_answered_once_for_files_named_alike(spindlebook: Command, tmp_path: Path) -> None:
    exports, shop = tmp_path / "exports", tmp_path / "shop"
    exports.mkdir()
    (exports / "cycles_01.csv").write_text(ASKED)

    first = spindlebook("ingest", exports, "--workspace", shop)
    listed = spindlebook("rejects", "--workspace", shop)
    kept = spindlebook("profile", exports / "cycles_01.csv", "--workspace", shop, "--save")
    (exports / "cycles_02.csv").write_text(ASKED.replace("03/04", "03/05"))
    waiting = spindlebook("ingest", exports, "--workspace", shop)
    twice = spindlebook("profile", exports / "cycles_01.csv", "--workspace", shop, "--save")
    [profile] = (shop / "profiles").iterdir()
    profile.write_text(re.sub(r"(?s)to_check = \[.*?\n\]\n", "", profile.read_text()))
    kept_again = spindlebook("profile", exports / "cycles_01.csv", "--workspace", shop, "--save")
    again = spindlebook("ingest", exports, "--workspace", shop)

    assert first.returncode == 3
    assert "spindlebook profile" in listed.stdout
    assert kept.returncode == 0, kept.stderr
    assert "To be checked" in kept.stderr
    assert waiting.returncode == 3
    assert "to_check" in waiting.stdout
    assert twice.returncode == 0
    assert kept_again.returncode == 2  # what a person mended is not written over
    assert "exports/cycles_*.csv" in (shop / "shop.toml").read_text()
    assert again.returncode == 0, again.stderr
    with duckdb.connect(str(shop / "spindlebook.duckdb"), read_only=True) as book:
        assert book.execute("select count(*) from core.cycle").fetchall() == [(4,)]


def test_a_proposal_is_printed_as_a_profile(spindlebook: Command, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(ASKED)

    done = spindlebook("profile", tmp_path / "a.csv", "--workspace", tmp_path / "shop")

    assert done.returncode == 0
    assert 'kind = "cycle"' in done.stdout
    assert not (tmp_path / "shop").exists()


def test_files_that_need_none_and_files_that_are_none(spindlebook: Command, tmp_path: Path) -> None:
    own = "machine,program,started_at,ended_at\nM1,O1,2026-03-04T07:00:00Z,2026-03-04T07:10:00Z\n"
    (tmp_path / "own.csv").write_text(own)
    (tmp_path / "letter.txt").write_text("A letter\n\nand no log at all\n")

    needs_none = spindlebook("profile", tmp_path / "own.csv")
    no_log = spindlebook("profile", tmp_path / "letter.txt")
    no_file = spindlebook("profile", tmp_path / "nowhere.csv")

    assert (needs_none.returncode, needs_none.stdout) == (0, "")
    assert "needs no profile" in needs_none.stderr
    assert no_log.returncode == 3
    assert no_file.returncode == 3
