"""Folders that mean harm, or look like it: links, pipes, sockets, what may not be read, names for no terminal."""

import os
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.read import files
from pipeline.read.files import find_sources, open_source, real_paths
from pipeline.read.reading import read_file
from pipeline.read.settings import ReadSettings

CYCLES = "machine,program,started_at,ended_at\nM1,O1,2026-01-05T06:00:00Z,2026-01-05T06:10:00Z\n"
NO_LOOK = "This is a pipe, a socket or a device, not a file. Leave it: it does no harm."


def told(top: Path) -> dict[str, str]:
    """Return what each source under a folder came to: `loaded`, or the reason."""
    settings = ReadSettings(roots=real_paths([top]))
    return {
        file.source.path.relative_to(top).as_posix(): file.reason or file.status
        for path in find_sources([top])
        for file in read_file(path, settings)
    }


def test_nothing_waits_for_a_pipe(tmp_path):
    """A pipe that nobody writes to, a socket and a device are named and left; the log beside them is read."""
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "device.csv").symlink_to("/dev/zero")
    (tmp_path / "log.csv").write_text(CYCLES)
    place = os.path.relpath(tmp_path / "s")  # the path of a socket is short
    with socket.socket(socket.AF_UNIX) as made:
        made.bind(place if len(place) < 100 else str(tmp_path / "s"))

        assert told(tmp_path) == {
            "device.csv": "This is a link that leads out of the folders given. Name the place it leads to as a source "
            "of its own.",
            "log.csv": "loaded",
            "pipe.csv": NO_LOOK,
            "s": NO_LOOK,
        }
    assert [file.reason for file in open_source(tmp_path / "device.csv")] == [NO_LOOK]  # named by the user himself


def test_a_file_that_turns_into_a_pipe_is_not_waited_for(tmp_path, monkeypatch):
    """What was looked at a moment ago may be another thing when it is opened."""
    os.mkfifo(tmp_path / "log.csv")
    looked, real = [], files._require_regular

    def late(mode: int, path: Path) -> None:
        looked.append(mode)
        if len(looked) > 1:
            real(mode, path)

    monkeypatch.setattr(files, "_require_regular", late)

    assert [file.reason for file in open_source(tmp_path / "log.csv")] == [NO_LOOK]


def test_links_stay_inside_what_was_given(tmp_path):
    """A link to a file or folder elsewhere is named, not followed; one inside adds nothing; one to nowhere says so."""
    away, top = tmp_path / "away", tmp_path / "top"
    for folder in (away, top / "in"):
        folder.mkdir(parents=True)
    (away / "secret.csv").write_text(CYCLES)
    (top / "in/log.csv").write_text(CYCLES)
    (top / "again").symlink_to(top / "in")
    (top / "loop").symlink_to(top)
    (top / "file.csv").symlink_to(away / "secret.csv")
    (top / "folder").symlink_to(away)
    (top / "gone.csv").symlink_to(tmp_path / "nowhere")
    (top / "self.csv").symlink_to(top / "self.csv")

    out = "This is a link that leads out of the folders given. Name the place it leads to as a source of its own."
    found = told(top)
    assert found.pop("self.csv").startswith("The file cannot be opened: Too many levels of symbolic links")
    assert found == {"file.csv": out, "folder": out, "gone.csv": out, "in/log.csv": "loaded"}

    settings = ReadSettings(roots=real_paths([top, away]))
    both = [(path.name, read_file(path, settings)[0].status) for path in find_sources([top, away])]
    assert both == [
        ("file.csv", "loaded"),  # and not once more where it lies
        ("gone.csv", "unreadable"),
        ("self.csv", "unreadable"),
        ("log.csv", "loaded"),
    ]


def test_a_link_given_by_the_user_is_followed(tmp_path):
    """Who names a link means what it leads to."""
    (tmp_path / "share").mkdir()
    (tmp_path / "share/log.csv").write_text(CYCLES)
    (tmp_path / "exports").symlink_to(tmp_path / "share")

    assert told(tmp_path / "exports") == {"log.csv": "loaded"}


