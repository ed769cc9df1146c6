"""The page: nothing from the network, nothing that runs, every letter of the data, nothing cut unseen."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import nbformat
import pandas as pd
import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

from plantstats.reporting import ReportError, page
from plantstats.reporting import display as show

# Notes such as anyone may type into a visit log.
NOTES = [
    "<script>document.title='TAKEN'</script>",
    "<img src=x onerror=\"document.title='TAKEN'\">",
    "</td></tr></table><h1>TAKEN</h1>",
    "[click](javascript:document.title='TAKEN')",
    "![x](http://127.0.0.1:9/pixel.png)",
    "{{ 7*7 }} ${7*7} <%= 7*7 %>",
    r"$\href{javascript:alert(1)}{x}$",
    '&lt;b&gt; 5 < 6 & "ok"',
    "two  spaces, a tab\tand\nthree\nlines",
]


class Reading(HTMLParser):
    """What a reader sees, and what a browser would be told."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.seen: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.title = ""
        self._in: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self._in.append(tag)

    def handle_endtag(self, tag):
        while self._in and self._in.pop() != tag:
            pass

    def handle_data(self, data):
        if "title" in self._in[-1:]:
            self.title += data
        elif "style" not in self._in[-1:]:
            self.seen.append(data)

    @property
    def text(self) -> str:
        return "".join(self.seen)


def shown(*outputs: nbformat.NotebookNode, words: str = "", **more) -> str:
    """The page of a notebook whose one cell had these outputs."""
    cell = new_code_cell("x", execution_count=1, outputs=list(outputs))
    text = [new_markdown_cell("# What did we lose?"), new_markdown_cell(words or "Words.")]
    notebook = new_notebook(cells=[*text, cell])
    given = {"about": "2026-Q3, all clients", "definitions": {}, "making": [("Made at", "2026-10-12")]} | more
    return page.make(notebook, "report.ipynb", **given)


def display(thing: show.Shown) -> nbformat.NotebookNode:
    return new_output("display_data", data={"text/html": thing._repr_html_(), "text/plain": repr(thing)})


def test_notes_stand_on_the_page_letter_for_letter_and_stay_text():
    frame = pd.DataFrame({"note": NOTES, "<i>technician</i>": ["<i>ida</i>"] * len(NOTES)})
    outputs = [show.table(frame, NOTES[2], rest="visits.csv"), show.sentences(NOTES), show.note(NOTES[0])]
    html = shown(
        *map(display, outputs), about=NOTES[2], definitions={NOTES[1]: NOTES[7]}, making=[(NOTES[0], NOTES[3])]
    )
    reading = Reading(html)
    for note in NOTES:
        assert reading.text.count(note) >= 2, note
    assert reading.title == f"What did we lose? - {NOTES[2]}"
    assert [tag for tag, _ in reading.tags].count("h1") == 1
    assert not {"script", "img", "i", "b"} & {tag for tag, _ in reading.tags}
    assert "49" not in reading.text


def test_notes_in_figures_alt_texts_and_captions_stay_text():
    plt = pytest.importorskip("matplotlib.pyplot")
    fig, ax = plt.subplots()
    # Without the last: there is no glyph for a tab.
    ax.barh(range(len(NOTES) - 1), range(len(NOTES) - 1), label=NOTES[6])
    ax.set_yticks(range(len(NOTES) - 1), NOTES[:-1])
    ax.set_title(NOTES[6])
    ax.legend()
    html = shown(display(show.figure(fig, NOTES[1], NOTES[0])))
    images = [given for tag, given in Reading(html).tags if tag == "img"]
    assert [image["alt"] for image in images] == [NOTES[1]]
    assert str(images[0]["src"]).startswith("data:image/svg+xml;base64,")
    assert NOTES[0] in Reading(html).text


@pytest.mark.parametrize("note", [NOTES[0], NOTES[1], NOTES[2]])
def test_markup_from_data_that_is_not_escaped_gives_no_page(note: str):
    with pytest.raises(ReportError, match=r"report\.ipynb: "):
        shown(new_output("display_data", data={"text/html": f"<p>{note}</p>"}))


@pytest.mark.parametrize("note", NOTES)
def test_markdown_and_latex_made_by_cells_are_shown_as_plain_text(note: str):
    # Markdown from data would make links and pictures of it.
    html = shown(new_output("display_data", data={"text/markdown": note, "text/latex": note, "text/plain": note}))
    assert note.replace("\t", " ").split("\n")[0][:20] in Reading(html).text.replace("\t", " ")
    assert not {"a", "img", "script"} & {tag for tag, _ in Reading(html).tags}


def test_scripts_made_by_cells_never_reach_the_page():
    html = shown(new_output("display_data", data={"application/javascript": "document.title = 'TAKEN'"}))
    assert "TAKEN" not in html


