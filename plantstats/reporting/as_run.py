"""A notebook as it ran, with its outputs, to be opened in JupyterLab: the same bytes from run to run."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from pathlib import Path

from plantstats.reporting.display import styled
from plantstats.reporting.notebook_file import NotebookNode, nbformat
from plantstats.reporting.parameters import Literal
from plantstats.reporting.provenance import without_places
from plantstats.writing import write_whole


def write(notebook: NotebookNode, path: Path, parameters: Mapping[str, Literal]) -> None:
    """Write a notebook that has run, its outputs with the look of the page, without the times at which its cells ran.

    Parameters
    ----------
    notebook : NotebookNode
        As it ran.
    path : Path
        Where.
    parameters : mapping of str to literal
        What it was given; folders are named without the place where they stand.
    """
    given = "\n".join(f"{name} = {value!r}" for name, value in without_places(parameters).items())
    kept = copy.deepcopy(notebook)
    kept.metadata.pop("papermill", None)
    for number, cell in enumerate(kept.cells):
        tags = cell.metadata.get("tags", [])
        cell.metadata = {"tags": tags} if tags else {}
        if "injected-parameters" in tags:
            cell.source = f"# As it was asked; a folder as seen from here.\n{given}"
        cell.id = f"cell-{number:02}"  # papermill gives the cell it adds another one each time
        for output in cell.get("outputs", []):
            if html := output.get("data", {}).get("text/html"):
                output.data["text/html"] = styled(html)
    write_whole(path, nbformat.writes(kept).encode("utf-8"))
