"""Tables in random dialects come back equal or are refused with a proposal; files in any order and any split agree."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

import polars as pl
from dialects import HEADS, LANGUAGES, TABLES, Written, written
from hypothesis import HealthCheck, Phase, assume, given, settings
from hypothesis import strategies as st

from flows.ingesting import ingest
from pipeline.check.checking import check_rows
from pipeline.progress import Null
from pipeline.read.reading import read_file
from pipeline.read.recognition.writing import profile_text
from pipeline.read.rows import FileRead, TableRead
from pipeline.read.settings import ReadSettings, SourceRule
from pipeline.store.book import open_book
from pipeline.workspace import Workspace
from schemas.columns import columns, required
from schemas.profile import Profile
from schemas.toml_model import parse
from schemas.vocabulary import STORED_KINDS

PROPERTY = settings(
    max_examples=60,
    derandomize=True,
    deadline=None,
    database=None,
    phases=[Phase.generate],  # a smaller dialect tells no more than the one that is shown
    suppress_health_check=list(HealthCheck),
)
SURE_DIALECTS: Final = 150
READ_SHARE: Final = 0.9
MISSED_SHARE: Final = 0.05  # of the fields that may be absent, but stand in the export
BOOKKEEPING: Final = ("file_id", "row_number", "line")


def read(export: Written, profile: Profile | None = None) -> tuple[FileRead, list[TableRead]]:
    """Return what became of an export's one file, and its tables."""
    rules = () if profile is None else (SourceRule("*", profile),)
    with TemporaryDirectory() as folder:
        path = Path(folder, export.file_name)
        path.write_bytes(export.data)
        (file,) = read_file(path, ReadSettings(zone=export.zone, sources=rules))
        return file, [check_rows(table) for table in file.tables]


