"""Exact distribution of 5,000 positions over 36 months against 10,000 simulations of the same positions.

Run: python -m tests.benchmarks.guarantee [--simulations 10000]. Both sides use the same monthly chances of loss by age
and calendar month (48 classes of positions), in one process, one after the other, three rounds; the medians are
printed with their ratio, and whether both agree. No input files.
"""

from __future__ import annotations

import argparse
import statistics
import time
from datetime import date

import numpy as np

from plantstats.guarantee import distribution, renewal, time_grid
from tests.builders.renewal import replacements

CLASSES, POSITIONS, MONTHS = 48, 5_000, 36
START, END = date(2026, 10, 1), date(2029, 10, 1)


def monthly_hazards() -> np.ndarray:
    """Classes x months of age x calendar months: invented."""
    rng = np.random.default_rng(1)
    base = rng.uniform(0.06, 0.35, CLASSES) / 12
    age = np.where(np.arange(MONTHS) < 3, 2.0, 1.0)
    cycle = 1 + 0.3 * np.cos(2 * np.pi * np.arange(12) / 12)
    return base[:, None, None] * age[None, :, None] * cycle


def probabilities(hazards: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Monthly probabilities of loss, first plants and successors: a plant lost in a month is replaced at its end."""
    month = (START.month - 1 + np.arange(MONTHS)) % 12
    first = hazards[:, np.arange(MONTHS), month]
    age = np.arange(MONTHS)[None, :] - np.arange(MONTHS)[:, None] - 1
    later = np.where(age >= 0, hazards[:, np.maximum(age, 0), month[None, :]], 0.0)
    return renewal.loss_probabilities(first)[0], renewal.loss_probabilities(later)[0]


def exact(hazards: np.ndarray, quantity: np.ndarray) -> distribution.Distribution:
    """The whole distribution of the number of replacements."""
    pmf = replacements(*probabilities(hazards)).pmf
    return distribution.total_cost(pmf[None], quantity, np.ones(CLASSES, dtype="int64"))[0]


def simulate(hazards: np.ndarray, quantity: np.ndarray, runs: int, seed: int) -> np.ndarray:
    """Numbers of replacements, position by position and month by month, as fast as plain numpy goes: one flat table
    look-up, one comparison and two in-place updates of the ages per month, single precision, no allocation."""
    rng = np.random.default_rng(seed)
    base = np.repeat(np.arange(CLASSES, dtype="int32"), quantity) * MONTHS
    dies = [
        np.ascontiguousarray(-np.expm1(-hazards[:, :, (START.month - 1 + month) % 12]), dtype="float32").ravel()
        for month in range(MONTHS)
    ]
    chance, drawn = np.empty(POSITIONS, dtype="float32"), np.empty(POSITIONS, dtype="float32")
    gone, at = np.empty(POSITIONS, dtype="bool"), np.empty(POSITIONS, dtype="int32")
    totals = np.empty(runs, dtype="int64")
    for run in range(runs):
        at[:] = base
        lost = 0
        for table in dies:
            np.take(table, at, out=chance, mode="clip")
            rng.random(dtype="float32", out=drawn)
            np.less(drawn, chance, out=gone)
            lost += np.count_nonzero(gone)
            at += 1
            np.copyto(at, base, where=gone)
        totals[run] = lost
    return totals


def main() -> None:
    """Time both, print medians, ratio and agreement."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--simulations", type=int, default=10_000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--seed", type=int, default=2)
    given = parser.parse_args()
    hazards = monthly_hazards()
    quantity = np.full(CLASSES, POSITIONS // CLASSES)
    quantity[: POSITIONS % CLASSES] += 1
    assert time_grid.monthly_grid(START, END).steps == MONTHS
    ours, theirs = [], []
    for _ in range(given.rounds):
        begin = time.perf_counter()
        cost = exact(hazards, quantity)
        ours.append(time.perf_counter() - begin)
        begin = time.perf_counter()
        totals = simulate(hazards, quantity, given.simulations, given.seed)
        theirs.append(time.perf_counter() - begin)
    fast, slow = statistics.median(ours), statistics.median(theirs)
    error = totals.std(ddof=1) / np.sqrt(given.simulations)
    print(
        f"exact: {fast:.3f} s; mean {cost.mean:.4f}, sd {cost.sd:.2f}, 80% {cost.quantile(0.8)}, "
        f"95% {cost.quantile(0.95)}"
    )
    print(
        f"{given.simulations} simulations: {slow:.2f} s; mean {totals.mean():.2f} (se {error:.2f}), "
        f"sd {totals.std(ddof=1):.2f}, 80% {np.quantile(totals, 0.8):.0f}, 95% {np.quantile(totals, 0.95):.0f}"
    )
    print(f"ratio {slow / fast:.0f}; means differ by {abs(cost.mean - totals.mean()) / error:.1f} standard errors")


if __name__ == "__main__":
    main()
