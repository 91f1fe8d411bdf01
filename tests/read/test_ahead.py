"""Things drawn ahead in a thread come in their order, with their errors, and stop when nobody wants them."""

import threading
from collections.abc import Iterator

import pytest

from pipeline.read.ahead import drawn_ahead


def numbers(count: int, error: Exception | None = None) -> Iterator[int]:
    yield from range(count)
    if error is not None:
        raise error


def always(_: int) -> bool:
    return True


@pytest.mark.parametrize("first_large", [0, 2, 100])
@pytest.mark.parametrize("count", [0, 1, 2, 3, 50])
def test_all_things_come_in_their_order(count, first_large):
    assert list(drawn_ahead(numbers(count), lambda number: number >= first_large)) == list(range(count))


def test_small_things_are_drawn_without_a_thread_and_one_is_drawn_while_a_large_one_is_worked_on():
    before = threading.active_count()
    drawn_second = threading.Event()

    def some() -> Iterator[int]:
        yield 0
        yield 1
        drawn_second.set()
        yield 2

    drawn = drawn_ahead(some(), lambda number: number == 1)
    assert next(drawn) == 0
    assert threading.active_count() == before
    assert next(drawn) == 1
    assert drawn_second.wait(10)
    assert list(drawn) == [2]


@pytest.mark.parametrize("count", [0, 1, 2, 5])
def test_an_error_comes_behind_what_was_drawn_before_it(count):
    drawn = drawn_ahead(numbers(count, ValueError("cut off")), always)

    assert [next(drawn) for _ in range(count)] == list(range(count))
    with pytest.raises(ValueError, match="cut off"):
        next(drawn)


@pytest.mark.parametrize("taken", [1, 2, 3, 10])
def test_the_thread_ends_when_the_rest_is_not_wanted(taken):
    """An interrupt or a failed statement leaves no thread behind."""
    before = threading.active_count()
    drawn = drawn_ahead(numbers(1_000_000), always)
    for _ in range(taken):
        next(drawn)

    drawn.close()

    assert threading.active_count() == before
