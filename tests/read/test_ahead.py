"""Things drawn ahead in a thread come in their order, with their errors, and stop when nobody wants them."""

import threading
from collections.abc import Iterator

import pytest

from pipeline.read.ahead import drawn_ahead


def numbers(count: int, error: Exception | None = None) -> Iterator[int]:
    yield from range(count)
    if error is not None:
        raise error


@pytest.mark.parametrize("count", [0, 1, 2, 3, 50])
def test_all_things_come_in_their_order(count):
    assert list(drawn_ahead(numbers(count))) == list(range(count))


@pytest.mark.parametrize("count", [0, 1, 2, 5])
def test_an_error_comes_behind_what_was_drawn_before_it(count):
    drawn = drawn_ahead(numbers(count, ValueError("cut off")))

    assert [next(drawn) for _ in range(count)] == list(range(count))
    with pytest.raises(ValueError, match="cut off"):
        next(drawn)


@pytest.mark.parametrize("taken", [1, 2, 3, 10])
def test_the_thread_ends_when_the_rest_is_not_wanted(taken):
    """An interrupt or a failed statement leaves no thread behind."""
    before = threading.active_count()
    drawn = drawn_ahead(numbers(1_000_000))
    for _ in range(taken):
        next(drawn)

    drawn.close()

    assert threading.active_count() == before
