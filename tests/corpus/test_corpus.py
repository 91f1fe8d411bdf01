"""Exports of many shops come in as a person reads them, or are refused; what nobody can read is refused."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

import pytest
from make_corpus import CORPUS, Either, Export

from flows.ingesting import ingest
from pipeline.progress import Null
from pipeline.store.book import open_book
from pipeline.workspace import Workspace
from schemas.columns import columns, required
from schemas.vocabulary import STORED_KINDS

READABLE: Final = sorted(name for name in CORPUS if not name.startswith("refused-"))
REFUSED: Final = sorted(set(CORPUS) - set(READABLE))
REFUSED_SHARE: Final = 0.05  # of the exports that a person could read
MISSED_SHARE: Final = 0.05  # of the fields that may be absent, but stand in the export
TIMES: Final = ("started_at", "occurred_at")


@dataclass(frozen=True)
class Outcome:
    """What became of an export."""

    statuses: tuple[tuple[str, str, str], ...]  # file, status, reason
    rows: dict[str, list[dict[str, Any]]]  # by kind, those that are stored
    rows_rejected: int
    rows_skipped: int
    unbalanced: int

    @property
    def refused(self) -> bool:
        """Whether no file of it came in."""
        return all(status == "needs a profile" for _, status, _ in self.statuses)

    @property
    def reasons(self) -> str:
        """What was said of files that did not come in."""
        return "\n".join(f"{file}: {status}. {reason}" for file, status, reason in self.statuses if status != "loaded")


@cache
def made(name: str) -> Export:
    """One export of the corpus."""
    return CORPUS[name]()


@cache
def outcome(name: str) -> Outcome:
    """Take one export in, as a shop would that has written its zone and machines down and nothing else."""
    export = made(name)
    with TemporaryDirectory() as folder:
        exports, shop = Path(folder, "exports"), Path(folder, "shop")
        for path, data in export.files.items():
            (exports / path).parent.mkdir(parents=True, exist_ok=True)
            (exports / path).write_bytes(data)
        shop.mkdir()
        named = "".join(f'[[machine]]\nid = "{machine}"\n' for machine in export.machines)
        (shop / "shop.toml").write_text(f'[shop]\ntimezone = "{export.zone}"\n{named}', encoding="utf-8")
        workspace = Workspace(shop)
        ingest([exports], workspace, Null())
        with open_book(workspace.book_path, read_only=True) as book:
            files = book.frame("from raw.source_file order by name")
            rows = {kind: book.frame(f"from core.{kind} order by file_id, row_number") for kind in STORED_KINDS}
    balance = files["rows_read"] - files["rows_loaded"] - files["rows_duplicate"] - files["rows_rejected"]
    return Outcome(
        tuple(files.select("name", "status", "reason").iter_rows()),
        {kind: frame.to_dicts() for kind, frame in rows.items() if frame.height},
        int(files["rows_rejected"].sum()),
        int(files["rows_skipped"].sum()),
        int((balance != 0).sum()),
    )


def same(found: object, wanted: object, within: float, *, number: bool = False) -> bool:
    """Return whether a value is one that a person may write down; `number` compares texts that are numbers as such."""
    if isinstance(wanted, Either):
        return any(same(found, value, within) for value in wanted.values)
    if found is None or wanted is None:
        return found is wanted
    if isinstance(wanted, datetime) and isinstance(found, datetime):
        return abs((found - wanted).total_seconds()) <= within
    if isinstance(wanted, float) or isinstance(found, float):
        return abs(float(found) - float(wanted)) <= max(within, 1e-9)  # type: ignore[arg-type]
    if number and found != wanted:
        try:
            return abs(float(str(found)) - float(str(wanted))) <= within
        except ValueError:
            return False
    return found == wanted


def in_order(rows: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return rows in the order of time and machine where they have a time, else as they stand."""
    at = next((name for name in TIMES if rows and name in rows[0]), None)
    return sorted(rows, key=lambda row: (row[at], row["machine"], row.get("item", ""))) if at else list(rows)


def missed(export: Export, rows: Sequence[dict[str, Any]]) -> list[str]:
    """Return the fields that may be absent and stand in the export, but were read in no row."""
    told = [name for name in columns(export.kind) if any(row.get(name) is not None for row in export.rows)]
    return [
        name for name in told if name not in required(export.kind) and not any(row[name] is not None for row in rows)
    ]


def differences(export: Export, found: Outcome) -> Iterator[str]:
    """Say each way in which what came in differs from what a person reads."""
    if others := {kind: len(rows) for kind, rows in found.rows.items() if kind != export.kind}:
        yield f"rows of another kind: {others}"
    stored = in_order(found.rows.get(export.kind, []))
    wanted = in_order(list(export.rows))
    if len(stored) != len(wanted):
        yield f"{len(stored)} rows came in, a person reads {len(wanted)}"
    left_out = missed(export, stored)
    fields = [name for name in columns(export.kind) if name not in (*left_out, *export.untold)]
    for place, (row, truth) in enumerate(zip(stored, wanted, strict=False), start=1):
        for name in fields:
            if not same(row[name], truth.get(name), export.within, number=name == "value"):
                yield f"row {place}: {name} is {row[name]!r}, a person reads {truth.get(name)!r}"
    if found.rows_rejected != export.rejected:
        yield f"{found.rows_rejected} rows rejected, a person rejects {export.rejected}"
    if export.skipped is not None and found.rows_skipped != export.skipped:
        yield f"{found.rows_skipped} lines skipped, a person skips {export.skipped}"
    if found.unbalanced:
        yield "the account of a file does not balance"


def test_the_corpus_is_wide_enough() -> None:
    assert len(READABLE) >= 60
    assert len(REFUSED) >= 10
    assert all(bool(made(name).refused) == (name in REFUSED) for name in CORPUS)
    assert {made(name).kind for name in READABLE} == {*STORED_KINDS}


@pytest.mark.parametrize("name", READABLE)
def test_what_a_person_can_read_is_read_right(name: str) -> None:
    found = outcome(name)
    if found.refused:
        assert not found.rows
        return  # how many may be refused is held below
    wrong = list(differences(made(name), found))
    assert not wrong, "\n".join([*wrong[:8], f"and {len(wrong) - 8} more" if len(wrong) > 8 else "", found.reasons])


@pytest.mark.parametrize("name", REFUSED)
def test_what_has_to_be_asked_is_refused(name: str) -> None:
    found = outcome(name)
    taken = {kind: rows[:2] for kind, rows in found.rows.items()}
    assert found.refused, f"nobody can tell {made(name).refused}, but it came in: {taken}"
    assert not found.rows


def test_few_readable_exports_are_refused() -> None:
    refused = [name for name in READABLE if outcome(name).refused]
    told = "\n".join(f"{name}: {outcome(name).reasons}" for name in refused)
    assert len(refused) <= REFUSED_SHARE * len(READABLE), f"{len(refused)} of {len(READABLE)} are refused:\n{told}"


def test_few_fields_are_left_out() -> None:
    read = [name for name in READABLE if not outcome(name).refused]
    left_out = {name: missed(made(name), outcome(name).rows.get(made(name).kind, [])) for name in read}
    optional = sum(len(missed(made(name), [])) for name in read)
    count = sum(map(len, left_out.values()))
    told = {name: fields for name, fields in left_out.items() if fields}
    assert count <= MISSED_SHARE * optional, f"{count} of {optional} fields are not read: {told}"
