"""Time and peak memory of load, cells and report for an invented company, with cells in pandas beside them.

    python benchmarks/review.py [--plants 20000] [--years 3] [--rounds 3] [--folder DIR]

Every part runs in a process of its own, imports before the clock; peak is the largest resident size of the whole
process. Rounds are interleaved and medians printed. The two ways to cells must agree to the last plant-day.
"""

from __future__ import annotations

import argparse
import json
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pandas as pd

from plantstats import exposure, quarterly, records, simulate, studies
from tests.benchmarks import cells_in_pandas

BY = ["species", "light", "age_band", "month", "rh_band", "repotted", "moved"]
PARTS = ("load", "cells", "cells in pandas", "report")


def measure(part: str, folder: Path) -> dict[str, float]:
    """Run one part here. Gives seconds, peak (GiB) and, for cells, what they add up to."""
    if part == "load":
        shutil.rmtree(folder / ".plantstats_cache", ignore_errors=True)
        began = time.perf_counter()
        records.load(folder)
        sums: dict[str, float] = {}
    elif part == "report":
        with tempfile.TemporaryDirectory() as out:
            began = time.perf_counter()
            quarterly.review(folder, None, None, None, Path(out))
        sums = {}
    else:
        loaded = records.load(folder)
        cut = studies.choose_quarter(loaded).last_day
        began = time.perf_counter()
        if part == "cells":
            made = exposure.build(loaded, cut).exposure_table(BY, count_plants=False)
        else:
            made = cells_in_pandas.cells(loaded, pd.Timestamp(cut), BY)
        names = ("plant_days", "losses", "client_exits", "withdrawn", "rh_tenths", "rh_readings")
        sums = {"cells": len(made)} | {name: int(made[name].sum()) for name in names}
    seconds = time.perf_counter() - began
    return {"seconds": seconds, "peak": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20} | sums


def main() -> None:
    """Make the company, measure each part in turn, print medians and ratios."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--plants", type=int, default=20_000)
    parser.add_argument("--years", type=float, default=3)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--part", help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.part:
        print(json.dumps(measure(chosen.part, chosen.folder)))
        return
    folder = chosen.folder or Path(tempfile.mkdtemp(prefix="plantstats-benchmark-"))
    if not (folder / "plants.csv").exists():
        simulate.make(folder, plants=chosen.plants, years=chosen.years, seed=1)
    print(f"{chosen.plants:,} plants x {chosen.years} years, {chosen.rounds} rounds, medians")
    runs: dict[str, list[dict[str, float]]] = {part: [] for part in PARTS}
    for _ in range(chosen.rounds):
        for part in PARTS:
            command = [sys.executable, "-m", "tests.benchmarks.review", "--part", part, "--folder", str(folder)]
            done = subprocess.run(command, capture_output=True, text=True, check=True)
            runs[part].append(json.loads(done.stdout.strip().splitlines()[-1]))
    median = {
        part: {key: statistics.median(run[key] for run in of) for key in ("seconds", "peak")}
        for part, of in runs.items()
    }
    for part, value in median.items():
        print(f"{part:16} {value['seconds']:7.2f} s   {value['peak']:5.2f} GiB peak")
    ours, theirs = ({k: v for k, v in runs[part][0].items() if k not in ("seconds", "peak")} for part in PARTS[1:3])
    if ours != theirs:
        raise SystemExit(f"the two sides are not the same: {ours} and {theirs}")
    print("the same cells:", ours)
    rival = median["cells in pandas"]
    print(
        f"pandas / ours: {rival['seconds'] / median['cells']['seconds']:.1f} times the time, "
        f"{rival['peak'] / median['cells']['peak']:.1f} times the memory"
    )
    if chosen.folder is None:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