@pytest.mark.parametrize(
    "markup",
    [
        "<script src='a.js'></script>",
        "<p onclick='x()'>a</p>",
        "<a href='javascript:x()'>a</a>",
        "<a href=' java&#10;script:x()'>a</a>",
        "<a href='https://example.invalid/'>a</a>",
        "<a href='//example.invalid/'>a</a>",
        "<img src='http://127.0.0.1:9/pixel.png'>",
        "<img src='x'>",
        "<img srcset='http://127.0.0.1:9/a 2x' alt=''>",
        "<iframe srcdoc='x'></iframe>",
        "<object data='x'></object>",
        "<form action='x'></form>",
        "<p style='background: url(http://127.0.0.1:9/a)'>a</p>",
        "<style>@import 'a.css';</style>",
        "<style>p { background: url(http://127.0.0.1:9/a) }</style>",
        "<meta http-equiv='refresh' content='0; url=http://127.0.0.1:9/'>",
        "<svg><a xlink:href='http://127.0.0.1:9/'>a</a></svg>",
        "<h1>a second heading</h1>",
        "<table class='dataframe'><tr><td>1</td></tr></table>",
    ],
)
def test_what_runs_or_loads_or_misleads_is_found(markup: str):
    assert page.check(f"<h1>x</h1>{markup}") != []


@pytest.mark.parametrize(
    "markup",
    [
        "<a href='#def-loss_rate'>a</a>",
        "<a href='findings.csv'>a</a>",
        "<p style='color: red'>a</p>",
        "<img alt='' src='data:image/png;base64,AA=='>",
        "<style>p { color: red }</style>",
    ],
)
def test_links_inside_the_report_and_plain_style_are_allowed(markup: str):
    assert page.check(f"<h1>x</h1>{markup}") == []


def test_a_page_needs_no_network_and_a_formula_can_be_read_without_it():
    html = shown(words=r"As $$S(t)=\prod(1-d_i/n_i)$$ says.")
    # No address outside the file: the pattern of a shell check for pages that must open offline.
    assert re.findall(r'(?:src|href)="(?:https?:)?//|import[^;]{0,40}https?://|url\((?:https?:)?//', html) == []
    assert r"S(t)=\prod(1-d_i/n_i)" in Reading(html).text


def test_every_row_and_every_end_of_a_long_note_is_on_the_page():
    notes = [f"{'long ' * 40}end{n:02}" for n in range(1, 71)]
    frame = pd.DataFrame({"site": [f"S{n:02}" for n in range(1, 71)], "note": notes})
    text = Reading(shown(display(show.table(frame, "Sites")))).text
    assert [n for n in range(1, 71) if f"end{n:02}" not in text] == []


def test_rows_left_out_are_counted_and_the_file_that_has_them_is_named():
    frame = pd.DataFrame({"site": range(70)})
    text = Reading(shown(display(show.table(frame, "Sites", rows=20, rest="sites.csv")))).text
    assert "20 of 70 rows shown; all of them are in sites.csv." in text


def test_a_table_that_pandas_shows_by_itself_is_refused():
    frame = pd.DataFrame({"note": ["x" * 60] * 70})
    with pytest.raises(ReportError, match="shown by pandas"):
        shown(new_output("execute_result", data={"text/html": frame._repr_html_()}, execution_count=1))


@pytest.mark.parametrize(
    ("run", "said"),
    [
        ({"status": "running", "exception": False, "end_time": None}, "cell 2 is running"),
        ({"status": "completed", "exception": False, "end_time": None}, "cell 2 was not run"),
        ({"status": "failed", "exception": True, "end_time": "2026-10-12T10:00:00+00:00"}, "cell 2 is failed"),
    ],
)
def test_no_page_is_made_of_a_notebook_that_did_not_run_to_its_end(run: dict, said: str):
    cell = new_code_cell("x", execution_count=1)
    cell.metadata["papermill"] = run
    with pytest.raises(ReportError, match=said):
        page.make(new_notebook(cells=[new_markdown_cell("# A"), cell]), "report.ipynb", "", {}, [])


def test_a_cell_without_execution_count_was_not_run():
    with pytest.raises(ReportError, match="cell 1 was not run"):
        page.make(new_notebook(cells=[new_code_cell("x")]), "report.ipynb", "", {}, [])


def test_code_is_not_shown_and_definitions_can_be_linked_to():
    html = shown(definitions={"loss_rate": "Losses per 100 plant-years."})
    assert '<dt id="def-loss_rate">loss_rate</dt><dd>Losses per 100 plant-years.</dd>' in html
    assert "<code>x</code>" not in html
    assert 'class="input' not in html


def test_lines_written_over_are_not_shown_and_windows_line_ends_stay():
    assert page.printed("1 of 3\r2 of 3\r3 of 3\nnext\r\nlast\n") == "3 of 3\nnext\nlast\n"


def test_two_million_letters_in_one_line_are_cut_at_once_and_counted():
    # 2,000,000 letters, of which 4,000 are shown.
    text = page.printed("." * 2_000_000)
    assert "[1,996,000 letters in the middle are not shown]" in text
    assert len(text) < 4_100
