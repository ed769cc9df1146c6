"""Parameters of report notebooks: exactly those that a notebook declares, or it is not run."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from pathlib import Path

from plantstats.reporting.errors import ReportError
from plantstats.reporting.notebook import escape_path

Literal = str | int | float | bool | None


def check_parameters(notebooks: Iterable[Path], given: Mapping[str, Literal]) -> None:
    """Refuse parameters that a notebook does not declare, and the lack of those that it does.

    papermill only warns of an unknown parameter and runs on the default: last quarter's report under this
    quarter's name.

    Parameters
    ----------
    notebooks : iterable of Path
        Notebooks with one cell tagged `parameters`.
    given : mapping of str to literal
        Values by name.

    Raises
    ------
    ReportError
        Names every fault of every notebook, one a line, and the likeliest parameter meant.
    """
    faults = [f"{path.name}: {fault}" for path in notebooks for fault in _faults(path, given)]
    if faults:
        raise ReportError("\n".join(faults))


def _faults(path: Path, given: Mapping[str, Literal]) -> list[str]:
    import nbformat  # noqa: PLC0415 (slow to import, like papermill)
    import papermill  # noqa: PLC0415

    try:
        declared = papermill.inspect_notebook(escape_path(path))
    except FileNotFoundError:
        return [f"no such notebook: {path}"]
    # What nbformat and papermill raise for a file that is no notebook, and for one without a kernel's name.
    except (ValueError, AttributeError, KeyError, TypeError, nbformat.ValidationError) as error:
        return [f"not a notebook that can be run: {str(error)[:200]}"]
    known = ", ".join(sorted(declared)) or "none; tag one cell parameters"
    faults = []
    for name in sorted(given.keys() - declared.keys()):
        near = difflib.get_close_matches(name, declared, n=1)
        faults.append(f"unknown parameter {name} (known: {known}{f'; did you mean {near[0]}?' if near else ''})")
    missing = sorted(declared.keys() - given.keys())
    return faults + ([f"no value given for {', '.join(missing)}"] if missing else [])
