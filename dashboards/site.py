"""Publishing: SiteData in, a folder of static pages out, swapped in whole or not at all.

Pages open from the disk, ask nothing of any host, and are the same bytes for the same data.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from functools import lru_cache
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

import jinja2
from markupsafe import Markup, escape

from dashboards import wording
from dashboards.assets import write_assets
from dashboards.blocks import Page
from dashboards.book import Book
from dashboards.pages.factor_sheet import factor_sheet_page
from dashboards.pages.front import front_page
from dashboards.pages.job import job_page
from dashboards.pages.machines import machine_pages
from dashboards.pages.month import month_page
from dashboards.pages.overruns import overruns_page
from dashboards.pages.quality import quality_page
from dashboards.pages.quoting import quoting_page
from dashboards.pages.tools import tool_pages, tools_page
from dashboards.pages.trust import trust_page
from dashboards.pages.utilisation import utilisation_page
from dashboards.site_data import SiteData
from pipeline import resources
from pipeline.errors import UsageError
from pipeline.printable import printable

NAV: Final = (
    ("front", "index.html", "At a glance"),
    ("overruns", "overruns.html", "Overruns"),
    ("tools", "tool-life.html", "Tool life"),
    ("utilisation", "utilisation.html", "Utilisation"),
    ("quoting", "quoting.html", "Quoting"),
    ("quality", "quality.html", "What came in"),
)
MARKER: Final = ".spindlebook-site"
MARKER_TEXT: Final = "This folder is written anew by spindlebook at every run. Keep nothing of your own in it.\n"


def publish(data: SiteData, folder: Path) -> list[Path]:
    """Write the whole site into `folder` and return its files, sorted.

    The site is made beside the folder and swapped in; where anything fails, the earlier site stays as it was.
    Raises UsageError where the folder holds files that are not a site of ours.
    """
    folder = folder.resolve()
    _refuse_foreign(folder)
    folder.parent.mkdir(parents=True, exist_ok=True)
    fresh, aside = folder.with_name(f".{folder.name}.new"), folder.with_name(f".{folder.name}.old")
    if aside.exists() and not folder.exists():
        aside.rename(folder)  # the last publishing was killed between its two renames
    for leftover in (fresh, aside):
        shutil.rmtree(leftover, ignore_errors=True)
    try:
        written = _write(data, fresh, folder / "assets")
        _swap(fresh, folder, aside)
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
        shutil.rmtree(aside, ignore_errors=True)
    return sorted(folder / path.relative_to(fresh) for path in written)


def _refuse_foreign(folder: Path) -> None:
    if folder.is_dir() and not (folder / MARKER).exists() and any(folder.iterdir()):
        raise UsageError(
            f"{folder} holds files that are not a site of spindlebook, and publishing would replace them. "
            "Name an empty folder, or one that does not exist yet."
        )
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"{folder} is a file. Name a folder for the site.")


def _swap(fresh: Path, folder: Path, aside: Path) -> None:
    """Put the new folder in the place of the old one; the old one comes back where that fails."""
    had_site = folder.exists()
    if had_site:
        folder.rename(aside)
    try:
        fresh.rename(folder)
    except OSError:
        if had_site:
            aside.rename(folder)
        raise


def _write(data: SiteData, folder: Path, earlier_assets: Path) -> list[Path]:
    book = Book(data)
    words = _site_words(book)
    templates = _templates()
    written = write_assets(folder / "assets", earlier_assets)
    marker = folder / MARKER
    marker.write_text(MARKER_TEXT, encoding="utf-8", newline="\n")
    for name in ("job", "tool", "machine"):
        (folder / name).mkdir()
    for page in site_pages(book):
        html = templates.get_template(page.template).render(page=page, site=words)
        for path, text in {page.path: html, **page.files}.items():
            target = folder / path
            target.write_text(text, encoding="utf-8", newline="")
            written.append(target)
    return [*written, marker]


def site_pages(book: Book) -> Iterator[Page]:
    """Yield every page of the site, one at a time."""
    yield front_page(book)
    yield overruns_page(book)
    yield tools_page(book)
    yield utilisation_page(book)
    yield quoting_page(book)
    yield trust_page(book)
    yield factor_sheet_page(book)
    yield quality_page(book)
    jobs: dict[str, list[dict[str, Any]]] = {}
    for row in book.drift_rows:
        jobs.setdefault(row["job_key"], []).append(row)
    for job_key in sorted(jobs):
        yield job_page(book, job_key, jobs[job_key])
    yield from tool_pages(book)
    yield from machine_pages(book)
    for month in data_months(book.data):
        yield month_page(book, month)


def data_months(data: SiteData) -> list[str]:
    """Return the months of which the book has machine time, oldest first."""
    return sorted(set(data.utilisation["month"]))


def month_alone(data: SiteData, month: str) -> str:
    """Return the page of one month as one file that needs nothing beside it."""
    css = "\n".join(resources.read_text("dashboards", "static", name) for name in ("site.css", "month.css"))
    book = Book(data)
    page = month_page(book, month, alone=True)
    return _templates().get_template(page.template).render(page=page, site={**_site_words(book), "css": css})


def _site_words(book: Book) -> dict[str, Any]:
    """Return what every page says of the shop."""
    data = book.data
    built = data.built_at.astimezone(data.zone)
    span = ""
    if data.first_at is not None and data.last_at is not None:
        first, last = wording.local_day(data.first_at, data.zone), wording.local_day(data.last_at, data.zone)
        span = f"{data.shop_name}, {first} to {last}"
    return {
        "shop_name": data.shop_name,
        "nav": NAV,
        "built": built.strftime("%Y-%m-%d %H:%M"),
        "timezone": data.timezone,
        "zone_name": built.tzname() or "",
        "money": data.currency or "no currency in shop.toml",
        "notes": book.notes,
        "span": span,
        "caution": wording.CAUTION,
        "version": version("spindlebook"),
        "css": "",
    }


@lru_cache(maxsize=1)
def _templates() -> jinja2.Environment:
    """Return the packaged templates, with every value escaped and a missing one an error."""
    templates = jinja2.Environment(
        loader=jinja2.FunctionLoader(lambda name: resources.read_text("dashboards", "templates", name)),
        autoescape=True,
        finalize=lambda value: printable(value) if type(value) is str else value,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    templates.filters["coded"] = _coded
    return templates


def _coded(text: str) -> Markup:
    """Return text as HTML with what stands between backticks as code."""
    return Markup(re.sub(r"`([^`]+)`", r"<code>\1</code>", str(escape(printable(text)))))
