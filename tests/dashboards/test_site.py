"""The site as files: whole or not at all, the same bytes for the same data, no dead link, names escaped."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from urllib.parse import unquote, urldefrag

import lxml.html
import polars as pl
import pytest

from dashboards import site
from dashboards.assets import CHART_SCRIPT
from dashboards.site import MARKER, publish
from dashboards.site_data import SiteData
from pipeline.errors import UsageError

SiteMakers = dict[str, Callable[[], SiteData]]
NAMES = ("full", "empty", "all rejected")


@pytest.fixture(scope="module")
def published(sites: SiteMakers, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Each shop's site, published once."""
    folder = tmp_path_factory.mktemp("sites")
    for name in NAMES:
        publish(sites[name](), folder / name)
    return {name: folder / name for name in NAMES}


def pages(folder: Path) -> dict[Path, lxml.html.HtmlElement]:
    """Parse every page of a site."""
    return {path: lxml.html.fromstring(path.read_bytes()) for path in sorted(folder.rglob("*.html"))}


@pytest.mark.parametrize("name", NAMES)
def test_links_lead_somewhere(published: dict[str, Path], name: str) -> None:
    """Every link and asset is a relative path to a file of the site, and every anchor is there."""
    parsed = pages(published[name])
    anchors = {path: set(tree.xpath("//@id")) for path, tree in parsed.items()}
    count = 0
    for path, tree in parsed.items():
        for link in tree.xpath("//@href | //@src"):
            target, anchor = urldefrag(link)
            assert not re.match(r"[a-z]+:|//|/", target), link
            file = (path.parent / unquote(target)).resolve() if target else path
            assert file.is_file(), f"{path.name} -> {link}"
            assert file.is_relative_to(published[name].resolve())
            if anchor:
                assert anchor in anchors[file], f"{path.name} -> {link}"
            count += 1
    assert count > 50


@pytest.mark.parametrize("name", NAMES)
def test_pages_are_well_formed(published: dict[str, Path], name: str) -> None:
    """Each page has one h1, a language, no id twice, a name for each region and chart, and headings for columns."""
    for path, tree in pages(published[name]).items():
        ids = tree.xpath("//@id")
        assert len(ids) == len(set(ids)), path
        assert len(tree.xpath("//h1")) == 1
        assert tree.xpath("/html/@lang") == ["en"]
        assert all(tree.xpath("//*[@role='region' or @role='img']/@aria-label"))
        for table in tree.xpath("//table"):
            width = len(table.xpath("./thead/tr/th"))
            assert {len(row.xpath("./td")) for row in table.xpath("./tbody/tr")} == {width}


def test_every_chart_has_its_figures_as_a_table(published: dict[str, Path]) -> None:
    """A chart has a table behind it or names one on the same page, so that no figure needs a script."""
    count = 0
    for path, tree in pages(published["full"]).items():
        for figure in tree.xpath("//figure"):
            count += 1
            inside = figure.xpath(".//details//table")
            named = [tree.get_element_by_id(href[1:]) for href in figure.xpath("./figcaption/a/@href")]
            assert inside or any(place.xpath(".//table") for place in named), path
            title = figure.xpath("./h3")[0].text_content()
            assert figure.xpath("./div[@role='img']/@aria-label") == [title]
            assert f'"description":"{title[:5]}'.replace("<", "\\u003c") in figure.xpath(".//script")[0].text
    assert count >= 20


def test_names_are_escaped(published: dict[str, Path]) -> None:
    """A script in a name is text: the only scripts are ours and the charts' JSON, and no attribute runs any."""
    seen = 0
    for path, tree in pages(published["full"]).items():
        assert tree.xpath("//script[not(@type='application/json')]/@src") == [
            f"{'../' * (len(path.relative_to(published['full']).parts) - 1)}assets/{name}"
            for name in ("charts.js", "site.js")
            if not path.name.startswith("month-")  # they need no script
        ]
        assert all(not script.text for script in tree.xpath("//script[@src]"))
        assert not tree.xpath("//@*[starts-with(name(), 'on')]")
        seen += "window.hacked" in tree.text_content()
    assert seen >= 8
    assert "<script>window" not in "".join(path.read_text("utf-8") for path in published["full"].rglob("*.html"))


@pytest.mark.parametrize("name", NAMES)
def test_no_page_names_a_host(published: dict[str, Path], name: str) -> None:
    """No page, style or script of ours holds a web address."""
    for path in published[name].rglob("*"):
        if path.is_file() and path.name != CHART_SCRIPT:
            text = path.read_text("utf-8").replace('xmlns="http://www.w3.org/2000/svg"', "")
            assert not re.search(r"https?://|@import|url\(", text), path


