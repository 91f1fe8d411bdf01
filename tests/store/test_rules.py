"""The rules of loading, one by one: identity, corrections, provenance, rejects, and files that come again."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest

from pipeline.errors import AuditError
from pipeline.read.rows import FileRead, TableRead
from pipeline.store.accounting import audit_store, fingerprint, require
from pipeline.store.accounts import known_files
from pipeline.store.book import Book, open_book
from pipeline.store.loading import load_file
from pipeline.store.touched import note_derived, touched_days
from schemas.vocabulary import InputKind


@pytest.fixture
def book() -> Iterator[Book]:
    with open_book(None, threads=1) as opened:
        yield opened


@pytest.fixture(autouse=True)
def _every_law_holds(book: Book) -> Iterator[None]:
    yield
    require(audit_store(book, thorough=True))


def held(book: Book, kind: InputKind) -> list[dict[str, Any]]:
    return book.frame(f"select * from core.{kind} order by all").to_dicts()


def counts(book: Book) -> dict[str, tuple[int, int, int, int]]:
    return {
        known.name: (known.rows_read, known.rows_loaded, known.rows_duplicate, known.rows_rejected)
        for known in known_files(book).values()
    }


def test_rows_arrive_whole_with_their_provenance(book: Book, making: Any) -> None:
    """An accepted row keeps every field, and cites file, row number and line."""
    row = making.cycle(3, parts=2, scrap=1, outcome="complete", job="J7", operation="10", revision="B", operator="ab")
    file = making.file("a.csv", making.table("cycle", [row]))
    loaded = load_file(book, file)
    assert (loaded.rows_read, loaded.rows_loaded, loaded.rows_duplicate) == (1, 1, 0)
    provenance = {"occurrence": 0, "file_id": file.source.file_id, "row_number": 1, "line": 2}
    assert held(book, "cycle") == [{**row, **provenance}]
    text = ";".join(str(value) for value in row.values())
    assert book.frame("select * from raw.source_row").rows() == [(file.source.file_id, 1, text)]


def test_source_file_keeps_its_account(book: Book, making: Any) -> None:
    """raw.source_file tells what was read, from when to when, with what profile, and what the reader noted."""
    table = making.table("cycle", [making.cycle(0), making.cycle(9)], notes=("2 ambiguous times",))
    file = replace(making.file("exports/a.csv", table), profile="old lathe", told="how others are read")
    load_file(book, file, "settings 1")
    (account,) = book.frame("select * exclude (ingested_at) from raw.source_file").to_dicts()
    assert account.pop("rank").endswith(f" {file.source.sha256}")
    assert account == {
        "file_id": file.source.sha256[:12],
        "sha256": file.source.sha256,
        "name": "exports/a.csv",
        "bytes": 100,
        "shape": "table",
        "profile": "old lathe",
        "status": "loaded",
        "reason": "",
        "rows_read": 2,
        "rows_loaded": 2,
        "rows_duplicate": 0,
        "rows_rejected": 0,
        "rows_skipped": 0,
        "first_record_at": making.start,
        "last_record_at": making.start + timedelta(minutes=13),
        "notes": "2 ambiguous times",
        "reading_fingerprint": "settings 1",
        "stale": False,
        "is_extent_known": False,  # told at the end of a run, for all of its files
        "told": "how others are read",
    }


IDENTITIES: list[tuple[InputKind, dict[str, Any], dict[str, Any], bool]] = [
    # kind, fields of one row, what differs in the other row, is it the same fact?
    ("cycle", {}, {"ms": 400}, True),
    ("cycle", {}, {"ms": 1000}, False),
    ("cycle", {}, {"program": "O2"}, False),
    ("cycle", {}, {"machine": "M2"}, False),
    ("cycle", {}, {"parts": 3, "outcome": "aborted", "operator": "x"}, True),
    ("tool_change", {"tool": "4"}, {"ms": 999}, True),
    ("tool_change", {"tool": "4"}, {"tool": "5"}, False),
    ("tool_change", {"tool": "4"}, {"pocket": "12"}, True),
    ("edge_change", {"tool": "4", "reason": "worn"}, {"reason": "broken"}, True),
    ("edge_change", {"tool": "4", "reason": "worn"}, {"machine": "M2"}, False),
    ("event", {"item": "Load"}, {"ms": 1}, False),
    ("event", {"item": "Load"}, {"value": "5"}, True),
    ("event", {"item": "Load"}, {"item": "Axis"}, False),
    ("event", {"item": "Load", "data_item_id": "d1"}, {"item": "Other"}, True),
    ("event", {"item": "Load", "data_item_id": "d1"}, {"data_item_id": "d2"}, False),
    ("event", {"item": "Motion", "native_code": "100"}, {"native_code": "101"}, False),
    ("event", {"item": "Motion"}, {"native_code": "101"}, False),
    ("estimate", {"job": "J", "operation": "10", "cut_s": 4.0}, {"cut_s": 5.0, "quantity": 3}, True),
    ("estimate", {"job": "J", "operation": "10", "cut_s": 4.0}, {"operation": "20"}, False),
    ("estimate", {"job": "J", "operation": "10", "cut_s": 4.0}, {"program": "O1"}, False),
    ("estimate", {"job": "J", "operation": "10", "cut_s": 4.0}, {"machine": "M1"}, False),
    ("estimate", {"job": "J", "operation": "10", "cut_s": 4.0}, {"tool": "7"}, False),
    ("estimate", {"job": "J", "operation": "10", "cut_s": 4.0}, {"revision": "C"}, False),
    ("job", {"job": "J", "part": "P", "quantity": 5}, {"quantity": 6}, True),
    ("job", {"job": "J", "part": "P", "quantity": 5}, {"ordered_on": date(2026, 3, 2)}, False),
    ("job", {"job": "J", "part": "P", "quantity": 5}, {"job": "K"}, False),
]


@pytest.mark.parametrize(("kind", "fields", "other", "same"), IDENTITIES)
def test_identity_of_a_fact(
    book: Book, making: Any, kind: InputKind, fields: dict[str, Any], other: dict[str, Any], same: bool
) -> None:
    """What makes two rows one fact is as DESIGN section 4 says, field by field."""

    def row(given: dict[str, Any]) -> dict[str, Any]:
        later = timedelta(milliseconds=given.get("ms", 0))
        rest = {name: value for name, value in given.items() if name != "ms"}
        if kind == "cycle":
            made = making.cycle(0)
            return {**made, "started_at": made["started_at"] + later, **rest}
        if kind in ("estimate", "job"):
            return rest
        return {"machine": "M1", "occurred_at": making.start + later, **rest}

    load_file(book, making.file("a", making.table(kind, [row(fields)])))
    load_file(book, making.file("b", making.table(kind, [row({**fields, **other})])))
    assert len(held(book, kind)) == (1 if same else 2)
    assert book.frame("select count(*) from raw.superseded").item() == (1 if same else 0)


def test_repeats_inside_a_file_are_occurrences(book: Book, making: Any) -> None:
    """Rows of one identity in one file are kept apart by their order, over all of its chunks."""
    one, other = making.cycle(0, parts=1), making.cycle(0, parts=2)
    file = making.file("a", making.table("cycle", [one, making.cycle(5)]), making.table("cycle", [other], first_row=3))
    assert load_file(book, file).rows_loaded == 3
    assert [(row["occurrence"], row["parts"]) for row in held(book, "cycle") if row["row_number"] != 2] == [
        (0, 1),
        (1, 2),
    ]
    again = making.file("b", making.table("cycle", [one, other]))
    load_file(book, again)
    assert len(held(book, "cycle")) == 3


def test_later_last_record_wins_and_the_loser_is_kept_with_a_link(book: Book, making: Any) -> None:
    """A correction replaces the row; the old one counts as duplicate and stands in raw.superseded with what changed."""
    old = making.file("old", making.table("cycle", [making.cycle(0, parts=1), making.cycle(5, parts=1)]))
    new = making.file("new", making.table("cycle", [making.cycle(5, parts=2, scrap=1), making.cycle(10)]))
    load_file(book, old)
    loaded = load_file(book, new)
    assert loaded.changed_files == (old.source.file_id,)
    assert counts(book) == {"old": (2, 1, 1, 0), "new": (2, 2, 0, 0)}
    assert [(row["parts"], row["file_id"]) for row in held(book, "cycle")] == [
        (1, old.source.file_id),
        (2, new.source.file_id),
        (None, new.source.file_id),
    ]
    (superseded,) = book.frame("select * from raw.superseded").to_dicts()
    assert json.loads(superseded.pop("row_json"))["parts"] == 1
    assert json.loads(superseded.pop("changed")) == {"parts": [1, 2], "scrap": [None, 1]}
    assert json.loads(superseded.pop("filled")) == []
    row = making.cycle(5, parts=1)
    assert superseded == {
        "kind": "cycle",
        "file_id": old.source.file_id,
        "row_number": 2,
        "line": 3,
        "occurrence": 0,
        "raw": ";".join(str(value) for value in row.values()),
        "winner_file_id": new.source.file_id,
        "winner_row_number": 1,
    }
    assert book.frame("select file_id, row_number from raw.source_row order by all").rows() == sorted(
        [(old.source.file_id, 1), (new.source.file_id, 1), (new.source.file_id, 2)]
    )


def test_equal_last_records_of_equal_exports_are_decided_by_the_larger_hash(book: Book, making: Any) -> None:
    """Where no file is later and none says more, and for rows without times, the larger SHA-256 wins."""
    files = [
        making.file(name, making.table("estimate", [{"job": "J", "operation": "10", "cut_s": cut_s}]))
        for name, cut_s in (("a", 1.0), ("b", 2.0), ("c", 3.0))
    ]
    for file in files:
        load_file(book, file)
    largest = max(files, key=lambda file: file.source.sha256)
    assert [row["file_id"] for row in held(book, "estimate")] == [largest.source.file_id]
    assert book.frame("select distinct winner_file_id from raw.superseded").item() == largest.source.file_id
    assert book.frame("select count(*) from raw.superseded").item() == 2


def test_a_version_said_twice_is_on_record_once(book: Book, making: Any) -> None:
    """Of a losing version the book keeps one row, cited from the last file that gave it."""
    first = making.file("first", making.table("cycle", [making.cycle(0, parts=1), making.cycle(10)]))
    second = making.file("second", making.table("cycle", [making.cycle(0, parts=1), making.cycle(20)]))
    last = making.file("last", making.table("cycle", [making.cycle(0, parts=2), making.cycle(30)]))
    for file in (last, second, first):
        load_file(book, file)
    assert book.frame("select file_id, winner_file_id from raw.superseded").rows() == [
        (second.source.file_id, last.source.file_id)
    ]
    assert counts(book) == {"first": (2, 1, 1, 0), "second": (2, 1, 1, 0), "last": (2, 2, 0, 0)}


def test_a_version_that_comes_back_holds_again(book: Book, making: Any) -> None:
    """The last file decides, also when it says again what an earlier one said; then nothing of that version is kept."""
    for name, parts, reach in (("a", 1, 10), ("b", 2, 20), ("c", 1, 30)):
        load_file(book, making.file(name, making.table("cycle", [making.cycle(0, parts=parts), making.cycle(reach)])))
    by_name = {known.name: known.file_id for known in known_files(book).values()}
    assert held(book, "cycle")[0]["parts"] == 1
    assert book.frame("select file_id, winner_file_id, changed from raw.superseded").rows() == [
        (by_name["b"], by_name["c"], '{"parts":[2,1]}')
    ]


def test_rejects_and_skipped_lines_are_kept_whole(book: Book, making: Any) -> None:
    """A row with two faults is one rejected row and two rejects; skipped lines are no rows."""
    fault = {
        "row_number": 2,
        "line": 3,
        "column": "Start",
        "value": "31.02.2026",
        "reason": "not_a_time",
        "message": "There is no 31 February; mend the date.",
        "raw": "M1;O1;31.02.2026;x",
    }
    rejects = [fault, {**fault, "column": "Parts", "value": "x", "reason": "not_a_number"}]
    skipped = [{"line": 1, "why": "title line", "raw": "Cycle report"}]
    loaded = load_file(
        book, making.file("a", making.table("cycle", [making.cycle(0)], rejects=rejects, skipped=skipped))
    )
    assert (loaded.rows_read, loaded.rows_loaded, loaded.rows_rejected, loaded.rows_skipped) == (2, 1, 1, 1)
    kept = book.frame("select * exclude (file_id, taken_up_by) from raw.reject order by column_name").to_dicts()
    assert kept == [
        {("column_name" if name == "column" else name): value for name, value in reject.items()}
        for reject in sorted(rejects, key=lambda reject: reject["column"])
    ]
    assert book.frame("select line, why, raw from raw.skipped").rows() == [(1, "title line", "Cycle report")]


def test_a_file_of_several_kinds(book: Book, making: Any) -> None:
    """A workbook's sheets land in their own tables and share one account."""
    tables = (
        making.table("cycle", [making.cycle(0)]),
        making.table("job", [{"job": "J", "part": "P", "quantity": 4, "ordered_on": date(2026, 3, 1)}], first_row=2),
        making.table("event", [making.event(3, value="ACTIVE")], first_row=3),
    )
    assert load_file(book, making.file("book.xlsx", *tables)).rows_loaded == 3
    assert [len(held(book, kind)) for kind in ("cycle", "job", "event")] == [1, 1, 1]
    assert held(book, "job")[0]["ordered_on"] == date(2026, 3, 1)


