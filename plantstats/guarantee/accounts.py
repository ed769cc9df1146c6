"""What each account leaves: fee less visits, travel and replacements, over four quarters. A management figure."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import stats

from plantstats import exposure, findings
from plantstats.guarantee.in_force import GuaranteeError
from plantstats.guarantee.money import cents, whole
from plantstats.guarantee.roll_forward import cost_of
from plantstats.guarantee.time_grid import Array
from plantstats.periods import Period, add_months, previous_quarters
from plantstats.stats.intervals import CONF_LEVEL, zero_event_limit

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.records import Records

COLUMNS = ["client_id", "fee", "labour", "travel", "replacements", "margin", "low", "high"]
COLUMNS += ["lost", "visits", "no_minutes", "n_plants", "note"]


PARTS = ("fee", "labour", "travel", "replacements")


def account_margins(records: Records, period: Period) -> pd.DataFrame:
    """Margin of each client over the four quarters that end with a quarter.

    Parameters
    ----------
    records : Records
        With contracts.
    period : Period
        The last quarter.

    Returns
    -------
    pandas.DataFrame
        One row per client with a contract: client_id, fee, labour, travel, replacements, margin (whole cents; margin =
        fee - labour - travel - replacements), low, high (95%), lost (replacements under guarantee), visits (site-days),
        no_minutes (visit lines without minutes: labour is a minimum), n_plants (at risk with it in the four quarters),
        note. Where a contract is in another currency, fee, margin, low and high are missing, and the note says so.

    Notes
    -----
    A replacement belongs to the client who held the plant when it was lost. A contract line that stands twice is
    counted once, and named. Amounts of other currencies are never added and never converted.

    References
    ----------
    Interval of the replacements: gamma limits for a weighted sum of Poisson counts, Fay and Feuer 1997.
    """
    start, end = previous_quarters(period, 3)[0].start, period.end
    time = exposure.build(records, period.last_day, dated="found")
    n_plants = time.exposure_table(["client_id"], start, end).set_index("client_id")["n_plants"]
    contracts, notes = _contracts(records)
    fee = _fees(contracts, start, end)
    visits = _visits(time, records.table("sites").set_index("site_id")["client_id"], start)
    paid = _replacements(time, records.settings.wage_per_hour, start, end)
    usual = float(paid["cents"].mean()) if len(paid) else 0.0
    amounts = {client: each.to_numpy(dtype="float64") for client, each in paid.groupby("client_id")["cents"]}
    rows = []
    for client, charged in sorted(fee.items()):
        minutes, no_minutes, n_days = visits.loc[client] if client in visits.index else (0.0, 0, 0)
        labour = whole(float(minutes) / 60 * records.settings.wage_per_hour * 100)
        travel = int(n_days) * cents(records.settings.visit_cost)
        costs = amounts.get(client, np.zeros(0))
        low, high = gamma_limits(costs, usual)
        before = charged - labour - travel
        replaced = int(costs.sum())
        margin = (before - replaced, before - high, before - low)
        counts = (len(costs), int(n_days), int(no_minutes), int(n_plants.get(client, 0)))
        rows.append((client, charged, labour, travel, replaced, *margin, *counts, "; ".join(notes.get(client, []))))
    table = pd.DataFrame(rows, columns=COLUMNS)
    foreign = table["client_id"].isin(contracts.loc[contracts["is_foreign"], "client_id"])
    of_fee = ("fee", "margin", "low", "high")
    return table.assign(**{name: table[name].astype("Float64").mask(foreign) for name in of_fee})


def gamma_limits(amounts: Array, usual: float = float("nan")) -> tuple[float, float]:
    """95% limits of the expected sum of amounts whose number is a Poisson count.

    Parameters
    ----------
    amounts : numpy.ndarray
        Each one event.
    usual : float
        What an event costs elsewhere, for where there was none.

    Returns
    -------
    tuple of float
        Lower, upper; no event is not no risk: without any, from 0 to the exact Poisson limit times `usual`.

    References
    ----------
    Fay and Feuer 1997, Statistics in Medicine 16:791; with equal amounts the exact Poisson limits.

    Examples
    --------
    >>> import numpy as np
    >>> low, high = gamma_limits(np.full(10, 1.0))
    >>> round(low, 2), round(high, 2)
    (4.8, 18.39)
    """
    if not len(amounts):
        return 0.0, zero_event_limit() * usual
    tail, total, variance, largest = (1 - CONF_LEVEL) / 2, amounts.sum(), (amounts**2).sum(), amounts.max()
    if not total:
        return 0.0, 0.0
    low = stats.gamma.ppf(tail, total**2 / variance, scale=variance / total)
    more, wider = total + largest, variance + largest**2
    return float(low), float(stats.gamma.ppf(1 - tail, more**2 / wider, scale=wider / more))


def findings_of(margins: pd.DataFrame, period: Period, currency: str) -> pd.DataFrame:
    """Findings of `account_margins`: what is left by client and in all, and its parts.

    Parameters
    ----------
    margins : pandas.DataFrame
        As `account_margins` gives them.
    period : Period
        The quarter, half-open.
    currency : str
        Such as "EUR".

    Returns
    -------
    pandas.DataFrame

    Raises
    ------
    GuaranteeError
        When no client has a contract.

    Notes
    -----
    The parts are sums of what is on record, not estimates, so they carry no number of plants by which a small account
    would be withheld. Accounts of other currencies are in no total.
    """
    if margins.empty:
        raise GuaranteeError("the records hold no contract (contracts.csv): what an account pays is not known")
    minutes = [f"{n} visit lines without minutes" if n else "" for n in margins["no_minutes"]]
    notes = ["; ".join(filter(None, pair)) for pair in zip(margins["note"], minutes, strict=True)]
    amounts = {name: margins[name] / 100 for name in ("margin", "low", "high", *PARTS)}
    rows = margins.assign(losses=margins["lost"], note=notes, **amounts)
    known = rows[rows["margin"].notna()]
    left_out = len(rows) - len(known)
    total = known[["margin", *PARTS]].sum().to_frame().T
    total = total.assign(note=f"without {left_out} accounts of other currencies" if left_out else "")
    shared: dict[str, Any] = {"period": f"four quarters to {period.name}", "unit": currency, "by": ["client_id"]}
    gamma = "gamma limits of the replacements (Fay and Feuer 1997)"
    parts = [
        findings.rows(rows, "account_margin", method=gamma, conf_level=CONF_LEVEL, estimate=rows["margin"], **shared)
    ]
    of_record = pd.concat([rows[["client_id", "note", *PARTS]], total], ignore_index=True)
    parts += [
        findings.rows(of_record, f"account_{part}", method="sum", estimate=of_record[part], **shared) for part in PARTS
    ]
    in_all = total.assign(client_id=None)
    parts.append(findings.rows(in_all, "account_margin", method="sum", estimate=total["margin"], **shared))
    return findings.table(pd.concat(parts, ignore_index=True))


def _contracts(records: Records) -> tuple[pd.DataFrame, dict[str, list[str]]]:
    """Contract lines, each counted once, is_foreign for those in another currency; and by client what was decided."""
    contracts, currency = records.table("contracts"), records.settings.currency
    columns = [name for name in contracts.columns if name not in ("file", "line")]
    twice = contracts.duplicated(columns)
    is_foreign = contracts["currency"].notna() & contracts["currency"].str.upper().ne(currency)
    notes: dict[str, list[str]] = {}
    for row in contracts[twice].to_dict("records"):
        where = f"{row['file']}, line {row['line']}"
        notes.setdefault(row["client_id"], []).append(f"{where}: the same contract stands before; counted once")
    for row in contracts[is_foreign & ~twice].to_dict("records"):
        notes.setdefault(row["client_id"], []).append(
            f"not available: {row['file']}, line {row['line']}: a contract in {row['currency']}, and amounts are never "
            f"converted to {currency}"
        )
    return contracts.assign(is_foreign=is_foreign)[~twice], notes


def _fees(contracts: pd.DataFrame, start: date, end: date) -> dict[str, int]:
    """Fees of each client's contracts, part months by days."""
    fees: dict[str, float] = {}
    months = [start]
    while months[-1] < end:
        months.append(add_months(start, len(months)))
    for row in contracts.to_dict("records"):
        first = row["starts_on"].date()
        last = end if pd.isna(row["ends_on"]) else row["ends_on"].date() + timedelta(days=1)
        share = sum(max(0, (min(last, b, end) - max(first, a)).days) / (b - a).days for a, b in pairwise(months))
        fee = 0.0 if pd.isna(row["monthly_fee"]) else float(row["monthly_fee"])
        fees[row["client_id"]] = fees.get(row["client_id"], 0.0) + share * fee
    return {client: cents(round(fee, 6)) for client, fee in fees.items()}


def _visits(time: PlantTime, owner: pd.Series, start: date) -> pd.DataFrame:
    """Completed lines of the visit log from a day on, by the client of the site where they were written.

    Gives minutes, lines without minutes, and days at a site.
    """
    query = """
        select at_site, sum(minutes)::double as minutes, sum((minutes is null)::int)::bigint as no_minutes,
               count(distinct visited_on) as n_days
        from completed_visits where visited_on >= $start group by at_site order by at_site"""
    done = time.query(query, {"start": start})
    client = done["at_site"].map(owner).rename("client_id")
    return done.drop(columns="at_site").fillna({"minutes": 0.0}).groupby(client).sum()


def _replacements(time: PlantTime, wage_per_hour: float, start: date, end: date) -> pd.DataFrame:
    """Replacements under guarantee, with the client who held the plant when it was lost, and their cost."""
    done = time.exits[time.exits["source"].eq("replacements") & time.exits["covered"].eq("guaranteed")]
    rows = done[done["replaced_on"].between(pd.Timestamp(start), pd.Timestamp(end) - pd.Timedelta(days=1))]
    return rows.assign(cents=cost_of(rows, wage_per_hour))
