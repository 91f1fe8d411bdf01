"""Printouts whose columns are aligned by blanks: where columns stand, lines that do not keep to them, pages."""

import pytest

from pipeline.read.aligned import part_line, said_spans, spans_said
from pipeline.read.recognition.writing import profile_text

SPANS = [(0, 7), (9, 14), (16, 21)]
PAGES = """\
Northgate Works              CYCLE REPORT              Page {page}
Machine: M4

Program  Start                Finish               Cycle time  Good parts
                                                        (min)
-------  -------------------  -------------------  ----------  ----------
"""
ROWS = """\
O1001    2026-03-02 06:10:00  2026-03-02 06:14:12        4.20           1
O1001    2026-03-02 06:15:00  2026-03-02 06:19:12        4.20           1
O2002    2026-03-02 07:00:00  2026-03-02 07:15:00       15.00          12
"""


def month(number: int) -> str:
    """Return the rows of twenty days."""
    return "".join(ROWS.replace("03-02", f"{number:02}-{day:02}") for day in range(5, 25))


@pytest.mark.parametrize(
    ("line", "cells"),
    [
        ("O1001    06:10     1", ["O1001", "06:10", "1"]),
        ("O1001-AB 06:10  1", ["O1001-AB", "06:10", "1"]),  # longer than those above, a blank is left
        ("O1001  106:10  10001", ["O1001", "106:10", "10001"]),
        ("O1001", ["O1001", "", ""]),
        ("O1001-ABCDE  06:10  1", ["O1001-ABCDE", "06:10", "1"]),  # pushes the others, each two blanks apart
        ("O1001-ABCDE 06:10", None),
        ("Total of 12 cycles", None),
    ],
)
def test_a_line_is_parted_or_left_whole(line: str, cells: list[str] | None) -> None:
    assert part_line(line, SPANS) == cells


def test_columns_of_a_profile_are_counted_from_one() -> None:
    assert said_spans(SPANS) == ["1-7", "10-14", "17-21"]
    assert spans_said(said_spans(SPANS)) == SPANS


def test_a_printout_in_pages_is_read(read) -> None:
    """What a page repeats is no row; the machine of the title holds for all of them."""
    text = PAGES.format(page=1) + ROWS + "\n\x0c" + PAGES.format(page=2) + ROWS.replace("03-02", "03-03")
    whole = read(text, timezone="UTC")

    assert whole.file.status == "loaded", whole.file.reason
    assert (whole.rows.height, whole.rejects.height) == (6, 0)
    assert whole.rows["machine"].unique().to_list() == ["M4"]
    assert whole.rows["parts"].to_list() == [1, 1, 12] * 2
    assert {"title line", "ruled line", "units row", "repeated title", "repeated header"} <= set(whole.skipped["why"])


def test_pages_of_another_machine_are_of_that_one(read) -> None:
    """The second title names another machine, so its rows are never taken for the first one's."""
    whole = read(PAGES.format(page=1) + month(3) + PAGES.format(page=2).replace("M4", "M5") + month(4))

    assert sorted(set(whole.rows["machine"])) == ["M4", "M5"]
    assert whole.rows.group_by("machine").len()["len"].to_list() == [60, 60]


def test_a_lone_designation_among_rows_is_asked_about(read) -> None:
    lines = "\n".join(f"O1;2026-03-{day:02} 06:10:00;2026-03-{day:02} 06:14:12;1" for day in range(2, 28))
    text = f"Machine: M4\nProgram;Start;End;Parts\n{lines}\nM5\n{lines.replace('-03-', '-04-')}\n"
    whole = read(text)

    assert whole.file.status == "needs a profile"
    assert '"M5"' in whole.file.reason


def test_a_text_that_runs_over_an_edge_is_rejected_whole(read) -> None:
    over = "O1001-a-name-too-long 2026-04-02 09:10:00 x 2026-04-02 09:14:12 4.20 1\n"
    whole = read(PAGES.format(page=1) + month(3) + over)

    assert whole.rows.height == 60
    assert [reason for _, reason, *_ in whole.told()] == ["broken_line"]


def test_the_profile_of_a_printout_reads_the_same(read) -> None:
    """Also where the file alone would leave the columns open: here they touch."""
    text = PAGES.format(page=1) + ROWS
    whole = read(text)
    again = read(text, profile=profile_text(whole.file.proposal))
    assert again.rows.equals(whole.rows)

    touching = "M1O100120260302061000042\nM1O100120260302061500042\n"
    described = """
        version = 1
        name = "touching"
        kind = "cycle"
        [file]
        header_row = 0
        columns_at = ["1-2", "3-7", "8-21", "22-24"]
        [columns.machine]
        from = "column 1"
        [columns.program]
        from = "column 2"
        [columns.started_at]
        from = "column 3"
        format = "%Y%m%d%H%M%S"
        [columns.duration_s]
        from = "column 4"
    """
    rows = read(touching, profile=described).rows
    assert rows["program"].to_list() == ["O1001", "O1001"]
    assert (rows["ended_at"] - rows["started_at"]).dt.total_seconds().to_list() == [42, 42]


@pytest.mark.parametrize("said", ['["1-7", "5-9"]', '["0-3"]', '["7-3"]', '["1 to 7"]'])
def test_columns_that_do_not_stand_beside_each_other_are_refused(read, said: str) -> None:
    with pytest.raises(Exception, match="columns stand one behind the other"):
        read("a\n", profile=f'version = 1\nname = "x"\nkind = "cycle"\n[file]\ncolumns_at = {said}\n')


def test_names_whose_columns_cannot_be_told_say_what_to_do(read) -> None:
    """The message names the key that says where columns stand; a letter is told to be none of ours."""
    text = "Machine Program Start End Parts\n" + "M1 O1 6:10 2026 12\nMill-2 O12345 16:10 26 1 x\nL O1 6:10 y 12\n" * 4
    whole = read(text)
    assert whole.file.status == "needs a profile"
    assert "columns_at" in whole.file.reason
    letter = "Dear all\n\nthe machine ran program 7 on Monday and made\n12 parts in 3 hours. Then it stopped.\n"
    assert read(letter).file.status == "unreadable"


def test_a_remark_among_aligned_rows_is_skipped(read) -> None:
    """Two blanks part all cells, so words with one between are no row; rows below a machine's name are its own."""
    whole = read(PAGES.format(page=1) + month(3) + "Printed in the office on 25.03.2026\n" + month(4))
    assert (whole.rows.height, whole.rejects.height) == (120, 0)
    assert "remark line" in whole.skipped["why"].to_list()
    other = read(PAGES.format(page=1) + month(3) + "Machine: M5\n" + month(4))
    assert other.rows["machine"].to_list() == ["M4"] * 60 + ["M5"] * 60


def test_words_parted_by_one_blank_each_are_cells(read) -> None:
    days = [f"2026-03-{day:02}T06" for day in range(1, 29)]
    rows = "".join(f"M1 O{at % 4}00 {day}:10:00Z {day}:14:00Z 1\n" for at, day in enumerate(days, start=1))
    whole = read("machine program start end good\n" + rows)
    assert whole.file.status == "loaded", whole.file.reason
    assert whole.rows["program"].to_list()[:2] == ["O100", "O200"]