def test_a_known_file_is_left_alone(book: Book, making: Any) -> None:
    """The same bytes under the same settings are not even drawn from the reader."""
    file = making.file("a", making.table("cycle", [making.cycle(0)]))
    load_file(book, file, "settings 1")

    def unread() -> Iterator[TableRead]:
        raise AssertionError("read again")
        yield

    again = load_file(book, replace(file, tables=unread()), "settings 1")
    assert again.already_known
    assert (again.rows_read, again.rows_loaded) == (1, 1)


@pytest.mark.parametrize("status", ["unreadable", "needs a profile", "set aside"])
def test_a_file_that_gave_no_rows_is_taken_up_again_with_other_settings(book: Book, making: Any, status: str) -> None:
    """It is recorded with its reason, left alone under the same settings, and loaded when these let it be read."""
    file = making.file("a", making.table("cycle", [making.cycle(0)]))
    unread = FileRead(file.source, status, "unknown", "The header names no machine.")
    assert load_file(book, unread, "settings 1").status == status
    known = known_files(book)[file.source.sha256]
    assert (known.status, known.reason, known.rows_read) == (status, "The header names no machine.", 0)
    assert not known.needs_reading("settings 1")
    assert known.needs_reading("settings 2")
    assert load_file(book, file, "settings 2").rows_loaded == 1
    assert known_files(book)[file.source.sha256].reason == ""


