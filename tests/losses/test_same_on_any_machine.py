"""Findings that rest on a search are the same whatever order a machine adds numbers in: one BLAS thread, or two."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd

ROOT = Path(__file__).parents[2]
PROGRAM = """
import sys
from datetime import date
import pandas as pd
from plantstats import exposure, losses, periods, records
from plantstats.losses import as_expected
loaded = records.load("data_demo")
found, midpoint = (exposure.build(loaded, date(2026, 9, 30), dated) for dated in ("found", "midpoint"))
model = losses.fit(midpoint.exposure_table(list(losses.EXPOSURE_BY)), records.species_table())
rows = [as_expected.as_expected(found, periods.quarter("2026-Q3")), losses.effects(model, "all")]
pd.concat(rows, ignore_index=True).to_csv(sys.argv[1], index=False, float_format="%.17g")
"""


def findings_with(threads: int, out: Path) -> pd.DataFrame:
    """Findings of the demo quarter, made in a process of its own with so many BLAS threads."""
    count = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), str(threads))
    environment = {**os.environ, **count, "PYTHONPATH": str(ROOT)}
    subprocess.run([sys.executable, "-c", PROGRAM, str(out)], check=True, env=environment, cwd=ROOT)
    return pd.read_csv(out)


def test_expected_losses_shrunk_ratios_and_effects_do_not_hang_on_the_number_of_threads(tmp_path: Path) -> None:
    # Shrunk ratios of sites differed by 7 in 10,000 when the search for the variance between them stopped on its way.
    one, two = (findings_with(n, tmp_path / f"{n}.csv") for n in (1, 2))
    assert one["measure"].tolist() == two["measure"].tolist()
    assert {"shrunk_ratio", "observed_expected", "effect_on_losses", "frailty_sd"} <= set(one["measure"])
    for column in ("estimate", "low", "high"):
        assert np.allclose(one[column], two[column], rtol=1e-8, atol=0, equal_nan=True)


def test_linear_algebra_takes_one_thread_unless_its_user_says_otherwise() -> None:
    # Pages and `validate` set it themselves; a notebook opened by hand has it from the package.
    code = "import os, plantstats; print(os.environ['OPENBLAS_NUM_THREADS'])"
    bare = {name: value for name, value in os.environ.items() if not name.endswith("_NUM_THREADS")}
    for given, taken in (({}, "1"), ({"OPENBLAS_NUM_THREADS": "2"}, "2")):
        environment = bare | given | {"PYTHONPATH": str(ROOT)}
        done = subprocess.run([sys.executable, "-c", code], check=True, env=environment, capture_output=True, text=True)
        assert done.stdout.strip() == taken
