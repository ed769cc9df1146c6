"""Typed caches of earlier files, settings or programs: which of them go."""

from __future__ import annotations

import json
import re
from pathlib import Path

NAME = re.compile(r"[0-9a-f]{32}")
MADE = "made.json"
SAID = {"digests", "supplied", "faults", "sizes"}  # what this program writes into it
# Beside the one just made: for a review still at work on what the files were before, and for a folder that is read
# under two settings in turn.
KEPT = 2


def remove(now: Path) -> list[Path]:
    """Remove the caches beside the one just made, but the newest KEPT of them.

    Takes:  now: the cache in use.
    Gives:  the folders removed. A folder goes only if this program made it: its name is a digest, its made.json says
            what such a file says, and it holds nothing but the tables named there. Anything else stays.
    """
    others = [place for place in now.parent.iterdir() if place != now and _ours(place)]
    # By name where two were made at one time, so that the choice is the same each time.
    others.sort(key=lambda place: ((place / MADE).stat().st_mtime_ns, place.name), reverse=True)
    return [place for place in others[KEPT:] if _removed(place)]


def _ours(place: Path) -> bool:
    if not NAME.fullmatch(place.name) or place.is_symlink() or not place.is_dir():
        return False
    try:
        made = json.loads((place / MADE).read_text(encoding="utf-8"))
        known = {MADE, *made["sizes"]}
        inside = list(place.iterdir())
    except (OSError, ValueError, TypeError, KeyError):
        return False
    return set(made) >= SAID and all(p.name in known and p.is_file() and not p.is_symlink() for p in inside)


def _removed(place: Path) -> bool:
    """Remove a cache, made.json last: one that another program still holds open is known for ours the next time."""
    try:
        for path in sorted(place.iterdir(), key=lambda p: p.name == MADE):
            path.unlink()
        place.rmdir()
    except OSError:
        return False
    return True
