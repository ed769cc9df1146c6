"""Every notebook in notebooks/: one tagged cell of parameters, each read, no functions, no stored outputs."""

from __future__ import annotations

import ast
from pathlib import Path

import nbformat
import pytest

from plantstats.reporting import quarterly, template

NOTEBOOKS = sorted((Path(__file__).resolve().parent.parent / "notebooks").glob("*.ipynb"))
KEEPS_OUTPUTS = "worked_example"
MOST_CODE_CELLS = 14  # About ten; more is more than one question.

each = pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)


def code(path: Path) -> list[nbformat.NotebookNode]:
    return [cell for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "code"]


def trees(path: Path) -> list[ast.AST]:
    return [node for cell in code(path) for node in ast.walk(ast.parse(cell.source))]


def test_the_notebooks_of_the_review_are_there():
    assert {f"{name}.ipynb" for name in quarterly.REVIEW_PACK} <= {path.name for path in NOTEBOOKS}


@each
def test_a_notebook_can_be_run_strictly(path: Path):
    # Raises for a lost or doubled tag, a parameter that is no plain literal or that no later cell reads, a shell line.
    if path.stem == KEEPS_OUTPUTS:
        pytest.skip("is read and checked, never run with other parameters")
    assert template.read(path).defaults


@each
def test_a_notebook_defines_no_function_and_no_class(path: Path):
    assert [n for n in trees(path) if isinstance(n, ast.FunctionDef | ast.ClassDef | ast.Lambda)] == []


@each
def test_a_report_notebook_has_no_loop_over_data(path: Path):
    if path.stem == KEEPS_OUTPUTS:
        pytest.skip("compares its numbers with those worked by hand, one by one")
    assert [n.lineno for n in trees(path) if isinstance(n, ast.For | ast.While)] == []


@each
def test_a_notebook_asks_one_question_in_about_ten_cells(path: Path):
    assert len(code(path)) <= MOST_CODE_CELLS


@each
def test_a_notebook_silences_no_warning_and_no_error(path: Path):
    names = {n.attr for n in trees(path) if isinstance(n, ast.Attribute)} | {
        n.id for n in trees(path) if isinstance(n, ast.Name)
    }
    assert names & {"filterwarnings", "simplefilter", "catch_warnings", "suppress"} == set()
    assert [n for n in trees(path) if isinstance(n, ast.Try)] == []


@each
def test_only_the_worked_example_keeps_its_outputs(path: Path):
    stored = [cell.execution_count for cell in code(path) if cell.outputs or cell.execution_count is not None]
    assert bool(stored) == (path.stem == KEEPS_OUTPUTS)


@each
def test_a_notebook_names_no_kernel_but_python3(path: Path):
    assert nbformat.read(path, as_version=4).metadata.get("kernelspec", {}).get("name", "python3") == "python3"
