"""Docstrings as numpydoc writes them: each parameter, each return and each error of everything public, by its name.

ruff's pydocstyle holds the form (sections, blank lines, underlines). What it cannot hold stands here: two parameters in
one line ("low, high : float") are right by numpydoc and wrong by its rule D417. Rules: numpydoc's style guide, sections
4 to 7 (from memory). numpydoc's own validation is not used: it needs the whole of Sphinx.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parent.parent / "plantstats"
SECTION = re.compile(r"^(?P<name>[A-Z][A-Za-z ]+)\n-{3,}\n", re.MULTILINE)
# Whose public functions each hold an example that runs.
WITH_EXAMPLES = ("stats/*.py", "findings.py")
# The functions that fit a model or open a study, which hold one too.
MODELS = {
    "losses/fit.py": "fit",
    "leaves/model.py": "fit_leaves",
    "watering/drying_fit.py": "fit_drying",
    "losses/expected.py": "expect",
    "losses/watch_list.py": "watch",
    "guarantee/quote.py": "make_quote",
    "__init__.py": "study",
}


def overrides(node: ast.FunctionDef) -> bool:
    return any(isinstance(mark, ast.Name) and mark.id == "override" for mark in node.decorator_list)


def functions(source: str) -> Iterator[tuple[str, ast.FunctionDef]]:
    """Public functions and methods of a module, by their name; an override has its text where it is declared."""

    def below(body: list[ast.stmt], prefix: str) -> Iterator[tuple[str, ast.FunctionDef]]:
        for node in body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                yield from below(node.body, f"{prefix}{node.name}.")
            elif isinstance(node, ast.FunctionDef) and not node.name.startswith("_") and not overrides(node):
                yield prefix + node.name, node

    yield from below(ast.parse(source).body, "")


def sections(function: ast.FunctionDef) -> dict[str, str]:
    text = ast.get_docstring(function) or ""
    headings = list(SECTION.finditer(text))
    ends = [*(heading.start() for heading in headings[1:]), len(text)][: len(headings)]
    return {heading["name"]: text[heading.end() : end] for heading, end in zip(headings, ends, strict=True)}


def named(section: str) -> list[str]:
    """Names at the left edge of a section, before their types."""
    lines = [line for line in section.splitlines() if line and not line[0].isspace()]
    return [name.strip().lstrip("*") for line in lines for name in line.partition(" : ")[0].split(",")]


def raised(function: ast.FunctionDef) -> set[str]:
    """Classes of errors that the function itself raises, not those of functions inside it."""
    names = set()

    def visit(node: ast.AST) -> None:
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.FunctionDef | ast.Lambda | ast.ClassDef):
                continue
            if isinstance(child, ast.Raise) and child.exc is not None:
                error = child.exc.func if isinstance(child.exc, ast.Call) else child.exc
                names.add(ast.unparse(error).rpartition(".")[2])
            visit(child)

    visit(function)
    return {name for name in names if name[0].isupper()}


def faults(function: ast.FunctionDef) -> list[str]:
    """What a docstring leaves out, or says of what is not there."""
    parts, arguments = sections(function), function.args
    every = [*arguments.posonlyargs, *arguments.args, arguments.vararg, *arguments.kwonlyargs, arguments.kwarg]
    signature = [one.arg for one in every if one is not None and one.arg not in ("self", "cls")]
    lines = []
    if (documented := named(parts.get("Parameters", ""))) != signature:
        lines.append(f"Parameters {documented}, signature {signature}")
    is_property = any("property" in ast.unparse(decorator) for decorator in function.decorator_list)
    returns = function.returns is not None and ast.unparse(function.returns) not in ("None", "Never")
    if returns and not is_property and not {"Returns", "Yields"} & parts.keys():
        lines.append("no Returns")
    if missing := raised(function) - set(named(parts.get("Raises", ""))):
        lines.append(f"Raises without {', '.join(sorted(missing))}")
    return lines


def modules(*patterns: str) -> list[Path]:
    return sorted({path for pattern in patterns for path in PACKAGE.glob(pattern)})


def test_every_parameter_return_and_error_of_everything_public_is_documented():
    incomplete = {
        f"{path.relative_to(PACKAGE).as_posix()}::{name}": lines
        for path in modules("**/*.py")
        for name, function in functions(path.read_text(encoding="utf-8"))
        if (lines := faults(function))
    }
    assert incomplete == {}


def test_every_public_function_of_stats_and_findings_holds_an_example():
    without = {
        f"{path.relative_to(PACKAGE).as_posix()}::{name}"
        for path in modules(*WITH_EXAMPLES)
        for name, function in functions(path.read_text(encoding="utf-8"))
        if "." not in name and ">>>" not in sections(function).get("Examples", "")
    }
    assert without == set()


@pytest.mark.parametrize(("module", "name"), MODELS.items())
def test_models_and_the_study_hold_an_example(module, name):
    by_name = dict(functions((PACKAGE / module).read_text(encoding="utf-8")))
    assert ">>>" in sections(by_name[name])["Examples"]


@pytest.mark.parametrize(
    ("docstring", "fault"),
    [
        ("Parameters\n    ----------\n    a : int\n", "Parameters ['a']"),
        ("Parameters\n    ----------\n    a, c : int\n", "Parameters ['a', 'c']"),
        ("Parameters\n    ----------\n    a, b : int\n", "no Returns"),
        ("Parameters\n    ----------\n    a, b : int\n\n    Returns\n    -------\n    int\n", "without ValueError"),
    ],
)
def test_a_docstring_that_leaves_something_out_is_found(docstring, fault):
    source = f'def f(a, b) -> int:\n    """Add.\n\n    {docstring}    """\n    raise ValueError("no")\n'
    ((_, function),) = functions(source)
    assert any(fault in line for line in faults(function))


def test_the_house_order_of_docstrings_is_gone():
    old = re.compile(r"^\s*(Takes|Gives|Keeps|Source):", re.MULTILINE)
    assert [path.name for path in modules("**/*.py") if old.search(path.read_text(encoding="utf-8"))] == []
