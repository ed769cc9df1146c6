"""Read a report notebook and refuse, before its first cell runs, what would make a wrong report."""

from __future__ import annotations

import ast
import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import nbformat
from IPython.core.inputtransformer2 import TransformerManager

from plantstats.reporting.errors import ReportError

Literal = str | int | float | bool | None
# The only notebook commands that leave the results alone.
HARMLESS_MAGICS = {"matplotlib", "config"}


@dataclass(frozen=True)
class Template:
    """A notebook that may be run: path, cells, parameters with their defaults, the kernel it names."""

    path: Path
    notebook: nbformat.NotebookNode
    defaults: dict[str, Literal]
    kernel: str


def read(path: Path) -> Template:
    """Read a notebook and check that it can be run strictly.

    Takes:  path of a notebook.
    Gives:  Template.
    Raises: ReportError, every fault of the notebook at once: not exactly one cell tagged parameters, a
            parameter that is no plain literal or that no later cell reads, shell lines and other notebook
            commands, cells allowed to fail, a cell that is not Python.
    """
    try:
        notebook = nbformat.read(path, as_version=4)
    except FileNotFoundError:
        raise ReportError(f"{path}: no such notebook") from None
    except (nbformat.reader.NotJSONError, nbformat.ValidationError, UnicodeDecodeError) as fault:
        raise ReportError(f"{path.name} is not a notebook: {str(fault)[:200]}") from None
    code = {n: cell for n, cell in enumerate(notebook.cells, 1) if cell.cell_type == "code"}
    tagged = [n for n, cell in code.items() if "parameters" in cell.metadata.get("tags", [])]
    faults = []
    trees: dict[int, ast.Module] = {}
    for number, cell in code.items():
        if "raises-exception" in cell.metadata.get("tags", []):
            faults.append(f"cell {number} is tagged raises-exception; a report has no cell that may fail")
        try:
            trees[number] = ast.parse(TransformerManager().transform_cell(cell.source))
        except SyntaxError as fault:
            faults.append(f"cell {number} is not Python: {fault.msg} (line {fault.lineno})")
            continue
        faults += [f"cell {number} runs {what}; write it in Python" for what in _commands(trees[number])]
    defaults: dict[str, Literal] = {}
    if len(tagged) != 1:
        faults.append(f"{'no cell' if not tagged else f'cells {tagged}'} tagged parameters; tag exactly one cell")
    elif tagged[0] in trees:
        defaults, unclear = _declared(trees[tagged[0]], tagged[0])
        later = {name for number, tree in trees.items() if number > tagged[0] for name in _names_read(tree)}
        unread = [f"parameter {name} is read by no later cell" for name in defaults if name not in later]
        faults += unclear + unread
    if faults:
        raise ReportError("\n".join(f"{path.name}: {fault}" for fault in faults))
    return Template(path, notebook, defaults, notebook.metadata.get("kernelspec", {}).get("name", ""))


def check_parameters(template: Template, given: Mapping[str, Literal]) -> None:
    """Refuse parameters that the notebook does not declare, and the lack of those that it does.

    Takes:  template; given: parameter name to value.
    Raises: ReportError that names every unknown, missing or mistyped parameter, and the likeliest one meant.
    """
    known = sorted(template.defaults)
    faults = []
    for name in sorted(given.keys() - template.defaults.keys()):
        near = difflib.get_close_matches(name, known, n=1)
        meant = f"; did you mean {near[0]}?" if near else ""
        faults.append(f"unknown parameter {name} (known: {', '.join(known) or 'none'}{meant})")
    missing = sorted(template.defaults.keys() - given.keys())
    if missing:
        faults.append(f"no value given for {', '.join(missing)}")
    for name in sorted(given.keys() & template.defaults.keys()):
        default, value = template.defaults[name], given[name]
        if default is not None and _kind(default) != _kind(value):
            faults.append(f"parameter {name} is {_kind(default)}; given was {value!r}")
    if faults:
        raise ReportError("\n".join(f"{template.path.name}: {fault}" for fault in faults))


def _kind(value: Literal) -> str:
    if isinstance(value, bool):
        return "True or False"
    if isinstance(value, int | float):
        return "a number"
    return "text" if isinstance(value, str) else "nothing"


def _declared(tree: ast.Module, number: int) -> tuple[dict[str, Literal], list[str]]:
    """Defaults of the parameters cell; papermill's own reading misses what is not a plain assignment."""
    found: dict[str, Literal] = {}
    faults = []
    for line in tree.body:
        match line:
            case ast.Assign(targets=[ast.Name(id=name)], value=value):
                try:
                    found[name] = ast.literal_eval(value)
                except ValueError:
                    faults.append(f"cell {number}: parameter {name} is not a plain literal")
            case ast.Expr(value=ast.Constant()):
                continue
            case _:
                faults.append(
                    f'cell {number}, line {line.lineno}: only lines such as quarter = "2026-Q3" may stand'
                    " in the parameters cell"
                )
    return found, faults


def _names_read(tree: ast.Module) -> set[str]:
    return {node.id for node in ast.walk(tree) if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load)}


def _commands(tree: ast.Module) -> list[str]:
    """Shell lines and notebook commands, as IPython rewrites them: get_ipython().system(...) and the like."""
    found = []
    for node in ast.walk(tree):
        match node:
            case ast.Call(func=ast.Attribute(value=ast.Call(func=ast.Name(id="get_ipython")), attr=way), args=args):
                text = str(args[0].value) if args and isinstance(args[0], ast.Constant) else ""
                if way in ("system", "getoutput"):
                    found.append(f"the shell line !{text}")
                elif not (way == "run_line_magic" and text in HARMLESS_MAGICS):
                    found.append(f"the notebook command %{text}")
    return found
