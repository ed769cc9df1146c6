"""What the replacements of a period cost, by who pays."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.losses.rate_findings import losses_in
from plantstats.periods import Period

PAYERS = ("guaranteed", "chargeable", "other")
AMOUNTS = ("plant_cost", "labour_minutes")
NOT_REPLACED = "not_replaced"  # removed for good: nobody paid for a plant in its place


def replacement_costs(losses: pd.DataFrame, period: Period, *, wage_per_hour: float, currency: str) -> pd.DataFrame:
    """Add up the cost of replacements, in all and by who pays.

    Parameters
    ----------
    losses : pandas.DataFrame
        One row per loss row: lost_on (those inside the period count), source ("replacements", or "plants" for a removal
        without a replacement row), covered, quantity, plant_cost (for the whole row, in `currency`), labour_minutes
        (for the whole row).
    period : Period
    wage_per_hour : float
        In `currency`.
    currency : str

    Returns
    -------
    pandas.DataFrame
        Findings: replacement_cost, one row in all, one per payer and one of the plants not replaced; losses = plants
        lost. These are recorded amounts, so they have no interval. Where amounts of a replacement are missing the sum
        is a minimum, and the note says how many rows lack one; where all are missing the cost is not available.
        rows_without_amount: rows of replacements without the plant's cost or the minutes.

    Notes
    -----
    The parts' losses and costs add up to the whole.
    """
    inside = losses_in(losses, period)
    replaced = inside[inside["source"].ne("plants")]
    payer, lost = who_pays(replaced), int(inside["quantity"].sum())
    parts = {name: replaced[payer == name] for name in PAYERS}
    rows = [amounts(replaced, wage_per_hour) | {"losses": lost}]
    rows += [amounts(part, wage_per_hour) | {"covered": name} for name, part in parts.items()]
    rows.append(
        {
            "covered": NOT_REPLACED,
            "estimate": 0.0,
            "losses": lost - int(replaced["quantity"].sum()),
            "note": "removed without a replacement on record",
        }
    )
    lacking = replaced["plant_cost"].isna() | replaced["labour_minutes"].isna()
    parts_found = [
        findings.rows(
            pd.DataFrame(rows),
            "replacement_cost",
            period=period.name,
            unit=currency,
            method="sum of recorded costs",
            by=["covered"],
        ),
        findings.rows(
            pd.DataFrame({"estimate": [float(lacking.sum())]}),
            "rows_without_amount",
            period=period.name,
            unit="rows",
            method="count",
        ),
    ]
    return findings.table(pd.concat(parts_found, ignore_index=True))


def who_pays(losses: pd.DataFrame) -> pd.Series:
    """Payer for the plant in the place of each lost one: one of PAYERS, or NOT_REPLACED.

    Parameters
    ----------
    losses : pandas.DataFrame
        Rows of `PlantTime.losses`.

    Returns
    -------
    pandas.Series
    """
    payer = losses["covered"].where(losses["covered"].isin(PAYERS), "other").astype("str")
    return payer.mask(losses["source"].eq("plants"), NOT_REPLACED)


def not_replaced(losses: pd.DataFrame, period: Period) -> pd.DataFrame:
    """Count the plants lost that were removed for good.

    Parameters
    ----------
    losses : pandas.DataFrame
        One row per loss row: lost_on (those inside the period count), source, outcome ("died" or "declined"), quantity.
    period : Period

    Returns
    -------
    pandas.DataFrame
        Findings: losses_not_replaced, and of them losses_taken_away_alive.
    """
    inside = losses_in(losses, period)
    removals = inside[inside["source"].eq("plants")]
    parts = [
        findings.rows(
            pd.DataFrame({"losses": [int(rows["quantity"].sum())]}),
            measure,
            period=period.name,
            unit="plants",
            method="count",
            estimate=float(rows["quantity"].sum()),
        )
        for measure, rows in (
            ("losses_not_replaced", removals),
            ("losses_taken_away_alive", removals[removals["outcome"].eq("declined")]),
        )
    ]
    return findings.table(pd.concat(parts, ignore_index=True))


def amounts(rows: pd.DataFrame, wage_per_hour: float) -> dict[str, object]:
    """Sum of the recorded amounts, and what it lacks.

    Parameters
    ----------
    rows : pandas.DataFrame
        One row per loss row: quantity, source, plant_cost, labour_minutes, as in `replacement_costs`; a removal
        without a replacement row costs nothing.
    wage_per_hour : float

    Returns
    -------
    dict
        estimate (missing where no amount is recorded), losses, note.
    """
    losses = int(rows["quantity"].sum())
    replaced = rows["source"].ne("plants").to_numpy(bool)
    plants, minutes = (rows[name].to_numpy("float64", na_value=np.nan)[replaced] for name in AMOUNTS)
    lacking = [
        f"{what} missing in {int(np.isnan(part).sum())} of {len(part)} rows"
        for what, part in (("plant cost", plants), ("labour", minutes))
        if np.isnan(part).any()
    ]
    known = not len(plants) or not (np.isnan(plants).all() and np.isnan(minutes).all())
    note = "; ".join([*lacking, "the sum is a minimum"]) if lacking else ""
    return {
        "estimate": float(np.nansum(plants) + np.nansum(minutes) / 60 * wage_per_hour) if known else np.nan,
        "losses": losses,
        "note": note if known else "not available: no costs recorded",
    }
