"""Files written whole, and never over something of the user's."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

from plantstats.errors import PlantstatsError


class OutputError(PlantstatsError):
    """A place where nothing may, or can, be written."""


@contextlib.contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Write a file beside its place, and move it there once it is complete.

    Parameters
    ----------
    path : Path
        Where the file shall stand. Its folder is made when absent.

    Yields
    ------
    Path
        Of a file in the same folder, to be written. It is gone afterwards, whatever happens.

    Raises
    ------
    OutputError
        When the file cannot be written: no room, no right, a folder in its place.

    Notes
    -----
    A reader never meets half a file: `os.replace` is atomic within one file system [1]_.

    References
    ----------
    .. [1] POSIX.1-2017, rename().

    Examples
    --------
    >>> import tempfile
    >>> place = Path(tempfile.mkdtemp()) / "new" / "list.csv"
    >>> with whole_file(place) as partial:
    ...     _ = partial.write_text("a,b")
    >>> place.read_text(), len(list(place.parent.iterdir()))
    ('a,b', 1)
    """
    partial = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            yield partial
            os.replace(partial, path)
        finally:
            with contextlib.suppress(OSError):
                partial.unlink(missing_ok=True)
    except OSError as error:
        raise OutputError(f"{path}: cannot be written ({error.strerror or error})") from None


def write_whole(path: Path, content: bytes | str) -> Path:
    """Write a file whole or not at all.

    Parameters
    ----------
    path : Path
        Where the file shall stand.
    content : bytes or str
        Text is written as UTF-8.

    Returns
    -------
    Path
        `path`.

    Raises
    ------
    OutputError
        As `whole_file`.
    """
    with whole_file(path) as partial:
        partial.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
    return path


def check_folder(folder: Path) -> None:
    """Refuse a folder in which nothing can be written, before any work is done for it.

    Parameters
    ----------
    folder : Path
        It need not exist yet; nothing is left in it.

    Raises
    ------
    OutputError
        When it is a file, lies below one, or cannot be written to.
    """
    there = next((place for place in (folder, *folder.absolute().parents) if place.exists()), folder)
    try:
        with tempfile.TemporaryFile(dir=there):
            pass
    except OSError as error:
        raise OutputError(f"{folder}: nothing can be written there ({error.strerror or error})") from None


def check_empty(folder: Path) -> None:
    """Refuse a folder that holds anything, or that cannot be written to.

    Parameters
    ----------
    folder : Path
        It need not exist yet.

    Raises
    ------
    OutputError
        Naming what the folder holds.
    """
    if folder.is_dir() and (names := sorted(path.name for path in folder.iterdir())):
        more = f" and {len(names) - 1:,} more" if len(names) > 1 else ""
        raise OutputError(f"{folder} holds {names[0]}{more}; nothing is written over it: name a new or empty folder")
    check_folder(folder)


def check_file(path: Path, begins: bytes) -> None:
    """Refuse a place for a file where something else stands, or that cannot be written to.

    Parameters
    ----------
    path : Path
        Where the file shall stand.
    begins : bytes
        First bytes of an earlier file of the same kind, which may be replaced.

    Raises
    ------
    OutputError
        For a folder, for a file that does not begin so, and for a place that cannot be written to.
    """
    if path.is_dir():
        raise OutputError(f"{path} is a folder; name a file")
    if path.exists() or path.is_symlink():
        try:
            with path.open("rb") as file:
                ours = file.read(len(begins)) == begins
        except OSError:
            ours = False
        if not ours or path.is_symlink():
            raise OutputError(f"{path} is there already and nothing of ours; nothing is written over it: name another")
    check_folder(path.parent)
