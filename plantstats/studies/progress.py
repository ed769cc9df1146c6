"""What is being computed, in a notebook that is run by hand; the runner of a pack has a bar of its own."""

from __future__ import annotations

import contextlib
import os
import sys
import time
from collections.abc import Iterator

from tqdm import tqdm

from plantstats.reporting.display import RESULTS_FOLDER

PATIENCE = 5.0  # seconds without a sign that nobody minds
_bars: list[tuple[tqdm, float]] = []  # that of the outermost result, and when it began


@contextlib.contextmanager
def named(name: str) -> Iterator[None]:
    """Name a result while it is computed, below the cell of a notebook, once that takes longer than a moment.

    Parameters
    ----------
    name : str
        Of the result; those that it rests on are named in its place while they are computed.

    Yields
    ------
    None
    """
    if not _in_notebook() or RESULTS_FOLDER in os.environ:
        yield
        return
    is_outermost = not _bars
    if is_outermost:
        _bars.append((tqdm(unit=" results", delay=PATIENCE, leave=False, file=sys.stdout), time.monotonic()))
    bar, began = _bars[0]
    bar.set_description_str(name, refresh=time.monotonic() - began > PATIENCE)
    try:
        yield
    finally:
        bar.update()
        if is_outermost:
            _bars.pop()
            bar.close()


def _in_notebook() -> bool:
    """Whether this process is the kernel of a notebook; a command that has only imported one prints no bar."""
    ipython = sys.modules.get("IPython")
    return ipython is not None and ipython.get_ipython() is not None
