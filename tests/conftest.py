"""What every test may use: hypothesis profiles, the demo's review, and small notebooks made for the occasion."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import nbformat
import pytest
from hypothesis import HealthCheck, settings
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook

from tests.builders.demo_review import DemoReview, demo_review

# No window system; notebooks choose their own way of drawing.
os.environ.setdefault("MPLBACKEND", "agg")

# Tests give the same answer each time; `make fuzz` looks for new examples.
settings.register_profile("same", deadline=None, derandomize=True)
settings.register_profile(
    "fuzz", deadline=None, max_examples=2000, suppress_health_check=[HealthCheck.too_slow], print_blob=True
)
settings.load_profile("same")

# Files that take longest begin first, so that neither of two processes waits for the other at the end.
LONGEST = (
    "test_pages.py",
    "test_demo_pack.py",
    "test_every_client.py",
    "test_validation.py",
    "test_guarantee_recovery.py",
    "test_records_fuzz.py",
    "test_fuzz.py",
    "test_visit_log.py",
    "test_watering_advice.py",
    "test_guarantee_priced_quote.py",
    "test_cli.py",
    "test_watering_leaves.py",
    "test_validation_coverage.py",
    "test_runner.py",
    "test_company.py",
    "test_client.py",
)

PARAMETERS = 'quarter = "2026-Q3"\nclient = ""'
READS_THEM = "print(quarter, client)"
MakeNotebook = Callable[..., Path]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Order of the files: by `LONGEST`, then as pytest finds them."""
    items.sort(key=lambda item: LONGEST.index(item.path.name) if item.path.name in LONGEST else len(LONGEST))


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> DemoReview:
    """The reviews of the demo, made once for all processes; its results are kept beside its records from then on."""
    own = tmp_path_factory.getbasetemp()
    return demo_review(own.parent if "PYTEST_XDIST_WORKER" in os.environ else own)


@pytest.fixture
def make_notebook(tmp_path: Path) -> MakeNotebook:
    """Write a notebook: a heading, the tagged parameters, a cell that reads them, then the cells given.

    A cell is code; text that begins with "#" and a space is Markdown.
    """

    def make(
        *cells: str,
        name: str = "report",
        parameters: str | None = PARAMETERS,
        reads: str = READS_THEM,
        title: str = "# What did we lose?",
        kernel: str | None = "python3",
        tags: dict[int, list[str]] | None = None,
    ) -> Path:
        notebook = new_notebook(cells=[new_markdown_cell(title)])
        if parameters is not None:
            notebook.cells.append(new_code_cell(parameters, metadata={"tags": ["parameters"]}))
        if reads:
            notebook.cells.append(new_code_cell(reads))
        for number, cell in enumerate(cells):
            made = new_markdown_cell(cell) if cell.startswith(("# ", "## ")) else new_code_cell(cell)
            made.metadata["tags"] = (tags or {}).get(number, [])
            notebook.cells.append(made)
        if kernel is not None:
            notebook.metadata["kernelspec"] = {"name": kernel, "display_name": kernel, "language": "python"}
        path = tmp_path / f"{name}.ipynb"
        nbformat.write(notebook, path)
        return path

    return make
