"""Parameters of report notebooks: exactly those that a notebook declares, or it is not run."""

from __future__ import annotations

import ast
import difflib
import re
from collections.abc import Iterable, Mapping
from pathlib import Path

from plantstats.reporting.errors import ReportError
from plantstats.reporting.notebook_file import nbformat

# Lines that IPython hands to the shell.
SHELL = re.compile(r"^\s*(?:!|%%(?:bash|sh|script|system|sx|cmd)\b|%(?:sx|system)\b)", re.MULTILINE)
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
    try:
        declared = _declared(path)
    except FileNotFoundError:
        return [f"no such notebook: {path}"]
    # What nbformat raises for a file that is no notebook.
    except (ValueError, AttributeError, KeyError, TypeError, nbformat.ValidationError) as error:
        return [f"not a notebook that can be run: {str(error)[:200]}"]
    shell = _shell_cell(path)
    known = ", ".join(sorted(declared)) or "none; tag one cell parameters"
    faults = []
    for name in sorted(given.keys() - declared):
        near = difflib.get_close_matches(name, declared, n=1)
        faults.append(f"unknown parameter {name} (known: {known}{f'; did you mean {near[0]}?' if near else ''})")
    missing = sorted(declared - given.keys())
    faults += [f"no value given for {', '.join(missing)}"] if missing else []
    return faults + ([f"cell {shell} runs a shell line, whose failure nobody would see; use Python"] if shell else [])


def _shell_cell(path: Path) -> int:
    """Number of the first cell that hands a line to the shell; 0 where none does."""
    cells = nbformat.read(path, as_version=4).cells
    return next((n for n, c in enumerate(cells, 1) if c.cell_type == "code" and SHELL.search(c.source)), 0)


def _declared(path: Path) -> set[str]:
    """Names that the first cell tagged `parameters`, in which papermill sets values, gives a value to."""
    cells = [c for c in nbformat.read(path, as_version=4).cells if "parameters" in c.metadata.get("tags", [])]
    try:
        lines = ast.parse(cells[0].source).body if cells else []
    except SyntaxError as error:
        raise ValueError(f"the cell tagged parameters is no Python ({error})") from None
    targets = [t for line in lines if isinstance(line, ast.Assign) for t in line.targets]
    targets += [line.target for line in lines if isinstance(line, ast.AnnAssign)]
    return {target.id for target in targets if isinstance(target, ast.Name)}


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
