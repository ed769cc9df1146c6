"""What a report notebook hands to the runner: findings, headline sentences, definitions and files of its own."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import pandas as pd

from plantstats import findings as results
from plantstats.reporting.display import RESULTS_FOLDER
from plantstats.reporting.errors import ReportError

FILES, LEFT = "files", "left.json"


@dataclass(frozen=True)
class NotebookResults:
    """What one notebook saved.

    Attributes
    ----------
    findings : pd.DataFrame
        The results table (see `plantstats.findings`).
    sentences : list of str
        The headlines that the command prints.
    definitions : dict of str to str
        Measure to sentence, for the foot of the page.
    files : list of Path
        Files of the notebook's own, such as a care sheet.
    tables : list of (str, pd.DataFrame)
        The tables of the page, all rows, with their captions.
    left : dict of str to object
        What `leave_files` was given; empty where it was not called.
    """

    findings: pd.DataFrame
    sentences: list[str]
    definitions: dict[str, str]
    files: list[Path]
    tables: list[tuple[str, pd.DataFrame]]
    left: dict[str, Any] = field(default_factory=dict)


def output_folder() -> Path:
    """Folder for files of a notebook's own that belong into the report's folder.

    Returns
    -------
    Path
        A temporary folder when the notebook is run by hand.
    """
    folder = os.environ.get(RESULTS_FOLDER)
    place = Path(folder) / FILES if folder else Path(tempfile.mkdtemp(prefix="plantstats-"))
    place.mkdir(exist_ok=True)
    return place


def leave_files(call: str, arguments: Mapping[str, str]) -> bool:
    """Leave large files of a notebook's own to the runner, which makes them in a process beside those of other pages.

    Parameters
    ----------
    call : str
        "package.module:function", which takes a function that tells what is being done, then the arguments and
        `folder`, where files are put.
    arguments : mapping of str to str
        By name.

    Returns
    -------
    bool
        False when the notebook is run by hand, and makes them itself.
    """
    folder = os.environ.get(RESULTS_FOLDER)
    if folder is not None:
        content = json.dumps({"call": call, "arguments": dict(arguments)})
        (Path(folder) / LEFT).write_text(content, encoding="utf-8")
    return folder is not None


class _Page(Protocol):
    findings: pd.DataFrame
    verdict: str
    sentences: Sequence[str]

    def tables(self) -> list[tuple[str, pd.DataFrame]]: ...


def save_results(findings: pd.DataFrame | _Page, sentences: Sequence[str] = ()) -> pd.DataFrame | None:
    """Hand the results of a notebook to the runner; the last call of every report notebook.

    Parameters
    ----------
    findings : pd.DataFrame or Page
        The results table, or the page that holds it and the sentences.
    sentences : sequence of str
        The headlines that the command prints.

    Returns
    -------
    pd.DataFrame or None
        The findings, to be looked at, when the notebook is run by hand; nothing under the runner.

    Raises
    ------
    ReportError
        When called twice in a run.
    FindingsError
        For a faulty table.
    """
    tables: list[tuple[str, pd.DataFrame]] = []
    if not isinstance(findings, pd.DataFrame):
        page = findings
        findings, sentences, tables = page.findings, [page.verdict, *page.sentences], page.tables()
    table = results.table(findings)
    folder = os.environ.get(RESULTS_FOLDER)
    if folder is None:
        return table
    target = Path(folder)
    if (target / "results.json").exists():
        raise ReportError("save_results was called twice; join the findings and save them once")
    definitions = {measure: results.DEFINITIONS[measure] for measure in sorted(set(table["measure"]))}
    table.to_parquet(target / "results.parquet", index=False)
    content = {
        "sentences": [str(s) for s in sentences],
        "definitions": definitions,
        "tables": [[caption, list(frame.columns), _cells(frame)] for caption, frame in tables],
    }
    (target / "results.json").write_text(json.dumps(content), encoding="utf-8")
    return None


def _cells(frame: pd.DataFrame) -> list[list[str | None]]:
    """The texts of each column; None for a missing one."""
    return [frame[c].astype("str").astype("object").where(frame[c].notna(), None).tolist() for c in frame.columns]


def load_results(folder: Path) -> NotebookResults | None:
    """Read what a notebook saved in a folder.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    NotebookResults or None
        None when it saved nothing.
    """
    if not (folder / "results.json").exists():
        return None
    rest = json.loads((folder / "results.json").read_text(encoding="utf-8"))
    results.define(**rest["definitions"])
    files = sorted((folder / FILES).iterdir()) if (folder / FILES).is_dir() else []
    tables = [
        (caption, pd.DataFrame(dict(zip(columns, cells, strict=True)), dtype="str"))
        for caption, columns, cells in rest["tables"]
    ]
    findings = pd.read_parquet(folder / "results.parquet")
    left = json.loads((folder / LEFT).read_text(encoding="utf-8")) if (folder / LEFT).exists() else {}
    return NotebookResults(findings, rest["sentences"], rest["definitions"], files, tables, left)
