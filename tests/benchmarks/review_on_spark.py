"""A whole review of one invented company on DuckDB and on Spark: are the findings the same, to the byte?

    python -m tests.benchmarks.review_on_spark [--plants 100] [--years 1.5] [--spark sc://127.0.0.1:15002]

Without `--spark` on the tests' own engine, which speaks Spark's protocol (Sail, from a wheel). Each review reads a copy
of the records of its own, so that none finds what the other kept.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pandas as pd

from plantstats import simulate

FEW = 6  # rows that are shown of those that differ


def main() -> int:
    """Review twice, compare; 1 where the findings differ or a review fails."""
    options = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    options.add_argument("--plants", type=int, default=100)
    options.add_argument("--years", type=float, default=1.5)
    options.add_argument("--spark", metavar="ADDRESS", help="of Spark Connect")
    given = options.parse_args()
    with tempfile.TemporaryDirectory() as place:
        made = Path(place) / "records"
        simulate.make(made, given.plants, given.years, 1)
        on_duckdb = review(made, "duckdb")
        address, server = given.spark, None
        if address is None:
            from pysail.spark import SparkConnectServer

            server = SparkConnectServer()
            server.start(background=True)
            address = f"sc://127.0.0.1:{server.listening_address[1]}"
        on_spark = review(made, address)
    if on_duckdb is None or on_spark is None:
        return 1
    if on_duckdb == on_spark:
        print(f"{len(on_duckdb.splitlines()) - 1:,} findings, the same to the byte")
        return 0
    print(differences(on_duckdb, on_spark))
    return 1


def review(records: Path, engine: str) -> str | None:
    """Findings of a review as CSV; None where it failed."""
    place = records.with_name("duckdb" if engine == "duckdb" else "spark")
    shutil.copytree(records, place / "records")
    start = time.perf_counter()
    command = [sys.executable, "-m", "plantstats", "review", place / "records", "--out", place / "out"]
    code = subprocess.run([*command, "--engine", engine], check=False).returncode
    print(f"{engine}: {time.perf_counter() - start:.0f} s" + (f", ended with {code}" if code else ""), flush=True)
    found = sorted((place / "out").glob("*/findings.csv"))
    return found[0].read_text(encoding="utf-8") if code == 0 and found else None


def differences(one: str, other: str) -> str:
    """Measures whose rows are not the same, with how many; the first rows are printed."""
    rows = pd.DataFrame({"row": [*one.splitlines(), *other.splitlines()]})
    single = rows[~rows.duplicated("row", keep=False)]
    print(*single["row"].head(FEW), sep="\n")
    counts = single["row"].str.split(",").str[0].value_counts()
    return "not the same: " + ", ".join(f"{measure} {count}" for measure, count in counts.items())


if __name__ == "__main__":
    raise SystemExit(main())