def test_a_loaded_file_that_cannot_be_read_any_more_keeps_its_rows(book: Book, making: Any) -> None:
    """Settings under which a file gives nothing change nothing that is stored, and the account says so, once."""
    file = making.file("a", making.table("cycle", [making.cycle(0)]))
    load_file(book, file, "settings 1")
    before = making.facts(book)
    for settings in ("settings 2", "settings 3"):
        kept = load_file(book, FileRead(file.source, "needs a profile", "table", "No profile fits."), settings)
        assert (kept.status, kept.rows_loaded) == ("loaded", 1)
        assert kept.notes == "not read again: No profile fits."
    assert making.facts(book) == before


def test_a_new_reading_replaces_the_old_one(book: Book, making: Any) -> None:
    """Read with a mended profile, a file's rows and rejects take the place of what it gave before."""
    reject = {"row_number": 2, "reason": "not_a_time", "message": "Mend it."}
    old = making.file("a", making.table("cycle", [making.cycle(0)], rejects=[reject]), content="bytes")
    new = making.file("a", making.table("cycle", [making.cycle(0, machine="L2"), making.cycle(5)]), content="bytes")
    load_file(book, old, "settings 1")
    loaded = load_file(book, new, "settings 2")
    assert (loaded.rows_read, loaded.rows_loaded, loaded.rows_rejected) == (2, 2, 0)
    assert [row["machine"] for row in held(book, "cycle")] == ["L2", "M1"]
    assert book.frame("select count(*) from raw.reject").item() == 0


