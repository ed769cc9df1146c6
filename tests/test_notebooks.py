"""Every notebook in notebooks/: one tagged cell of parameters, each read, no functions, no stored outputs."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from pathlib import Path

import nbformat
import papermill
import pytest
from IPython.core.inputtransformer2 import TransformerManager

from plantstats import quarterly
from plantstats.reporting.names import page_name

NOTEBOOKS = sorted((Path(__file__).resolve().parent.parent / "notebooks").glob("*.ipynb"))
KEEPS_OUTPUTS = "13_worked_example"
MOST_CODE_CELLS = 14  # About ten; more is more than one question.

each = pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)


def code(path: Path) -> list[nbformat.NotebookNode]:
    return [cell for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "code"]


def trees(path: Path) -> list[ast.AST]:
    return [node for cell in code(path) for node in ast.walk(ast.parse(cell.source))]


def test_the_notebooks_of_the_review_are_numbered_in_reading_order():
    # The brief first; numbers are places in reading order, each once, none left out.
    names = [page_name(path) for path in NOTEBOOKS]
    assert names[1 : len(quarterly.REVIEW_PACK) + 1] == list(quarterly.REVIEW_PACK)
    assert [path.name[:3] for path in NOTEBOOKS] == [f"{number:02}_" for number in range(len(NOTEBOOKS))]


@each
def test_a_notebook_declares_its_parameters_once_as_plain_literals(path: Path):
    if path.stem == KEEPS_OUTPUTS:
        pytest.skip("is read and checked, never run with other parameters")
    tagged = [cell for cell in code(path) if "parameters" in cell.metadata.get("tags", [])]
    assert len(tagged) == 1
    lines = ast.parse(tagged[0].source).body
    # papermill's own reading misses what is not a plain assignment, and puts a value above what it misses.
    assert all(isinstance(line, ast.Assign) and isinstance(line.targets[0], ast.Name) for line in lines)
    defaults = {line.targets[0].id: ast.literal_eval(line.value) for line in lines}
    assert set(papermill.inspect_notebook(path)) == set(defaults) != set()


@each
def test_each_parameter_of_a_notebook_is_read_by_a_later_cell(path: Path):
    if path.stem == KEEPS_OUTPUTS:
        pytest.skip("is read and checked, never run with other parameters")
    later = [cell.source for cell in code(path) if "parameters" not in cell.metadata.get("tags", [])]
    nodes = [node for source in later for node in ast.walk(ast.parse(source))]
    read = {node.id for node in nodes if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load)}
    assert set(papermill.inspect_notebook(path)) - read == set()


@each
def test_a_notebook_runs_no_shell_line_and_no_notebook_command(path: Path):
    # IPython rewrites them to get_ipython().system(...) and the like, so that Python can read the cell.
    transformed = [TransformerManager().transform_cell(cell.source) for cell in code(path)]
    assert [source for source in transformed if "get_ipython()" in source] == []


@each
def test_a_notebook_has_no_cell_that_may_fail(path: Path):
    assert [cell.source for cell in code(path) if "raises-exception" in cell.metadata.get("tags", [])] == []


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


def test_n09_the_worked_example_is_the_same_under_another_clock_and_locale(tmp_path: Path) -> None:
    # Case N09: numbers of stored outputs hang on no time zone, no order of sets, no width of the screen, no locale.
    # They were stored under other ones, so that this one run by nbval holds the outputs themselves too.
    environment = os.environ | {"TZ": "Asia/Tokyo", "PYTHONHASHSEED": "1", "COLUMNS": "60", "LC_ALL": "C"}
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-q",
        "-p",
        "no:cacheprovider",
        "--nbval",
        "notebooks/13_worked_example.ipynb",
    ]
    done = subprocess.run(
        command, env=environment, cwd=NOTEBOOKS[0].parents[1], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout[-2000:]
