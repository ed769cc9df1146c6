"""Write an invented company to a folder: CSV tables, records.toml, truth.toml."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv

from plantstats.simulate import faults as planted
from plantstats.simulate.causes import CODES
from plantstats.simulate.company import Changes, Company, build
from plantstats.simulate.params import CompanyParams
from plantstats.simulate.tables import CURRENCY
from plantstats.simulate.truth_file import truth_text
from plantstats.writing import check_empty

PLACES = {"cost": 2, "plant_cost": 2, "monthly_fee": 2, "pot_cm": 0, "height_cm": 0}

SETTINGS = f"""\
# Settings of an invented company. All columns already have the names that plantstats uses.
company = "Lantern Court Plant Care (invented)"
currency = "{CURRENCY}"
wage_per_hour = 24.0
visit_cost = 18.0
fiscal_year_starts = 1
hemisphere = "north"
small_group = 5

[heating_season]
starts = "10-01"
ends = "05-01"  # the day after the last

[causes]
# What the technicians write; "TIRED" is alive, but below what was sold.
"""


def make(
    folder: str | Path,
    plants: int = 2000,
    years: float = 3,
    seed: int = 1,
    params: CompanyParams | None = None,
    *,
    faults: bool = False,
    visit_changes: Changes = (),
) -> Company:
    """Write an invented company's records, their settings and the truth behind them into a folder.

    Parameters
    ----------
    folder : str or Path
        A new or empty folder. It then holds sites, plants, visits, replacements, contracts, moves, readings as CSV
        (canonical columns, ISO dates), records.toml and truth.toml.
    plants : int
        Positions kept filled.
    years : float
        Of records before 1 October 2026.
    seed : int
        The same arguments give the same bytes.
    params : CompanyParams, optional
        Parameters of the simulation.
    faults : bool
        Plant the short list of faults of module `faults`, and write a README.md that names each.
    visit_changes : sequence of (date, str, int)
        As in `company.build`.

    Returns
    -------
    Company
        What was written, and the truth.

    Raises
    ------
    OutputError
        For a folder that holds anything, before anything is written; and where nothing can be written.
    DemoError
        When the company is too small to be made, or to hold the faults; nothing is left then.
    """
    params = params or CompanyParams()
    folder = Path(folder)
    check_empty(folder)
    invented = build(plants, years, seed, params, visit_changes)
    folder.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=f".{folder.name}-", dir=folder.parent) as name:
        workshop = Path(name)
        for table, frame in invented.tables.items():
            _write(workshop / f"{table}.csv", pa.Table.from_pandas(_as_recorded(table, frame), preserve_index=False))
        _write(workshop / "visits.csv", invented.visits)
        (workshop / "records.toml").write_text(settings_text(), encoding="utf-8", newline="\n")
        (workshop / "truth.toml").write_text(truth_text(params, invented, seed), encoding="utf-8", newline="\n")
        if faults:
            fault_list = planted.plant(workshop)
            text = planted.readme(fault_list, (plants, years, seed), params != CompanyParams(), invented.failure)
            (workshop / "README.md").write_text(text, encoding="utf-8", newline="\n")
        folder.mkdir(exist_ok=True)
        for path in sorted(workshop.iterdir()):
            os.replace(path, folder / path.name)
    return invented


def _as_recorded(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    """The log holds the technicians' words, not our causes."""
    if name != "replacements":
        return frame
    return frame.drop(columns=["cause", "outcome"]).rename(columns={"cause_text": "cause"})[
        ["plant_id", "replaced_on", "found_on", "cause", "replaced_by", "covered", "plant_cost", "labour_minutes"]
    ]


def _text_column(name: str, column: pa.ChunkedArray) -> pa.ChunkedArray:
    """A column as text: flags Y and N, measures with a fixed number of places, times to the second."""
    kind = column.type
    if pa.types.is_boolean(kind):
        return pc.if_else(column, "Y", "N")
    if pa.types.is_timestamp(kind):
        return pc.strftime(column.cast(pa.timestamp("s")), "%Y-%m-%dT%H:%M" if name == "read_at" else "%Y-%m-%d")
    if pa.types.is_floating(kind):
        places = PLACES.get(name, 0 if name == "rh_percent" and _is_whole(column) else 1)
        return pc.round(column, ndigits=places).cast(pa.decimal128(16, places)).cast(pa.string())
    return column.cast(pa.string())


def _is_whole(column: pa.ChunkedArray) -> bool:
    return bool(pc.all(pc.equal(column, pc.round(column))).as_py())


def _write(path: Path, table: pa.Table) -> None:
    text = pa.table({name: _text_column(name, table[name]) for name in table.column_names})
    with path.open("wb") as out:
        out.write((",".join(table.column_names) + "\n").encode())
        pyarrow.csv.write_csv(text, out, pyarrow.csv.WriteOptions(include_header=False, quoting_style="none"))


def settings_text() -> str:
    """Text of the records.toml of every invented company.

    Returns
    -------
    str
        TOML.
    """
    return SETTINGS + "".join(
        f'"{code}" = {{ cause = "{cause}", outcome = "{outcome}" }}\n' for code, cause, outcome in CODES
    )
