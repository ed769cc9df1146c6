"""The comparison with last year, with sites that have left told apart from those that stayed."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import pandas as pd

from plantstats import findings
from plantstats.losses.rate_findings import rates_by
from plantstats.periods import Period, same_quarter_last_year
from plantstats.stats import rates
from plantstats.stats.intervals import CONF_LEVEL

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime

LEFT, STAYED, NEW = GROUPS = ("sites that left", "sites that stayed", "new sites")


def same_sites(time: PlantTime, period: Period, client: str = "") -> pd.DataFrame:
    """Losses of a quarter and of the same one last year by whether the site is still looked after.

    Parameters
    ----------
    time : PlantTime
        With losses dated "found".
    period : Period
    client : str
        One client's plants, or "" for all.

    Returns
    -------
    pandas.DataFrame
        Findings: loss_rate_of_sites by term ("sites that left": plants last year and none in the last month of the
        quarter; "sites that stayed": plants then and now; "new sites": none last year), for both quarters; and
        loss_rate_ratio_same_sites of those that stayed; sites_left. None where no site has left.
    """
    where = {"client_id": client} if client else {}
    before = same_quarter_last_year(period)
    last_month = (pd.Timestamp(period.end) - pd.DateOffset(months=1)).date()
    then, now, at_end = (
        _of_sites(time, start, end, where)
        for start, end in ((before.start, before.end), (period.start, period.end), (last_month, period.end))
    )
    left = set(then.index) - set(at_end.index)
    if not left:
        return findings.table(pd.DataFrame())
    group = {site: LEFT if site in left else STAYED for site in then.index}
    parts = []
    for of, rows in ((before, then), (period, now)):
        by_group = rows.assign(term=[group.get(site, NEW) for site in rows.index])
        sums = by_group.groupby("term", as_index=False)[["n_plants", "plant_days", "losses", "died"]].sum()
        rates = rates_by(sums, ["term"], of)
        parts.append(rates[rates["measure"].eq("loss_rate")].assign(measure="loss_rate_of_sites"))
    parts.append(_ratio(parts, before, period))
    left_sites = pd.DataFrame({"estimate": [float(len(left))]})
    parts.append(findings.rows(left_sites, "sites_left", period=period.name, unit="sites", method="count"))
    return findings.table(pd.concat(parts, ignore_index=True))


def _of_sites(time: PlantTime, start: date, end: date, where: dict[str, str]) -> pd.DataFrame:
    exposure = time.exposure_table(["site_id"], start, end, where)
    return exposure[exposure["plant_days"] > 0].set_index("site_id")


def _ratio(parts: list[pd.DataFrame], before: Period, period: Period) -> pd.DataFrame:
    """Now against then, of the sites that stayed; no row where none did."""
    was, now = (part[part["term"].eq(STAYED)] for part in parts)
    if was.empty or now.empty:
        return pd.DataFrame()
    one, other = now.iloc[0], was.iloc[0]
    ratio = rates.rate_ratio(int(one["losses"]), one["plant_days"], int(other["losses"]), other["plant_days"])
    return findings.rows(
        now[["n_plants", "plant_days", "losses"]].assign(estimate=ratio.estimate, low=ratio.low, high=ratio.high),
        "loss_rate_ratio_same_sites",
        period=period.name,
        unit="ratio",
        method=rates.CONDITIONAL,
        conf_level=CONF_LEVEL,
        note=f"against {before.name}: {int(other['losses'])} at the same sites",
    )
