"""Typed rows against the models of their kinds: what fails goes to the rejects, and no row is lost."""

import os
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pandera.config
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.check.checking import check_rows
from pipeline.errors import AuditError
from pipeline.read.rows import TableRead, row_columns
from schemas.inputs import MAX_CYCLE_S, MODELS
from schemas.vocabulary import EDGE_REASONS, OUTCOMES, InputKind

START = datetime(2026, 1, 5, 6, tzinfo=UTC)
LATER = START + timedelta(minutes=10)


def table(kind: InputKind, *rows: dict[str, object]) -> TableRead:
    """A table of a kind from what its rows have; all else is null."""
    schema = row_columns(kind)
    full = [
        {
            **dict.fromkeys(schema),
            **row,
            "row_number": number,
            "line": number + 1,
            "raw": row.get("raw", f"row {number}"),
        }
        for number, row in enumerate(rows, start=1)
    ]
    return TableRead(kind, pl.DataFrame(full, schema=schema), len(rows))


CYCLE = {"machine": "M1", "program": "O1", "started_at": START, "ended_at": LATER}
LINE = {"job": "A", "operation": "10", "cycle_s": 90.0}
ORDER = {"job": "A", "part": "P", "quantity": 5}
EDGE = {"machine": "M1", "occurred_at": START, "tool": "4", "reason": "worn"}

CASES = [
    ("cycle", {**CYCLE, "machine": ""}, "machine", None, "missing_value",
     "machine is empty, but every row needs it. Fill it in and run again."),
    ("cycle", {**CYCLE, "program": None}, "program", None, "missing_value",
     "program is empty, but every row needs it. Fill it in and run again."),
    ("cycle", {**CYCLE, "parts": -1}, "parts", "-1", "out_of_range", "-1 in parts is below 0. Correct the number."),
    ("cycle", {**CYCLE, "outcome": "good"}, "outcome", "good", "not_allowed",
     '"good" in outcome is not one of complete, aborted, unknown. Correct the word.'),
    ("cycle", {**CYCLE, "ended_at": START - timedelta(minutes=1)}, "ended_at", "2026-01-05 05:59:00",
     "ends_before_start",
     "The cycle ends at 2026-01-05 05:59:00 UTC, before its start at 2026-01-05 06:00:00 UTC. Correct one of the "
     "two times."),
    ("cycle", {**CYCLE, "ended_at": START + timedelta(days=20)}, "ended_at", "2026-01-25 06:00:00", "out_of_range",
     "The cycle lasts 20.0 days; more than 14 days is a wrong date or unit. Correct the times."),
    ("edge_change", {**EDGE, "edge_cost": -0.5}, "edge_cost", "-0.5", "out_of_range",
     "-0.5 in edge_cost is below 0. Correct the number."),
    ("edge_change", {**EDGE, "reason": "old"}, "reason", "old", "not_allowed",
     '"old" in reason is not one of worn, broken, chipped, planned, unknown. Correct the word.'),
    ("estimate", {**LINE, "job": None}, "job", None, "missing_value",
     "The line names neither a job nor a program. Fill in one of the two."),
    ("estimate", {**LINE, "cycle_s": None}, "cycle_s", None, "missing_value",
     "The line gives no time. Fill in at least one of cut_s, noncut_s, cycle_s, load_s, setup_s."),
    ("estimate", {**LINE, "cycle_s": 0.0}, "cycle_s", "0.0", "out_of_range",
     "0.0 in cycle_s is not above 0. Correct the number."),
    ("job", {**ORDER, "quantity": 0}, "quantity", "0", "out_of_range", "0 in quantity is below 1. Correct the number."),
    ("event", {"machine": "M1", "occurred_at": START, "item": "sys", "level": "BAD"}, "level", "BAD", "not_allowed",
     '"BAD" in level is not one of NORMAL, WARNING, FAULT, UNAVAILABLE. Correct the word.'),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "row", "column", "value", "reason", "message"), CASES)
def test_a_broken_rule_is_said_word_for_word(kind, row, column, value, reason, message):
    """The row goes to the rejects whole, with its place, the rule and what to do; the good row beside it stays."""
    good = {"cycle": CYCLE, "edge_change": EDGE, "estimate": LINE, "job": ORDER}.get(
        kind, {"machine": "M1", "occurred_at": START, "item": "a"}
    )

    checked = check_rows(table(kind, good, row))

    assert checked.rows["row_number"].to_list() == [1]
    assert checked.rejects.rows() == [(2, 3, column, value, reason, message, "row 2")]
    assert checked.rows_read == 2


def test_a_clean_table_passes_as_it_is():
    """Nothing is copied or changed where nothing is wrong."""
    clean = table("cycle", CYCLE, CYCLE)

    assert check_rows(clean) is clean


