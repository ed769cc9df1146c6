"""What each account leaves: fee less visits, travel and replacements, over four quarters. A management figure."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

import pandas as pd
from scipy import stats

from plantstats import exposure, findings
from plantstats.guarantee.grid import Array
from plantstats.guarantee.money import cents, units, whole
from plantstats.periods import Period, add_months, previous_quarters
from plantstats.stats.intervals import CONF_LEVEL, zero_event_limit

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.records import Records


findings.define(
    account_margin="Fee of an account less visits, travel and replacements under guarantee over four quarters, in the "
    "currency named; the interval carries the chance in the replacements only. A management figure."
)


def account_margins(records: Records, period: Period) -> pd.DataFrame:
    """Margin of each client over the four quarters that end with a quarter.

    Takes:  records with contracts; period: the last quarter.
    Gives:  one row per client with a contract: client_id, fee, labour, travel, replacements, margin (whole cents;
            margin = fee - labour - travel - replacements), low, high (95%), lost (replacements under guarantee),
            visits (site-days), no_minutes (visit lines without minutes: labour is a minimum).
    Source: interval of the replacements: gamma limits for a weighted sum of Poisson counts, Fay and Feuer 1997.
    """
    start, end = previous_quarters(period, 3)[0].start, period.end
    owner = records.table("sites").set_index("site_id")["client_id"]
    fee = _fees(records, start, end)
    time = exposure.build(records, period.last_day)
    visits = _visits(time, owner, start)
    paid = _replacements(time, start, end, records.settings.wage_per_hour)
    usual = float(paid["cents"].mean()) if len(paid) else 0.0
    rows = []
    for client, charged in sorted(fee.items()):
        own = visits[visits["client_id"].eq(client)]
        labour = whole(float(own["minutes"].fillna(0).sum()) / 60 * records.settings.wage_per_hour * 100)
        days = len(own.drop_duplicates(["at_site", "visited_on"]))
        costs = paid.loc[paid["client_id"].eq(client), "cents"].to_numpy(dtype="float64")
        low, high = gamma_limits(costs, usual)
        kept = charged - labour - days * cents(records.settings.visit_cost)
        rows.append(
            {
                "client_id": client,
                "fee": charged,
                "labour": labour,
                "travel": days * cents(records.settings.visit_cost),
                "replacements": int(costs.sum()),
                "margin": kept - int(costs.sum()),
                "low": kept - high,
                "high": kept - low,
                "lost": len(costs),
                "visits": days,
                "no_minutes": int(own["minutes"].isna().sum()),
            }
        )
    columns = [
        "client_id",
        "fee",
        "labour",
        "travel",
        "replacements",
        "margin",
        "low",
        "high",
        "lost",
        "visits",
        "no_minutes",
    ]
    return pd.DataFrame(rows, columns=columns)


def gamma_limits(amounts: Array, usual: float = float("nan"), level: float = CONF_LEVEL) -> tuple[float, float]:
    """Limits of the expected sum of amounts whose number is a Poisson count.

    Takes:  the amounts (each one event); usual: what an event costs elsewhere, for where there was none; level.
    Gives:  lower, upper; no event is not no risk: without any, from 0 to the exact Poisson limit times `usual`.
    Source: Fay and Feuer 1997, Statistics in Medicine 16:791; with equal amounts the exact Poisson limits.
    """
    if not len(amounts):
        return 0.0, zero_event_limit(level) * usual
    tail, total, variance, largest = (1 - level) / 2, amounts.sum(), (amounts**2).sum(), amounts.max()
    if not total:
        return 0.0, 0.0
    low = stats.gamma.ppf(tail, total**2 / variance, scale=variance / total)
    more, wider = total + largest, variance + largest**2
    return float(low), float(stats.gamma.ppf(1 - tail, more**2 / wider, scale=wider / more))


def margin_findings(margins: pd.DataFrame, period: Period, currency: str) -> pd.DataFrame:
    """Findings of `account_margins`."""
    return findings.table(
        [
            findings.finding(
                "account_margin",
                f"four quarters to {period.name}",
                units(row["margin"]),
                row["low"] / 100,
                row["high"] / 100,
                unit=currency,
                method="gamma limits of the replacements (Fay and Feuer 1997)",
                losses=row["lost"],
                level=CONF_LEVEL,
                client_id=row["client_id"],
                note=f"{row['no_minutes']} visit lines without minutes" if row["no_minutes"] else "",
            )
            for row in margins.to_dict("records")
        ]
    )


def _fees(records: Records, start: date, end: date) -> dict[str, int]:
    """Fees of each client's contracts, part months by days."""
    out: dict[str, float] = {}
    months = [start]
    while months[-1] < end:
        months.append(add_months(start, len(months)))
    for row in records.table("contracts").to_dict("records"):
        first = row["starts_on"].date()
        last = end if pd.isna(row["ends_on"]) else row["ends_on"].date() + timedelta(days=1)
        share = sum(max(0, (min(last, b, end) - max(first, a)).days) / (b - a).days for a, b in pairwise(months))
        fee = 0.0 if pd.isna(row["monthly_fee"]) else float(row["monthly_fee"])
        out[row["client_id"]] = out.get(row["client_id"], 0.0) + share * fee
    return {client: cents(round(fee, 6)) for client, fee in out.items()}


def _visits(time: PlantTime, owner: pd.Series, start: date) -> pd.DataFrame:
    """Completed lines of the visit log from a day on, with the client of the site where they were written."""
    done = time.query(
        "select at_site, visited_on, minutes from completed_visits where visited_on >= $start", {"start": start}
    )
    return done.assign(client_id=done["at_site"].map(owner))


def _replacements(time: PlantTime, start: date, end: date, wage_per_hour: float) -> pd.DataFrame:
    """Replacements under guarantee, each with the client who held the plant's site when it was lost."""
    done = time.exits[time.exits["source"].eq("replacements")]
    inside = done["replaced_on"].between(pd.Timestamp(start), pd.Timestamp(end) - pd.Timedelta(days=1))
    rows = done[inside & done["covered"].eq("guaranteed")]
    labour = rows["labour_minutes"].fillna(0).astype("float64") / 60 * wage_per_hour
    amount = [cents(p) + whole(100 * w) for p, w in zip(rows["plant_cost"].fillna(0), labour, strict=True)]
    return rows.assign(cents=amount)
