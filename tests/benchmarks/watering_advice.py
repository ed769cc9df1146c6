"""What following the interval advice costs, over many invented companies whose truth is known.

    python -m tests.benchmarks.watering_advice [companies, default 100] [seed, default 8] [workers, default 2]

The companies are those that the proving ground puts to its watering page (same seed, same companies). Each is written
to files, read back, learned from and advised on as in the report; the cost of what is advised is then worked out by
the truth and set against the best interval that full knowledge could choose, beside leaving things as they are and
weekly visits everywhere. An interval that is cheaper only because it lets too many plants stand dry saves nothing here.
Prints means over companies with 95% intervals (t), the worst company, and seconds per company.
"""

from __future__ import annotations

import multiprocessing
import os
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

from plantstats import records, simulate
from plantstats.validation import decisions, true_values
from plantstats.validation.companies import AS_OF
from plantstats.validation.design import case
from plantstats.watering.advice import advise
from plantstats.watering.estimation import DryingError
from plantstats.watering.fit import fit_watering

WORDS = {"advised": "the advice", "now": "as now", "weekly": "weekly everywhere"}
PROMISE = 0.05


def numbers(companies: int, seed: int) -> list[int]:
    """The first so many companies of the proving ground that are put to the watering page."""
    found, number = [], 0
    while len(found) < companies:
        if case(seed, number).extra == "watering":
            found.append(number)
        number += 1
    return found


def one(seed: int, number: int) -> dict[str, float] | str:
    """One company: excess cost of each way, changes, and seconds; or why its page is not made."""
    began, worked, made = time.perf_counter(), time.process_time(), case(seed, number)
    with tempfile.TemporaryDirectory() as folder:
        written = simulate.make(folder, made.plants, made.years, made.seed, made.params)
        known = true_values.KnownCompany(made.params, written.frames())
        loaded = records.load(Path(folder))
        try:
            model = fit_watering(loaded, AS_OF)
        except DryingError as fault:
            return f"company {number:>4}: no advice ({fault})"
        advice = advise(model, loaded, heating=True, with_ways_out=False)
        if advice is None:
            raise SystemExit(f"company {number} of seed {seed}: no plant stands on {AS_OF}")
        sites = decisions.by_site(model, advice, loaded, known)
    return {
        "number": number,
        **{way: decisions.excess(sites, way) for way in WORDS},
        "sites": len(sites),
        "changed": int(sites["changed"].sum()),
        "needless": int((sites["changed"] & sites["should_stay"]).sum()),
        "too_dry": int(sites["too_dry"].sum()),
        "seconds": time.perf_counter() - began,
        "processor": time.process_time() - worked,
    }


def report(found: pd.DataFrame) -> str:
    """Means over companies with their intervals, in lines."""
    n, lines = len(found), []
    for way, words in WORDS.items():
        excess = found[way].to_numpy()
        reach = stats.t.ppf(0.975, n - 1) * excess.std(ddof=1) / np.sqrt(n) if n > 1 else np.nan
        lines.append(
            f"{words:<20} {100 * excess.mean():6.2f}% above the best (95% interval "
            f"{100 * (excess.mean() - reach):.2f} to "
            f"{100 * (excess.mean() + reach):.2f}; worst company {100 * excess.max():.2f}%; {n} companies)"
        )
    sums = found[["sites", "changed", "needless", "too_dry"]].sum().astype(int)
    lines.append(
        f"{sums['changed']} of {sums['sites']} sites were advised a change; {sums['needless']} of these could as well "
        "have "
        f"stayed, {sums['too_dry']} were lengthened although too many plants then truly stand too dry"
    )
    seconds = found[["seconds", "processor"]].mean()
    lines.append(f"{seconds['seconds']:.1f} s per company and worker, {seconds['processor']:.1f} s of processor time")
    lines.append(f"ratio, as now / the advice: {found['now'].mean() / max(found['advised'].mean(), 1e-9):.1f}")
    kept = found["advised"].mean() <= PROMISE
    lines.append(f"promise of at most {100 * PROMISE:.0f}% above the best on average: {'kept' if kept else 'BROKEN'}")
    return "\n".join(lines)


def main(companies: int = 100, seed: int = 8, workers: int = 2) -> None:
    """Run all companies in fresh processes, one thread each."""
    os.environ.update(dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1"))
    began, asked = time.perf_counter(), numbers(companies, seed)
    with ProcessPoolExecutor(workers, multiprocessing.get_context("spawn")) as pool:
        rows = []
        for row in pool.map(one, [seed] * len(asked), asked):
            if isinstance(row, str):
                print(row, flush=True)
                continue
            rows.append(row)
            print(
                f"company {row['number']:>4}: "
                + ", ".join(f"{words} {100 * row[way]:.2f}%" for way, words in WORDS.items())
                + f", {row['seconds']:.1f} s",
                flush=True,
            )
    print(report(pd.DataFrame(rows)))
    print(f"{time.perf_counter() - began:.0f} seconds in all with {workers} workers")


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:4]))
