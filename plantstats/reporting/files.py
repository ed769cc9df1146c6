"""Whole files or none: a report is made beside its place and moved there when it is complete."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
from collections.abc import Iterator, Mapping
from datetime import datetime
from pathlib import Path

import psutil

from plantstats.reporting.errors import ReportError

MAKING = "_making-"
MADE_WITH = "made_with.json"


@contextlib.contextmanager
def making(out: Path) -> Iterator[Path]:
    """A folder beside the report's place in which it is made; it is gone afterwards, whatever happens.

    Takes:  out: the folder of the report.
    Gives:  the path of an empty folder on the same disk. What runs that were killed left behind is removed.
    Raises: ReportError when nothing can be written there.
    """
    folder = out.parent.resolve() / f"{MAKING}{out.name}-{os.getpid()}"
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        for left in out.parent.glob(f"{MAKING}*"):
            process = left.name.rpartition("-")[2]
            if process.isdecimal() and (int(process) == os.getpid() or not psutil.pid_exists(int(process))):
                shutil.rmtree(left, ignore_errors=True)
        folder.mkdir()
    except OSError as error:
        raise ReportError(f"{out.parent}: no report can be written there ({error.strerror})") from None
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def publish(made: Path, out: Path) -> list[Path]:
    """Move the files of a complete report to their place, each whole, the record of its making last.

    Takes:  made: folder with the files, made_with.json among them; out: the folder of the report.
    Gives:  the paths of the files. Files of the earlier report that this one has not are removed, and
            notebooks of failed runs; files of other people stay.
    Raises: ReportError when a file is held open by another program.
    """
    before = set(_earlier(out).get("files", {}))
    names = sorted(path.name for path in made.iterdir() if path.is_file() and path.name != MADE_WITH)
    try:
        out.mkdir(parents=True, exist_ok=True)
        for name in [*names, MADE_WITH]:
            os.replace(made / name, out / name)
        for name in sorted(before - set(names) | {path.name for path in out.glob("*.failed.ipynb")}):
            # The record is a file like others: only plain names in this folder count.
            if Path(name).name == name:
                (out / name).unlink(missing_ok=True)
    except OSError as error:
        why = f"{error.filename} cannot be written ({error.strerror}); close it and run again"
        raise ReportError(why) from None
    return [out / name for name in names]


def unchanged(out: Path, made_from: Mapping[str, object]) -> dict[str, object] | None:
    """The record of an earlier report that stands whole at a place and was made from the very same things.

    Takes:  out: the folder of the report; made_from: what a report depends on.
    Gives:  the record (files, sentences, made_at), or None.
    """
    record = _earlier(out)
    made = record.get("files")
    if record.get("made_from") != json.loads(json.dumps(made_from)) or not isinstance(made, dict) or not made:
        return None
    whole = all((out / name).is_file() and digest(out / name) == value for name, value in made.items())
    return record if whole else None


def earlier_report(out: Path, now: datetime) -> str:
    """Say what stands at a place where no new report could be put.

    Takes:  out: the folder of the report; now.
    Gives:  a sentence with the age of the earlier report, or "" when there is none.
    """
    made = _earlier(out).get("made_at")
    pages = [page for page in sorted(out.glob("*.html")) if page.is_file()] if out.is_dir() else []
    if not pages:
        return ""
    written = datetime.fromtimestamp(pages[0].stat().st_mtime, now.tzinfo)
    at = datetime.fromisoformat(made) if made else written
    hours = (now - at).total_seconds() / 3600
    number, unit = (hours / 24, "days") if hours >= 48 else (hours, "hours") if hours >= 2 else (hours * 60, "minutes")
    age = f"{number:.0f} {unit}"
    return f"the earlier report in {out} is left as it was; it was made {at:%Y-%m-%d %H:%M}, {age} ago"


def digest(path: Path) -> str:
    """SHA-256 of a file.

    Takes:  path.
    Gives:  64 hexadecimal letters.
    """
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _earlier(out: Path) -> dict:
    try:
        record = json.loads((out / MADE_WITH).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return record if isinstance(record, dict) else {}
