"""How often the interval of losses still to come holds them: `python -m tests.benchmarks.losses_to_come`.

Invented companies of 200 plants over seven years, with many losses, so that each gives 24 quarters; visits, differences
between sites and the days by which the records outlive a quarter vary by design. Prints the share of quarters held,
with its limits by companies, the shares below and above, and the sums; `--seed` and `--companies` choose others.
"""

from __future__ import annotations

import argparse
import tempfile
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from plantstats import exposure
from plantstats.periods import previous_quarters, quarter
from plantstats.simulate import CompanyParams
from plantstats.validation import to_come
from plantstats.validation.coverage import covered, share_with_error
from plantstats.validation.design import VISITS
from tests.builders.invented_records import InventedRecords

PLANTS, YEARS, LAST = 200, 7, date(2026, 9, 30)
BASE_RATES, SITE_SDS, AFTER = (20.0, 40.0, 60.0), (0.2, 0.4), (0, 5, 14)


def of_company(seed: int) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    params = CompanyParams(
        base_rate=float(rng.choice(BASE_RATES)),
        site_sd=float(rng.choice(SITE_SDS)),
        visit_days=VISITS[int(rng.integers(len(VISITS)))],
        building_failure=False,
        over_dry=0.0,
    )
    with tempfile.TemporaryDirectory() as folder:
        records = InventedRecords(Path(folder), PLANTS, seed, params, YEARS)
        time = exposure.build(records, LAST, "found")
        quarters = previous_quarters(quarter("2026-Q4"), 4 * (YEARS - 1))
        rows = to_come.validate(records.true["true_plants"], quarters, time, int(rng.choice(AFTER)))
    return pd.concat(rows).assign(company=seed)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=8001)
    parser.add_argument("--companies", type=int, default=12)
    args = parser.parse_args()
    rows = pd.concat([of_company(args.seed + n) for n in range(args.companies)], ignore_index=True)
    rows = rows.assign(held=covered(rows))
    share, low, high = share_with_error(rows.groupby("company")["held"].agg(["sum", "size"]))
    print(f"{len(rows)} company-quarters of {args.companies} companies from seed {args.seed} on")
    print(
        f"held {100 * share:.1f} in 100 ({100 * low:.1f} to {100 * high:.1f}); stated {100 * rows['stated'].mean():.1f}"
    )
    above, below = (rows["true_value"] > rows["high"]).mean(), (rows["true_value"] < rows["low"]).mean()
    print(f"more came than the upper limit in {100 * above:.1f}, fewer than the lower in {100 * below:.1f}")
    print(f"estimated {rows['estimate'].sum():.0f} in all, truly {rows['true_value'].sum():.0f}")
    print(
        rows.groupby("company")[["estimate", "true_value", "held"]].agg(
            {"estimate": "sum", "true_value": "sum", "held": "mean"}
        )
    )


if __name__ == "__main__":
    main()