def test_what_a_withdrawn_row_had_overruled_holds_again(book: Book, making: Any) -> None:
    """A correction that turns out to be misread gives way to the version it had replaced, with counts and link."""
    first = making.file("first", making.table("cycle", [making.cycle(0, parts=1)]))
    wrong = making.file("b", making.table("cycle", [making.cycle(0, parts=9), making.cycle(10)]), content="bytes")
    mended = making.file("b", making.table("cycle", [making.cycle(0, machine="L2"), making.cycle(10)]), content="bytes")
    load_file(book, first)
    load_file(book, wrong, "settings 1")
    loaded = load_file(book, mended, "settings 2")
    assert [(row["machine"], row["parts"]) for row in held(book, "cycle")] == [("L2", None), ("M1", 1), ("M1", None)]
    assert counts(book) == {"first": (1, 1, 0, 0), "b": (2, 2, 0, 0)}
    assert book.frame("select count(*) from raw.superseded").item() == 0
    assert book.frame("select count(*) from raw.source_row").item() == 3
    assert loaded.stale_files == (first.source.file_id,)


def test_the_best_remaining_version_holds_and_the_rest_follow_it(book: Book, making: Any) -> None:
    """When the winner of several versions is withdrawn, the next in rank holds at once, later record before hash."""
    others = [
        making.file(name, making.table("cycle", [making.cycle(0, parts=parts), making.cycle(reach)]))
        for name, parts, reach in (("a", 1, 20), ("b", 2, 30), ("c", 3, 30), ("d", 4, 10))
    ]
    wrong = making.file("w", making.table("cycle", [making.cycle(0, parts=9), making.cycle(40)]), content="bytes")
    mended = making.file("w", making.table("cycle", [making.cycle(40)]), content="bytes")
    for file in (*others, wrong):
        load_file(book, file)
    load_file(book, mended, "settings 2")
    best = max(others[1:3], key=lambda file: file.source.sha256)
    assert held(book, "cycle")[0]["file_id"] == best.source.file_id
    rest = book.frame("select file_id, winner_file_id, changed from raw.superseded").rows()
    parts_of = {file.source.file_id: number for number, file in enumerate(others, start=1)}
    assert sorted(rest) == sorted(
        (file_id, best.source.file_id, f'{{"parts":[{parts},{parts_of[best.source.file_id]}]}}')
        for file_id, parts in parts_of.items()
        if file_id != best.source.file_id
    )
    assert book.frame("select count(*) from raw.source_row").item() == 5


