"""What deliveries still have to lose, in plants and in money, by the chain ladder: a cross-check of the provision.

A management estimate. What is booked, and how, is for an accountant to decide.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.guarantee.roll_forward import cost_of
from plantstats.losses.deliveries import PUT_IN, first_day, quarter_number
from plantstats.periods import Period, quarter_of
from plantstats.stats.chain_ladder import FEWEST_ROWS, ChainLadder, TriangleError, mack
from plantstats.stats.intervals import CONF_LEVEL

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime

METHOD = "chain ladder of deliveries (Mack 1993)"
STEPS = (1, 2, 4)  # quarters a row: the first at which each row begins with something


class RunOff(NamedTuple):
    """A projected triangle of deliveries.

    Attributes
    ----------
    fit : ChainLadder
    rows : list of str
        Names of the deliveries, the oldest first: a quarter, or the first and last of several.
    step : int
        Quarters a row and an age.
    plants : list of int
        Plants put in, a number for each row.
    """

    fit: ChainLadder
    rows: list[str]
    step: int
    plants: list[int]


def lost_of_deliveries(time: PlantTime, period: Period, wage_per_hour: float) -> pd.DataFrame:
    """Losses of the plants put in since the records began.

    Parameters
    ----------
    time : PlantTime
        With losses dated "found".
    period : Period
        The quarter up to whose end is counted.
    wage_per_hour : float

    Returns
    -------
    pandas.DataFrame
        One row per loss: installed_on, lost_on, plants (number), cost (of the replacement where we paid it; 0 else).
    """
    born = time.query(PUT_IN, {"end": period.end})[["plant_id", "installed_on"]]
    lost = time.losses.merge(born, on="plant_id")
    lost = lost[lost["lost_on"] < pd.Timestamp(period.end)]
    ours = lost["covered"].eq("guaranteed") & lost["source"].ne("plants")
    cost = cost_of(lost, wage_per_hour).where(ours, 0) / 100
    return lost.assign(plants=lost["quantity"].astype("float64"), cost=cost)[
        ["installed_on", "lost_on", "plants", "cost"]
    ]


def put_in_by_quarter(time: PlantTime, period: Period, fiscal_year_starts: int) -> pd.DataFrame:
    """Plants put in since the records began, by quarter.

    Parameters
    ----------
    time : PlantTime
    period : Period
        The last quarter that counts.
    fiscal_year_starts : int
        Month in which the fiscal year starts.

    Returns
    -------
    pandas.DataFrame
        cohort (number of the quarter), plants.
    """
    rows = time.query(PUT_IN, {"end": period.end})
    rows["cohort"] = quarter_number(rows["installed_on"], fiscal_year_starts)
    return rows.groupby("cohort")["n_entered"].sum().rename("plants").reset_index()


def project(
    lost: pd.DataFrame, put_in: pd.DataFrame, amount: str, period: Period, fiscal_year_starts: int = 1
) -> RunOff:
    """Project what deliveries have lost so far.

    Parameters
    ----------
    lost : pandas.DataFrame
        As `lost_of_deliveries`.
    put_in : pandas.DataFrame
        cohort (number of the quarter), plants.
    amount : {"plants", "cost"}
        What is added up.
    period : Period
        The last quarter that counts.
    fiscal_year_starts : int
        Month in which the fiscal year starts.

    Returns
    -------
    RunOff

    Raises
    ------
    TriangleError
        Where no step of a quarter, two or four leaves three rows that each begin with a loss.

    Notes
    -----
    Rows and ages have one step, counted back from the last quarter; quarters before the first whole row are left out.
    """
    last = int(quarter_number(pd.Series([pd.Timestamp(period.start)]), fiscal_year_starts).iloc[0])
    cohort, quarter = (quarter_number(lost[c], fiscal_year_starts).to_numpy() for c in ("installed_on", "lost_on"))
    first = int(put_in["cohort"].min()) if len(put_in) else last + 1
    for step in STEPS:
        n = (last - first + 1) // step
        row, block = n - 1 - (last - cohort) // step, n - 1 - (last - quarter) // step
        inside = row >= 0
        amounts = np.zeros((n, n))
        np.add.at(amounts, (row[inside], (block - row)[inside]), lost[amount].to_numpy("float64")[inside])
        if n < FEWEST_ROWS or (amounts[:, 0] <= 0).any():
            continue
        known = np.add.outer(np.arange(n), np.arange(n)) < n
        single = lost.loc[lost[amount] > 0, amount].to_numpy("float64")
        unit = float((single**2).sum() / single.sum())
        fit = mack(np.where(known, amounts.cumsum(axis=1), np.nan), unit)
        of_row = n - 1 - (last - put_in["cohort"].to_numpy()) // step
        plants = np.bincount(of_row[of_row >= 0], put_in["plants"].to_numpy()[of_row >= 0], minlength=n)
        names = [_name(last - step * (n - 1 - i) - step + 1, step, fiscal_year_starts) for i in range(n)]
        return RunOff(fit, names, step, [int(number) for number in plants])
    raise TriangleError(
        f"{lost[amount].gt(0).sum()} losses of plants put in since the records began: too few for a projection, "
        f"which wants {FEWEST_ROWS} deliveries that each lost some from the start"
    )


def _name(number: int, step: int, fiscal_year_starts: int) -> str:
    ends = [quarter_of(first_day(n, fiscal_year_starts), fiscal_year_starts).name for n in (number, number + step - 1)]
    return ends[0] if step == 1 else " to ".join(ends)


def run_off_findings(lost: pd.DataFrame, put_in: pd.DataFrame, period: Period, start: int, unit: str) -> pd.DataFrame:
    """Findings on what deliveries still have to lose.

    Parameters
    ----------
    lost : pandas.DataFrame
        As `lost_of_deliveries`.
    put_in : pandas.DataFrame
        cohort, plants.
    period : Period
        The last quarter that counts.
    start : int
        Month in which the fiscal year starts.
    unit : str
        Currency.

    Returns
    -------
    pandas.DataFrame
        Findings: run_off_plants (losses to come) and run_off_cost (guaranteed replacements to come), in all and by
        delivery, with limits; run_off_triangle_plants and run_off_triangle_cost, by delivery and age (the term, in
        steps of the triangle), cumulative, projected counts with a note. Not available, with the reason, where losses
        are too few.
    """
    parts = []
    for amount, name, of in (("plants", "run_off_plants", "plants"), ("cost", "run_off_cost", unit)):
        try:
            parts += _findings(project(lost, put_in, amount, period, start), name, period, of)
        except TriangleError as fault:
            row = pd.DataFrame({"estimate": [np.nan], "note": [f"not available: {fault}"]})
            parts.append(findings.rows(row, name, period=period.name, unit=of, method=METHOD))
    return findings.table(pd.concat(parts, ignore_index=True))


def _findings(of: RunOff, name: str, period: Period, unit: str) -> list[pd.DataFrame]:
    fit, n = of.fit, len(of.rows)
    total = fit.limits()
    note = f"{n} deliveries of {3 * of.step} months each"
    whole = pd.DataFrame({column: values for column, values in total._asdict().items()})
    rows = pd.DataFrame({"quarter": of.rows, "n_plants": of.plants, "estimate": fit.reserve})
    counts = pd.DataFrame(
        [(i, k, fit.full[i, k], "" if i + k < n else "projected") for i in range(n) for k in range(n)],
        columns=["row", "age", "estimate", "note"],
    )
    counts = counts.assign(
        quarter=[of.rows[i] for i in counts["row"]],
        term=counts["age"].astype("str"),
        n_plants=[of.plants[i] for i in counts["row"]],
    )
    shared: dict[str, Any] = {"period": period.name, "unit": unit, "method": METHOD, "conf_level": CONF_LEVEL}
    return [
        findings.rows(whole.assign(note=note, n_plants=sum(of.plants)), name, **shared),
        findings.rows(rows, name, by=["quarter"], **shared),
        findings.rows(counts, name.replace("run_off_", "run_off_triangle_"), by=["quarter", "term"], **shared),
    ]
