"""What each account leaves: fee less visits, travel and replacements, over four quarters. A management figure."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import special

from plantstats import exposure, findings
from plantstats.guarantee.in_force import GuaranteeError
from plantstats.guarantee.money import cents, whole
from plantstats.guarantee.roll_forward import cost_of
from plantstats.guarantee.time_grid import Array
from plantstats.periods import Period, add_months, previous_quarters
from plantstats.stats.intervals import CONF_LEVEL, zero_event_limit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from plantstats.exposure import PlantTime
    from plantstats.records import Records

CLIENTS, SITES = ["client_id"], ["client_id", "site_id"]
COLUMNS = ["fee", "labour", "travel", "replacements", "margin", "low", "high"]
COLUMNS += ["lost", "visits", "no_minutes", "n_plants", "note"]


PARTS = ("fee", "labour", "travel", "replacements")
VISITS = ["minutes", "no_minutes", "n_days"]


def account_margins(records: Records, period: Period, by: Sequence[str] = CLIENTS) -> pd.DataFrame:
    """Margin of each client, or of each of its sites, over the four quarters that end with a quarter.

    Parameters
    ----------
    records : Records
        With contracts.
    period : Period
        The last quarter.
    by : sequence of str
        `CLIENTS` or `SITES`.

    Returns
    -------
    pandas.DataFrame
        One row per client with a contract, or per site of such a client: client_id (and site_id), fee, labour, travel,
        replacements, margin (whole cents; margin = fee - labour - travel - replacements), low, high (95%), lost
        (replacements under guarantee), visits (site-days), no_minutes (visit lines without minutes: labour is a
        minimum), n_plants (at risk with it in the four quarters), note. Where a contract is in another currency, or a
        site's fee is part of a contract for several sites, fee, margin, low and high are missing, and the note says so.

    Notes
    -----
    A replacement belongs to the client who held the plant when it was lost. A contract line that stands twice is
    counted once, and named. Amounts of other currencies are never added and never converted.

    References
    ----------
    Interval of the replacements: gamma limits for a weighted sum of Poisson counts, Fay and Feuer 1997.
    """
    by = list(by)
    start, end = previous_quarters(period, 3)[0].start, period.end
    time = exposure.build(records, period.last_day, dated="found")
    n_plants = time.exposure_table(by, start, end).set_index(by)["n_plants"]
    contracts, notes = _contracts(records)
    fee = _fees(contracts, start, end, by)
    visits = _visits(time, records.table("sites").set_index("site_id")["client_id"], start)
    paid = _replacements(time, records.settings.wage_per_hour, start, end)
    usual = float(paid["cents"].mean()) if len(paid) else 0.0
    amounts = {key: each.to_numpy(dtype="float64") for key, each in paid.groupby(by)["cents"]}
    sums = visits.groupby(by)[VISITS].sum().reset_index()
    visits_of = {tuple(key): of for *key, of in zip(*(sums[name] for name in by), sums[VISITS].to_numpy(), strict=True)}
    with_contract = set(contracts["client_id"])
    accounts = set(fee) | {key for key in visits_of if by == SITES and key[0] in with_contract}
    rows = []
    for account in sorted(accounts):
        minutes, no_minutes, n_days = visits_of.get(account, (0.0, 0, 0))
        labour = whole(float(minutes) / 60 * records.settings.wage_per_hour * 100)
        travel = int(n_days) * cents(records.settings.visit_cost)
        costs = amounts.get(account, np.zeros(0))
        low, high = gamma_limits(costs, usual)
        charged = fee.get(account, 0)
        if by == SITES and not charged and not n_days and not len(costs):
            continue  # left before the four quarters began
        before = charged - labour - travel
        replaced = int(costs.sum())
        margin = (before - replaced, before - high, before - low)
        at_risk = n_plants.get(account if by == SITES else account[0], 0)
        counts = (len(costs), int(n_days), int(no_minutes), int(at_risk))
        rows.append(
            (*account, charged, labour, travel, replaced, *margin, *counts, "; ".join(notes.get(account[0], [])))
        )
    table = pd.DataFrame(rows, columns=[*by, *COLUMNS])
    unknown = table["client_id"].isin(contracts.loc[contracts["is_foreign"], "client_id"])
    if by == SITES:
        shared = table["client_id"].isin(contracts.loc[contracts["site_id"].isna(), "client_id"])
        table["note"] = table["note"].mask(shared & ~unknown, "not available: its contract is for several sites")
        table, unknown = table[table["site_id"].notna()], unknown | shared
    of_fee = ("fee", "margin", "low", "high")
    return table.assign(**{name: table[name].astype("Float64").mask(unknown) for name in of_fee})


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
    low = special.gammaincinv(total**2 / variance, tail) * (variance / total)
    more, wider = total + largest, variance + largest**2
    return float(low), float(special.gammaincinv(more**2 / wider, 1 - tail) * wider / more)


def findings_of(margins: pd.DataFrame, period: Period, currency: str, by: Sequence[str] = CLIENTS) -> pd.DataFrame:
    """Findings of `account_margins`: what is left by client, or by site, its parts, and by client also in all.

    Parameters
    ----------
    margins : pandas.DataFrame
        As `account_margins` gives them.
    period : Period
        The quarter, half-open.
    currency : str
        Such as "EUR".
    by : sequence of str
        As in `account_margins`.

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
    total = known[["margin", *PARTS]].sum().to_frame().T if by == CLIENTS else known.head(0)
    total = total.assign(note=f"without {left_out} accounts of other currencies" if left_out else "")
    shared: dict[str, Any] = {"period": f"four quarters to {period.name}", "unit": currency, "by": list(by)}
    gamma = "gamma limits of the replacements (Fay and Feuer 1997)"
    parts = [
        findings.rows(rows, "account_margin", method=gamma, conf_level=CONF_LEVEL, estimate=rows["margin"], **shared)
    ]
    of_record = pd.concat([rows[[*by, "note", *PARTS]], total], ignore_index=True)
    parts += [
        findings.rows(of_record, f"account_{part}", method="sum", estimate=of_record[part], **shared) for part in PARTS
    ]
    in_all = total.assign(client_id=None)
    if by == CLIENTS:
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


