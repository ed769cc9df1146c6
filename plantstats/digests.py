"""SHA-256 of files and of this program: what says that a result was made from these and no others."""

from __future__ import annotations

import hashlib
from pathlib import Path

SOURCES = (".py", ".css", ".csv", ".toml", ".j2")  # endings of the files that make up the program
HOME = Path(__file__).resolve().parent


def file_digest(path: Path) -> str:
    """SHA-256 of a file.

    Parameters
    ----------
    path : pathlib.Path

    Returns
    -------
    str
        64 hexadecimal letters.
    """
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def program_digest(*rooms: str) -> str:
    """SHA-256 over the program's own files, so that a changed line makes what rests on it anew.

    Parameters
    ----------
    *rooms : str
        Folders of the package, such as "records"; none: the whole package.

    Returns
    -------
    str
        64 hexadecimal letters.
    """
    whole = hashlib.sha256()
    for path in sorted(path for room in (rooms or (".",)) for path in (HOME / room).rglob("*")):
        if path.suffix in SOURCES and path.is_file():
            whole.update(path.relative_to(HOME).as_posix().encode() + b"\0" + path.read_bytes())
    return whole.hexdigest()
