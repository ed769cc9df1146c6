"""Exposure tables beside a second program for the same thing: vectorised pandas, the rival of the benchmark."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from plantstats import exposure, records, simulate, studies
from tests.benchmarks import cells_in_pandas
from tests.benchmarks.review import BY


@pytest.mark.parametrize("seed", [1, 2])
def test_exposure_tables_are_those_of_plain_pandas_to_the_last_day_and_reading(tmp_path: Path, seed: int):
    simulate.make(tmp_path / "company", plants=200, years=1.5, seed=seed)
    loaded = records.load(tmp_path / "company")
    # Plants that moved to another site read the air of the site where they stood that day.
    assert loaded.table("moves")["to_site_id"].notna().sum() > 3
    last = studies.choose_quarter(loaded).last_day
    ours = exposure.build(loaded, last).exposure_table(BY, count_plants=False)
    theirs = cells_in_pandas.cells(loaded, pd.Timestamp(last), BY)
    theirs = theirs.sort_values(BY, ignore_index=True)
    assert ours[BY].astype("str").equals(theirs[BY].astype("str"))
    numbers = [name for name in ours.columns if name not in BY]
    pd.testing.assert_frame_equal(ours[numbers], theirs[numbers], check_dtype=False, check_exact=True)
    assert ours["losses"].sum() > 10 and ours["rh_readings"].sum() > 1000
