"""One HTML page from a notebook that has run and the body that it gave: no network, no script."""

from __future__ import annotations

import functools
import re
from collections.abc import Sequence
from html import escape
from importlib import resources

from jinja2 import Environment, PackageLoader, Template

from plantstats.reporting.notebook_file import NotebookNode


def render(
    notebook: NotebookNode,
    body: str,
    name: str,
    about: str,
    provenance: Sequence[tuple[str, str]],
    note: str = "",
    pages: Sequence[tuple[str, str]] = (),
) -> str:
    """Turn a notebook that has run into a page.

    Parameters
    ----------
    notebook : NotebookNode
        A notebook: its first main heading is the title.
    body : str
        What it shows (`body.of`).
    name : str
        Title of a notebook without a main heading.
    about : str
        One line for the head: period and client.
    provenance : sequence of (str, str)
        Rows of the table "What made this page".
    note : str
        Why the notebook gave no results; it then stands in their place.
    pages : sequence of (str, str)
        File name and title of the pages of the pack, for the links at the top.

    Returns
    -------
    str
        HTML with everything inside. The page's Content-Security-Policy forbids the browser to run or load anything.
    """
    heading = title(notebook)
    if note:
        body = f'<p class="note">{escape(note)}</p>'
    if note or not heading:
        body = f"<h1>{escape(heading or name)}</h1>\n{body}"
    css = resources.files("plantstats.reporting").joinpath("page.css").read_text(encoding="utf-8")
    return _template().render(
        title=heading or name,
        name=f"{name}.html",
        about=about,
        css=css,
        foot=css_text(f"{about}: {heading or name}"),
        body=body,
        provenance=provenance,
        pages=pages,
    )


def css_text(text: str) -> str:
    r"""Text as the content of a style sheet's string, every letter but plain ones by its number.

    Parameters
    ----------
    text : str
        Any.

    Returns
    -------
    str
        It ends no string, no rule and no style element.

    Examples
    --------
    >>> print(css_text('a"b'))
    a\22 b
    """
    return re.sub(r"[^A-Za-z0-9 ,.:()-]", lambda match: f"\\{ord(match[0]):x} ", text)


def title(notebook: NotebookNode) -> str:
    """First main heading of a notebook.

    Parameters
    ----------
    notebook : NotebookNode

    Returns
    -------
    str
        "" when it has none.
    """
    texts = [cell.source.splitlines() for cell in notebook.cells if cell.cell_type == "markdown"]
    headings = [line for lines in texts for line in lines if line.startswith("# ")]
    return headings[0].removeprefix("# ").strip() if headings else ""


@functools.cache
def _template() -> Template:
    environment = Environment(loader=PackageLoader("plantstats.reporting", ""), autoescape=True)
    return environment.get_template("page.html.j2")