def test_overruled_files_are_read_again_when_the_winner_is_withdrawn(book: Book, making: Any) -> None:
    """A row said alike by two files is stored once; when the file that held it is misread, the other gives it again."""
    first = making.file("first", making.table("cycle", [making.cycle(0, parts=1)]))
    wrong = making.file("b", making.table("cycle", [making.cycle(0, parts=1), making.cycle(10)]), content="bytes")
    mended = making.file("b", making.table("cycle", [making.cycle(0, machine="L2"), making.cycle(10)]), content="bytes")
    load_file(book, first)
    load_file(book, wrong, "settings 1")
    assert load_file(book, mended, "settings 2").stale_files == (first.source.file_id,)
    assert known_files(book)[first.source.sha256].needs_reading("")
    assert load_file(book, first).rows_loaded == 1
    assert not known_files(book)[first.source.sha256].stale
    assert [(row["machine"], row["parts"]) for row in held(book, "cycle")] == [("L2", None), ("M1", 1), ("M1", None)]


def test_a_losing_version_is_cited_anew_when_its_last_file_is_withdrawn(book: Book, making: Any) -> None:
    """Two files gave the version that lost; when the one that stands for it is read otherwise, the other does."""
    winner = making.file("winner", making.table("cycle", [making.cycle(0, parts=2), making.cycle(30)]))
    cited = making.file("b", making.table("cycle", [making.cycle(0, parts=1), making.cycle(20)]), content="bytes")
    mended = making.file("b", making.table("cycle", [making.cycle(0, machine="L2"), making.cycle(20)]), content="bytes")
    other = making.file("other", making.table("cycle", [making.cycle(0, parts=1), making.cycle(10)]))
    for file in (winner, cited, other):
        load_file(book, file)
    assert book.frame("select file_id from raw.superseded").item() == cited.source.file_id
    assert load_file(book, mended, "settings 2").stale_files == (other.source.file_id,)
    load_file(book, other)
    assert book.frame("select file_id from raw.superseded").item() == other.source.file_id


