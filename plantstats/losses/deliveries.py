"""Deliveries: of the plants put in together, how many should stand by now and how many do, and which were bad stock."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from plantstats.losses import rate_table, terms
from plantstats.losses.model import LossModel
from plantstats.periods import Period, add_months, quarter_of

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime

OUTCOMES = ("losses", "client_exits", "withdrawn")
# Plants that came under the records on the day they were put in: of those taken over later, the dead were never listed.
PUT_IN = """
    select plant_id, n_entered, (date '1970-01-01' + installed::int)::date as installed_on from spans
    where exclusion_reason is null and installed is not null and entry_day <= installed
      and (date '1970-01-01' + installed::int) < $end
"""
BATCHES = "select plant_id, any_value(supplier_batch) as supplier_batch from plants group by plant_id"


class Deliveries(NamedTuple):
    """Plants put in, by quarter and batch, and what became of them up to the end of a quarter.

    Attributes
    ----------
    put_in : pandas.DataFrame
        One row per quarter and batch: cohort (number of the quarter), supplier_batch (missing: not recorded), plants.
    counts : pandas.DataFrame
        One row per quarter, batch and later quarter: cohort, supplier_batch, period (number of the later quarter),
        plant_days, losses, client_exits, withdrawn, expected (losses, by the model of all plants, scaled to their
        total).
    last : int
        Number of the quarter up to whose end was counted.
    fiscal_year_starts : int
        Month in which quarters are counted from.
    """

    put_in: pd.DataFrame
    counts: pd.DataFrame
    last: int
    fiscal_year_starts: int

    def name(self, number: int) -> str:
        """Name of a quarter by its number.

        Parameters
        ----------
        number : int
            As `quarter_number` counts.

        Returns
        -------
        str
        """
        return quarter_of(first_day(number, self.fiscal_year_starts), self.fiscal_year_starts).name

    def by(self, column: str) -> pd.DataFrame:
        """Plants put in, and what became of them, by quarter or by batch.

        Parameters
        ----------
        column : {"cohort", "supplier_batch"}
            Rows without it are left out.

        Returns
        -------
        pandas.DataFrame
            One row each: the column, plants, plant_days, losses, others (taken out alive, or by the client), expected,
            standing, should_stand.
        """
        sums = self.counts.groupby(column)[["plant_days", *OUTCOMES, "expected"]].sum()
        rows = self.put_in.groupby(column)["plants"].sum().to_frame().join(sums).fillna(0.0).reset_index()
        rows["others"] = rows["client_exits"] + rows["withdrawn"]
        left = rows["plants"] - rows["others"]
        return rows.assign(standing=left - rows["losses"], should_stand=left - rows["expected"])


def quarter_number(days: pd.Series, fiscal_year_starts: int) -> pd.Series:
    """Quarters counted from the year 0, so that the next one is one more.

    Parameters
    ----------
    days : pandas.Series of datetime64
        Days.
    fiscal_year_starts : int
        Month in which the fiscal year starts.

    Returns
    -------
    pandas.Series of int

    Examples
    --------
    >>> quarter_number(pd.Series(pd.to_datetime(["2026-09-30", "2026-10-01"])), 1).tolist()
    [8106, 8107]
    """
    return (days.dt.year * 12 + days.dt.month - fiscal_year_starts) // 3


def first_day(number: int, fiscal_year_starts: int) -> date:
    """First day of a quarter by its number.

    Parameters
    ----------
    number : int
        As `quarter_number` counts.
    fiscal_year_starts : int
        Month in which the fiscal year starts.

    Returns
    -------
    datetime.date

    Examples
    --------
    >>> str(first_day(8106, 1))
    '2026-07-01'
    """
    return add_months(date(1, 1, 1), 3 * number + fiscal_year_starts - 1 - 12)


def deliveries(time: PlantTime, model: LossModel, period: Period, fiscal_year_starts: int) -> Deliveries:
    """Follow the plants put in each quarter, and work out what they should have lost.

    Parameters
    ----------
    time : PlantTime
        With losses dated "found", without those of events.
    model : LossModel
        Of the same records: it knows kinds, places, ages and seasons, and nothing of deliveries.
    period : Period
        The quarter up to whose end is counted.
    fiscal_year_starts : int
        Month in which the fiscal year starts.

    Returns
    -------
    Deliveries

    Notes
    -----
    Expected losses are the model's rate times the plants' own days, given when each left (Berry 1983, Biometrics
    39:173). They are scaled so that all plants together should have lost what they lost: each delivery is compared with
    the others.
    """
    by = ", ".join(f"e.{column}" for column in terms.EXPOSURE_BY)
    sums = ", ".join(f"sum(e.{c})::double as {c}" for c in ("plant_days", *OUTCOMES, "rh_tenths", "rh_readings"))
    rows = time.query(
        f"""with put_in as ({PUT_IN}), batches as ({BATCHES})
        select date_trunc('month', p.installed_on)::date as installed, b.supplier_batch, {by}, {sums}
        from episodes e left join put_in p using (plant_id) left join batches b using (plant_id)
        where e.month < $end and e.plant_days > 0 group by all order by all""",
        {"end": period.end},
    )
    rows = rows[model.knows(rows)].reset_index(drop=True)
    effect, _ = model.effects_of(rows["site_id"])
    rows["expected"] = np.exp(model.matrix(rate_table.conditions(rows)) @ model.beta) * rows["plant_days"] * effect
    total = rows["expected"].sum()
    rows["expected"] *= rows["losses"].sum() / total if total > 0 else 1.0
    followed = rows[rows["installed"].notna()].assign(
        cohort=lambda f: quarter_number(f["installed"], fiscal_year_starts).astype("int64"),
        period=lambda f: quarter_number(f["month"], fiscal_year_starts).astype("int64"),
    )
    kept = ["plant_days", *OUTCOMES, "expected"]
    counts = followed.groupby(["cohort", "supplier_batch", "period"], dropna=False)[kept].sum().reset_index()
    put_in = time.query(
        f"""with put_in as ({PUT_IN}), batches as ({BATCHES})
        select date_trunc('month', installed_on)::date as installed, supplier_batch, sum(n_entered)::bigint as plants
        from put_in left join batches using (plant_id) group by all order by all""",
        {"end": period.end},
    )
    put_in["cohort"] = quarter_number(put_in["installed"], fiscal_year_starts).astype("int64")
    put_in = put_in.groupby(["cohort", "supplier_batch"], dropna=False)["plants"].sum().reset_index()
    last = int(quarter_number(pd.Series([pd.Timestamp(period.start)]), fiscal_year_starts).iloc[0])
    return Deliveries(put_in, counts, last, fiscal_year_starts)
