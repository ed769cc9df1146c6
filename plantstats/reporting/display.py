"""What report notebooks put on the page: sentences, tables, notes. Text from data stays text."""

from __future__ import annotations

import os
import re
from collections.abc import Collection, Mapping, Sequence
from html import escape
from importlib import resources
from typing import Any

import pandas as pd

# The runner names the folder for results in the environment of the notebook; one that is run by hand has none.
RESULTS_FOLDER = "PLANTSTATS_RESULTS"
ROWS_SHOWN = 100
NO_ROWS = "None."
DAY = re.compile(r"\d{4}-\d\d-\d\d")  # kept on one line
SHORT = 10  # rows; a table no longer than this is kept on one printed page


class Named(str):
    """A name with the code of what it names, "Larch House (S0013)"; tables show the code in grey."""

    name: str
    code: str

    def __new__(cls, name: str, code: str) -> Named:
        """Name and code; without a name the code alone."""
        text = super().__new__(cls, f"{name} ({code})" if name and name != code else code)
        text.name, text.code = name or code, code
        return text

    @property
    def html(self) -> str:
        """The name, and the code in grey."""
        code = "" if self.name == self.code else f' <span class="code">{escape(self.code)}</span>'
        return f"{escape(self.name)}{code}"


class Shown:
    """Something to look at: HTML for the page and JupyterLab, plain text for the rest."""

    def __init__(self, html: str, text: str) -> None:
        """Hold both forms."""
        self._html = html
        self._text = text

    def _repr_html_(self) -> str:
        return self._html

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> dict[str, str]:
        """Both forms; in a notebook run by hand with the page's look, which the runner's page has of its own."""
        html = self._html if RESULTS_FOLDER in os.environ else styled(self._html)
        return {"text/html": html, "text/plain": self._text}

    def __repr__(self) -> str:
        """The plain form."""
        return self._text


def styled(html: str) -> str:
    """HTML with the page's look within its own box, for a notebook that is looked at without its page.

    Parameters
    ----------
    html : str
        Of something to look at.

    Returns
    -------
    str
    """
    css = resources.files("plantstats.reporting").joinpath("notebook.css").read_text(encoding="utf-8")
    return f'<div class="plantstats"><style>{css}</style>{html}</div>'


def sentences(lines: Sequence[str]) -> Shown:
    """Headline sentences, for the top of the page.

    Parameters
    ----------
    lines : sequence of str
        Plain text, one sentence or two each.

    Returns
    -------
    Shown
        A list.
    """
    items = "".join(f"<li>{escape(str(line))}</li>" for line in lines)
    return Shown(f'<ul class="sentences">{items}</ul>', "\n".join(str(line) for line in lines))


def note(text: str) -> Shown:
    """A caution or a remark, set apart from the rest.

    Parameters
    ----------
    text : str
        Plain.

    Returns
    -------
    Shown
        A paragraph.
    """
    return Shown(f'<p class="note">{escape(text)}</p>', text)


def head(verdict: str) -> Shown:
    """The verdict of a page in one line.

    Parameters
    ----------
    verdict : str
        In one line.

    Returns
    -------
    Shown
    """
    return Shown(f'<p class="verdict">{escape(verdict)}</p>', verdict)


def boxes(numbers: Sequence[tuple[str, str, bool]]) -> Shown:
    """Large numbers side by side, each with a line below; those that warn carry another edge.

    Parameters
    ----------
    numbers : sequence of tuple of str, str, bool
        The number, the line below it, whether it warns.

    Returns
    -------
    Shown
    """
    html = ""
    for number, below, warns in numbers:
        name = "box warns" if warns else "box"
        html += f'<div class="{name}"><strong>{escape(number)}</strong><span>{escape(below)}</span></div>'
    return Shown(f'<div class="boxes">{html}</div>', "\n".join(f"{n}: {b}" for n, b, _ in numbers))


def heading(message: str, anchor: str, shown: str) -> Shown:
    """Message of a section as its heading, and in grey what is shown.

    Parameters
    ----------
    message : str
        A sentence.
    anchor : str
        Where links lead.
    shown : str
        What is shown.

    Returns
    -------
    Shown
    """
    below = f'<p class="shown">{escape(shown)}</p>' if shown else ""
    return Shown(f'<h2 id="{escape(anchor)}">{escape(message)}</h2>{below}', f"{message}\n{shown}".strip())


def paragraphs(lines: Sequence[str]) -> Shown:
    """Sentences, a paragraph each.

    Parameters
    ----------
    lines : sequence of str
        Sentences.

    Returns
    -------
    Shown
    """
    return Shown("".join(f"<p>{escape(line)}</p>" for line in lines), "\n".join(lines))


def links(before: str, places: Mapping[str, str]) -> Shown:
    """Links to other pages in one line, for the screen; paper leaves them out.

    Parameters
    ----------
    before : str
        What they lead to.
    places : mapping of str to str
        Address to text.

    Returns
    -------
    Shown
    """
    parts = ", ".join(f'<a href="{escape(place)}">{escape(text)}</a>' for place, text in places.items())
    return Shown(f'<p class="methods">{escape(before)}: {parts}.</p>', f"{before}: {', '.join(places.values())}.")


