"""What made a report: parameters, inputs, versions, account. Enough to make it again."""

from __future__ import annotations

import functools
import hashlib
import json
import platform
import re
import shutil
import subprocess
from collections.abc import Mapping
from importlib import metadata
from pathlib import Path

import plantstats
from plantstats.reporting.parameters import Literal

SET_NAME = re.compile(r"[0-9a-f]{32}")
# The libraries whose versions can move a number or a page.
LIBRARIES = (
    "duckdb",
    "ibis-framework",
    "ipykernel",
    "matplotlib",
    "nbconvert",
    "numpy",
    "pandas",
    "papermill",
    "pyarrow",
    "scipy",
    "seaborn",
    "statsmodels",
)
# Ends of parameters that are paths: where a file lies on this machine is nobody's business.
PATHS = ("_dir", "_file", "_list", "_csv")


@functools.cache
def versions() -> dict[str, str]:
    """Version of Python, of this package and of each of LIBRARIES that is installed, by name.

    Returns
    -------
    dict of str to str
    """
    rows = {"python": platform.python_version(), "plantstats": plantstats.__version__}
    for name in LIBRARIES:
        try:
            rows[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            continue
    return rows


def commit() -> str | None:
    """Git commit of this program, with "+changes" when files differ from it.

    Returns
    -------
    str or None
        None outside a clone.
    """
    home = Path(plantstats.__file__).resolve().parent.parent
    if not (home / ".git").exists():
        return None
    try:
        head = _git(home, "rev-parse", "HEAD")
        changed = _git(home, "status", "--porcelain", "--untracked-files=no")
    except (OSError, subprocess.SubprocessError):
        return None
    return head + ("+changes" if changed else "")


def results_folder(parent: Path, made_from: Mapping[str, object], kept: int) -> Path:
    """Where the results of these inputs and this program are kept; sets of older ones go.

    Parameters
    ----------
    parent : pathlib.Path
        Folder of all sets of results.
    made_from : mapping
        Input digests, settings, program, versions.
    kept : int
        How many sets of other inputs or programs stay beside this one, the newest first.

    Returns
    -------
    pathlib.Path
        A folder named after the digest of `made_from`; it need not exist yet.
    """
    name = hashlib.sha256(json.dumps(made_from, sort_keys=True).encode()).hexdigest()[:32]
    others = [p for p in parent.iterdir() if SET_NAME.fullmatch(p.name) and p.name != name] if parent.is_dir() else []
    others.sort(key=lambda place: (place.stat().st_mtime_ns, place.name), reverse=True)
    for place in others[kept:]:
        shutil.rmtree(place, ignore_errors=True)
    return parent / name


def digest_of_values(values: Mapping[str, object]) -> str:
    """SHA-256 over names and values, in their order.

    Parameters
    ----------
    values : mapping of str to object
        What JSON can hold.

    Returns
    -------
    str
        Hexadecimal.
    """
    return hashlib.sha256(json.dumps(values, default=str).encode()).hexdigest()


def without_places(parameters: Mapping[str, Literal]) -> dict[str, Literal]:
    """Parameters with the names of files and folders in place of their paths.

    Parameters
    ----------
    parameters : mapping of str to Literal
        Of a notebook.

    Returns
    -------
    dict of str to Literal
    """
    return {name: Path(str(v)).name if name.endswith(PATHS) else v for name, v in parameters.items()}


def page_rows(record: Mapping[str, object]) -> list[tuple[str, str]]:
    """Rows (what, value) for the foot of a page, from the record that made_with.json holds.

    Parameters
    ----------
    record : mapping of str to object
        What made_with.json holds.

    Returns
    -------
    list of tuple of str, str
        What, and its value.
    """
    rows = [("Made at", str(record["made_at"]))]
    for key, heading in (("parameters", "Parameters"), ("versions", "Versions")):
        rows.append((heading, _listed(record[key], ", ")))
    if record.get("commit"):
        rows.append(("Program", f"commit {record['commit']}"))
    if record.get("inputs"):
        rows.append(("Input files (SHA-256)", _listed(record["inputs"], "\n", letters=16)))
    return rows


def _listed(values: object, separator: str, letters: int | None = None) -> str:
    assert isinstance(values, Mapping)
    return separator.join(f"{name} {str(value)[:letters]}" for name, value in values.items())


def _git(home: Path, *arguments: str) -> str:
    done = subprocess.run(["git", "-C", str(home), *arguments], capture_output=True, text=True, check=True, timeout=10)
    return done.stdout.strip()
