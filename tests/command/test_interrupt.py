"""Ctrl+C while the store is inside a query ends as interrupted (130), not as a fault of ours.

DuckDB notices the signal between pieces of work and raises RuntimeError, or Python raises KeyboardInterrupt when the
query has ended: which of the two is a matter of timing, so both are held, one by one and through a real signal.
"""

import signal
import subprocess
import sys
import time
from typing import Any

import pytest

from flows import steps
from pipeline.cli import main

# The real command line over a step that stays in a query for some seconds after the signal.
IN_A_QUERY = """
import sys
import flows.steps
from pipeline.cli import main
from pipeline.store.book import open_book

def derive_marts(workspace, progress, force=False):
    with open_book(None) as book:
        print("in the query", flush=True)
        book.run("create table x as select count(*) as n from range(6000000000) as t(i) where i % 7 = 3")
        return book.rows("select n from x")

flows.steps.derive_marts = derive_marts
sys.exit(main(["derive", "--workspace", "."]))
"""


@pytest.mark.parametrize(
    ("raised", "code"),
    [(RuntimeError("Query interrupted"), 130), (KeyboardInterrupt(), 130), (RuntimeError("something else"), 1)],
)
def test_what_an_interrupt_raises_is_130(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], raised: BaseException, code: int
) -> None:
    """Both ways in which an interrupt comes out of a query; any other error stays a fault."""

    def stopped(*_: Any, **__: Any) -> bool:
        raise raised

    monkeypatch.setattr(steps, "derive_marts", stopped)

    assert main(["derive", "--workspace", "."]) == code
    assert ("Interrupted" in capsys.readouterr().err) == (code == 130)


def test_interrupt_comes_before_debug(monkeypatch: pytest.MonkeyPatch) -> None:
    """--debug shows tracebacks of faults; an interrupt is none."""

    def stopped(*_: Any, **__: Any) -> bool:
        raise RuntimeError("Query interrupted")

    monkeypatch.setattr(steps, "derive_marts", stopped)

    assert main(["--debug", "derive", "--workspace", "."]) == 130


def test_signal_inside_a_query_is_130() -> None:
    """A real signal to the real command line."""
    running = subprocess.Popen(
        [sys.executable, "-c", IN_A_QUERY], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    try:
        assert running.stdout is not None
        assert running.stdout.readline() == "in the query\n"
        time.sleep(1.0)
        running.send_signal(signal.SIGINT)
        _, said = running.communicate(timeout=120)
    finally:
        running.kill()

    assert running.returncode == 130, said
    assert "Interrupted" in said
