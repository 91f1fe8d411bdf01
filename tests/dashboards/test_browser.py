"""Every page in a real browser, wide and narrow: charts draw, nothing scrolls sideways, nothing is fetched.

Needs Debian's chromium (or another in CHROMIUM); without it the tests skip, or fail where CI=true.
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from dashboards.site import publish
from dashboards.site_data import SiteData

ARGUMENTS = [
    "--no-sandbox",
    "--headless",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
MARKS = ".mark-symbol path, .mark-rect path, .mark-line path, .mark-rule line, .mark-text text"


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A headless chromium."""
    found = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    if found is None:
        if os.environ.get("CI") == "true":
            pytest.fail("chromium is missing: apt-get install chromium, or set CHROMIUM to its path")
        pytest.skip("chromium is not installed")
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=found, args=ARGUMENTS)
        yield running
        running.close()


@pytest.fixture(scope="module")
def folders(sites: dict[str, Callable[[], SiteData]], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The published shops."""
    top = tmp_path_factory.mktemp("browser")
    for name, make in sites.items():
        publish(make(), top / name)
    return {name: top / name for name in sites}


def visit(page: Any, path: Path) -> None:
    """Open a page and wait until its charts are drawn."""
    page.goto(path.as_uri())
    if page.locator("script").count():
        page.wait_for_function("document.documentElement.dataset.charts === 'ready'", timeout=20_000)


@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize("name", ["full", "empty", "all rejected"])
def test_every_page(browser: Any, folders: dict[str, Path], name: str, width: int) -> None:
    """No console message, no request but of files, no sideways scroll, no script from a name, marks in each chart."""
    context = browser.new_context(viewport={"width": width, "height": 900}, locale="en-GB")
    page = context.new_page()
    said: list[str] = []
    asked: list[str] = []
    page.on("console", lambda message: said.append(f"{page.url}: {message.text}"))
    page.on("pageerror", lambda error: said.append(f"{page.url}: {error}"))
    page.on("dialog", lambda dialog: said.append(f"{page.url}: dialog"))
    page.on("request", lambda request: asked.append(request.url))
    charts = 0
    for path in sorted(folders[name].rglob("*.html")):
        visit(page, path)
        seen = page.evaluate(
            """(marks) => ({
                sideways: document.documentElement.scrollWidth - document.documentElement.clientWidth,
                hacked: window.hacked === undefined,
                charts: [...document.querySelectorAll(".chart")].map((chart) => ({
                    marks: chart.querySelectorAll(marks).length,
                    over: (chart.querySelector("svg")?.getBoundingClientRect().width ?? 1e9) - chart.clientWidth,
                    cut: [...chart.querySelectorAll("svg text")].filter((text) => {
                        const [a, b] = [text.getBoundingClientRect(), text.closest("svg").getBoundingClientRect()];
                        const wide = a.left < b.left - 1 || a.right > b.right + 1;
                        return a.width > 0 && (wide || a.top < b.top - 1 || a.bottom > b.bottom + 1);
                    }).map((text) => text.textContent),
                })),
            })""",
            MARKS,
        )
        assert seen["sideways"] <= 0, path.name
        assert seen["hacked"], path.name
        for chart in seen["charts"]:
            assert chart["marks"] > 0, path.name
            assert chart["over"] <= 1, path.name
            assert chart["cut"] == [], path.name
        charts += len(seen["charts"])
    context.close()

    assert said == []
    assert [url for url in asked if not url.startswith("file:")] == []
    assert (charts >= 20) == (name == "full")


def test_tables_fit_a_desk(browser: Any, folders: dict[str, Path]) -> None:
    """At 1280 pixels no list of the shop's is cut, save where a name of the hostile machine widens it."""
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    for name in (
        "index.html",
        "utilisation.html",
        "machine/m1.html",
        "machine/m2.html",
        "tool-life.html",
        "quality.html",
    ):
        visit(page, folders["full"] / name)
        cut = page.evaluate(
            """[...document.querySelectorAll(".scroll")].filter((box) => box.scrollWidth > box.clientWidth + 1)
                .map((box) => box.getAttribute("aria-label"))"""
        )
        assert cut == [], name
    page.close()


def test_tables_on_a_phone(browser: Any, folders: dict[str, Path]) -> None:
    """Small tables stand as cards with their labels; large ones scroll, with a shadow and their first column kept."""
    page = browser.new_page(viewport={"width": 390, "height": 900})
    visit(page, folders["full"] / "job" / "spacer.html")
    page.locator(".scroll").last.evaluate("(box) => { box.scrollLeft = 200; }")
    seen = page.locator(".scroll").last.evaluate(
        """(box) => ({
            cards: box.classList.contains("cards"),
            scrolled: box.scrollLeft,
            kept: box.querySelector("tbody td").getBoundingClientRect().left - box.getBoundingClientRect().left,
            second: box.querySelectorAll("tbody td")[1].getBoundingClientRect().left - box.getBoundingClientRect().left,
            shadow: getComputedStyle(box).backgroundAttachment,
        })"""
    )
    assert (seen["cards"], seen["scrolled"]) == (False, 200)
    assert abs(seen["kept"]) <= 1
    assert seen["second"] < 100
    assert seen["shadow"] == "local, local, scroll, scroll"

    visit(page, folders["full"] / "index.html")
    cards = page.locator(".scroll.cards").evaluate_all("(all) => all.map((box) => box.scrollWidth - box.clientWidth)")
    assert len(cards) == 4
    assert max(cards) <= 0
    label = page.locator(".cards td").nth(1).evaluate("(cell) => getComputedStyle(cell, '::before').content")
    assert label == '"Over, 95 % interval"'
    page.close()


def test_reason_of_an_unreadable_file_is_seen_on_a_phone(browser: Any, folders: dict[str, Path]) -> None:
    """Why a file was not read lies within the width of a phone, at the head of the list, without scrolling sideways."""
    page = browser.new_page(viewport={"width": 390, "height": 900})
    visit(page, folders["full"] / "quality.html")
    files = page.locator("#files .scroll")
    place = files.evaluate(
        """(box) => {
            const range = document.createRange();
            const cells = [...box.querySelectorAll("td")];
            range.selectNodeContents(cells.find((cell) => cell.textContent.startsWith("The zip file")));
            const [text, all] = [range.getBoundingClientRect(), box.getBoundingClientRect()];
            return { left: text.left, right: text.right, below: text.bottom - all.bottom };
        }"""
    )
    assert 0 <= place["left"] < place["right"] <= 390
    assert place["below"] <= 0
    page.close()


def test_chart_shows_its_runs_and_names_itself(browser: Any, folders: dict[str, Path]) -> None:
    """The run chart draws one mark a run, and the SVG carries the chart's sentence for screen readers."""
    page = browser.new_page()
    visit(page, folders["full"] / "job" / "spacer.html")
    chart = page.locator(".chart").first

    assert chart.locator("svg .mark-symbol path").count() == 48
    assert chart.get_attribute("aria-label") in (page.locator("figure h3").first.text_content() or "")
    page.close()


def test_wall_time_is_the_same_in_any_zone(browser: Any, folders: dict[str, Path]) -> None:
    """A reader in Tokyo sees the shop's own clock on the axis."""
    labels = []
    for zone in ("Europe/Lisbon", "Asia/Tokyo"):
        context = browser.new_context(timezone_id=zone, viewport={"width": 1280, "height": 900})
        page = context.new_page()
        visit(page, folders["full"] / "job" / "spacer.html")
        labels.append(page.locator(".chart svg").first.locator(".role-axis-label text").all_text_contents())
        context.close()

    assert labels[0] == labels[1]
    assert any("Jan" in label for label in labels[0])


def test_table_sorts_and_finds(browser: Any, folders: dict[str, Path]) -> None:
    """A heading sorts by the figure, not by its text, blanks last; the search box narrows a long table."""
    page = browser.new_page()
    visit(page, folders["full"] / "overruns.html")
    hours = page.locator("#all-jobs table tbody td:nth-child(3)")
    heading = page.get_by_role("button", name="Hours over")
    heading.click()
    rising = hours.all_text_contents()
    heading.click()
    falling = hours.all_text_contents()

    values = [float(text.replace("\u2212", "-").split("\u00a0")[0]) for text in rising[:-1]]
    assert values == sorted(values)
    assert values[0] < 0
    assert rising[-1] == falling[-1] == "–"
    assert page.locator("th[aria-sort='descending']").count() == 1

    visit(page, folders["full"] / "job" / "spacer.html")
    page.get_by_label("Find in this table").last.fill("aborted")
    assert page.locator("main table").last.locator("tbody tr:visible").count() == 1
    page.close()


def test_figures_are_there_without_scripts(browser: Any, folders: dict[str, Path]) -> None:
    """With scripts off, tables carry the figures and the page says where the chart's are."""
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto((folders["full"] / "overruns.html").as_uri())

    assert "The chart needs a browser with scripts on" in page.locator("figure").first.inner_text()
    assert "+14.0" in page.locator("#all-jobs table").inner_text()
    context.close()


def test_print_fits_the_paper(browser: Any, folders: dict[str, Path]) -> None:
    """In print no chart is wider than A4 upright, and the navigation is gone."""
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    visit(page, folders["full"] / "machine" / "m1.html")
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 720, "height": 1000})

    widths = page.evaluate("[...document.querySelectorAll('.chart svg')].map((s) => s.getBoundingClientRect().width)")
    assert len(widths) == 4
    assert all(width <= 720 for width in widths)
    assert not page.locator("nav").is_visible()
    box = page.locator(".scroll").first
    assert box.evaluate("(box) => getComputedStyle(box).backgroundImage") == "none"
    assert box.locator("thead").evaluate("(head) => getComputedStyle(head).display") == "table-header-group"
    page.close()