def rest(text: str) -> Shown:
    """Where more is to be had, in grey.

    Parameters
    ----------
    text : str
        Plain text.

    Returns
    -------
    Shown
    """
    return Shown(f'<p class="rest">{escape(text)}</p>', text)


def join(parts: Sequence[Shown]) -> Shown:
    """Several things, one below the other.

    Parameters
    ----------
    parts : sequence of Shown
        In order.

    Returns
    -------
    Shown
    """
    return Shown("".join(part._repr_html_() for part in parts), "\n\n".join(map(repr, parts)))


def block(inside: Shown, name: str) -> Shown:
    """Something in a box of its own, for the style sheet to place.

    Parameters
    ----------
    inside : Shown
        What it holds.
    name : str
        For the style sheet.

    Returns
    -------
    Shown
    """
    return Shown(f'<div class="{escape(name)}">{inside._repr_html_()}</div>', repr(inside))


def table(
    frame: pd.DataFrame,
    caption: str,
    rows: int = ROWS_SHOWN,
    rest: str = "findings.xlsx",
    *,
    numeric: Collection[str] | None = None,
    soft: Collection[str] = (),
    ids: Sequence[str] | None = None,
    links: Mapping[str, Sequence[str]] | None = None,
    total: bool = False,
    room: bool = False,
) -> Shown:
    """A table with every letter of the rows it shows, and the number of rows left out.

    Parameters
    ----------
    frame : pandas.DataFrame
        Its index is not shown; missing cells stay empty.
    caption : str
        Above the table.
    rows : int
        How many to show at most.
    rest : str
        The file that has all of them.
    numeric : collection of str
        Headings whose cells stand at the right; None: the columns of numbers.
    soft : collection of str
        Headings shown in grey, such as intervals.
    ids : sequence of str
        Anchor of each row.
    links : mapping of str to sequence of str
        Heading to where each of its cells leads: pages of the pack.
    total : bool
        Whether the last row is the sum of the others.
    room : bool
        Whether its cells are to be written in.

    Returns
    -------
    Shown
        Below the table, where rows are left out, "20 of 70 rows shown; all of them are in findings.xlsx."
    """
    if frame.empty:
        return Shown(f'<p class="empty"><strong>{escape(caption)}</strong><br>{NO_ROWS}</p>', f"{caption}\n{NO_ROWS}")
    shown = frame.head(rows)
    if numeric is None:
        numeric = [c for c in frame if pd.api.types.is_numeric_dtype(frame[c]) and frame[c].dtype != bool]
    classes = [" ".join(w for w, inside in (("number", numeric), ("soft", soft)) if c in inside) for c in frame]
    marks = [f' class="{name}"' if name else "" for name in classes]
    header = [escape(str(column)) for column in frame.columns]
    top = "".join(f'<th scope="col"{mark}>{text}</th>' for text, mark in zip(header, marks, strict=True))
    body = ""
    for number, row in enumerate(shown.itertuples(index=False, name=None)):
        texts = [value.html if isinstance(value, Named) else escape(_cell(value)) for value in row]
        for heading, places in (links or {}).items():
            at = list(frame.columns).index(heading)
            texts[at] = f'<a href="{escape(places[number])}">{texts[at]}</a>'
        texts = [f'<span class="whole">{text}</span>' if DAY.fullmatch(text) else text for text in texts]
        cells = [f"<td{mark}>{text}</td>" for text, mark in zip(texts[1:], marks[1:], strict=True)]
        anchor = f' id="{escape(ids[number])}"' if ids else ""
        last = ' class="total"' if total and number == len(frame) - 1 else ""
        body += f'<tr{anchor}{last}><th scope="row"{marks[0]}>{texts[0]}</th>{"".join(cells)}</tr>'
    left_out = f"{len(shown)} of {len(frame)} rows shown; all of them are in {rest}." if len(shown) < len(frame) else ""
    kinds = [name for name, holds in (("short", len(shown) <= SHORT), ("room", room)) if holds]
    short = f' class="{" ".join(kinds)}"' if kinds else ""
    below = f'<p class="rest">{escape(left_out)}</p>' if left_out else ""
    # Wider than a phone it scrolls; the keyboard reaches it, and its name is read out.
    html = (
        f'<div class="wide" tabindex="0" role="region" aria-label="{escape(caption)}"><table{short}>'
        f"<caption><span>{escape(caption)}</span></caption>"
        f"<thead><tr>{top}</tr></thead><tbody>{body}</tbody></table></div>{below}"
    )
    return Shown(html, "\n".join(filter(None, [caption, shown.to_string(index=False), left_out])))


def tables(*captioned: tuple[str, pd.DataFrame]) -> Shown:
    """Several tables, one below the other.

    Parameters
    ----------
    *captioned : tuple[str, pandas.DataFrame]
        Pairs of caption and frame.

    Returns
    -------
    Shown
        As `table` makes them.
    """
    return join([table(frame, caption) for caption, frame in captioned])


def _cell(value: Any) -> str:
    if pd.api.types.is_scalar(value) and pd.isna(value):
        return ""
    if isinstance(value, pd.Timestamp) and value == value.normalize():
        return value.date().isoformat()
    return str(value)
