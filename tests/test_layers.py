"""The rooms of the package import down the list of DEVELOPERS.md, never back."""

from __future__ import annotations

import ast
import re
from pathlib import Path

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "plantstats"


def rooms_in_order() -> list[str]:
    """The rooms as the table in DEVELOPERS.md lists them."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text[text.index("| room |") : text.index("## What the rooms promise")]
    cells = [line.split("|")[1] for line in table.splitlines()[2:] if line.startswith("|")]
    return [name.removesuffix(".py").rstrip("/") for cell in cells for name in re.findall(r"`([\w/.]+)`", cell)]


def imported(path: Path) -> set[str]:
    """Rooms that a module imports when it runs (imports for the type checker alone do not count)."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING":
            node.body = []
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module == "plantstats":
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and (node.module or "").startswith("plantstats."):
            found.add(str(node.module).split(".")[1])
        elif isinstance(node, ast.Import):
            found |= {alias.name.split(".")[1] for alias in node.names if alias.name.startswith("plantstats.")}
    return found - {"__version__"}


def test_every_room_is_listed_once() -> None:
    there = {path.stem for path in PACKAGE.glob("*.py")} | {path.parent.name for path in PACKAGE.glob("*/__init__.py")}
    listed = rooms_in_order()
    assert sorted(listed) == sorted(there - {"__init__", "__main__"})


def test_imports_go_down_the_list_and_never_back() -> None:
    order = {room: number for number, room in enumerate(rooms_in_order())}
    back = []
    for path in sorted(PACKAGE.rglob("*.py")):
        inside = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
        if inside not in order:
            continue
        back += [
            f"{path.relative_to(ROOT)} imports {room}"
            for room in sorted(imported(path))
            if room in order and order[room] > order[inside]
        ]
    assert not back, "\n".join(back)
