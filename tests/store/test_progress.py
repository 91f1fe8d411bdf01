"""How long work shows itself, and what --verbose prints."""

from __future__ import annotations

import io
import json
import logging
from collections.abc import Iterator
from itertools import count

import pytest

from pipeline import logs
from pipeline.progress import Bar, Lines, Null, choose


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


@pytest.fixture(autouse=True)
def _logger_as_before() -> Iterator[None]:
    logger = logging.getLogger("spindlebook")
    before = (logger.handlers[:], logger.level, logger.propagate)
    yield
    logger.handlers[:], logger.level, logger.propagate = before[0], before[1], before[2]


def test_lines_come_at_the_start_at_intervals_and_at_the_end() -> None:
    """Elsewhere than on a terminal, a step writes plain lines, few of them."""
    out, clock = io.StringIO(), count(0, 2)
    with Lines(out, every_s=5, seconds=lambda: next(clock)).step("reading", total=6) as step:
        for number in range(6):
            step.advance(note=f"file{number}.csv")
    assert out.getvalue().splitlines() == [
        "reading: 6 to do",
        "reading: 3 of 6 (file2.csv)",
        "reading: 6 of 6 (file5.csv)",
        "reading: done, 6",
    ]


def test_lines_say_where_work_stopped() -> None:
    """An interrupted step says how far it came, and the interrupt passes on."""
    out = io.StringIO()

    def interrupted() -> None:
        with Lines(out).step("deriving") as step:
            step.advance(2)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert out.getvalue().splitlines() == ["deriving ...", "deriving: stopped after 2"]


def test_the_terminal_gets_a_bar_others_lines_and_the_quiet_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Choice follows the stream; a dumb terminal gets lines."""
    monkeypatch.setenv("TERM", "xterm")
    assert isinstance(choose(Terminal()), Bar)
    assert isinstance(choose(io.StringIO()), Lines)
    assert isinstance(choose(Terminal(), quiet=True), Null)
    monkeypatch.setenv("TERM", "dumb")
    assert isinstance(choose(Terminal()), Lines)


def test_null_shows_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    """Nothing on either stream."""
    with Null().step("reading", total=3) as step:
        step.advance(note="a.csv")
    assert capsys.readouterr() == ("", "")


@pytest.mark.parametrize("no_color", [False, True])
def test_the_bar_counts_and_honours_no_color(monkeypatch: pytest.MonkeyPatch, no_color: bool) -> None:
    """The bar shows label, count and note as they are, brackets included; with NO_COLOR no colour code is written."""
    monkeypatch.setenv("TERM", "xterm-256color")
    monkeypatch.delenv("FORCE_COLOR", raising=False)
    monkeypatch.delenv("NO_COLOR", raising=False)
    if no_color:
        monkeypatch.setenv("NO_COLOR", "1")
    out = Terminal()
    with Bar(out).step("reading", total=2) as step:
        step.advance(note="[old] lathe.csv")
        step.advance(note="[old] lathe.csv")
    written = out.getvalue()
    assert "reading" in written
    assert "2/2" in written
    assert "[old] lathe.csv" in written
    assert ("\x1b[38;" in written or "\x1b[3" in written) is not no_color


def test_log_lines_are_logfmt_or_json() -> None:
    """One line per happening, with named values; words with blanks, quotes or line ends are quoted."""
    out = io.StringIO()
    logs.set_up(verbose=True, stream=out)
    logs.log("file loaded", name='a "b".csv', rows_loaded=3, profile=None, note="two\nlines", wall_s=0.25)
    (line,) = out.getvalue().splitlines()
    assert line.startswith("at=2")
    assert line.endswith(
        'level=info event="file loaded" name="a \\"b\\".csv" rows_loaded=3 profile="" note="two\\nlines" wall_s=0.25'
    )

    out = io.StringIO()
    logs.set_up(verbose=True, style="json", stream=out)
    logs.warn("file unreadable", name="é.csv", rows=0)
    told = json.loads(out.getvalue())
    assert told.pop("at").endswith("+00:00")
    assert told == {"level": "warning", "event": "file unreadable", "name": "é.csv", "rows": 0}


def test_without_verbose_only_warnings_show() -> None:
    """Quiet unless asked."""
    out = io.StringIO()
    logs.set_up(verbose=False, stream=out)
    logs.log("file loaded")
    logs.warn("store slow")
    assert [line.split("event=")[1] for line in out.getvalue().splitlines()] == ['"store slow"']
