"""The pack of the demo in a browser: links, access, width, letters of charts, no request; and its workbook opened."""

from __future__ import annotations

import base64
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import openpyxl
import pandas as pd
import pytest

from tests.builders.demo_review import DemoReview
from tests.remake_example import EXAMPLE, HOME

MEGABYTE = 1_000_000
NOTEBOOK_BYTES = 150_000
CHROMIUM = shutil.which("chromium") or shutil.which("google-chrome")
WIDTHS = (1280, 390)
SMALLEST = 11  # px, of letters in charts
# Elements that cut what they hold: wider inside than outside, and neither scrolled nor meant for readers of screens.
CUT = """() => [...document.querySelectorAll('main *, header *, footer *')]
  .filter(e => e.scrollWidth > e.clientWidth + 1 && e.clientWidth > 0
    && ['hidden', 'clip'].includes(getComputedStyle(e).overflowX) && !e.closest('.skip'))
  .map(e => e.tagName + ' ' + e.className + ': ' + e.textContent.slice(0, 60))"""
# Charts in the order of the page: source and scale at which they are shown (shown width / own width).
CHARTS = """() => [...document.querySelectorAll('figure img')]
  .map(e => [e.currentSrc, e.getBoundingClientRect().width / e.naturalWidth, e.alt])
  .filter(([source, scale, alt]) => scale > 0)"""


@pytest.fixture(scope="module")
def pages(demo: DemoReview) -> list[Path]:
    return sorted(demo.folder.glob("*.html"))


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    if CHROMIUM is None:
        pytest.skip("no Chromium here")
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield chromium
        chromium.close()


@pytest.fixture(params=WIDTHS)
def tab(browser: Any, request: pytest.FixtureRequest) -> Iterator[Any]:
    """A tab of one width; it notes every request that leaves the folder."""
    # The tool that checks access is a script, and pages allow none.
    context = browser.new_context(viewport={"width": request.param, "height": 900}, bypass_csp=True)
    page = context.new_page()
    page.left = []
    page.on("request", lambda asked: None if asked.url.startswith(("file:", "data:")) else page.left.append(asked.url))
    yield page
    context.close()


def test_every_link_leads_to_a_page_and_a_row_that_are_there(tab, pages):
    rows = {}
    links = set()
    for path in pages:
        tab.goto(path.as_uri())
        rows[path.name] = set(tab.eval_on_selector_all("[id]", "all => all.map(e => e.id)"))
        hrefs = tab.eval_on_selector_all("a", "all => all.map(e => e.getAttribute('href'))")
        links |= {(path.name, href) for href in hrefs}
    assert not [page for page, href in links if href is None]
    dead = []
    for page, href in links:
        file, _, row = href.partition("#")
        if file.endswith(".html") or not file:
            dead += [(page, href)] if row and row not in rows.get(file or page, set()) else []
            dead += [(page, href)] if file and file not in rows else []
        elif not (pages[0].parent / file).is_file():
            dead.append((page, href))
    assert dead == []
    # The brief leads to the rows that its decisions come from.
    assert any(page == "index.html" and "#" in href and not href.startswith("#") for page, href in links)


def test_following_a_link_shows_the_page_it_names(tab, pages):
    place = {path.name: path for path in pages}
    # Every link of every page is clicked once; each page that a click shows is where the next is clicked.
    left = {}
    for path in pages:
        tab.goto(path.as_uri())
        left[path.name] = list(
            enumerate(tab.eval_on_selector_all("nav a", "all => all.map(e => e.getAttribute('href'))"))
        )
    assert all(left.values())
    while any(left.values()):
        at = urlsplit(tab.url).path.rpartition("/")[2]
        if not left[at]:
            at = next(name for name, links in left.items() if links)
            tab.goto(place[at].as_uri())
        number, name = left[at].pop(0)
        tab.locator("nav a").nth(number).click()
        assert tab.url.endswith(f"/{name}")


def test_axe_finds_no_fault_of_access(tab, pages):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    faults = []
    for path in pages:
        tab.goto(path.as_uri())
        found = axe.run(tab).response["violations"]
        faults += [f"{path.name}: {one['id']}: {one['nodes'][0]['html'][:160]} ({len(one['nodes'])})" for one in found]
    assert faults == []


def test_no_page_is_wider_than_its_window_and_no_text_is_cut(tab, pages):
    faults = []
    for path in pages:
        tab.goto(path.as_uri())
        width = tab.evaluate("document.documentElement.scrollWidth")
        if width > tab.viewport_size["width"]:
            faults.append(f"{path.name}: {width} px wide")
        faults += [f"{path.name}: {one}" for one in tab.evaluate(CUT)]
    assert faults == []