def test_every_broken_rule_of_a_row_is_listed():
    """One row, three rules, one row counted."""
    checked = check_rows(table("cycle", {**CYCLE, "parts": -1, "scrap": -2, "ended_at": START - timedelta(minutes=1)}))

    assert checked.rejects["column"].to_list() == ["parts", "scrap", "ended_at"]
    assert checked.rejects["row_number"].n_unique() == checked.rows_read == 1


def test_an_event_that_fails_keeps_what_is_known_of_it():
    """Events carry no raw text; their fields stand in for it."""
    event = {"machine": "M1", "occurred_at": START, "item": "sys", "level": "BAD"}
    events = table("event", event)
    events = replace(events, rows=events.rows.with_columns(raw=pl.lit(None, dtype=pl.String)))

    assert check_rows(events).rejects["raw"].to_list() == ["M1 | 2026-01-05 06:00:00.000000+00:00 | sys | BAD"]


def test_earlier_rejects_are_kept():
    """What the reader rejected stays rejected, in the order of rows."""
    first = check_rows(table("cycle", {**CYCLE, "parts": -1}))
    both = table("cycle", {**CYCLE, "parts": -1}, CYCLE, {**CYCLE, "scrap": -1})
    both = replace(both, rows=both.rows.slice(1), rejects=first.rejects)

    assert check_rows(both).rejects["row_number"].to_list() == [1, 3]


def test_a_lazy_frame_is_refused():
    """Pandera lets bad values of a lazy frame pass, so none may come in."""
    bad = table("cycle", {**CYCLE, "parts": -1})
    lazy = replace(bad, rows=bad.rows.lazy())

    MODELS["cycle"].validate(bad.rows.select(pl.exclude("row_number", "line", "raw")).lazy(), lazy=True)
    with pytest.raises(TypeError, match="needs an eager frame"):
        check_rows(lazy)


def test_a_switch_in_the_environment_does_not_turn_checks_off():
    """Pandera can be switched off from outside; the book's checks cannot."""
    assert "PANDERA_VALIDATION_ENABLED" not in os.environ
    with pandera.config.config_context(validation_enabled=False):
        checked = check_rows(table("cycle", {**CYCLE, "parts": -1}))

    assert checked.rejects.height == 1


def test_a_frame_of_another_shape_is_a_fault_of_ours():
    """A wrong type is no bad row: it is told as a broken law."""
    wrong = table("cycle", CYCLE)
    wrong = replace(wrong, rows=wrong.rows.with_columns(parts=pl.lit("one")))

    with pytest.raises(AuditError, match="not one of kind cycle"):
        check_rows(wrong)


MAYBE = st.none()
ROW = st.fixed_dictionaries(
    {
        "machine": st.sampled_from(["M1", "", None]),
        "program": st.sampled_from(["O1", "", None]),
        "started_at": st.just(START),
        "ended_at": st.integers(-10, 15 * 86_400).map(lambda seconds: START + timedelta(seconds=seconds)),
        "parts": MAYBE | st.integers(-2, 5),
        "scrap": MAYBE | st.integers(-2, 5),
        "outcome": MAYBE | st.sampled_from([*OUTCOMES, "other", ""]),
    }
)


@settings(derandomize=True, max_examples=60, deadline=None)
@given(st.lists(ROW, max_size=20))
def test_no_cycle_is_lost_and_none_is_rejected_without_cause(rows):
    """Rows and rejects are all that was read, and a plain reading of the rules agrees on which is which."""
    checked = check_rows(table("cycle", *rows))

    def stands(row: dict[str, object]) -> bool:
        length = (row["ended_at"] - START).total_seconds()
        counts = all(row[name] is None or row[name] >= 0 for name in ("parts", "scrap"))
        word = row["outcome"] is None or row["outcome"] in OUTCOMES
        return bool(row["machine"] and row["program"] and 0 <= length <= MAX_CYCLE_S and counts and word)

    wanted = [number for number, row in enumerate(rows, start=1) if stands(row)]
    assert checked.rows["row_number"].to_list() == wanted
    assert checked.rows.height + checked.rejects["row_number"].n_unique() == checked.rows_read == len(rows)


@settings(derandomize=True, max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(["4", "", None]), st.sampled_from([*EDGE_REASONS, "x", None])), max_size=20))
def test_no_edge_change_is_lost(rows):
    """The same for edge changes."""
    checked = check_rows(table("edge_change", *({**EDGE, "tool": tool, "reason": reason} for tool, reason in rows)))

    wanted = [number for number, (tool, reason) in enumerate(rows, start=1) if tool and reason in EDGE_REASONS]
    assert checked.rows["row_number"].to_list() == wanted
    assert checked.rows.height + checked.rejects["row_number"].n_unique() == len(rows)
