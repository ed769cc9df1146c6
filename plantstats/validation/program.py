"""Which program made a proof: a digest of what computes, the commit, and the seed that follows from the digest."""

from __future__ import annotations

from functools import cache
from hashlib import sha256
from pathlib import Path

import plantstats

DIGITS = 12
# What only words or shows results: a page that is worded anew makes no proof old.
WORDS = ("pages", "reporting", "cli.py", "quarterly.py", "__main__.py")


def code() -> str:
    """Digest of the source that computes: companies made with other code are not mixed with these.

    Returns
    -------
    str
        Hexadecimal.
    """
    home, whole = Path(plantstats.__file__).resolve().parent, sha256()
    for path in sorted(home.rglob("*.py")):
        name = path.relative_to(home)
        if name.parts[0] not in WORDS and name.as_posix() != "validation/pages.py":
            whole.update(name.as_posix().encode() + b"\0" + path.read_bytes())
    return whole.hexdigest()[:DIGITS]


@cache
def present_code() -> str:
    """Digest as this process had it first.

    Returns
    -------
    str
    """
    return code()


def seed_of(program: str) -> int:
    """The seed of a proof: it follows from the code, so that nobody can have tuned the code on its companies.

    Parameters
    ----------
    program : str
        As `code`.

    Returns
    -------
    int

    Examples
    --------
    >>> seed_of("00000000000a")
    10
    """
    return int(program, 16) % 2**31


def commit() -> str:
    """The commit that is checked out, where the program stands in a repository; else empty.

    Returns
    -------
    str
    """
    for home in Path(plantstats.__file__).resolve().parents:
        git = home / ".git"
        if not git.is_dir():
            continue
        head = (git / "HEAD").read_text(encoding="utf-8").strip()
        if not head.startswith("ref: "):
            return head[:DIGITS]
        name = head.removeprefix("ref: ")
        if (git / name).is_file():
            return (git / name).read_text(encoding="utf-8").strip()[:DIGITS]
        packed = (git / "packed-refs").read_text(encoding="utf-8") if (git / "packed-refs").is_file() else ""
        lines = [line.split(" ")[0] for line in packed.splitlines() if line.endswith(f" {name}")]
        return lines[0][:DIGITS] if lines else ""
    return ""
