"""What a report notebook hands to the runner: findings, headline sentences and what the measures mean."""

from __future__ import annotations

import json
import os
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from plantstats import findings as results
from plantstats.reporting.errors import ReportError

# The runner names the folder in the environment of the kernel; a notebook run by hand has none.
FOLDER = "PLANTSTATS_HANDOVER"
FILES = "files"


@dataclass(frozen=True)
class Handover:
    """What one notebook kept: findings (the results table), sentences, definitions (measure to sentence), files."""

    findings: pd.DataFrame
    sentences: list[str]
    definitions: dict[str, str]
    files: list[Path]


def place_for_files() -> Path:
    """Where a notebook puts files of its own, such as a care sheet, that belong into the report's folder.

    Gives:  a folder; a temporary one when the notebook is run by hand.
    """
    folder = os.environ.get(FOLDER)
    place = Path(folder) / FILES if folder else Path(tempfile.mkdtemp(prefix="plantstats-"))
    place.mkdir(exist_ok=True)
    return place


def keep(findings: pd.DataFrame, sentences: Sequence[str]) -> pd.DataFrame | None:
    """Hand the results of a notebook to the runner; the last call of every report notebook.

    Takes:  findings: the results table; sentences: the headlines that the command prints.
    Gives:  nothing under the runner; the findings, to be looked at, when the notebook is run by hand.
    Raises: ReportError when called twice in a run; FindingsError for a faulty table.
    """
    kept = results.table(findings)
    folder = os.environ.get(FOLDER)
    if folder is None:
        return kept
    target = Path(folder)
    if (target / "kept.json").exists():
        raise ReportError("reports.keep was called twice; join the findings and keep them once")
    meanings = {measure: results.DEFINITIONS[measure] for measure in sorted(set(kept["measure"]))}
    kept.to_parquet(target / "kept.parquet", index=False)
    (target / "kept.json").write_text(
        json.dumps({"sentences": [str(s) for s in sentences], "definitions": meanings}), encoding="utf-8"
    )
    return None


def collect(folder: Path) -> Handover | None:
    """Read what a notebook kept.

    Takes:  folder: the handover folder of one run.
    Gives:  Handover, or None when the notebook kept nothing.
    """
    if not (folder / "kept.json").exists():
        return None
    rest = json.loads((folder / "kept.json").read_text(encoding="utf-8"))
    results.define(**rest["definitions"])
    files = sorted((folder / FILES).iterdir()) if (folder / FILES).is_dir() else []
    return Handover(pd.read_parquet(folder / "kept.parquet"), rest["sentences"], rest["definitions"], files)
