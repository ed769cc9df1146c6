"""Whole files or none: a report is made beside its place and moved there when it is complete."""

from __future__ import annotations

import contextlib
import json
import os
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from plantstats.digests import file_digest, program_digest
from plantstats.reporting import provenance
from plantstats.reporting.errors import ReportError
from plantstats.writing import check_folder

MADE_WITH = "made_with.json"


@contextlib.contextmanager
def workshop(out: Path) -> Iterator[Path]:
    """A folder beside a report's place in which it is made; it is gone afterwards, whatever happens.

    Parameters
    ----------
    out : Path
        Folder of the report.

    Yields
    ------
    Path
        An empty folder on the same disk.

    Raises
    ------
    OutputError
        When nothing can be written there.
    """
    check_folder(out)
    out.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(
        prefix=f"_making-{out.name}-", dir=out.parent.resolve(), ignore_cleanup_errors=True
    ) as folder:
        yield Path(folder)


def publish(complete: Path, out: Path, content: Mapping[str, Any]) -> None:
    """Move the files of a complete report to their place, each whole, the record of its making last.

    Parameters
    ----------
    complete : Path
        Folder with the files.
    out : Path
        Folder of the report. Files of the earlier report that this one has not are removed, and notebooks of failed
        runs; files of other people stay.
    content : mapping of str to Any
        Of made_with.json.

    Raises
    ------
    ReportError
        When a file is held open by another program; when a file of the report's name stands there and no record says
        that it is a report's.
    """
    text = json.dumps(content, indent=1, ensure_ascii=False, default=str) + "\n"
    (complete / MADE_WITH).write_text(text, encoding="utf-8")
    before = set(record(out).get("files", {})) | {path.name for path in out.glob("*.failed.ipynb")}
    names = sorted(path.name for path in complete.iterdir() if path.name != MADE_WITH)
    theirs = [] if (out / MADE_WITH).exists() else [name for name in names if (out / name).exists()]
    if theirs:
        raise ReportError(
            f"{out} holds {', '.join(theirs)} and no {MADE_WITH}: not a report of ours, so nothing is written over it; "
            "move them away, or give another --out"
        )
    try:
        out.mkdir(parents=True, exist_ok=True)
        for name in [*names, MADE_WITH]:
            os.replace(complete / name, out / name)
        for name in sorted(before - set(names)):
            # The record is a file like others: only plain names in this folder count.
            if Path(name).name == name:
                (out / name).unlink(missing_ok=True)
    except OSError as error:
        why = f"{error.filename} cannot be written ({error.strerror}); close it and run again"
        raise ReportError(why) from None


def made_from(notebooks: Sequence[Path], parameters: object, inputs: object) -> str:
    """Digest of all that a report depends on: what is asked, inputs, notebooks, program, libraries.

    Parameters
    ----------
    notebooks : sequence of Path
        Their files.
    parameters : object
        What is asked.
    inputs : object
        Their digests.

    Returns
    -------
    str
        Hexadecimal.
    """
    return provenance.digest_of_values(
        {
            "parameters": parameters,
            "inputs": inputs,
            "notebooks": {path.name: file_digest(path) for path in notebooks},
            "versions": provenance.versions(),
            "program": program_digest(),
        }
    )


def nothing_changed(out: Path, earlier: Mapping[str, Any]) -> str:
    """The remark on a report that need not be made again.

    Parameters
    ----------
    out : Path
        Folder of the report.
    earlier : mapping of str to Any
        What made_with.json of it says.

    Returns
    -------
    str
    """
    return f"nothing has changed since {out} was made on {earlier['made_at']}: same inputs, same program"


def unchanged(out: Path, made_from: str) -> dict[str, Any] | None:
    """The record of an earlier report that stands whole at a place and was made from the very same things.

    Parameters
    ----------
    out : Path
        Folder of the report.
    made_from : str
        Digest of all that a report depends on.

    Returns
    -------
    dict or None
        The record: files, sentences, missing, made_at.
    """
    earlier = record(out)
    files = earlier.get("files")
    if earlier.get("made_from") != made_from or not isinstance(files, dict) or not files:
        return None
    whole = all((out / name).is_file() and file_digest(out / name) == value for name, value in files.items())
    return earlier if whole else None


def earlier_report(out: Path, now: datetime) -> str:
    """A sentence on the report that stands where no new one could be put; "" when there is none.

    Parameters
    ----------
    out : Path
        Folder of the report.
    now : datetime
        When the new one could not be put there.

    Returns
    -------
    str
        "" when there is none.
    """
    made_at = record(out).get("made_at")
    if not made_at:
        return ""
    at = datetime.fromisoformat(made_at)
    hours = (now - at).total_seconds() / 3600
    number, unit = (hours / 24, "days") if hours >= 48 else (hours, "hours") if hours >= 2 else (hours * 60, "minutes")
    return f"the earlier report in {out} is left as it was; it was made {at:%Y-%m-%d %H:%M}, {number:.0f} {unit} ago"


def record(out: Path) -> dict[str, Any]:
    """Contents of made_with.json of a report.

    Parameters
    ----------
    out : Path
        Folder of the report.

    Returns
    -------
    dict of str to Any
        Empty when there is none that can be read.
    """
    try:
        content = json.loads((out / MADE_WITH).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return content if isinstance(content, dict) and isinstance(content.get("files", {}), dict) else {}