def _fees(contracts: pd.DataFrame, start: date, end: date, by: Sequence[str]) -> dict[tuple[Any, ...], int]:
    """Fees of each account's contracts, part months by days; those for several sites under no site."""
    fees: dict[tuple[Any, ...], float] = {}
    months = [start]
    while months[-1] < end:
        months.append(add_months(start, len(months)))
    for row in contracts.to_dict("records"):
        first = row["starts_on"].date()
        last = end if pd.isna(row["ends_on"]) else row["ends_on"].date() + timedelta(days=1)
        share = sum(max(0, (min(last, b, end) - max(first, a)).days) / (b - a).days for a, b in pairwise(months))
        fee = 0.0 if pd.isna(row["monthly_fee"]) else float(row["monthly_fee"])
        account = tuple(row[name] for name in by)
        fees[account] = fees.get(account, 0.0) + share * fee
    return {account: cents(round(fee, 6)) for account, fee in fees.items() if not any(map(pd.isna, account))}


def _visits(time: PlantTime, owner: pd.Series, start: date) -> pd.DataFrame:
    """Completed lines of the visit log from a day on, by site where they were written, and its client.

    Gives minutes, lines without minutes, and days at a site.
    """
    query = """
        select at_site as site_id, sum(minutes)::double as minutes, sum((minutes is null)::int)::bigint as no_minutes,
               count(distinct visited_on) as n_days
        from completed_visits where visited_on >= $start group by at_site order by at_site"""
    done = time.query(query, {"start": start})
    return done.fillna({"minutes": 0.0}).assign(client_id=done["site_id"].map(owner))


def _replacements(time: PlantTime, wage_per_hour: float, start: date, end: date) -> pd.DataFrame:
    """Replacements under guarantee, with the client who held the plant when it was lost, and their cost."""
    done = time.exits[time.exits["source"].eq("replacements") & time.exits["covered"].eq("guaranteed")]
    rows = done[done["replaced_on"].between(pd.Timestamp(start), pd.Timestamp(end) - pd.Timedelta(days=1))]
    return rows.assign(cents=cost_of(rows, wage_per_hour))
