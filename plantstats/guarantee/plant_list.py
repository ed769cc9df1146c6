"""The plant list of a quote: the same readers as the records, every fault named, nothing dropped."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
import pyarrow.parquet as pq

from plantstats.exposure import pot_class
from plantstats.records import RecordError, Settings
from plantstats.records.detect import open_file
from plantstats.records.load import to_pandas
from plantstats.records.write import TableWriter, set_aside_frame
from plantstats.schema.light import band_of_lux
from plantstats.schema.tables import PLANT_LIST

NEW_SITE = "(new site)"
GIVEN_AS = {"pot": "pot_cm"}  # columns of `read` that are made from another


class Listed(NamedTuple):
    """Lines of a plant list (see `read`), and what a reader must be told about its file."""

    lines: pd.DataFrame
    notes: tuple[str, ...]


def read(path: Path, settings: Settings) -> Listed:
    """Read a plant list.

    Parameters
    ----------
    path : pathlib.Path
        A CSV, XLSX, ODS or Parquet file with the columns of PLANT_LIST (species and unit_cost are needed).
    settings : Settings
        Of the records: currency, light scheme, units, names of species, and `tables.quote`.

    Returns
    -------
    Listed
        One row per line of the list, in its order: position ("line 2" where none is given), site_id (NEW_SITE where
        none is given), species, light, pot (class), planter, quantity (1 where none is given), unit_cost,
        labour_minutes (may be missing), installed_on (may be missing: new), file, line.

    Raises
    ------
    RecordError
        Naming every fault by file, line and column.

    Notes
    -----
    Keeps every line of the file: a quote for a part of a list would be a wrong quote.
    """
    options = settings.table(PLANT_LIST.name)
    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / "quote.parquet"
        with TableWriter(PLANT_LIST, target) as writer:
            writer.add_file(open_file(path, path.parent, PLANT_LIST, options), options, settings)
        aside = set_aside_frame(writer.set_aside)
        listed = to_pandas(pq.read_table(target))
    faults = [
        f"{row.file}, line {row.line}, column {row.column}: {row.text!r}: {row.reason}" for row in aside.itertuples()
    ]
    if faults:
        raise RecordError([*faults, _whole_or_not(len(faults), path.name)])
    if listed.empty:
        raise RecordError([f"{path.name} has heads, but no line with a plant"])
    of_file = [(kind, text) for _, _, kind, column, _, text in writer.notes if not column and kind != "text"]
    notes = tuple(f"{path.name}, {kind}: {text}" for kind, text in of_file)
    return Listed(_complete(listed, path, settings), notes)


def check_known(lines: pd.DataFrame, levels: Mapping[str, tuple[str, ...]]) -> None:
    """Refuse lines on a light, pot or planter that no plant of the records had, each by its line.

    Parameters
    ----------
    lines : pandas.DataFrame
    levels : mapping of str to tuple of str
        Levels on record of each column.

    Raises
    ------
    RecordError
    """
    faults = [
        f"{row['file']}, line {row['line']}, column {GIVEN_AS.get(column, column)}: {row[column]}: no plant on record "
        f"had that, so nothing tells what it loses (on record: {', '.join(known)})"
        for row in lines.to_dict("records")
        for column, known in levels.items()
        if row[column] not in known
    ]
    if faults:
        raise RecordError([*faults, _whole_or_not(len(faults), str(lines["file"].iloc[0]))])


def _whole_or_not(faults: int, name: str) -> str:
    what = "1 fault; mend it" if faults == 1 else f"{faults} faults; mend them"
    return f"{what} in {name}: a list is quoted whole or not"


def _complete(listed: pd.DataFrame, path: Path, settings: Settings) -> pd.DataFrame:
    lux = listed["light_lux"]
    measured = [np.nan if pd.isna(value) else band_of_lux(value, settings.light_scheme) for value in lux]
    light = listed["light"].fillna(pd.Series(measured, index=listed.index, dtype="str"))
    lines = "line " + listed["line"].astype("str")
    position = listed["position"].fillna(lines)
    twice = position.duplicated(keep=False)
    return pd.DataFrame(
        {
            "position": position.where(~twice, position + " (" + lines + ")"),
            "site_id": listed["site_id"].fillna(NEW_SITE),
            "species": listed["species"],
            "light": light.fillna("unknown"),
            "pot": pot_class(listed["pot_cm"]),
            "planter": listed["planter"].fillna("unknown"),
            "quantity": listed["quantity"].fillna(1).astype("int64"),
            "unit_cost": listed["unit_cost"],
            "labour_minutes": listed["labour_minutes"],
            "installed_on": listed["installed_on"],
            "file": path.name,
            "line": listed["line"],
        }
    )
