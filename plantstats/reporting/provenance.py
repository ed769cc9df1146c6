"""What made a report: parameters, inputs, versions, account. Enough to make it again."""

from __future__ import annotations

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


def versions() -> dict[str, str]:
    """The Python and the libraries that run the notebooks.

    Gives:  name to version; a library that is not installed is left out.
    """
    found = {"python": platform.python_version(), "plantstats": plantstats.__version__}
    for name in LIBRARIES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            continue
    return found


def commit() -> str | None:
    """The git commit of this program.

    Gives:  the commit, with "+changes" when files differ from it; None outside a clone.
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


def program() -> str:
    """The digest of the whole program, so that a changed line makes a report again."""
    home = Path(plantstats.__file__).resolve().parent
    whole = hashlib.sha256()
    for path in sorted(home.rglob("*")):
        if path.is_file() and path.suffix in (".py", ".css", ".csv", ".toml"):
            whole.update(path.relative_to(home).as_posix().encode() + b"\0" + path.read_bytes())
    return whole.hexdigest()


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


def rows(record: Mapping[str, object]) -> list[tuple[str, str]]:
    """The record of the making, for the foot of a page.

    Takes:  record as written to made_with.json.
    Gives:  (what, value) pairs.
    """
    found = [("Made at", str(record["made_at"]))]
    for key, title in (("parameters", "Parameters"), ("versions", "Versions")):
        part = record[key]
        if isinstance(part, Mapping):
            # Of folders and files the name is enough; where they lie on this machine is nobody's business.
            paths = ("_dir", "_file", "_list")
            said = {name: Path(str(v)).name if name.endswith(paths) else v for name, v in part.items()}
            found.append((title, ", ".join(f"{name} {value}" for name, value in said.items())))
    if record.get("commit"):
        found.append(("Program", f"commit {record['commit']}"))
    inputs = record.get("inputs")
    if isinstance(inputs, Mapping) and inputs:
        digests = "\n".join(f"{name} {value[:16]}" for name, value in inputs.items())
        found.append(("Input files (SHA-256)", digests))
    remarks = record.get("remarks")
    if isinstance(remarks, list) and remarks:
        found.append(("Remarks", "\n".join(str(remark) for remark in remarks)))
    return found


def _git(home: Path, *arguments: str) -> str:
    done = subprocess.run(["git", "-C", str(home), *arguments], capture_output=True, text=True, check=True, timeout=10)
    return done.stdout.strip()
