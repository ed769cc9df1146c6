"""Files of trials: the names of results, and their digests, without the libraries that read them."""

from __future__ import annotations

from pathlib import Path

from plantstats.digests import file_digest

RESULT, PATTERN = "trial_result.json", "trial_result*.json"


def digests(folder: Path) -> dict[str, str]:
    """Names and SHA-256 of the results in the folder of the records, so that a page made from them is made anew.

    Parameters
    ----------
    folder : Path
        Of the records.

    Returns
    -------
    dict of str to str
    """
    return {path.name: file_digest(path) for path in sorted(folder.glob(PATTERN))}
