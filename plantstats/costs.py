"""What the replacements of a period cost, by who pays."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.periods import Period

PAYERS = ("guaranteed", "chargeable", "other")

findings.define(
    replacement_cost="Recorded cost of replacing the plants lost in the period, plants and labour, in the "
                     "company's currency; by who pays: guaranteed (the company), chargeable (the "
                     "client), other (upgrade, rotation or not recorded).",
)


def replacement_costs(
    losses: pd.DataFrame, period: Period, *, wage_per_hour: float, currency: str
) -> pd.DataFrame:
    """Add up the cost of replacements, in all and by who pays.

    Takes:  losses: one row per loss row: lost_on (those inside the period count), covered, quantity,
            plant_cost (for the whole row, in `currency`), labour_minutes (for the whole row);
            wage_per_hour in `currency`.
    Gives:  findings: replacement_cost, one row in all and one per payer; losses = plants lost. These are
            recorded amounts, so they have no interval. Where amounts are missing the sum is a minimum, and
            the note says how many rows lack one; where all are missing the cost is not available.
    Keeps:  the payers' losses and costs add up to the whole.
    """
    inside = losses[
        (losses["lost_on"] >= pd.Timestamp(period.start)) & (losses["lost_on"] < pd.Timestamp(period.end))
    ]
    payer = inside["covered"].where(inside["covered"].isin(PAYERS), "other").astype("str")
    whole = _cost(inside, period, wage_per_hour, currency)
    parts = [
        _cost(inside[payer == name], period, wage_per_hour, currency) | {"covered": name} for name in PAYERS
    ]
    return findings.table([whole, *parts])


def _cost(rows: pd.DataFrame, period: Period, wage_per_hour: float, currency: str) -> dict[str, object]:
    plants, minutes = rows["plant_cost"].astype("float64"), rows["labour_minutes"].astype("float64")
    lacking = [
        f"{what} missing in {int(part.isna().sum())} of {len(rows)} rows"
        for what, part in (("plant cost", plants), ("labour", minutes)) if part.isna().any()
    ]
    known = bool(plants.notna().any()) or bool(minutes.notna().any()) or rows.empty
    if not known:
        note = "not available: no costs recorded"
    else:
        note = "; ".join([*lacking, "the sum is a minimum"]) if lacking else ""
    return findings.finding(
        "replacement_cost", period.name,
        float(plants.sum() + minutes.sum() / 60 * wage_per_hour) if known else np.nan,
        unit=currency, method="sum of recorded costs", losses=int(rows["quantity"].sum()), note=note,
    )
