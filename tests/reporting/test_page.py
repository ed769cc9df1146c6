"""The page: nothing from the network, nothing that runs, every letter of the data, nothing cut unseen."""

from __future__ import annotations

import io
import re

import matplotlib as mpl
import nbformat
import pandas as pd
import pytest
from matplotlib.text import Text
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

from plantstats.reporting import body, charts, drawing, glyphs, page
from plantstats.reporting import display as show
from tests.builders.html_page import Reading

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


def shown(*outputs: nbformat.NotebookNode, words: str = "", **more) -> str:
    """The page of a notebook whose one cell had these outputs."""
    cell = new_code_cell("x", execution_count=1, outputs=list(outputs))
    text = [new_markdown_cell("# What did we lose?"), new_markdown_cell(words or "Words.")]
    notebook = new_notebook(cells=[*text, cell])
    given = {"about": "2026-Q3, all clients", "provenance": [("Made at", "2026-10-12")]} | more
    return page.render(notebook, body.of(notebook), "report", **given)


def display(thing: show.Shown) -> nbformat.NotebookNode:
    return new_output("display_data", data={"text/html": thing._repr_html_(), "text/plain": repr(thing)})


def test_notes_stand_on_the_page_letter_for_letter_and_stay_text():
    frame = pd.DataFrame({"note": NOTES, "<i>technician</i>": ["<i>ida</i>"] * len(NOTES)})
    outputs = [show.table(frame, NOTES[2], rest="visits.csv"), show.sentences(NOTES), show.note(NOTES[0])]
    html = shown(*map(display, outputs), about=NOTES[2], provenance=[(NOTES[0], NOTES[3]), (NOTES[1], NOTES[7])])
    reading = Reading(html)
    for note in NOTES:
        assert reading.text.count(note) >= 2, note
    assert reading.title == f"{NOTES[2]}: What did we lose?"
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
    html = shown(display(drawing.figure(fig, NOTES[1], NOTES[0])))
    images = [given for tag, given in Reading(html).tags if tag == "img"]
    assert [image["alt"] for image in images] == [NOTES[1]]
    assert str(images[0]["src"]).startswith("data:image/svg+xml;base64,")
    assert NOTES[0] in Reading(html).text


@pytest.mark.parametrize("note", NOTES)
def test_markup_from_data_that_was_not_escaped_does_nothing(note: str):
    # A second net: the first, `display`, escapes what it shows.
    reading = Reading(shown(new_output("display_data", data={"text/html": f"<p>{note}</p>"})))
    assert [fault for fault in reading.faults if "main headings" not in fault] == []
    assert not {"script", "onerror"} & {name for tag, given in reading.tags for name in (tag, *given)}


@pytest.mark.parametrize("note", NOTES)
def test_markdown_and_latex_made_by_cells_are_shown_as_plain_text(note: str):
    # Markdown from data would make links and pictures of it.
    html = shown(new_output("display_data", data={"text/markdown": note, "text/latex": note, "text/plain": note}))
    assert note.replace("\t", " ").split("\n")[0][:20] in Reading(html).text.replace("\t", " ")
    assert not {"a", "img", "script"} & {tag for tag, _ in Reading(html).tags}


def test_scripts_made_by_cells_never_reach_the_page():
    html = shown(new_output("display_data", data={"application/javascript": "document.title = 'TAKEN'"}))
    assert "TAKEN" not in html


MARKUP = [
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
]


@pytest.mark.parametrize("markup", MARKUP)
def test_what_runs_or_loads_never_reaches_the_page(markup: str):
    plain = Reading(shown(new_output("display_data", data={"text/html": "<p>a</p>"})))
    for html in (
        shown(new_output("display_data", data={"text/html": markup})),
        shown(words=f"Words.\n\n{markup}\n\nMore."),
    ):
        reading = Reading(html)
        assert reading.faults == []
        # One style and one policy, which are ours.
        for tag in ("style", "meta"):
            assert [t for t, _ in reading.tags].count(tag) == [t for t, _ in plain.tags].count(tag)