def test_an_unreadable_folder_is_named(tmp_path, monkeypatch):
    """What lies in it is unknown, and that is said; the rest is read."""
    (tmp_path / "shut").mkdir()
    (tmp_path / "log.csv").write_text(CYCLES)
    real = os.scandir

    def scandir(path: object) -> object:
        if str(path).endswith("shut"):
            raise PermissionError(13, "Permission denied")
        return real(path)  # type: ignore[call-overload]

    monkeypatch.setattr(os, "scandir", scandir)

    assert told(tmp_path) == {
        "log.csv": "loaded",
        "shut": "The folder cannot be read: Permission denied. What is in it is not in the book; give yourself the "
        "right to read it and run again.",
    }


def test_an_unreadable_file_is_named(tmp_path, monkeypatch):
    """Refused as the system refuses it: whoever runs this may be root, who may read everything."""
    (tmp_path / "log.csv").write_text(CYCLES)
    (tmp_path / "shut.csv").write_text(CYCLES)
    (tmp_path / "shut.csv").chmod(0)
    if os.geteuid() == 0:
        real = os.open

        def refuse(path: object, *rest: object, **named: object) -> int:
            if str(path).endswith("shut.csv"):
                raise PermissionError(13, "Permission denied", str(path))
            return real(path, *rest, **named)  # type: ignore[arg-type]

        monkeypatch.setattr(os, "open", refuse)

    assert told(tmp_path) == {
        "log.csv": "loaded",
        "shut.csv": "The file cannot be opened: Permission denied. Check that you may read it.",
    }


def test_a_file_that_goes_meanwhile_is_named(tmp_path):
    """Found a moment ago, gone now."""
    (tmp_path / "a.csv").write_text(CYCLES)
    (path,) = find_sources([tmp_path])
    path.unlink()

    assert [file.reason for file in open_source(path)] == [
        "The file cannot be opened: No such file or directory. Check that you may read it."
    ]


def test_folders_deeper_than_recursion_goes_are_walked(tmp_path):
    """Two thousand folders inside one another, made step by step because no path is that long."""
    script = (
        "import os, sys\nos.chdir(sys.argv[1])\n"
        "for _ in range(1500):\n    os.mkdir('d')\n    os.chdir('d')\n"
        f"open('log.csv', 'w').write({CYCLES!r})\n"
    )
    subprocess.run([sys.executable, "-c", script, str(tmp_path)], check=True)

    try:
        found = list(find_sources([tmp_path]))
    finally:
        subprocess.run(["rm", "-rf", str(tmp_path / "d")], check=True)  # Python's own removal goes by recursion

    assert [path.name for path in found] == ["log.csv"]


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("a\nb: loaded.csv", "a\\u000ab: loaded.csv"),
        ("\x1b[2J\x1b]0;x\x07.csv", "\\u001b[2J\\u001b]0;x\\u0007.csv"),
        ("\u202egol.csv", "\\u202egol.csv"),
        (os.fsdecode(b"\xff\xfe.csv"), "\\udcff\\udcfe.csv"),
        ("\x9b31m.csv", "\\u009b31m.csv"),
        ("x" * 250 + ".csv", "x" * 250 + ".csv"),
    ],
)
def test_names_are_shown_and_never_obeyed(tmp_path, name, shown):
    """Line ends, escape sequences, marks that turn writing round and bytes that are no letters are written out."""
    (tmp_path / name).write_text(CYCLES)

    (file,) = read_file(tmp_path / name, ReadSettings())

    assert (file.status, Path(file.source.name).name) == ("loaded", shown)
    file.source.name.encode()


def test_a_very_long_path_is_shown_in_part(tmp_path):
    """Beginning and end tell which file it is."""
    deep = tmp_path.joinpath(*["folder" * 30] * 6)
    deep.mkdir(parents=True)
    (deep / "log.csv").write_text(CYCLES)

    (file,) = read_file(deep / "log.csv", ReadSettings())

    assert len(file.source.name) == 401
    assert file.source.name.startswith(str(tmp_path)[:40])
    assert file.source.name.endswith("/log.csv")