def in_order(rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return rows in the order of time, machine and item where they have a time, else as they stand in the file."""
    at = next((name for name in ("started_at", "occurred_at") if rows and name in rows[0]), None)
    return sorted(rows, key=lambda row: (row[at], row["machine"], row.get("item", ""))) if at else list(rows)


def close(found: Any, wanted: Any, within: float) -> bool:
    """Return whether two values are the same as far as the dialect tells."""
    if found is None or wanted is None:
        return found is wanted
    if hasattr(wanted, "tzinfo"):
        return abs((found - wanted).total_seconds()) <= within
    if isinstance(wanted, int | float):
        return abs(found - wanted) <= within
    return bool(found == wanted)


def wrongs(export: Written, tables: Sequence[TableRead]) -> list[str]:
    """Say how what was read differs from what is true; a field that may be absent may be left out as a whole."""
    kinds = {table.kind for table in tables}
    if kinds != {export.kind}:
        return [f"it is read as {kinds}"]
    rows = in_order(pl.concat([table.rows for table in tables]).sort("row_number").to_dicts())
    rejects = pl.concat([table.rejects for table in tables])
    told = [f"rejected: {message}" for message in rejects["message"].head(2)]
    if len(rows) != len(export.rows):
        told.append(f"{len(rows)} rows, not {len(export.rows)}")
    fields = [
        name
        for name in columns(export.kind)
        if name in required(export.kind) or any(row[name] is not None for row in rows)
    ]
    if export.kind == "event":
        fields = ["machine", "occurred_at", "item", "value"]
    for row, truth in zip(rows, in_order(export.rows), strict=False):
        told += [
            f"{name} is {row[name]!r}, not {truth.get(name)!r}"
            for name in fields
            if not close(row[name], truth.get(name), export.within)
        ]
    return told


def missed(export: Written, tables: Sequence[TableRead]) -> list[str]:
    """Return the fields that may be absent and stand in the export, but were read in no row."""
    told = [name for name in export.rows[0] if name in columns(export.kind) and name not in required(export.kind)]
    return [name for name in told if all(table.rows[name].null_count() == table.rows.height for table in tables)]


def account(tables: Sequence[TableRead]) -> None:
    """Hold that every row that was read is accepted or rejected."""
    for table in tables:
        assert table.rows_read == table.rows.height + table.rejects["row_number"].n_unique()


def shown(export: Written) -> str:
    """Return what a failure has to show of an export."""
    return f"{export.kind} {export.language} {export.zone}: {export.how}\n{export.columns}"


def test_the_names_of_columns_are_those_of_all_languages() -> None:
    assert len(LANGUAGES) == 10
    assert all(names for wordings in HEADS.values() for names in wordings.values())


@PROPERTY
@given(chance=st.randoms(use_true_random=False))
def test_a_random_dialect_comes_back_equal_or_is_refused(chance: random.Random) -> None:
    export = written(chance)
    file, tables = read(export)
    account(tables)
    if file.status == "loaded":
        wrong = wrongs(export, tables)
        assert not wrong, "\n".join([*wrong[:5], shown(export)])
    else:
        assert file.status == "needs a profile", f"{file.status}: {file.reason}\n{shown(export)}"
        assert file.proposal is not None, f"{file.reason}\n{shown(export)}"


@settings(PROPERTY, max_examples=25)
@given(chance=st.randoms(use_true_random=False))
def test_the_profile_written_down_reads_the_same(chance: random.Random) -> None:
    export = written(chance)
    file, tables = read(export)
    assume(file.status == "loaded" and file.proposal is not None)
    assert file.proposal is not None
    text = profile_text(file.proposal)
    again, tables_again = read(export, parse(text, Profile, "proposed.toml"))
    assert again.status == "loaded", f"{again.reason}\n{text}\n{shown(export)}"
    for before, after in zip(tables, tables_again, strict=True):
        assert before.rows.equals(after.rows), f"{before.rows}\n{after.rows}\n{text}\n{shown(export)}"
        assert before.rejects["row_number"].equals(after.rejects["row_number"])


def test_nine_of_ten_dialects_are_read() -> None:
    refused: Counter[str] = Counter()
    wrong: list[str] = []
    examples: list[str] = []
    left_out: Counter[str] = Counter()
    optional = 0
    for seed in range(SURE_DIALECTS):
        export = written(random.Random(seed), sure=True)
        file, tables = read(export)
        if file.status != "loaded":
            refused[export.kind] += 1
            examples.append(f"seed {seed}: {shown(export)}\n  {file.reason}")
        elif told := wrongs(export, tables):
            wrong.append(f"seed {seed}: {told[0]}\n  {shown(export)}")
        else:
            optional += sum(name not in required(export.kind) for name in export.rows[0])
            left_out.update(f"{export.language} {name}" for name in missed(export, tables))
    share = 1 - refused.total() / SURE_DIALECTS
    print(f"{share:.1%} of {SURE_DIALECTS} random dialects are read; refused by kind: {dict(refused)}")  # noqa: T201
    print(f"{left_out.total()} of {optional} fields that may be absent are left out: {dict(left_out)}")  # noqa: T201
    assert not wrong, "\n".join([f"{len(wrong)} are read wrong:", *wrong[:5]])
    assert share >= READ_SHARE, "\n".join([f"{share:.1%} read; refused {dict(refused)}", *examples[:8]])
    assert left_out.total() <= MISSED_SHARE * optional, f"{left_out.total()} of {optional} are left out: {left_out}"


# --- files in any order, any split ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Store:
    """What a book holds, without the columns that say where a row came from, and the files that did not come in."""

    frames: dict[str, pl.DataFrame]
    refused: frozenset[str]

    def same_as(self, other: Store) -> bool:
        """Return whether two books hold the same."""
        kinds = set(self.frames)
        return kinds == set(other.frames) and all(self.frames[kind].equals(other.frames[kind]) for kind in kinds)

    def within(self, other: Store) -> bool:
        """Return whether all that this book holds stands in the other one too."""
        return all(
            kind in other.frames
            and not frame.join(other.frames[kind], on=frame.columns, how="anti", nulls_equal=True).height
            for kind, frame in self.frames.items()
        )


def stored(parts: Sequence[tuple[str, bytes]], zone: str, folder: Path) -> Store:
    """Take files in, one run after the other."""
    exports, shop = folder / "exports", folder / "shop"
    exports.mkdir(parents=True)
    shop.mkdir()
    (shop / "shop.toml").write_text(f'[shop]\ntimezone = "{zone}"\n', encoding="utf-8")
    workspace = Workspace(shop)
    for name, data in parts:
        (exports / name).write_bytes(data)
        ingest([exports / name], workspace, Null())
    with open_book(workspace.book_path, read_only=True) as book:
        refused = book.frame("select name from raw.source_file where status <> 'loaded'")["name"]
        frames = {kind: book.frame(f"from core.{kind}").drop(*BOOKKEEPING) for kind in STORED_KINDS}
    return Store(
        {kind: frame.sort(frame.columns) for kind, frame in frames.items() if frame.height},
        frozenset(Path(name).name for name in refused),
    )


@settings(PROPERTY, max_examples=6)
@given(chance=st.randoms(use_true_random=False), kind=st.sampled_from(sorted(TABLES)))
def test_any_split_and_any_order_of_files_store_the_same(chance: random.Random, kind: str) -> None:
    export = written(chance, plain_text=True, kind=kind)
    assume(read(export)[0].status == "loaded")
    head, *body = export.data.decode().splitlines()
    cuts = [0, *range(chance.randint(5, 9), len(body) - 4, max(chance.randint(5, 9), len(body) // 3)), len(body)]
    overlap = chance.choice((0, 2))
    parts = [
        (f"part {place}.csv", "\n".join([head, *body[max(first - overlap, 0) : last], ""]).encode())
        for place, (first, last) in enumerate(pairwise(cuts))
    ]
    chance.shuffle(parts)
    with TemporaryDirectory() as folder:
        whole = stored([("all.csv", export.data)], export.zone, Path(folder, "whole"))
        split = stored(parts, export.zone, Path(folder, "split"))
        turned = stored(parts[::-1], export.zone, Path(folder, "turned"))
    assert split.refused == turned.refused, shown(export)
    assert split.same_as(turned), f"{split}\n{turned}\n{shown(export)}"
    assert split.within(whole), f"{split}\n{whole}\n{shown(export)}"
    assert split.refused or split.same_as(whole), f"{split}\n{whole}\n{shown(export)}"
