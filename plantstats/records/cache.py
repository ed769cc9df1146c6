"""The typed cache of a folder of records: where it stands, whether it is whole, which earlier ones go."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import tempfile
from collections.abc import Callable
from importlib import metadata
from pathlib import Path
from typing import Any

from plantstats.digests import file_digest, program_digest
from plantstats.settings import Settings
from plantstats.writing import write_whole

FOLDER = ".plantstats_cache"
NAME = re.compile(r"[0-9a-f]{32}")
CONTENT_FILE = "made.json"
CONTENTS = {"digests", "supplied", "faults", "tables"}  # what this program writes into it
# Beside the one just made: for a review still at work on what the files were before, and for a folder that is read
# under two settings in turn.
KEPT = 2
PARTS = "parts"  # folder of the parts of tables, each typed once
PART_KEPT = 86_400  # seconds


def key_of(files: dict[str, str], settings: Settings, more: list[str]) -> str:
    """Name of the cache of these files under these settings, made by this code.

    Parameters
    ----------
    files : dict of str to str
        Name to digest.
    settings : Settings
        Of the company.
    more : list of str
        What else the result hangs on.

    Returns
    -------
    str
    """
    version = f"pyarrow {metadata.version('pyarrow')}"
    program = program_digest("records", "schema", "settings")
    parts = json.dumps([files, repr(settings), more, program, version], sort_keys=True)
    return hashlib.sha256(parts.encode()).hexdigest()[:32]


def folder_of(records: Path) -> Path:
    """Folder of the caches: beside the records, or in the system's temporary folder where that cannot be written to.

    Parameters
    ----------
    records : Path
        Folder of the records.

    Returns
    -------
    Path
    """
    beside = records / FOLDER
    try:
        beside.mkdir(exist_ok=True)
        if os.access(beside, os.W_OK):
            return beside
    except OSError:
        pass
    name = hashlib.sha256(str(records.resolve()).encode()).hexdigest()[:16]
    return Path(tempfile.gettempdir()) / f"plantstats-{os.getuid() if hasattr(os, 'getuid') else 'user'}" / name


def ensure(target: Path, build: Callable[[Path], None]) -> bool:
    """Make a cache unless it is there, whole.

    Parameters
    ----------
    target : Path
        Folder of the cache.
    build : callable
        Fills a folder, which is renamed once it is complete.

    Returns
    -------
    bool
        Whether it was made.
    """
    if is_whole(target):
        return False
    shutil.rmtree(target, ignore_errors=True)
    target.parent.mkdir(parents=True, exist_ok=True)
    building = Path(tempfile.mkdtemp(prefix="building-", dir=target.parent))
    try:
        build(building)
        try:
            building.rename(target)
        except OSError:
            # Another run made the same cache first.
            if not is_whole(target):
                raise
    finally:
        shutil.rmtree(building, ignore_errors=True)
    return True


def is_whole(target: Path) -> bool:
    """Whether a cache is there, made under its name, with every file as it was written.

    Parameters
    ----------
    target : Path
        Folder of a cache.

    Returns
    -------
    bool
    """
    try:
        content = read_content(target)
        files = content["tables"].items()
        return content["key"] == target.name and all(file_digest(target / name) == digest for name, digest in files)
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return False


def write_content(place: Path, content: dict[str, Any]) -> None:
    """Write what was made, with the digest of that very text: a flipped bit is no other account of the rows.

    Parameters
    ----------
    place : Path
        Folder of a cache.
    content : dict of str to Any
        What JSON can hold.
    """
    text = json.dumps(content)
    outer = {"sha256": hashlib.sha256(text.encode()).hexdigest(), "content": text}
    write_whole(place / CONTENT_FILE, json.dumps(outer))


def read_content(place: Path) -> dict[str, Any]:
    """Read what `write_content` wrote.

    Parameters
    ----------
    place : Path
        Folder of a cache.

    Returns
    -------
    dict of str to Any

    Raises
    ------
    OSError, ValueError, KeyError, TypeError
        When it is not there, or not as it was written.
    """
    outer = json.loads((place / CONTENT_FILE).read_text(encoding="utf-8"))
    if hashlib.sha256(outer["content"].encode()).hexdigest() != outer["sha256"]:
        raise ValueError(f"{CONTENT_FILE} is not as it was written")
    return json.loads(outer["content"])


def remove_earlier(current: Path) -> list[Path]:
    """Remove the caches beside the current one, but the newest KEPT of them.

    Parameters
    ----------
    current : Path
        The cache in use.

    Returns
    -------
    list of Path
        The folders removed.

    Notes
    -----
    A folder goes only if this program made it: its name is a digest, its made.json says what such a file says, and
    it holds nothing but the tables named there. Anything else stays.
    """
    others = [place for place in current.parent.iterdir() if place != current and _is_ours(place)]
    # By name where two were made at one time, so that the choice is the same each time.
    others.sort(key=lambda place: ((place / CONTENT_FILE).stat().st_mtime_ns, place.name), reverse=True)
    return [place for place in others[KEPT:] if _remove(place)]


def remove_parts(current: Path, now: float) -> list[Path]:
    """Remove kept parts that no cache beside the current one is made of, and that nobody used for a day.

    Parameters
    ----------
    current : Path
        The cache in use.
    now : float
        Seconds since 1970.

    Returns
    -------
    list of Path
        The folders removed.
    """
    parts = current.parent / PARTS
    if not parts.is_dir():
        return []
    used: set[str] = set()
    for place in (place for place in current.parent.iterdir() if _is_ours(place)):
        used |= set(read_content(place).get("parts", ()))
    others = [place for place in sorted(parts.iterdir()) if place.name not in used and _is_ours(place)]
    # A review at work on other parts of the folder may have made them just now.
    return [place for place in others if now - (place / CONTENT_FILE).stat().st_mtime > PART_KEPT and _remove(place)]


def _is_ours(place: Path) -> bool:
    if not NAME.fullmatch(place.name) or place.is_symlink() or not place.is_dir():
        return False
    try:
        content = read_content(place)
        known = {CONTENT_FILE, *content["tables"]}
        inside = list(place.iterdir())
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return False
    return set(content) >= CONTENTS and all(p.name in known and p.is_file() and not p.is_symlink() for p in inside)


def _remove(place: Path) -> bool:
    """Remove a cache, made.json last: one that another program still holds open is known for ours the next time."""
    try:
        for path in sorted(place.iterdir(), key=lambda p: p.name == CONTENT_FILE):
            path.unlink()
        place.rmdir()
    except OSError:
        return False
    return True
