"""Names of files: safe ones for clients and sites, and where the report notebooks stand."""

from __future__ import annotations

import hashlib
import re
import sys
import unicodedata
from pathlib import Path

from plantstats.reporting.errors import ReportError

PLAIN = re.compile(r"[A-Z0-9]+(?:[-_][A-Z0-9]+)*")
PLACE = re.compile(r"^\d\d_")  # before the name of a notebook: where it stands in reading order
# What this function puts after other names; a plain name of that shape could be taken for one of them.
DIGESTED = re.compile(r".*-[0-9A-F]{10}")
LONGEST = 40
# Names that Windows gives to devices, whatever follows: "Naming Files, Paths, and Namespaces" (from memory).
DEVICES = {"CON", "PRN", "AUX", "NUL"} | {f"{port}{n}" for port in ("COM", "LPT") for n in range(10)}


def safe_name(text: str) -> str:
    """A file name for any name, the same from run to run.

    Parameters
    ----------
    text : str
        An id or a name, of any letters and length.

    Returns
    -------
    str
        A-Z, a-z, 0-9, - and _ only, beginning with a letter or number, at most 51 characters. An id in capitals such
        as C01 or HB-7 stays as it is; any other gets a digest after it, so that different names give different files
        also where the file system does not tell s1 from S1. The composed and the decomposed spelling of one name
        (NFC) count as one.

    Raises
    ------
    ReportError
        For an empty name.

    Examples
    --------
    >>> safe_name("HB-7")
    'HB-7'
    >>> safe_name("s1")
    's1-e8bc163c82'
    """
    name = unicodedata.normalize("NFC", text)
    if not name.strip():
        raise ReportError("a name is empty, so no file can be named after it; give the client or site an id")
    plain = PLAIN.fullmatch(name) and not DIGESTED.fullmatch(name)
    if plain and len(name) <= LONGEST and name not in DEVICES:
        return name
    # Accents fall away here only to keep the name readable: the digest tells the names apart.
    bare = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    words = re.sub(r"[^a-z0-9]+", "-", bare.lower()).strip("-")[:LONGEST].strip("-")
    # "surrogatepass": a name that is no valid text still has one digest.
    digest = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()[:10]
    return f"{words or 'name'}-{digest}"


def page_name(notebook: Path) -> str:
    """Name of the page that a notebook makes: its own, without ending and without its place in reading order.

    Parameters
    ----------
    notebook : Path

    Returns
    -------
    str

    Examples
    --------
    >>> page_name(Path("notebooks/02_losses.ipynb"))
    'losses'
    """
    return PLACE.sub("", notebook.stem)


def notebook_path(name: str) -> Path:
    """Path of a report notebook, by the name of its page.

    In the folder notebooks/ of the clone, else where the installed package put it.

    Parameters
    ----------
    name : str
        Such as "losses".

    Returns
    -------
    Path

    Raises
    ------
    ReportError
        When it is in neither.
    """
    clone, installed = Path(__file__).resolve().parents[2], Path(sys.prefix) / "share" / "plantstats"
    places = [clone / "notebooks", installed / "notebooks"]
    for place in places:
        for path in sorted(place.glob(f"*{name}.ipynb")):
            if page_name(path) == name:
                return path
    raise ReportError(f"the notebook of {name} is neither in {places[0]} nor in {places[1]}; install plantstats again")
