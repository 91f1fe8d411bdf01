"""A small mutational fuzzer of all readers: sound files are damaged at random, and reading them must stay orderly.

    python tests/fuzz/fuzz_readers.py --minutes 10

No input may end in an exception, take long, or lose a row: rows read are rows accepted and rows rejected. The work is
done in a child process with bounded memory, so that a reader that ends the whole program is found as well. What fails
is kept under `--keep`, one file an input, with what it raised beside it.
"""

from __future__ import annotations

import argparse
import gzip
import io
import random
import resource
import subprocess
import sys
import tempfile
import time
import traceback
import zipfile
from collections.abc import Callable
from pathlib import Path

from samples import PROFILE, packed, samples

from pipeline.check.checking import check_rows
from pipeline.read.reading import read_file
from pipeline.read.settings import ReadSettings, SourceRule
from schemas.profile import Profile
from schemas.shop import LimitSettings, ShopFile
from schemas.toml_model import TomlError, parse
from schemas.vocabulary import FILE_STATUSES

MOST_SECONDS = 20.0
MOST_BYTES = 8 << 30
TOKENS = (
    *(
        b"\x00",
        b"\xff\xfe",
        b"\xef\xbb\xbf",
        b"\r",
        b"\r\n",
        b"\n\n",
        b'"',
        b'""',
        b"'",
        b";",
        b",",
        b"\t",
        b"|",
        b"\\",
        b"\x1a",
    ),
    *(
        b"\x1b[2J",
        b"\x1f",
        b"\x85",
        b"\xe2\x80\xae",
        b"\xed\xa0\x80",
        b"\xf0\x9f\x98\x80",
        b"\\ud800",
        b"{",
        b"}",
        b"[",
        b"]",
        b"@",
    ),
    *(
        b"-1",
        b"0",
        b"9" * 30,
        b"1e309",
        b"-1e-400",
        b"NaN",
        b"inf",
        b"-0.0",
        b"1,234.5",
        b"24:00:00",
        b"12/31/9999",
        b"0000-00-00",
    ),
    *(
        b"9999-12-31T23:59:60Z",
        b"1969-12-31T23:59:59.999999999Z",
        b"2026-03-29T02:30:00",
        b"99999999999999",
        b"null",
        b"true",
    ),
    *(
        b"<",
        b"</",
        b"/>",
        b"<!DOCTYPE x [<!ENTITY a 'b'>]>",
        b"&a;",
        b"&#0;",
        b"<![CDATA[",
        b"]]>",
        b"<!--",
        b"xmlns=",
        b"\x00<",
    ),
    *(
        b"machine",
        b"started_at",
        b"ended_at",
        b"duration_s",
        b"tool",
        b"=1+1",
        b"+",
        b"PK\x03\x04",
        b"PK\x05\x06",
        b"\x1f\x8b",
        b"PAR1",
    ),
)
ZONES = ("UTC", "Europe/Lisbon", "America/Sao_Paulo", "Australia/Lord_Howe")


def mutated(data: bytes, rng: random.Random, others: list[bytes]) -> bytes:
    """Return a damaged copy of some bytes."""
    found = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 3, 8, 30))):
        at = rng.randrange(len(found) + 1)
        length = min(len(found) - at, rng.choice((1, 2, 4, 8, 40, 200, 1000)))
        match rng.randrange(10):
            case 0 if found:
                found[at % len(found)] ^= 1 << rng.randrange(8)
            case 1 if found:
                found[at % len(found)] = rng.randrange(256)
            case 2:
                del found[at : at + length]
            case 3:
                found[at:at] = rng.choice(TOKENS) * rng.choice((1, 1, 1, 2, 60))
            case 4:
                found[at : at + length] = rng.choice(TOKENS)
            case 5:
                found[at:at] = found[at : at + length] * rng.choice((1, 2, 20))
            case 6:
                other = rng.choice(others)
                start = rng.randrange(len(other) + 1)
                found[at : at + length] = other[start : start + rng.choice((4, 40, 400))]
            case 7 if rng.random() < 0.3:
                del found[at:]
            case 8:
                found[at : at + length] = rng.randbytes(length)
            case _:
                lines = found.split(b"\n")
                place = rng.randrange(len(lines))
                lines[place:place] = [lines[rng.randrange(len(lines))]] * rng.choice((1, 3))
                found = bytearray(b"\n".join(lines))
    return bytes(found[: 1 << 20])


def damaged(name: str, data: bytes, rng: random.Random, others: list[bytes]) -> bytes:
    """Return a damaged copy of a sample: of a packed one as often what is inside as the packing."""
    if rng.random() < 0.4:
        return mutated(data, rng, others)
    if data.startswith(b"PK"):
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = {info.filename: archive.read(info) for info in archive.infolist()}
        chosen = rng.choice(list(members))
        members[chosen] = damaged(chosen, members[chosen], rng, others)
        if rng.random() < 0.1:
            members[rng.choice(("../../up.csv", "/abs.csv", "C:\\x.csv", "a\nb.csv", "\x1b[2J.csv", "x" * 300))] = (
                members[chosen]
            )
        return packed(members)
    if data.startswith(b"\x1f\x8b"):
        return gzip.compress(damaged(name, gzip.decompress(data), rng, others), mtime=0)
    return mutated(data, rng, others)