def test_pages_forbid_requests(published: dict[str, Path]) -> None:
    """Each page carries a policy under which a browser asks no host for anything and runs no inline script."""
    for tree in pages(published["full"]).values():
        policy = tree.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")[0]
        rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
        assert rules["default-src"] == "'none'"
        assert rules["script-src"] == "'self' file:"


@pytest.mark.parametrize("start", ["index.html", "overruns.html", "utilisation.html", "quoting.html", "tool-life.html"])
def test_source_rows_are_two_steps_away(published: dict[str, Path], start: str) -> None:
    """Each row of a front or list page leads to a page that lists source file and row number."""
    parsed = pages(published["full"])
    tree = parsed[published["full"] / start]
    rows = tree.xpath("//main//tbody/tr[not(ancestor::details)]")
    assert rows
    for row in rows:
        links = [urldefrag(link)[0] for link in row.xpath(".//a/@href")]
        if links[:1] and links[0].startswith("month-"):  # a month of all machines: its page leads to each machine's
            links = parsed[published["full"] / links[0]].xpath("//tbody//a/@href")
            assert links
        targets = [parsed[published["full"] / link] for link in links if not link.startswith("quality")]
        if start == "quoting.html" and "overruns.html" in links:
            continue  # a factor over all jobs: the next step is the list of jobs, the one after it the rows
        headings = [[th.text_content() for th in table.xpath(".//th")] for t in targets for table in t.xpath("//table")]
        assert any("Source file" in names and ("Row" in names or "First row" in names) for names in headings), row


def test_list_holds_all_that_is_written(sites: SiteMakers, tmp_path: Path) -> None:
    """The returned paths are the files of the site, sorted, in the folder asked for."""
    written = publish(sites["full"](), tmp_path / "deep" / "site")

    assert written == sorted(path for path in (tmp_path / "deep" / "site").rglob("*") if path.is_file())
    assert {"index.html", "overruns.html", "tool-life.html", "utilisation.html", "quoting.html", "quality.html"} <= {
        path.name for path in written
    }
    assert [path.name for path in (tmp_path / "deep").iterdir()] == ["site"]


def test_same_data_same_bytes(sites: SiteMakers, tmp_path: Path) -> None:
    """Published twice, over itself and beside, with rows in another order, every file is the same."""
    data = sites["full"]()
    first = publish(data, tmp_path / "one")
    before = {path.relative_to(tmp_path / "one"): path.read_bytes() for path in first}
    publish(sites["full"](), tmp_path / "one")
    shuffled = {
        name: getattr(data, name).sample(fraction=1, shuffle=True, seed=7)
        for name in ("drift", "runs", "causes", "tools", "edges", "utilisation", "machines", "files", "factors", "gaps")
    }
    fields = {name: getattr(data, name) for name in SiteData.__dataclass_fields__}
    second = publish(SiteData(**{**fields, **shuffled}), tmp_path / "two")

    assert {path.relative_to(tmp_path / "one"): path.read_bytes() for path in first} == before
    assert {path.relative_to(tmp_path / "two"): path.read_bytes() for path in second} == before


