"""Web pages that terminals save under names like export.xls: their tables are read as text, and nothing else is.

Costs half a second of CPU.
"""

import pytest

from pipeline.read.web_page import WebPageError, page_text
from schemas.shop import LimitSettings

HEAD = ("Machine", "Program", "Start", "End", "Parts")
ROWS = [
    ("M1", f"O104{n % 3}", f"2026-03-16 0{6 + n // 6}:{n % 6}2:11", f"2026-03-16 0{6 + n // 6}:{n % 6}9:52", "1")
    for n in range(12)
]


def rows(lines, tag: str = "td") -> str:
    return "".join(f"<tr>{''.join(f'<{tag}>{cell}</{tag}>' for cell in line)}</tr>\n" for line in lines)


TABLE = rows([HEAD], "th") + rows(ROWS)
OF_F2 = rows([HEAD[1:]], "th") + rows(row[1:] for row in ROWS)
PAGES = {
    "plain": (f"<table border=1>{TABLE}</table>", "M1"),
    "whole": (
        f"<!DOCTYPE html>\n<html><head><style>td {{}}</style></head><body><table>{TABLE}</table></body></html>",
        "M1",
    ),
    "nothing closed": (f"<TABLE>{TABLE.replace('</td>', '').replace('</tr>', '').replace('</th>', '')}", "M1"),
    "laid out by tables": (f"<table><tr><td><b>Machine: F2</b></td><td><table>{OF_F2}</table></td></tr></table>", "F2"),
    "titles around it": (
        f"<html><body><h1>Cycles</h1>Machine: F2<br><div><table>{OF_F2}</table></div><p>Total 12</p>",
        "F2",
    ),
    "a cell over rows": (
        f"<table>{rows([HEAD], 'th')}<tr><td rowspan=12>M1</td>{rows(row[1:] for row in ROWS)[4:]}</table>",
        "M1",
    ),
    "scripts": (f"<html><script>document.write('<table>')</script><table>{TABLE}</table></html>", "M1"),
}


@pytest.mark.parametrize("what", PAGES)
def test_the_table_of_a_page_is_read(read, what: str) -> None:
    page, machine = PAGES[what]
    whole = read(page, name="export.xls")
    assert whole.file.status == "loaded", whole.file.reason
    assert (whole.rows.height, whole.rejects.height) == (12, 0)
    assert set(whole.rows["machine"]) == {machine}


def test_tables_of_two_machines_are_told_apart_by_their_titles(read) -> None:
    whole = read(f"<html><h2>Machine M1</h2><table>{OF_F2}</table><h2>Machine M2</h2><table>{OF_F2}</table></html>")
    assert whole.file.status == "loaded", whole.file.reason
    assert whole.rows["machine"].to_list() == ["M1"] * 12 + ["M2"] * 12


@pytest.mark.parametrize(
    ("page", "text"),
    [
        (b"<table><tr><td>a&nbsp;b<td>c &amp; d\n e</table>", "a b\tc & d e\n\n"),
        (b'<table><tr><td>1<br>2<td>Mill 3"</table>', '1 2\t"Mill 3"""\n\n'),
        (b"<table><tr><td colspan=3>a<td>b</table>", "a\t\t\tb\n\n"),
        (b"<table><tr><td rowspan=2>a<td rowspan=2>7<tr><td>b</table>", "a\t7\na\t\tb\n\n"),
        ("<meta charset=iso-8859-2><table><tr><td>Soustružení ř</table>".encode("iso-8859-2"), "Soustružení ř\n\n"),
        ("<table><tr><td>Fräse €</table>".encode("cp1252"), "Fräse €\n\n"),
        ("<table><tr><td>Fräse €</table>".encode("utf-16"), "Fräse €\n\n"),
        (b"<meta charset=hex><table><tr><td>a</table>", "a\n\n"),
        (b'<!DOCTYPE html [<!ENTITY x SYSTEM "file:///etc/passwd">]><table><tr><td>&x;a</table>', None),
    ],
)
def test_cells_of_a_page(page: bytes, text: str | None) -> None:
    said = page_text(page, LimitSettings()).decode()
    assert "root:" not in said
    assert text is None or said == text


@pytest.mark.parametrize(
    ("page", "limits", "told"),
    [
        ("<html><body><p>Please log in.</p></body></html>", {}, "without a table"),
        ("<table><tr><td>a<td>b<tr><td>c<td>d</table>", {"sheet_cells": 3}, "more than 3 cells"),
    ],
)
def test_a_page_without_a_table_or_with_too_much_is_refused_in_one_line(page: str, limits: dict, told: str) -> None:
    with pytest.raises(WebPageError, match=told):
        page_text(page.encode(), LimitSettings(**limits))


def test_a_cell_over_many_columns_takes_no_more_than_the_limit() -> None:
    text = page_text(b"<table><tr><td colspan=9999999>a<td>b</table>", LimitSettings(columns=20))
    assert text.count(b"\t") == 19
