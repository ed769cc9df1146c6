"""The body of a page: what the cells of a notebook showed, without any markup that came from data."""

from __future__ import annotations

import functools
import re
from collections.abc import Sequence

import bleach
from nbconvert import HTMLExporter

from plantstats.reporting import page
from plantstats.reporting.display import Shown
from plantstats.reporting.notebook_file import NotebookNode, new_code_cell, new_markdown_cell, new_notebook, new_output

# What `display` and Markdown make; anything else is shown as the text that it is.
TAGS = {"a", "blockquote", "br", "caption", "code", "dd", "div", "dl", "dt", "em", "figcaption", "figure", "h1", "h2"}
TAGS |= {"h3", "hr", "img", "li", "ol", "p", "pre", "span", "strong", "sub", "sup", "table", "tbody", "td", "th"}
TAGS |= {"thead", "tr", "ul"}
# Another file of the same folder, and a row on it.
NEIGHBOUR = re.compile(r"[A-Za-z0-9_-]+\.(html(#[\w.-]+)?|pdf|xlsx|csv)")
OUTPUTS = ("text/html", "image/svg+xml", "image/png", "text/plain")
MOST_PRINTED = 20_000  # letters of one cell


def of(notebook: NotebookNode) -> str:
    """What a notebook that has run shows, as HTML.

    Parameters
    ----------
    notebook : NotebookNode
        A notebook with its outputs.

    Returns
    -------
    str
        Without code.

    Notes
    -----
    Text from data is escaped where it is shown (`display`). Should markup of data come through all the same, bleach
    leaves only TAGS without addresses outside the page. What cells write on the error stream is no part of a page.
    """
    shown = NotebookNode(notebook)
    # A cell that shows nothing leaves no mark: papermill gives the one it puts in another name each time.
    shown.cells = [cell for cell in map(_shown, notebook.cells) if cell.cell_type != "code" or cell.outputs]
    body, _ = exporter().from_notebook_node(shown)
    # Without "https" bleach takes away addresses without a protocol too; `_allowed` leaves none with one.
    return bleach.clean(body, tags=TAGS, attributes=_allowed, protocols={"data", "https"})


def render_shown(heading: str, about: str, parts: Sequence[Shown]) -> str:
    """A page of what no notebook made, such as a list of pages; the rest as in `page.render`.

    Parameters
    ----------
    heading : str
        Its title.
    about : str
        One line for the head.
    parts : sequence of Shown
        One below the other.

    Returns
    -------
    str
        HTML.
    """
    outputs = [new_output("display_data", data={"text/html": part._repr_html_()}) for part in parts]
    cells = [new_markdown_cell(f"# {heading}", id="title"), new_code_cell(outputs=outputs, id="shown")]
    notebook = new_notebook(cells=cells)
    return page.render(notebook, of(notebook), heading, about, [])


@functools.cache
def exporter() -> HTMLExporter:
    """The exporter of notebooks, its templates compiled once for all pages of a process.

    Returns
    -------
    nbconvert.HTMLExporter
    """
    html = HTMLExporter(
        template_name="basic",
        exclude_input=True,
        exclude_input_prompt=True,
        exclude_output_prompt=True,
        exclude_anchor_links=True,
    )
    # Markdown, LaTeX and scripts that cells make are left to their plain text: from data they would be live.
    html.config.NbConvertBase.display_data_priority = list(OUTPUTS)
    html.from_notebook_node(new_notebook())
    return html


def _shown(cell: NotebookNode) -> NotebookNode:
    if cell.cell_type != "code":
        return cell
    outputs: list[NotebookNode] = []
    for output in cell.outputs:
        if output.get("name") == "stdout" and outputs and outputs[-1].get("name") == "stdout":
            outputs[-1] = NotebookNode(outputs[-1] | {"text": outputs[-1].text + output.text})
        elif output.get("name") == "stdout" or set(OUTPUTS) & set(output.get("data", {})):
            outputs.append(output)
    return NotebookNode(cell | {"outputs": [_cut(o) if o.get("name") == "stdout" else o for o in outputs]})


def _cut(output: NotebookNode) -> NotebookNode:
    """Printed text without its middle, where it is longer than anyone reads; what is left out is said."""
    text, half = output.text, MOST_PRINTED // 2
    if len(text) <= MOST_PRINTED:
        return output
    remark = f"\n... {len(text) - 2 * half:,} letters of what was printed are left out here ...\n"
    return NotebookNode(output | {"text": text[:half] + remark + text[-half:]})


def _allowed(tag: str, name: str, value: str) -> bool:
    """Attributes that say how a thing looks or what it is; addresses inside the page only."""
    if name == "src":
        return tag == "img" and value.startswith("data:image/")
    if name == "href":
        return value.startswith("#") or NEIGHBOUR.fullmatch(value) is not None
    if name == "tabindex":
        return value == "0"
    return name in {"alt", "aria-label", "class", "colspan", "id", "role", "rowspan", "scope"}
