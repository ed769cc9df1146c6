"""Small folders of records for tests: the situations under tests/cases, and tables written in the test."""

from __future__ import annotations

import shutil
from pathlib import Path

from plantstats import records

CASES = Path(__file__).parents[1] / "cases"
PLAIN = {
    "sites.csv": "site_id,client_id,region\nS1,C1,North\n",
    "plants.csv": (
        "plant_id,site_id,position,species,pot_cm,light,installed_on\n"
        "P1,S1,A1,Epipremnum aureum,17,medium,2025-01-06\n"
        "P2,S1,A2,Epipremnum aureum,17,medium,2025-01-06\n"
        "P3,S1,A3,Epipremnum aureum,17,medium,2025-01-06\n"
    ),
    "replacements.csv": "plant_id,replaced_on,cause,replaced_by,covered,plant_cost,labour_minutes\n",
}


def case_folder(target: Path, case: str, **other: str) -> Path:
    """A copy of a case.

    folder: to fill; case: folder name under tests/cases; other: table -> file of the case to stand for it, with its
    ending ("visits": "swallow/visits.csv").
    """
    target.mkdir(parents=True, exist_ok=True)
    for path in (CASES / case).iterdir():
        if path.suffix in (".csv", ".toml") and path.is_file():
            shutil.copy(path, target / path.name)
    for table, file in other.items():
        for old in target.glob(f"{table}.*"):
            old.unlink()
        shutil.copy(CASES / case / file, target / f"{table}{Path(file).suffix}")
    return target


def folder(target: Path, **tables: str | bytes) -> Path:
    """Plain records of three plants, with some tables replaced by the given text or bytes.

    folder: to fill; tables: name -> content; "records" is the settings file, "visits__txt" is visits.txt.
    """
    target.mkdir(parents=True, exist_ok=True)
    for name, text in PLAIN.items():
        (target / name).write_text(text, encoding="utf-8")
    for name, content in tables.items():
        stem, _, ending = name.partition("__")
        path = target / f"{stem}.{ending or ('toml' if stem == 'records' else 'csv')}"
        if ending:
            for old in target.glob(f"{stem}.*"):
                old.unlink()
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return target


def load(place: Path, settings: str | None = None) -> records.Records:
    """Load, and hold the account to its promise: read = used + set aside, each row set aside told once or more."""
    made = records.load(place, settings=place / settings if settings else None)
    balanced(made)
    return made


def balanced(made: records.Records) -> None:
    """Raise AssertionError where the account of any file does not balance."""
    for row in made.account.itertuples():
        assert row.rows_read == row.rows_used + row.rows_set_aside, row
        table = made.table(row.table)
        assert (table["file"] == row.file).sum() == row.rows_used, row
        faults = made.set_aside[(made.set_aside["table"] == row.table) & (made.set_aside["file"] == row.file)]
        whole = faults[faults["scope"] == "row"]
        assert whole["line"].nunique() == row.rows_set_aside, (row, whole)


def dates(column: object) -> list[str]:
    """Dates of a column as ISO text; missing as an empty text."""
    return ["" if str(day) == "NaT" else str(day)[:10] for day in column]  # type: ignore[attr-defined]
