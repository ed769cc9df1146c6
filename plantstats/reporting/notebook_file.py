"""nbformat, without the second of start-up for an optional check of web addresses; to be imported from here, first."""

from __future__ import annotations

import sys

UNUSED = "rfc3987_syntax"  # jsonschema looks for it; nothing of it is used on notebooks.

_missing = UNUSED not in sys.modules
if _missing:
    sys.modules[UNUSED] = None  # type: ignore[assignment]
import nbformat  # noqa: E402
from nbformat import NotebookNode  # noqa: E402
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output  # noqa: E402

if _missing:
    del sys.modules[UNUSED]

__all__ = ["NotebookNode", "nbformat", "new_code_cell", "new_markdown_cell", "new_notebook", "new_output"]
