"""Make one HTML page from a notebook that has run: no network, no script, no markup that came from data."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from html import escape
from html.parser import HTMLParser
from importlib import resources
from itertools import groupby

from nbconvert import HTMLExporter
from nbformat import NotebookNode
from nbformat.v4 import new_output

from plantstats.reporting.errors import ReportError

LETTERS_SHOWN = 4000  # Of what a cell prints; the middle of more is left out, and the page says so.
DISPLAYS = ("text/html", "image/svg+xml", "image/png", "text/plain")
FORBIDDEN_TAGS = {"script", "iframe", "object", "embed", "form", "input", "button", "link", "base", "frame"}
# A file in the folder of the report.
NEIGHBOUR = re.compile(r"[a-z0-9_]+\.(csv|parquet|json|html)")


def make(
    notebook: NotebookNode, name: str, about: str, definitions: Mapping[str, str], making: Sequence[tuple[str, str]]
) -> str:
    """Turn a notebook that has run into a page.

    Takes:  notebook with its outputs; name: file name of the template, for messages; about: one line (period,
            client); definitions: measure to sentence; making: rows of the table "What made this page".
    Gives:  HTML with everything inside. Code is not shown; the first heading is the title.
    Raises: ReportError for a notebook that did not run to its end, or for a page that would run code, load
            something from the network, or cut a table.
    """
    unfinished = check_finished(notebook)
    if unfinished:
        raise ReportError(f"{name}: {unfinished}; a page is made only when every cell ran to its end")
    shown = NotebookNode(notebook)
    shown.cells = [_shown_cell(cell) for cell in notebook.cells]
    body, _ = HTMLExporter(
        template_name="basic",
        exclude_input=True,
        exclude_input_prompt=True,
        exclude_output_prompt=True,
        exclude_anchor_links=True,
    ).from_notebook_node(shown)
    title = _title(notebook)
    heading = "" if title else f"<h1>{escape(name)}</h1>"
    css = resources.files("plantstats.reporting").joinpath("page.css").read_text(encoding="utf-8")
    terms = "".join(
        f'<dt id="def-{escape(term)}">{escape(term)}</dt><dd>{escape(text)}</dd>'
        for term, text in sorted(definitions.items())
    )
    rows = "".join(f'<tr><th scope="row">{escape(a)}</th><td>{escape(b)}</td></tr>' for a, b in making)
    page = "\n".join(
        [
            '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f"<title>{escape(title or name)} - {escape(about)}</title>",
            f"<style>\n{css}</style>\n</head>\n<body>",
            f'<header><p class="about">{escape(about)}</p>{heading}</header>',
            f"<main>\n{body}\n</main>\n<footer>",
            f"<h2>What the measures mean</h2>\n<dl>{terms}</dl>" if terms else "",
            f'<h2>What made this page</h2>\n<div class="wide"><table><tbody>{rows}</tbody></table></div>',
            "</footer>\n</body>\n</html>\n",
        ]
    )
    faults = check(page)
    if faults:
        raise ReportError("\n".join(f"{name}: {fault}" for fault in faults))
    return page


def check_finished(notebook: NotebookNode) -> str:
    """Say what did not run.

    Takes:  notebook with its outputs.
    Gives:  "" when every cell ran to its end, else the first that did not.
    """
    for number, cell in enumerate(notebook.cells, 1):
        if cell.cell_type != "code" or not cell.source.strip():
            continue
        run = cell.metadata.get("papermill", {})
        if run.get("status", "completed") != "completed" or run.get("exception"):
            return f"cell {number} is {run['status']}"
        if cell.execution_count is None or ("end_time" in run and run["end_time"] is None):
            return f"cell {number} was not run"
        if any(output.output_type == "error" for output in cell.outputs):
            return f"cell {number} failed"
    return ""


def check(page: str) -> list[str]:
    """Find what a page must not hold.

    Takes:  page: HTML.
    Gives:  one sentence per fault: scripts, event handlers, frames, forms, addresses outside the file, not
            exactly one main heading, tables that pandas cut.
    """
    reader = _Reader()
    reader.feed(page)
    reader.close()
    if reader.headings != 1:
        reader.faults.append(f"the page has {reader.headings} main headings (# ...); it needs exactly one")
    return reader.faults


class _Reader(HTMLParser):
    """Walks through a page and notes what it must not hold."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.faults: list[str] = []
        self.headings = 0
        self._styled = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.headings += tag == "h1"
        self._styled = tag == "style"
        given = {name: value or "" for name, value in attrs}
        if tag in FORBIDDEN_TAGS or (tag == "meta" and "http-equiv" in given):
            self.faults.append(f"the page would hold <{tag}>; plantstats.reporting.display escapes what it shows")
        if tag == "table" and "dataframe" in given.get("class", "").split():
            self.faults.append("a table is shown by pandas, which cuts rows and long texts; use show.table")
        for name, value in given.items():
            address = re.sub(r"[\x00-\x20]", "", value).lower()
            if name.startswith("on") or name in ("srcdoc", "formaction", "srcset", "background"):
                self.faults.append(f"<{tag}> has {name}={value[:40]!r}, which runs code or loads something")
            if name == "style" and re.search(r"url\(|expression|@import", value, re.IGNORECASE):
                self.faults.append(f"<{tag}> loads something in its style: {value[:40]!r}")
            if name in ("src", "href", "xlink:href", "action", "data", "poster", "cite") and not (
                address.startswith(("#", "data:image/")) or (name == "href" and NEIGHBOUR.fullmatch(address))
            ):
                self.faults.append(f"<{tag}> points outside the page: {value[:60]!r}")

    def handle_data(self, data: str) -> None:
        if self._styled and re.search(r"url\(\s*[\"']?(?!#|data:)|@import", data, re.IGNORECASE):
            self.faults.append("a style sheet loads something from outside the page")

    def handle_endtag(self, tag: str) -> None:
        self._styled = self._styled and tag != "style"


def _shown_cell(cell: NotebookNode) -> NotebookNode:
    """Only forms of output that cannot run; what is printed piece by piece stands together."""
    if cell.cell_type != "code":
        return cell
    kept = NotebookNode(cell)
    kept.outputs = []
    for way, several in groupby(cell.outputs, lambda output: output.get("name", "")):
        if way:
            text = printed("".join(output.text for output in several))
            kept.outputs += [new_output("stream", name=way, text=text)] if text.strip() else []
            continue
        for output in several:
            best = next((kind for kind in DISPLAYS if kind in output.get("data", {})), None)
            if best is not None:
                kept.outputs.append(new_output("display_data", data={best: output.data[best]}))
    return kept


def printed(text: str) -> str:
    """What a cell printed, as a screen shows it: without lines written over, the middle left out if long.

    Takes:  text.
    Gives:  text of at most LETTERS_SHOWN letters, and a line that says how many are left out.
    """
    # Not by a pattern: searching "anything up to \r" takes hours in a line of two million letters.
    seen = "\n".join(line.rstrip("\r").rpartition("\r")[2] for line in text.split("\n"))
    if len(seen) <= LETTERS_SHOWN:
        return seen
    half = LETTERS_SHOWN // 2
    left_out = f"[{len(seen) - LETTERS_SHOWN:,} letters in the middle are not shown]"
    return "\n".join([seen[:half], left_out, seen[-half:]])


def _title(notebook: NotebookNode) -> str:
    for cell in notebook.cells:
        if cell.cell_type == "markdown":
            for line in cell.source.splitlines():
                if line.startswith("# "):
                    return line.removeprefix("# ").strip()
    return ""
