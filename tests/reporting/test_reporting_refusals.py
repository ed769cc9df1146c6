"""What the runner refuses before the first cell runs."""

from pathlib import Path

import pytest

from plantstats.reporting import ReportError, run, template

from .conftest import MakeNotebook

GIVEN = {"quarter": "2026-Q3", "client": ""}


def refusal(path: Path, given: dict[str, template.Literal] | None = None) -> str:
    """The message with which a notebook is refused; nothing may have been written or run."""
    out = path.parent / "out"
    with pytest.raises(ReportError) as caught:
        run(path, GIVEN if given is None else given, out / "2026-Q3")
    assert not out.exists() or not list(out.iterdir())
    assert not (path.parent / "ran").exists()
    return str(caught.value)


@pytest.fixture
def marks(tmp_path: Path) -> str:
    """A cell that leaves a trace when it runs."""
    return f"open({str(tmp_path / 'ran')!r}, 'w').close()"


def test_a_misspelt_parameter_is_refused_and_the_one_meant_is_named(make_notebook: MakeNotebook, marks: str):
    said = refusal(make_notebook(marks), {"quater": "2026-Q2", "client": ""})
    assert "unknown parameter quater (known: client, quarter; did you mean quarter?)" in said
    assert "no value given for quarter" in said


def test_a_parameter_without_a_value_is_refused(make_notebook: MakeNotebook, marks: str):
    assert "no value given for client" in refusal(make_notebook(marks), {"quarter": "2026-Q3"})


def test_a_notebook_whose_parameters_tag_was_lost_is_refused(make_notebook: MakeNotebook, marks: str):
    path = make_notebook('quarter = "2026-Q1"\nclient = ""', "print(quarter, client)", marks, parameters=None, reads="")
    assert "report.ipynb: no cell tagged parameters" in refusal(path)


def test_a_notebook_with_two_tagged_cells_is_refused(make_notebook: MakeNotebook, marks: str):
    assert "cells [2, 4] tagged parameters" in refusal(make_notebook("x = 1", marks, tags={0: ["parameters"]}))


def test_a_parameter_that_no_later_cell_reads_is_refused(make_notebook: MakeNotebook, marks: str):
    # Assigning to it is not reading it.
    path = make_notebook(marks, reads="client = quarter")
    assert "parameter client is read by no later cell" in refusal(path)


@pytest.mark.parametrize(
    "line",
    ["client: str | None = None", "client = str(1)", "client = quarter = 'x'", "client, site = 'a', 'b'", "import os"],
)
def test_parameters_that_are_no_plain_literals_are_refused(make_notebook: MakeNotebook, marks: str, line: str):
    said = refusal(make_notebook(marks, parameters=f'quarter = "2026-Q3"\n{line}'))
    assert "cell 2" in said
    assert "plain literal" in said or "only lines such as" in said


def test_a_value_of_another_kind_than_the_default_is_refused(make_notebook: MakeNotebook, marks: str):
    assert "parameter client is text; given was 7" in refusal(make_notebook(marks), {"quarter": "2026-Q3", "client": 7})


@pytest.mark.parametrize(
    ("cell", "named"),
    [
        ("!false\nprint('went on')", "the shell line !false"),
        ("files = !ls", "the shell line !ls"),
        ("%%bash\nfalse", "the notebook command %bash"),
        ("%run other.py", "the notebook command %run"),
        ("%%capture\nprint(1)", "the notebook command %capture"),
    ],
)
def test_shell_lines_and_notebook_commands_are_refused(make_notebook: MakeNotebook, marks: str, cell: str, named: str):
    assert f"cell 4 runs {named}" in refusal(make_notebook(cell, marks))


def test_a_cell_that_may_fail_is_refused(make_notebook: MakeNotebook, marks: str):
    said = refusal(make_notebook("1/0", marks, tags={0: ["raises-exception"]}))
    assert "cell 4 is tagged raises-exception" in said


def test_every_fault_of_every_notebook_is_said_at_once(make_notebook: MakeNotebook, tmp_path: Path):
    one = make_notebook("!false", "1/0", name="one", tags={1: ["raises-exception"]})
    two = make_notebook(name="two", parameters=None, reads="")
    with pytest.raises(ReportError) as caught:
        run([one, two], GIVEN, tmp_path / "out" / "2026-Q3")
    named = [line.partition(":")[0] for line in str(caught.value).splitlines()]
    assert named == ["one.ipynb", "one.ipynb", "two.ipynb"]


@pytest.mark.parametrize("content", ["", "{}", '{"cells": [', "not json"])
def test_a_file_that_is_no_notebook_is_refused_in_words(tmp_path: Path, content: str):
    path = tmp_path / "report.ipynb"
    path.write_text(content)
    assert "report.ipynb" in refusal(path)


def test_a_notebook_that_is_not_there_is_refused_in_words(tmp_path: Path):
    assert "no such notebook" in refusal(tmp_path / "report.ipynb")


def test_a_cell_that_is_not_python_is_refused(make_notebook: MakeNotebook):
    assert "cell 4 is not Python" in refusal(make_notebook("if True print(1)"))


def test_plain_notebooks_pass(make_notebook: MakeNotebook):
    path = make_notebook(
        "%matplotlib inline\nx = 1",
        parameters='quarter = "2026-Q3"  # text\nclient = ""\nn = -1.5',
        reads="print(quarter, client, n)",
    )
    found = template.read(path)
    assert found.defaults == {"quarter": "2026-Q3", "client": "", "n": -1.5}
    template.check_parameters(found, {"quarter": "x", "client": "y", "n": 2})