def test_the_browser_is_told_to_run_and_load_nothing():
    # Content Security Policy Level 3 (W3C): default-src 'none' forbids scripts, frames, fonts and requests.
    policies = [g["content"] for tag, g in Reading(shown()).tags if tag == "meta" and "http-equiv" in g]
    assert policies == ["default-src 'none'; img-src data:; style-src 'unsafe-inline'"]


def test_links_to_definitions_and_pictures_inside_the_page_stay():
    kept = "<a href='#def-loss_rate'>a</a><img alt='' src='data:image/png;base64,AA=='>"
    given = [g for tag, g in Reading(shown(new_output("display_data", data={"text/html": kept}))).tags if tag in "aimg"]
    assert given == [{"href": "#def-loss_rate"}, {"alt": "", "src": "data:image/png;base64,AA=="}]


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


def test_a_page_that_could_not_be_made_keeps_its_title_and_says_why():
    reading = Reading(shown(new_output("display_data", data={"text/html": "half a table"}), note=NOTES[0]))
    assert "What did we lose?" in reading.text and NOTES[0] in reading.text
    assert "half a table" not in reading.text
    assert reading.faults == []


def test_what_libraries_write_on_the_error_stream_is_no_part_of_a_page():
    text = Reading(shown(new_output("stream", name="stderr", text="a cache in /home/ida"))).text
    assert "ida" not in text


def test_whose_page_it_is_stands_at_the_foot_of_each_sheet_and_ends_no_rule():
    html = shown(about='A "B" </style>\\ {x}')
    style = html[html.index("<style>") : html.index("</style>")]
    assert 'content: "A \\22 B\\22  \\3c \\2f style\\3e \\5c  \\7b x\\7d : What did we lose\\3f "' in style
    assert html.count("</style>") == 1


def test_code_is_not_shown():
    html = shown()
    assert "<code>x</code>" not in html
    assert 'class="input' not in html


def test_lines_written_over_are_not_shown():
    text = Reading(shown(new_output("stream", name="stdout", text="1 of 3\r2 of 3\r3 of 3\nnext\n"))).text
    assert "3 of 3\nnext" in text


def test_letters_without_a_glyph_give_no_warning_of_a_library(recwarn: pytest.WarningsRecorder):
    # No font that comes with the program has these; a font of the machine that has them is taken, else the code.
    plt = pytest.importorskip("matplotlib.pyplot")
    fig, ax = plt.subplots()
    ax.set_yticks([0, 1], ["\u4e2d\u6587 (S01)", "\U0001f335 Ficus"])
    ax.set_title("\u7eff\u841d")
    ax.annotate("\u4e2d", (0, 0))
    html = drawing.figure(fig, "Losses by site.", "Losses")._repr_html_()
    assert "data:image/svg" in html
    assert [str(w.message) for w in recwarn if "lyph" in str(w.message)] == []


def test_a_figure_is_drawn_once_and_has_the_bytes_of_one_cut_tightly():
    def chart():
        fig, ax = charts.canvas(2.3)
        ax.plot([1, 2.37, 4], [1, 3.3, 7])
        charts.annotate(ax, "a letter", (2.37, 3.3), (3.1, 3))
        ax.set_yticks([1, 3.3, 5], ["A long name of a species", "b", "cc"])
        return fig

    tight, plain = io.BytesIO(), chart()
    for text in [*plain.findobj(Text), *plain.axes[0].get_xticklabels(), *plain.axes[0].get_yticklabels()]:
        text.set_parse_math(False)
    with mpl.rc_context({"svg.hashsalt": "plantstats", "svg.fonttype": "path"}):
        plain.savefig(tight, format="svg", bbox_inches="tight", metadata={"Date": None, "Creator": "plantstats"})
    assert drawing.svg(chart()) == tight.getvalue()


def test_a_name_that_no_font_can_write_gives_way_to_its_code():
    assert glyphs.drawable("\u4e2d\u6587 (S01)", {"\u4e2d", "\u6587"}) == "S01"
    assert glyphs.drawable("caf\u00e9 (S01)", {"\u4e2d"}) == "caf\u00e9 (S01)"
    assert glyphs.drawable("\u4e2d", {"\u4e2d"}) == glyphs.NO_GLYPH
