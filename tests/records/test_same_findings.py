"""One company, exported by programs with other habits: the findings must be the same to the byte."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from plantstats import exposure, findings, records, studies
from plantstats.losses import loss_rates

DEMO = Path(__file__).parents[2] / "data_demo"
TABLES = ("sites", "plants", "visits", "replacements", "contracts", "moves", "readings")
DATES = {
    "sites": ["observed_from"],
    "plants": ["installed_on", "removed_on", "guarantee_until"],
    "visits": ["visited_on"],
    "replacements": ["replaced_on", "found_on"],
    "contracts": ["starts_on", "ends_on"],
    "moves": ["moved_on"],
    "readings": [],
}
DECIMALS = ("cost", "plant_cost", "litres", "rh_percent", "temp_c", "monthly_fee", "dry_depth_cm")
Write = Callable[[str, pd.DataFrame, Path], None]


def as_text(name: str, folder: Path) -> pd.DataFrame:
    return pd.read_csv(folder / f"{name}.csv", dtype="str", keep_default_na=False)


def in_a_european_spreadsheet(name: str, table: pd.DataFrame, folder: Path) -> None:
    """Semicolons, decimal commas, dd/mm/yyyy, a Windows code page."""
    for column in DATES[name]:
        table[column] = table[column].str.replace(r"^(\d{4})-(\d\d)-(\d\d)$", r"\3/\2/\1", regex=True)
    for column in set(DECIMALS) & set(table.columns):
        table[column] = table[column].str.replace(".", ",")
    table.to_csv(folder / f"{name}.csv", sep=";", index=False, lineterminator="\r\n", encoding="cp1252")


def in_a_workbook(name: str, table: pd.DataFrame, folder: Path) -> None:
    """True date cells and numbers, as a spreadsheet program saves them."""
    for column in DATES[name]:
        # A day that does not exist stays text, as a spreadsheet keeps it.
        days = pd.to_datetime(table[column], format="%Y-%m-%d", errors="coerce")
        table[column] = [day.date() if pd.notna(day) else text for day, text in zip(days, table[column], strict=True)]
    for column in set(DECIMALS) & set(table.columns):
        table[column] = [float(text) if text else None for text in table[column]]
    table.to_excel(folder / f"{name}.xlsx", index=False)


def in_parquet(name: str, table: pd.DataFrame, folder: Path) -> None:
    table.to_parquet(folder / f"{name}.parquet", index=False)


def in_parts_by_year(name: str, table: pd.DataFrame, folder: Path) -> None:
    """Logs as folders: visits and moves of each year as CSV, readings as Parquet; other tables as one file."""
    day = {"visits": "visited_on", "moves": "moved_on", "readings": "read_at"}.get(name)
    if day is None:
        table.to_csv(folder / f"{name}.csv", index=False)
        return
    (folder / name).mkdir()
    for year, rows in table.groupby(table[day].str[:4]):
        part = folder / name / str(year)
        if name == "readings":
            rows.to_parquet(part.with_suffix(".parquet"), index=False)
        else:
            rows.to_csv(part.with_suffix(".csv"), index=False)


def found(folder: Path, out: Path) -> bytes:
    loaded = records.load(folder)
    period = studies.choose_quarter(loaded, "2026-Q3")
    time = exposure.build(loaded, period.last_day)
    return findings.write(loss_rates.loss_rates(time, loaded, period), out)[0].read_bytes()


@pytest.fixture(scope="module")
def company(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Of the demo the sites with a fault, one with readings and one whose day tells the order of a date: fewer rows of
    each table, column, fault and way of writing.

    Rows that name no plant on record stay: they are faults too, and part of what must be the same.
    """
    folder = tmp_path_factory.mktemp("company")
    shutil.copy(DEMO / "records.toml", folder)
    tables = {name: as_text(name, DEMO) for name in TABLES}
    # The demo's costs are whole: a decimal mark that is not read would not be seen.
    tables["replacements"]["plant_cost"] = tables["replacements"]["plant_cost"].str.replace(".00", ".50")
    site_of = tables["plants"].set_index("plant_id")["site_id"]
    faults = records.load(DEMO).set_aside["plant_id"].dropna()
    begun = tables["sites"].set_index("site_id")["observed_from"].str[8:]
    sites = {*site_of[faults], tables["readings"]["site_id"].min(), begun.idxmax()}
    for name, table in tables.items():
        site = table["plant_id"].map(site_of) if name in ("visits", "replacements", "moves") else table["site_id"]
        table[site.isin(sites) | site.isna()].to_csv(folder / f"{name}.csv", index=False)
    return folder


@pytest.fixture(scope="module")
def plain(company: Path, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return found(company, tmp_path_factory.mktemp("plain"))


def test_the_same_records_give_the_same_bytes_twice(company: Path, plain: bytes, tmp_path: Path) -> None:
    # What may differ is there: every table, every fault of the demo, and hundreds of findings.
    loaded = records.load(company)
    assert loaded.account["rows_read"].gt(0).all() and set(loaded.account["table"]) == set(TABLES)
    assert set(loaded.set_aside["code"]) == set(records.load(DEMO).set_aside["code"])
    assert plain.count(b"\n") > 200
    assert found(company, tmp_path) == plain


@pytest.mark.parametrize("dress", [in_a_european_spreadsheet, in_a_workbook, in_parquet, in_parts_by_year])
def test_the_same_records_in_another_dress_give_the_same_bytes(
    dress: Write, company: Path, plain: bytes, tmp_path: Path
) -> None:
    folder = tmp_path / "records"
    folder.mkdir()
    shutil.copy(DEMO / "records.toml", folder)
    for name in TABLES:
        dress(name, as_text(name, company), folder)
    assert found(folder, tmp_path / "out") == plain


def test_findings_do_not_depend_on_the_order_of_the_rows(company: Path, plain: bytes, tmp_path: Path) -> None:
    folder = tmp_path / "records"
    folder.mkdir()
    shutil.copy(DEMO / "records.toml", folder)
    for name in TABLES:
        as_text(name, company).iloc[::-1].to_csv(folder / f"{name}.csv", index=False)
    assert found(folder, tmp_path / "out") == plain
