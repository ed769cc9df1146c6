"""What the runner refuses before the first cell runs."""

from pathlib import Path

import pytest

from plantstats.reporting import ReportError
from plantstats.reporting.parameters import Literal, check_parameters
from plantstats.reporting.runner import run
from tests.conftest import MakeNotebook

GIVEN = {"quarter": "2026-Q3", "client": ""}


def refusal(path: Path, given: dict[str, Literal] | None = None) -> str:
    """The message with which a notebook is refused; nothing may have been written or run."""
    out = path.parent / "out"
    with pytest.raises(ReportError) as caught:
        run(path, GIVEN if given is None else given, out / "2026-Q3")
    assert not out.exists()
    assert not (path.parent / "ran").exists()
    return str(caught.value)


@pytest.fixture
def marks(tmp_path: Path) -> str:
    """A cell that leaves a trace when it runs."""
    return f"open({str(tmp_path / 'ran')!r}, 'w').close()"


def test_a_misspelt_parameter_is_refused_and_the_one_meant_is_named(make_notebook: MakeNotebook, marks: str):
    text = refusal(make_notebook(marks), {"quater": "2026-Q2", "client": ""})
    assert "unknown parameter quater (known: client, quarter; did you mean quarter?)" in text
    assert "no value given for quarter" in text


def test_a_parameter_without_a_value_is_refused(make_notebook: MakeNotebook, marks: str):
    assert "no value given for client" in refusal(make_notebook(marks), {"quarter": "2026-Q3"})


def test_a_notebook_whose_parameters_tag_was_lost_is_refused(make_notebook: MakeNotebook, marks: str):
    # papermill would put the values above the notebook's own, which win.
    path = make_notebook('quarter = "2026-Q1"\nclient = ""', "print(quarter, client)", marks, parameters=None, reads="")
    assert "report.ipynb: unknown parameter client (known: none; tag one cell parameters)" in refusal(path)


def test_every_fault_of_every_notebook_is_said_at_once(make_notebook: MakeNotebook, tmp_path: Path):
    one = make_notebook(name="one", parameters='quarter = ""\nsite = ""', reads="")
    two = make_notebook(name="two", parameters=None, reads="")
    with pytest.raises(ReportError) as caught:
        run([one, two], GIVEN, tmp_path / "out" / "2026-Q3")
    named = [line.partition(":")[0] for line in str(caught.value).splitlines()]
    assert named == ["one.ipynb", "one.ipynb", "two.ipynb", "two.ipynb"]


@pytest.mark.parametrize("content", ["", "{}", '{"cells": [', "not json", "[]", "7"])
def test_a_file_that_is_no_notebook_is_refused_in_words(tmp_path: Path, content: str):
    path = tmp_path / "report.ipynb"
    path.write_text(content)
    assert "report.ipynb: not a notebook that can be run" in refusal(path)


def test_a_notebook_that_is_not_there_is_refused_in_words(tmp_path: Path):
    assert "no such notebook" in refusal(tmp_path / "report.ipynb")


def test_a_folder_whose_name_holds_braces_is_a_folder_like_others(make_notebook: MakeNotebook, tmp_path: Path):
    # papermill fills parameters into braces in paths.
    path = make_notebook()
    folder = tmp_path / "{quarter} {other}"
    folder.mkdir()
    path.rename(folder / path.name)
    check_parameters([folder / path.name], GIVEN)
    assert run(folder / path.name, GIVEN, folder / "out").pages
