"""Draws the next of a run of things in a thread of its own while the last one is worked on.

Reading a block and storing the one before it use different parts of the machine. It knows nothing of either.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from queue import Empty, Queue
from threading import Event, Thread
from typing import TypeVar

_T = TypeVar("_T")


class _End:
    """The run is over, by itself or by an error."""

    def __init__(self, error: BaseException | None = None) -> None:
        self.error = error


def drawn_ahead(items: Iterable[_T], is_large: Callable[[_T], bool]) -> Iterator[_T]:
    """Yield the items in their order, one of them drawn ahead; an error comes where the item would have come.

    A thread is begun at the first that `is_large`, before that one is worked on: most runs are small and need none.
    """
    drawn = iter(items)
    for item in drawn:
        if is_large(item):
            yield from _with_thread(item, drawn)
            return
        yield item


def _with_thread(first: _T, drawn: Iterator[_T]) -> Iterator[_T]:
    queue: Queue[_T | _End] = Queue(maxsize=1)
    given_up = Event()
    thread = Thread(target=_draw, args=(drawn, queue, given_up), daemon=True)
    thread.start()
    try:
        yield first
        while not isinstance(found := queue.get(), _End):
            yield found
        if found.error is not None:
            raise found.error
    finally:
        given_up.set()
        _empty(queue)
        thread.join()


def _draw(drawn: Iterator[_T], queue: Queue[_T | _End], given_up: Event) -> None:
    end = _End()
    try:
        for item in drawn:
            queue.put(item)
            if given_up.is_set():
                break
    except BaseException as error:
        end = _End(error)
    if not given_up.is_set():
        queue.put(end)


def _empty(queue: Queue[_T | _End]) -> None:
    """Make room, so that whoever waits to put something can go on and see that it was given up."""
    try:
        queue.get_nowait()
    except Empty:
        return
