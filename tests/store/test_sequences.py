"""Documents of one agent: its numbers tell observations of one instant apart, however the documents are cut."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import polars as pl
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.read.rows import SEQUENCE_COLUMNS, FileRead
from pipeline.store.accounting import audit_store, require
from pipeline.store.accounts import known_files
from pipeline.store.book import Book, open_book
from pipeline.store.loading import load_file

Observation = tuple[int, int, str, str]  # sequence, second, item, value


def document(making: Any, name: str, told: list[Observation], instance: str | None) -> FileRead:
    """A document of an agent; adapter text, whose rows have no numbers, where there is no instance."""
    rows = [making.event(second, item=item, value=value) for _, second, item, value in told]
    table = making.table("event", rows)
    if instance is not None:
        numbers = [(row, instance, one[0]) for row, one in enumerate(told, start=1)]
        table = replace(table, sequences=pl.DataFrame(numbers, schema=SEQUENCE_COLUMNS, orient="row"))
    return making.file(name, table, content=(told, instance))


def load_all(book: Book, files: list[FileRead], reading: str = "") -> None:
    by_id = {file.source.file_id: file for file in files}
    due = list(by_id)
    while due:
        due = [stale for file_id in due for stale in load_file(book, by_id[file_id], reading).stale_files]
    require(audit_store(book, thorough=True))
    assert not any(known.stale for known in known_files(book).values())


@st.composite
def cut_up(draw: st.DrawFn) -> tuple[list[Observation], list[list[Observation]]]:
    """Observations of one agent, many at one instant, and overlapping or adjoining stretches that cover them all."""
    seconds = sorted(draw(st.lists(st.integers(0, 2), min_size=4, max_size=12)))
    told = [
        (sequence, second, draw(st.sampled_from(["Execution", "Load"])), draw(st.sampled_from("ab")))
        for sequence, second in enumerate(seconds, start=1)
    ]
    cuts = sorted({0, len(told), *draw(st.lists(st.integers(1, len(told) - 1), min_size=2, max_size=4))})
    return told, [told[max(0, first - draw(st.sampled_from([0, 1, 3]))) : last] for first, last in pairwise(cuts)]


@settings(derandomize=True, deadline=None, max_examples=6, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(drawn=cut_up(), has_text=st.booleans(), repeats=st.booleans(), order=st.randoms(use_true_random=False))
def test_however_documents_are_cut_and_come_the_book_is_the_same(
    making: Any, drawn: tuple[list[Observation], list[list[Observation]]], has_text: bool, repeats: bool, order: Any
) -> None:
    """Row for row, adapter text of the same day and another instance's repetition included; twice is once."""
    told, stretches = drawn
    files = [document(making, f"{number}.xml", stretch, "7") for number, stretch in enumerate(stretches)]
    files += [document(making, "day.txt", told, None)] if has_text else []
    files += [document(making, "again.xml", told[:1], "8")] if repeats else []
    shuffled = files.copy()
    order.shuffle(shuffled)
    with open_book(None, threads=1) as one, open_book(None, threads=1) as other, open_book(None, threads=1) as whole:
        load_all(one, files)
        load_all(other, shuffled)
        load_all(whole, [document(making, "whole.xml", told, "7")])
        assert making.dump(other) == making.dump(one)
        assert making.facts(other) == making.facts(whole)
        before = making.dump(other)
        load_all(other, files, "settings 2")
        load_all(other, files, "")
        assert making.dump(other) == before


def test_an_earlier_number_that_comes_later_makes_only_what_it_moves_due(making: Any) -> None:
    """A document that begins within an instant is read again when the beginning of that instant comes."""
    first, second, third = (
        document(making, f"{number}.xml", [(number, at, "Execution", str(number))], "7")
        for number, at in ((1, 0), (2, 0), (3, 9))
    )
    with open_book(None, threads=1) as book:
        assert [load_file(book, file).stale_files for file in (third, second, first)] == [
            (),
            (),
            (second.source.file_id,),
        ]
        assert load_file(book, second).stale_files == ()
        assert book.rows("select value, occurrence from core.event order by value") == [("1", 0), ("2", 1), ("3", 0)]
