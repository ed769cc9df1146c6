"""Findings stored before the house was rebuilt, and the comparison that names each difference.

    python -m tests.golden_findings            # make every case again and compare with what is stored
    python -m tests.golden_findings --remake   # store anew, when a change is meant (say why in CHANGELOG.md)
    python -m tests.golden_findings demo quote # only these cases

The invented companies are made by the generator of this checkout; their digests are stored too, so that a change of
the generator is told apart from a change of the findings.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

ROOT = Path(__file__).parents[1]
STORE = Path(__file__).parent / "golden"
DEMO = ROOT / "data_demo"
COMPANY = ("--plants", "1000", "--years", "3")
TOLERANCE = 1e-8  # relative: the order of sums may change, nothing that a page shows
NUMBERS = ("n_plants", "plant_days", "losses", "estimate", "low", "high")
# Measures, groupings (columns) and values of terms that have another name since the findings were stored: old -> new.
RENAMED: dict[str, str] = {}


def command(*arguments: str) -> None:
    """Run the program of this checkout, one thread of linear algebra a process.

    Exit code 1 of a review means that a page said in its place why it could not be made: its findings count.
    """
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "PYTHONPATH": str(Path.cwd())}
    allowed = {0, 1} if arguments[0] == "review" else {0}
    started = [sys.executable, "-m", "plantstats", *arguments]
    run = subprocess.run(started, check=False, env=environment, stdout=sys.stderr)
    if run.returncode not in allowed:
        raise SystemExit(f"plantstats {' '.join(arguments)}: exit code {run.returncode}")


def company(folder: Path, seed: int, *more: str) -> Path:
    """An invented company of a thousand plants over three years."""
    command("demo", str(folder), *COMPANY, "--seed", str(seed), *more)
    return folder


def reviewed(records: Path, out: Path, *more: str) -> None:
    """The quarterly review of a folder."""
    command("review", str(records), "--out", str(out), *more)


def worked_example(out: Path, _work: Path) -> None:
    reviewed(DEMO / "worked_example", out, "--quarter", "2025-Q1", "--as-of", "2025-03-31")


def without_visits(out: Path, work: Path) -> None:
    company(work / "records", 23)
    (work / "records" / "visits.csv").unlink()
    reviewed(work / "records", out)


def quote(out: Path, _work: Path) -> None:
    listed = DEMO / "quote"
    command(
        "quote",
        str(listed / "list.csv"),
        "--records",
        str(DEMO),
        "--terms",
        str(listed / "terms.toml"),
        "--as-of",
        "2026-09-30",
        "--out",
        str(out),
    )


CASES = {
    "demo": lambda out, _work: reviewed(DEMO, out, "--quarter", "2026-Q3"),
    "worked_example": worked_example,
    "company": lambda out, work: reviewed(company(work / "records", 21), out),
    "company_with_faults": lambda out, work: reviewed(company(work / "records", 22, "--faults"), out),
    "without_visits": without_visits,
    "quote": quote,
}


def make(case: str) -> tuple[pd.DataFrame, str]:
    """Findings of one case, and the digest of the records that it made."""
    with tempfile.TemporaryDirectory() as name:
        out, work = Path(name) / "out", Path(name) / "work"
        work.mkdir()
        CASES[case](out, work)
        inputs = hashlib.sha256()
        for path in sorted(work.rglob("*.csv")):
            inputs.update(path.read_bytes())
        file = max(out.rglob("findings.parquet"))  # of a quote, not of the offer made beside it
        return pd.read_parquet(file), inputs.hexdigest()


def compare(stored: pd.DataFrame, now: pd.DataFrame) -> list[str]:
    """Differences between two findings tables, a line each; notes and methods are words and do not count."""
    known = {*NUMBERS, "conf_level", "unit", "method", "note"}
    key = [c for c in [*stored.columns, *now.columns.difference(stored.columns)] if c not in known] + ["unit"]
    frames = [frame.reindex(columns=frame.columns.union(key)) for frame in (stored, now)]
    keyed = []
    for frame in frames:
        text = frame[key].astype("str").fillna("all").agg(" / ".join, axis=1)
        order = text.groupby(text).cumcount()
        keyed.append(frame.set_index(text + order.map(lambda n: f" #{n}" if n else "")))
    before, after = keyed
    lines = [f"gone: {name}" for name in before.index.difference(after.index)]
    lines += [f"new: {name}" for name in after.index.difference(before.index)]
    both = before.index.intersection(after.index)
    for column in NUMBERS:
        a, b = (frame.loc[both, column].to_numpy("float64", na_value=np.nan) for frame in (before, after))
        bad = ~np.isclose(a, b, rtol=TOLERANCE, atol=1e-12, equal_nan=True)
        lines += [f"{column}: {name}: {x!r} -> {y!r}" for name, x, y in zip(both[bad], a[bad], b[bad], strict=True)]
    return lines


def main() -> int:
    """Make, store or compare."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("cases", nargs="*", metavar="CASE", help=f"of {', '.join(CASES)}")
    parser.add_argument("--remake", action="store_true", help="store what is made now")
    parser.add_argument("--store", type=Path, default=STORE)
    chosen = parser.parse_args()
    index_file = chosen.store / "index.json"
    index = json.loads(index_file.read_text(encoding="utf-8")) if index_file.is_file() else {}
    worst = 0
    for case in chosen.cases or CASES:
        now, inputs = make(case)
        if chosen.remake:
            chosen.store.mkdir(exist_ok=True)
            now.to_parquet(chosen.store / f"{case}.parquet", index=False, compression="zstd")
            index[case] = {"inputs": inputs, "rows": len(now)}
            index_file.write_text(json.dumps(index, indent=1, sort_keys=True) + "\n", encoding="utf-8")
            print(f"{case}: {len(now)} rows stored")
            continue
        stored = pd.read_parquet(chosen.store / f"{case}.parquet").rename(columns=RENAMED)
        lines = compare(stored.replace(RENAMED), now)
        if index[case]["inputs"] != inputs:
            lines.insert(0, "the records themselves differ: the generator has changed")
        print(f"{case}: {len(now)} rows, {len(lines)} differences")
        for line in lines[:200]:
            print("  " + line)
        worst = max(worst, len(lines))
    return 1 if worst else 0


if __name__ == "__main__":
    sys.exit(main())