def letter_sizes(source: str) -> list[float]:
    """Sizes of the letters of a drawing, in its own px: of texts, and by the scale of letters drawn as paths."""
    drawing = base64.b64decode(source.partition("base64,")[2]).decode("utf-8")
    texts = [float(size) for size in re.findall(r"font(?:-size)?: ?(?:[a-z]+ )*([\d.]+)px", drawing)]
    # matplotlib draws a letter of 1 px as a path of 100 units.
    paths = [100 * float(scale) for scale in re.findall(r"scale\(([\d.]+) -[\d.]+\)", drawing)]
    view = re.search(r'width="([\d.]+)(pt|px)?"[^>]*viewBox="0 0 ([\d.]+)', drawing) or re.search(
        r'viewBox="0 0 ([\d.]+)', drawing
    )
    own = float(view[3]) if len(view.groups()) > 1 else float(view[1])
    natural = float(view[1]) * (4 / 3 if len(view.groups()) > 1 and view[2] == "pt" else 1)
    return [size * natural / own for size in texts + paths]


def test_letters_of_charts_are_large_enough_to_read(tab, pages):
    small = []
    seen = 0
    for path in pages:
        tab.goto(path.as_uri())
        for source, scale, alt in tab.evaluate(CHARTS):
            sizes = letter_sizes(source)
            assert sizes, f"{path.name}: no letters found in {alt[:60]}"
            seen += 1
            if min(sizes) * scale < SMALLEST - 0.05:
                small.append(f"{path.name}: {min(sizes) * scale:.1f} px: {alt[:60]}")
    assert seen > 5
    assert small == []


def test_no_request_leaves_the_folder(tab, pages):
    for path in pages:
        tab.goto(path.as_uri())
    assert tab.left == []


@pytest.mark.skipif(shutil.which("soffice") is None, reason="LibreOffice is not installed")
@pytest.mark.parametrize("name", ["findings.xlsx", "care_sheet.xlsx"])
def test_workbooks_open_in_libreoffice_and_are_read_back_the_same(demo, tmp_path, name):
    command = ["soffice", "--headless", f"-env:UserInstallation={(tmp_path / 'profile').as_uri()}", "--convert-to"]
    command += ["xlsx:Calc MS Excel 2007 XML", "--outdir", str(tmp_path / "read"), str(demo.folder / name)]
    subprocess.run(command, check=True, capture_output=True, timeout=300)
    ours, theirs = (openpyxl.load_workbook(folder / name) for folder in (demo.folder, tmp_path / "read"))
    assert ours.sheetnames == theirs.sheetnames
    for sheet in ours.sheetnames:
        values = [[[cell.value for cell in row] for row in book[sheet].iter_rows()] for book in (ours, theirs)]
        frames = [pd.DataFrame(rows).dropna(how="all").dropna(how="all", axis=1) for rows in values]
        pd.testing.assert_frame_equal(*frames, check_dtype=False)
        assert not [
            c for row in theirs[sheet].iter_rows() for c in row if str(c.value).startswith(("#REF", "#NAME", "Err:"))
        ]


def words_of(pdf: Path) -> list[str]:
    """Text of a PDF in reading order, without its hyphens at line ends."""
    done = subprocess.run(["pdftotext", str(pdf), "-"], check=True, capture_output=True, text=True)
    return done.stdout.split()


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is not installed")
def test_the_example_says_what_the_review_of_the_demo_says(demo):
    # `make example` makes it again when a change is meant.
    pytest.importorskip("weasyprint", exc_type=(ImportError, OSError))
    assert words_of(EXAMPLE / "brief.pdf") == words_of(demo.folder / "index.pdf")
    assert words_of(EXAMPLE / "client.pdf") == words_of(demo.client / "client.pdf")


def test_the_example_is_small_and_holds_what_the_readme_shows():
    sizes = {path.name: path.stat().st_size for path in EXAMPLE.iterdir()}
    assert sum(size for name, size in sizes.items() if name.endswith(".pdf")) < MEGABYTE
    assert sum(size for name, size in sizes.items() if name.endswith(".png")) < MEGABYTE
    assert sizes["notebook.png"] < NOTEBOOK_BYTES
    readme = (HOME / "README.md").read_text(encoding="utf-8")
    shown = set(re.findall(r"reports/example/([\w.]+)", readme))
    assert shown == set(sizes)
    # The brief comes right after the paragraph that says what this is for.
    assert readme.split("\n\n")[2].startswith("[![The brief")


@pytest.mark.skipif(shutil.which("pdfinfo") is None, reason="pdfinfo is not installed")
@pytest.mark.parametrize(("name", "sheets"), [("brief.pdf", 1), ("client.pdf", 2)])
def test_the_brief_is_one_sheet_and_a_client_page_two_at_most(name, sheets):
    done = subprocess.run(["pdfinfo", str(EXAMPLE / name)], check=True, capture_output=True, text=True)
    assert int(re.search(r"Pages: +(\d+)", done.stdout)[1]) <= sheets
