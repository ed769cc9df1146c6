"""The field's words: names that the house had of its own are gone from modules, functions, variables and results.

Each word stands with what replaced it. Words that people read are plain English and are not looked at here: sentences,
comments, docstrings. Exceptions are stated with their reason.
"""

from __future__ import annotations

import ast
import csv
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from pydantic import BaseModel

from plantstats.quality.catalogue import CATALOGUE
from plantstats.schema.tables import TABLES
from plantstats.settings import company, watering

PACKAGE = Path(__file__).resolve().parent.parent / "plantstats"
# As a part of any name: law, site_law, LawError.
GONE = {
    "law": "distribution",
    "laws": "distributions",
    "spread": "frailty_variance, frailty_sd, Distribution or prior_sd",
    "stretch": "episode",
    "stretches": "episodes",
    "spell": "dry_down or count_interval",
    "spells": "dry_downs or count_intervals",
    "drawn": "shrunk, sampled or plotted",
    "doubted": "unknown_follow_up",
    "fair": "smr",
    "surprise": "p_value",
    "imagined": "pseudo_events",
    "steady": "floor_at_model_se",
    "holders": "n_clusters",
    "climb": "newton",
    "harm": "drought_effect",
    "foretell": "prognosis",
    "foretold": "predicted",
    "misread": "misclassification",
    "looked": "inspection",
    "reach": "half_width",
    "held": "covered, or in_memory",
    "prove": "validate",
    "proving": "validation",
    "worth": "value or present_value",
    "certainty": "confidence",
    "heads": "header",
    "fold": "normalize",
    "tidy": "clean_text",
    "told": "a noun",
    "said": "a noun",
    "inflation": "vif",
    "unseen_hazard": "zero_event_limit",
    "stands_out": "flagged",
}
# As a whole name of a variable, parameter or function.
GONE_ALONE = {"made", "found", "drawn", "off", "gone", "lives", "look", "between", "surprise", "law"}
# `between`: the method that SQL, ibis and pandas call so, and two limits of a word in the schema.
# `lives` of an id that stays with its place.
EXCEPTIONS = {
    "records/installations.py": {"lives", "gone"},
    "schema/tables.py": {"between"},
    "records/cast.py": {"between"},
    "records/parse/context.py": {"between"},
    "guarantee/hazard_fits.py": {"between"},
    "watering/care_sheet.py": {"look"},
}
# What holds cells of spreadsheets, tables on pages and notebooks; elsewhere they are rows of an exposure table.
WITH_CELLS = ("records/", "quality/", "reporting/", "pages/", "watering/care_", "leaves/analysis.py")


def names(path: Path) -> Iterator[str]:
    """Names that a module gives: itself, functions, classes, parameters, variables."""
    yield from path.with_suffix("").relative_to(PACKAGE).parts
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ClassDef):
            yield re.sub(r"(?<!^)(?=[A-Z])", "_", node.name).lower()
        elif isinstance(node, ast.FunctionDef):
            yield node.name
        elif isinstance(node, ast.arg):
            yield node.arg
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            yield node.id


def old_words(name: str, allowed: frozenset[str] | set[str] = frozenset()) -> set[str]:
    bare = name.strip("_").lower()
    parts = set(bare.split("_"))
    return ({word for word in GONE if word in parts or word == bare} | ({bare} & GONE_ALONE)) - allowed


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def test_no_name_of_the_package_is_an_old_one():
    left = {
        f"{path.relative_to(PACKAGE).as_posix()}: {name}": sorted(words)
        for path in modules()
        for name in names(path)
        if (words := old_words(name, EXCEPTIONS.get(path.relative_to(PACKAGE).as_posix(), frozenset())))
    }
    assert left == {}


def test_cells_are_those_of_spreadsheets_and_tables_alone():
    left = {
        f"{where}: {name}"
        for path in modules()
        if not (where := path.relative_to(PACKAGE).as_posix()).startswith(WITH_CELLS)
        for name in names(path)
        if {"cell", "cells"} & set(name.lower().split("_"))
    }
    assert left == set()


def test_a_confidence_level_is_never_called_level():
    left = {
        f"{path.relative_to(PACKAGE).as_posix()}:{node.lineno}"
        for path in modules()
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.keyword) and node.arg == "level" and "CONF_LEVEL" in ast.unparse(node.value)
    }
    assert left == set()


def test_no_measure_column_key_or_code_is_an_old_one():
    with (PACKAGE / "definitions.csv").open(encoding="utf-8", newline="") as file:
        measures = [row["measure"] for row in csv.DictReader(file)]
    columns = [column.name for table in TABLES.values() for column in table.columns]
    models = [
        value
        for module in (company, watering)
        for value in vars(module).values()
        if isinstance(value, type) and issubclass(value, BaseModel)
    ]
    keys = [key for model in models for key in model.model_fields]
    assert len(measures) > 90 and len(columns) > 60 and len(keys) > 40
    assert {name: sorted(old_words(name)) for name in [*measures, *columns, *keys, *CATALOGUE] if old_words(name)} == {}


@pytest.mark.parametrize("name", ["site_law", "_spread", "LAWS", "told", "made", "n_held"])
def test_an_old_name_is_seen(name):
    assert old_words(name)


@pytest.mark.parametrize("name", ["lawn", "made_at", "losses_found", "frailty_sd", "conf_level"])
def test_a_name_that_only_looks_like_one_is_not(name):
    assert old_words(name) == set()
