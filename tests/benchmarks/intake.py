"""Time and memory of the intake, each case in its own process, rivals side by side.

    python benchmarks/intake.py [--rows 20000000] [--sheet-rows 200000] [--rounds 3] [--keep DIR]

Prints: a workbook through our reader and through openpyxl (seconds, ratio); a large CSV of visits into the typed
cache (seconds, peak memory) and a second load of it; the same CSV read by DuckDB without line numbers, account or
checks, as the floor. Numbers belong to the machine they were measured on.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import date, timedelta
from pathlib import Path

import duckdb
import openpyxl
import pandas as pd

from plantstats import records

HERE = Path(__file__).resolve()


def main() -> None:
    """Read the options; run one case, or measure all."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--rows", type=int, default=20_000_000)
    options.add_argument("--sheet-rows", type=int, default=200_000)
    options.add_argument("--rounds", type=int, default=3)
    options.add_argument("--keep", type=Path)
    options.add_argument("--case", nargs=2, metavar=("NAME", "FOLDER"))
    given = options.parse_args()
    if given.case:
        run(given.case[0], Path(given.case[1]))
        return
    place = given.keep or Path(tempfile.mkdtemp(prefix="intake-"))
    try:
        measure(place, given.rows, given.sheet_rows, given.rounds)
    finally:
        if not given.keep:
            shutil.rmtree(place)


def measure(place: Path, rows: int, sheet_rows: int, rounds: int) -> None:
    """Make the files, run every case, print the figures."""
    sheet, text = place / "sheet", place / "text"
    make_sheet(sheet, sheet_rows)
    make_text(text, rows)
    size = (text / "visits.csv").stat().st_size / 2**20
    print(f"workbook of {sheet_rows:,} rows; CSV of {rows:,} visits, {size:,.0f} MiB; {os.cpu_count()} cores")
    told: dict[str, list[tuple[float, float]]] = {}
    for _ in range(rounds):
        for name in ("sheet", "openpyxl"):
            told.setdefault(name, []).append(case(name, sheet))
    ours, theirs = (statistics.median(t for t, _ in told[n]) for n in ("sheet", "openpyxl"))
    print(
        f"XLSX to typed records: {ours:.1f} s; openpyxl to pandas, untyped: {theirs:.1f} s; "
        f"{theirs / ours:.1f} times faster"
    )
    floor, _ = case("duckdb", text)
    seconds, peak = case("text", text)
    again, _ = case("again", text)
    print(
        f"CSV to typed cache, every row accounted for: {seconds:.1f} s, peak {peak:.2f} GiB; "
        f"second load {again:.2f} s; DuckDB to untyped Parquet: {floor:.1f} s"
    )


def case(name: str, folder: Path) -> tuple[float, float]:
    """Seconds (after imports) and peak GiB of one case in a process of its own."""
    told = subprocess.run(
        [sys.executable, HERE, "--case", name, folder],
        check=True,
        capture_output=True,
        text=True,
        env=os.environ | {"PYTHONPATH": str(HERE.parent.parent)},
    )
    seconds, peak = told.stdout.split()
    return float(seconds), float(peak)


def run(name: str, folder: Path) -> None:
    """Run one case and print its seconds and peak memory."""
    if name in ("sheet", "text"):
        shutil.rmtree(folder / ".plantstats_cache", ignore_errors=True)
    start = time.perf_counter()
    if name == "openpyxl":
        assert len(pd.read_excel(folder / "visits.xlsx", engine="openpyxl"))
    elif name == "duckdb":
        duckdb.sql(f"copy (from read_csv('{folder / 'visits.csv'}', all_varchar=true)) to '{folder / 'floor.parquet'}'")
    else:
        made = records.load(folder)
        account = made.account.set_index("table").loc["visits"]
        assert account["rows_read"] == account["rows_used"] + account["rows_set_aside"]
    seconds = time.perf_counter() - start
    print(seconds, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20)


def make_sheet(folder: Path, rows: int) -> None:
    """A workbook of visits, with the tables that must stand beside it."""
    if (folder / "visits.xlsx").exists():
        return
    make_others(folder, 5000)
    book = openpyxl.Workbook(write_only=True)
    sheet = book.create_sheet("visits")
    sheet.append(
        [
            "plant_id",
            "visited_on",
            "technician",
            "topsoil",
            "watered",
            "litres",
            "leaves_dropped",
            "rh_percent",
            "temp_c",
            "note",
        ]
    )
    for n in range(rows):
        day = date(2024, 1, 1) + timedelta(days=n // 5000 * 7)
        sheet.append([f"P{n % 5000}", day, f"T{n % 7}", "moist", "Y", 0.5, n % 4, 30 + n % 300 / 10, 20.5, "ok"])
    book.save(folder / "visits.xlsx")


def make_text(folder: Path, rows: int) -> None:
    """A CSV of visits in date order, day first, three readings in ten missing, some notes quoted."""
    if (folder / "visits.csv").exists():
        return
    plants = max(rows // 200, 10)
    make_others(folder, plants)
    duckdb.sql(f"""copy (
        select 'P' || (n % {plants}) as plant_id,
            strftime(date '2020-03-01' + (n // {plants} * 9)::int, '%d/%m/%Y') as visited_on,
            'T' || (n * 7 % 40) as technician, case when hash(n) % 5 < 2 then 'dry' else 'moist' end as topsoil,
            case when hash(n) % 5 < 2 then 'Y' else 'N' end as watered, (hash(n, 1) % 20) / 10 as litres,
            hash(n, 2) % 4 as leaves_dropped,
            case when hash(n, 3) % 10 < 3 then null else (300 + hash(n, 4) % 300) / 10 end as rh_percent,
            (180 + hash(n, 5) % 60) / 10 as temp_c, 'N' as repotted, 'no' as pest,
            case when hash(n, 6) % 50 = 0 then 'note, ' || n end as note
        from range({rows}) r(n)) to '{folder / "visits.csv"}' (header, nullstr '')""")


def make_others(folder: Path, plants: int) -> None:
    """Sites, plants and an empty list of replacements."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "replacements.csv").write_text("plant_id,replaced_on,cause\n", encoding="utf-8")
    sites = plants // 25 + 1
    duckdb.sql(
        f"copy (select 'S' || n as site_id, 'C' || n // 5 as client_id from range({sites}) r(n)) "
        f"to '{folder / 'sites.csv'}'"
    )
    duckdb.sql(f"""copy (select 'P' || n as plant_id, 'S' || n // 25 as site_id, 'Ficus lyrata' as species,
        '2020-02-01' as installed_on from range({plants}) r(n)) to '{folder / "plants.csv"}'""")


if __name__ == "__main__":
    main()
