"""Run one notebook with papermill, in a process of its own that `processes` starts as a file and never imports.

    python -P notebook.py INPUT OUTPUT PARAMETERS

PARAMETERS is a JSON object. The notebook with its outputs stands in OUTPUT, also when a cell fails.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import sys
import threading
from pathlib import Path

MESSAGE_SECONDS = 60  # How long papermill waits for what a cell printed; with its 4 a busy machine loses pages.


def main(source: str, target: str, parameters: str) -> None:
    """Run the notebook; end it, and its kernel with all that its cells started, when asked to or left alone.

    Parameters
    ----------
    source : str
        The notebook.
    target : str
        Where it goes when it has run.
    parameters : str
        As JSON.
    """
    orphaned = threading.Event()
    # An exception, so that papermill ends the kernel's process group on its way out.
    signal.signal(signal.SIGTERM, lambda number, _frame: sys.exit(128 + number))
    threading.Thread(target=_end_with_parent, args=(orphaned,), daemon=True).start()
    # An optional check of web addresses by jsonschema: a second of start-up, of which nothing is used here.
    sys.modules["rfc3987_syntax"] = None  # type: ignore[assignment]
    import papermill  # noqa: PLC0415

    try:
        papermill.execute_notebook(
            escape_path(source),
            escape_path(target),
            parameters=json.loads(parameters),
            kernel_name="plantstats",
            language="python",
            progress_bar=False,
            iopub_timeout=MESSAGE_SECONDS,
        )
    finally:
        if orphaned.is_set():
            shutil.rmtree(Path(target).parents[1], ignore_errors=True)


def escape_path(path: str | Path) -> str:
    """Path for papermill, which fills parameters into braces.

    Parameters
    ----------
    path : str or Path
        A path.

    Returns
    -------
    str
    """
    return str(path).replace("{", "{{").replace("}", "}}")


def _end_with_parent(orphaned: threading.Event) -> None:
    # Standard input is a pipe on which nothing is ever written: it ends when the parent ends, whatever ended it.
    os.read(sys.stdin.fileno(), 1)
    orphaned.set()
    os.kill(os.getpid(), signal.SIGTERM)


if __name__ == "__main__":
    main(*sys.argv[1:])
