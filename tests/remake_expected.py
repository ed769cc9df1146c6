"""Make the stored findings of the demo's latest complete quarter again, when a change of them is meant."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from plantstats import exposure, records, studies
from plantstats.losses import loss_rates

HERE = Path(__file__).parent
EXPECTED = HERE / "expected" / "demo_2026-Q3_loss_rates.csv"


def demo_findings() -> pd.DataFrame:
    """Findings of the demo's review of 2026-Q3."""
    loaded = records.load(HERE.parent / "data_demo")
    period = studies.choose_quarter(loaded, "2026-Q3")
    return loss_rates.loss_rates(exposure.build(loaded, period.last_day), loaded, period)


if __name__ == "__main__":
    EXPECTED.parent.mkdir(exist_ok=True)
    demo_findings().to_csv(EXPECTED, index=False, lineterminator="\n")
