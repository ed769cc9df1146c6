"""Run lengths of the weekly chart at the sizes of companies, by simulated counts beside the Markov chain.

    python -m tests.benchmarks.early_warning

400 companies by 10 years of weekly counts for each size and dispersion; 13.5 losses per 100 plant-years, one false
alarm in five years. Prints a table for DEVELOPERS.md; fails where simulation and chain differ by more than a fifth.
"""

from __future__ import annotations

import sys

import numpy as np
import pandas as pd

from plantstats.stats import cusum
from plantstats.stats.rates import DAYS_PER_100_YEARS
from plantstats.surveillance import charts

RATE, SIZES, DISPERSIONS, COMPANIES, WEEKS = 13.5, (400, 2_000, 20_000), (1.0, 2.0), 400, 520
SEED = 32


def simulated(mean: float, design: charts.Design, truth: float, rng: np.random.Generator) -> tuple[int, float]:
    """Alarms of all companies, and the mean number of weeks until the first."""
    usual, raised = (cusum.CountDistribution(one * mean, design.dispersion) for one in (1.0, design.ratio))
    true = cusum.CountDistribution(truth * mean, design.dispersion)
    values, alarms, first = np.zeros(COMPANIES), 0, np.full(COMPANIES, np.nan)
    for week in range(WEEKS):
        scores = cusum.log_likelihood_ratio(true.sample(COMPANIES, rng), usual, raised)
        values = np.maximum(values + scores, 0.0)
        signal = values >= design.threshold
        alarms += int(signal.sum())
        first[signal & np.isnan(first)] = week + 1
        values[signal] = 0.0
    return alarms, float(np.nanmean(first))


def main() -> int:
    """Print the table; 1 where simulation and chain differ."""
    rng, rows = np.random.Generator(np.random.PCG64(SEED)), []
    for plants in SIZES:
        mean = plants * 7 * RATE / DAYS_PER_100_YEARS
        for phi in DISPERSIONS:
            design = charts.design(np.array([mean]), phi, 0.0, charts.weeks_of_share(5, "", [""]), only_doubled=False)
            alarms, _ = simulated(mean, design, 1.0, rng)
            rows.append(
                {
                    "plants": plants,
                    "dispersion": phi,
                    "for": design.ratio,
                    "false alarms a year": alarms / (COMPANIES * WEEKS / charts.WEEKS_PER_YEAR),
                    "stated": charts.WEEKS_PER_YEAR / design.weeks_between,
                    "half more": simulated(mean, design, 1.5, rng)[1],
                    "half more, chain": design.weeks_to_half_more,
                    "doubled": simulated(mean, design, 2.0, rng)[1],
                    "doubled, chain": design.weeks_to_doubled,
                }
            )
    table = pd.DataFrame(rows).set_index(["plants", "dispersion"])
    print(table.round(3).to_string())
    pairs = (("false alarms a year", "stated"), ("half more", "half more, chain"), ("doubled", "doubled, chain"))
    wrong = any((table[a] / table[b] - 1).abs().max() > 0.2 for a, b in pairs)
    return int(wrong)


if __name__ == "__main__":
    sys.exit(main())