def test_a_month_prints_on_two_sheets_of_a4(browser: Any, folders: dict[str, Path]) -> None:
    """Every month of the shop, with the browser's own wish for backgrounds off; nothing is wider than the paper."""
    page = browser.new_page()
    for path in sorted(folders["full"].glob("month-*.html")):
        visit(page, path)
        page.emulate_media(media="print")
        page.set_viewport_size({"width": 703, "height": 1032})  # A4 less margins of 12 mm
        assert page.evaluate("document.documentElement.scrollWidth") <= 703
        bar = page.locator(".s").first
        assert bar.evaluate("(bar) => getComputedStyle(bar).printColorAdjust") == "exact"
        printed = page.pdf(prefer_css_page_size=True)
        boxes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", printed)
        assert len(re.findall(rb"/Type /Page\b(?!s)", printed)) == len(boxes) == 2
        assert {(round(float(width)), round(float(height))) for width, height in boxes} == {(595, 842)}
    page.close()


def test_factor_sheet_prints_on_a4(browser: Any, folders: dict[str, Path]) -> None:
    """The factor sheet is A4 upright, nothing on it wider than the paper, and its tables repeat their heads."""
    page = browser.new_page()
    visit(page, folders["full"] / "factor-sheet.html")
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 688, "height": 1017})  # A4 less margins of 14 mm
    assert page.evaluate("document.documentElement.scrollWidth") <= 688
    assert page.locator("thead").first.evaluate("(head) => getComputedStyle(head).display") == "table-header-group"
    printed = page.pdf(prefer_css_page_size=True)
    boxes = {
        (round(float(w)), round(float(h))) for w, h in re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", printed)
    }
    assert boxes == {(595, 842)}
    page.close()