def settings_of(name: str, rng: random.Random) -> ReadSettings:
    """Return settings to read by: with the profile of the sample, and with a machine, now and then."""
    profile = parse(PROFILE, Profile, "p") if name == "foreign.csv" and rng.random() < 0.5 else None
    machine = "L2" if rng.random() < 0.5 else None
    rule = SourceRule("*", profile, rng.choice(ZONES), machine)
    return ReadSettings(sources=[rule], limits=LimitSettings(columns=rng.choice((50, 2000)), workbook_mib=64))


def read_whole(path: Path, settings: ReadSettings) -> int:
    """Read one file as ingest does and return its rows; raises where reading is not orderly."""
    rows_read = 0
    for file in read_file(path, settings):
        assert file.status in FILE_STATUSES
        assert (file.status == "loaded") != bool(file.reason), file
        file.source.name.encode()
        for table in file.tables:
            checked = check_rows(table)
            rejected = checked.rejects["row_number"].n_unique() if checked.rejects.height else 0
            assert table.rows_read == checked.rows.height + rejected, (table.rows_read, checked.rows.height, rejected)
            numbers = checked.rows["row_number"]
            assert numbers.n_unique() == len(numbers)
            rows_read += table.rows_read
    return rows_read


def try_one(name: str, data: bytes, folder: Path, rng: random.Random) -> None:
    """Give one input to what reads it; raises where that is not orderly, or takes long."""
    began = time.monotonic()
    if name.endswith(".toml"):
        try:
            parse(data.decode("utf-8", "replace"), Profile if name == "profile.toml" else ShopFile, name)
        except TomlError as refused:
            said = str(refused)
        else:
            said = name
        assert said.startswith(name)
    else:
        path = folder / name
        path.write_bytes(data)
        read_whole(path, settings_of(name, rng))
    took_s = time.monotonic() - began
    assert took_s < MOST_SECONDS, f"took {took_s:.0f} s"


def inputs(seed: int, only: str = "") -> Callable[[], tuple[str, bytes, random.Random]]:
    """Return what makes the next damaged input, the same ones for the same seed."""
    rng = random.Random(seed)
    sound = {name: data for name, data in samples().items() if only in name}
    others = list(sound.values())

    def make() -> tuple[str, bytes, random.Random]:
        name = rng.choice(list(sound))
        return name, damaged(name, sound[name], rng, others), random.Random(rng.random())

    return make


def work(seed: int, until: float, most: int, keep: Path, only: str) -> int:
    """Try inputs until the time is over, each laid down first so that it is there if the program ends."""
    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
    make, tried, failed = inputs(seed, only), 0, 0
    with tempfile.TemporaryDirectory() as folder:
        while time.time() < until and tried < most:
            name, data, rng = make()
            (keep / "current").write_bytes(name.encode() + b"\n" + data)
            try:
                try_one(name, data, Path(folder), rng)
            except KeyboardInterrupt:
                raise
            except BaseException:  # a panic of a library is no Exception
                failed += 1
                kept = keep / f"{seed}-{tried}-{name}"
                kept.write_bytes(data)
                kept.with_name(kept.name + ".why").write_text(traceback.format_exc(), "utf-8", "backslashreplace")
            tried += 1
    (keep / "current").unlink(missing_ok=True)
    sys.stdout.write(f"{tried} {failed}\n")
    return 0


def fuzz(minutes: float, most: int, seed: int, keep: Path, only: str) -> int:
    """Run workers one after the other until the time is over, or enough is tried; return how many inputs failed."""
    keep.mkdir(parents=True, exist_ok=True)
    until, tried, failed = time.time() + minutes * 60, 0, 0
    while time.time() < until and tried < most:
        end = min(until, time.time() + 120)
        command = [sys.executable, __file__, "--worker", str(end), "--inputs", str(most - tried), "--seed", str(seed)]
        command += ["--keep", str(keep), "--only", only]
        try:
            ended = subprocess.run(command, stdout=subprocess.PIPE, text=True, timeout=240, check=False)
            counts, why = ended.stdout.split(), f"the program ended with {ended.returncode}"
        except subprocess.TimeoutExpired:
            counts, why = [], "it did not end"
        if len(counts) == 2:
            tried, failed = tried + int(counts[0]), failed + int(counts[1])
        else:
            failed += 1
            name, _, data = (keep / "current").read_bytes().partition(b"\n")
            kept = keep / f"{seed}-ended-{name.decode()}"
            kept.write_bytes(data)
            kept.with_name(kept.name + ".why").write_text(why)
        seed += 1
    sys.stdout.write(f"{tried} inputs tried, {failed} failed{f'; see {keep}' if failed else ''}\n")
    return failed


def main() -> int:
    """Parse the command line and run."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--inputs", type=int, default=1 << 40, help="stop after so many")
    parser.add_argument("--seed", type=int, default=random.SystemRandom().randrange(1 << 30))
    parser.add_argument("--keep", type=Path, default=Path(tempfile.gettempdir()) / "spindlebook-fuzz")
    parser.add_argument("--only", default="", help="samples whose name holds this")
    parser.add_argument("--worker", type=float, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.worker:
        return work(given.seed, given.worker, given.inputs, given.keep, given.only)
    return 1 if fuzz(given.minutes, given.inputs, given.seed, given.keep, given.only) else 0


if __name__ == "__main__":
    sys.exit(main())