def test_a_new_reading_that_says_the_same_makes_nothing_stale(book: Book, making: Any) -> None:
    """Other settings with the same outcome cost one reading, of that file alone."""
    first = making.file("first", making.table("cycle", [making.cycle(0)]))
    second = making.file("b", making.table("cycle", [making.cycle(0), making.cycle(10)]))
    load_file(book, first)
    load_file(book, second)
    before = making.dump(book)
    assert load_file(book, second, "settings 2").stale_files == ()
    assert load_file(book, second, "").stale_files == ()
    assert making.dump(book) == before


def test_accounting_is_asserted_and_nothing_is_stored_when_it_fails(book: Book, making: Any) -> None:
    """A reader that claims more rows than it hands over is a fault of ours, and the book stays as it was."""
    load_file(book, making.file("a", making.table("cycle", [making.cycle(0, parts=1)])))
    before, mark = making.dump(book), fingerprint(book)
    wrong = making.file("b", making.table("cycle", [making.cycle(0, parts=2), making.cycle(5)], rows_read=3))
    with pytest.raises(AuditError, match=r"rows read are not rows loaded[\s\S]*b \([0-9a-f]{12}\): read 3, loaded 2"):
        load_file(book, wrong)
    assert making.dump(book) == before
    assert fingerprint(book) == mark


def test_a_reader_that_breaks_midway_leaves_nothing(book: Book, making: Any) -> None:
    """Whatever stops the stream of chunks, none of the file is stored."""
    before = making.dump(book)

    def breaks() -> Iterator[TableRead]:
        yield making.table("cycle", [making.cycle(0)])
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        load_file(book, replace(making.file("a"), tables=breaks()))
    assert making.dump(book) == before
    assert load_file(book, making.file("b", making.table("cycle", [making.cycle(0)]))).rows_loaded == 1


def test_programs_are_not_stored_rows(book: Book, making: Any) -> None:
    """An NC program is no row of the book; handing one over is a fault of the caller."""
    with pytest.raises(ValueError, match="nc_program"):
        load_file(book, making.file("a", making.table("nc_program", [{"program": "O1", "text": "G0"}])))


def test_two_files_with_one_id_are_refused(book: Book, making: Any) -> None:
    """Should two hashes share their first 12 digits, rows must not cite the wrong file."""
    file = making.file("a", making.table("cycle", [making.cycle(0)]))
    load_file(book, file)
    twin = replace(file, source=replace(file.source, sha256=file.source.sha256[:12] + "0" * 52))
    with pytest.raises(AuditError, match="share the id"):
        load_file(book, twin)


def test_fingerprint_follows_the_accepted_rows(book: Book, making: Any) -> None:
    """It changes with each file that changes anything, and not when nothing is new."""
    file = making.file("a", making.table("cycle", [making.cycle(0)]))
    seen = [fingerprint(book)]
    load_file(book, file)
    seen.append(fingerprint(book))
    load_file(book, file)
    assert fingerprint(book) == seen[-1]
    load_file(book, making.file("b", making.table("cycle", [making.cycle(0, parts=4), making.cycle(4)])))
    seen.append(fingerprint(book))
    assert len(set(seen)) == 3


def test_touched_days_name_what_must_be_derived_again(book: Book, making: Any) -> None:
    """New and corrected facts mark their machine and each UTC day they reach into; duplicates mark nothing."""
    long = {**making.cycle(0), "ended_at": making.start + timedelta(days=2)}
    load_file(book, making.file("a", making.table("cycle", [long, making.cycle(3, machine="M2")])))
    days = [date(2026, 3, 2) + timedelta(days=more) for more in range(3)]
    assert touched_days(book).rows() == [*(("cycle", "M1", day) for day in days), ("cycle", "M2", days[0])]
    note_derived(book, "by hand")
    load_file(book, making.file("b", making.table("cycle", [making.cycle(3, machine="M2")])))
    assert touched_days(book).is_empty()
    load_file(book, making.file("c", making.table("cycle", [making.cycle(0), making.cycle(5000)])))
    assert touched_days(book).rows() == [("cycle", "M1", day) for day in (*days, date(2026, 3, 5))]
    note_derived(book, "by hand")
    load_file(book, making.file("d", making.table("job", [{"job": "J", "part": "P", "quantity": 1}])))
    assert touched_days(book).rows() == [("job", None, None)]