def test_links_and_text_have_contrast(browser: Any, folders: dict[str, Path]) -> None:
    """All text reaches the contrast of WCAG 2.2 level AA (4.5 to 1, formula of WCAG's relative luminance)."""
    page = browser.new_page()
    lowest = 21.0
    for name in (
        "index.html",
        "overruns.html",
        "tool-life.html",
        "quality.html",
        "job/bracket.html",
        "trust.html",
        "factor-sheet.html",
        "month-2026-05.html",
    ):
        visit(page, folders["full"] / name)
        ratios = page.evaluate(CONTRAST)
        assert len(ratios) > 30
        lowest = min(lowest, *ratios)
    page.close()

    assert lowest >= 4.5


CONTRAST = """() => {
    const parse = (text) => text.match(/[\\d.]+/g).map(Number);
    const light = ([r, g, b]) => {
        const f = (c) => { c /= 255; return c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4; };
        return 0.2126 * f(r) + 0.7152 * f(g) + 0.0722 * f(b);
    };
    const ground = (node) => {
        for (; node; node = node.parentElement) {
            const colour = parse(getComputedStyle(node).backgroundColor);
            if (colour.length === 3 || colour[3] > 0) return colour;
        }
        return [255, 255, 255];
    };
    return [...document.querySelectorAll("body *:not(svg *):not(script)")]
        .filter((node) => [...node.childNodes].some((child) => child.nodeType === 3 && child.data.trim()))
        .map((node) => {
            const [a, b] = [light(parse(getComputedStyle(node).color)), light(ground(node))];
            return (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
        });
}"""