def test_failed_run_leaves_the_old_site(sites: SiteMakers, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A fault in the last page leaves the earlier site untouched and no half-made folder."""
    folder = tmp_path / "site"
    publish(sites["empty"](), folder)
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}

    def broken(book: object) -> list[object]:
        raise RuntimeError("broken on purpose")

    monkeypatch.setattr(site, "machine_pages", broken)
    with pytest.raises(RuntimeError, match="broken on purpose"):
        publish(sites["full"](), folder)

    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before
    assert list(tmp_path.iterdir()) == [folder]


def test_failed_swap_brings_the_old_site_back(
    sites: SiteMakers, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the new folder cannot take its place, the old one returns."""
    folder = tmp_path / "site"
    publish(sites["empty"](), folder)
    rename = Path.rename

    def stubborn(self: Path, target: Path) -> Path:
        if self.name.endswith(".new"):
            raise PermissionError("held open")
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", stubborn)
    with pytest.raises(PermissionError):
        publish(sites["full"](), folder)

    assert (folder / "index.html").is_file()
    assert not (folder / "job" / "bracket.html").exists()


def test_killed_between_renames_is_mended(sites: SiteMakers, tmp_path: Path) -> None:
    """Killed when the old site stood aside and the new had not moved: the next run publishes and tidies up."""
    folder = tmp_path / "site"
    publish(sites["empty"](), folder)
    folder.rename(tmp_path / ".site.old")
    (tmp_path / ".site.new").mkdir()
    (tmp_path / ".site.new" / "half.html").write_text("half")

    publish(sites["full"](), folder)

    assert list(tmp_path.iterdir()) == [folder]
    assert (folder / "job" / "bracket.html").is_file()
    assert not (folder / "half.html").exists()


def test_foreign_folder_is_refused(sites: SiteMakers, tmp_path: Path) -> None:
    """A folder with files of the user's own is never replaced."""
    (tmp_path / "letters").mkdir()
    (tmp_path / "letters" / "offer.txt").write_text("mine")

    with pytest.raises(UsageError, match="holds files that are not a site of spindlebook"):
        publish(sites["empty"](), tmp_path / "letters")
    with pytest.raises(UsageError, match="is a file"):
        publish(sites["empty"](), tmp_path / "letters" / "offer.txt")

    assert (tmp_path / "letters" / "offer.txt").read_text() == "mine"


def test_empty_folder_and_old_pages_are_replaced(sites: SiteMakers, tmp_path: Path) -> None:
    """An empty folder is taken, and pages of jobs that are gone do not stay."""
    folder = tmp_path / "site"
    folder.mkdir()
    publish(sites["full"](), folder)
    assert (folder / "job" / "bracket.html").is_file()

    publish(sites["empty"](), folder)

    assert not (folder / "job" / "bracket.html").exists()
    assert (folder / MARKER).is_file()


def test_chart_script_serves_again_only_when_whole(sites: SiteMakers, tmp_path: Path) -> None:
    """A cut chart script is made anew, and one from this version is the same bytes."""
    folder = tmp_path / "site"
    publish(sites["empty"](), folder)
    script = folder / "assets" / CHART_SCRIPT
    whole = script.read_bytes()
    script.write_bytes(whole[:-1000])

    publish(sites["empty"](), folder)

    assert script.read_bytes() == whole
    assert whole.startswith(b"/* chart script")


def test_money_and_notes_are_said(make: Callable[..., SiteData], tmp_path: Path) -> None:
    """Without a currency the footer says so, and notes stand on the front page, escaped."""
    publish(make(currency="", notes=("No shop.toml: <a calendar of 24 hours> is assumed.",)), tmp_path / "site")
    tree = lxml.html.fromstring((tmp_path / "site" / "index.html").read_bytes())

    assert "Money: no currency in shop.toml" in tree.text_content()
    assert "<a calendar of 24 hours> is assumed" in tree.text_content()


def test_notes_name_files_as_all_pages_do(make: Callable[..., SiteData], shop: SiteData, tmp_path: Path) -> None:
    """Without the folder that all files share, commands as code: no backtick is left."""
    files = shop.files.with_columns(name="/exports/" + pl.col("name"))
    note = f"M1: most of it in {files['name'][0]}. `spindlebook report <x>` lists it."
    data = make(notes=(note,), files=files)
    publish(data, tmp_path / "site")
    tree = lxml.html.fromstring((tmp_path / "site" / "index.html").read_bytes())

    (told,) = (p for p in tree.xpath("//main/p[@class='note']") if "most of it" in p.text_content())
    assert told.xpath("./code")[0].text_content() == "spindlebook report <x>"
    assert told.text_content().startswith(f"M1: most of it in {shop.files['name'][0]}. ")


def test_no_page_obeys_a_name(make: Callable[..., SiteData], tmp_path: Path) -> None:
    """Escape sequences and marks that turn writing round are written out, so that no name looks like another."""
    name = "\x1b[2J\x00\u202eShop\u2066</title><script>1</script>"
    publish(make(shop_name=name, currency=name, notes=(name,)), tmp_path / "site")

    for page in (tmp_path / "site").rglob("*.html"):
        text = page.read_text("utf-8")
        assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]", text)
        assert "<script>1" not in text
    assert "\\u202eShop\\u2066" in (tmp_path / "site/index.html").read_text("utf-8")


def test_many_files_are_cut_with_a_word(make: Callable[..., SiteData], sites: SiteMakers, tmp_path: Path) -> None:
    """Past a thousand files the list says that it is not whole, and runs of unlisted files still name them."""
    row = sites["full"]().files.head(1)
    files = pl.concat([row.with_columns(file_id=pl.lit(f"n{n}"), name=pl.lit(f"f{n:05d}.csv")) for n in range(1005)])
    publish(make(files=files), tmp_path / "site")
    text = (tmp_path / "site" / "quality.html").read_text("utf-8")

    assert "1000 of 1005 files" in text
