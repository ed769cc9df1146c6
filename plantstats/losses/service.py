"""What a client got: plants in place and their state, replacements, and the air that the plants stood in."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import pandas as pd

from plantstats import findings

if TYPE_CHECKING:
    from plantstats.periods import Period

GOOD = 4  # condition scores from here on are good (5: show quality, 4: good; common practice, no source)
RECENT = 92  # days: an older score says nothing about the quarter's end
DRY_BANDS_BELOW = 40


def service(standing: pd.DataFrame, air: pd.DataFrame, period: Period, as_of: date) -> pd.DataFrame:
    """Findings on what a client got.

    Parameters
    ----------
    standing : pandas.DataFrame
        As `exposure.standing.standing`, of the client or all.
    air : pandas.DataFrame
        Plant-days of the quarter by site_id and rh_band, of the same.
    period : Period
        The quarter.
    as_of : datetime.date
        The last day that counts.

    Returns
    -------
    pandas.DataFrame
        Findings: plants_in_place, plants_scored and plants_in_good_condition in all and by site, dry_air_share by site.
    """
    parts = []
    for by in ([], ["site_id"]):
        groups = standing.groupby(by) if by else [((), standing)]
        rows = []
        for name, plants in groups:
            scored = plants[plants["scored_on"].ge(pd.Timestamp(as_of) - pd.Timedelta(days=RECENT))]
            good, of = scored.loc[scored["condition"].ge(GOOD), "plants"].sum(), int(scored["plants"].sum())
            rows.append(
                {**dict(zip(by, name, strict=True)), "n_plants": int(plants["plants"].sum()), "good": good, "of": of}
            )
        counts = pd.DataFrame(rows, columns=[*by, "n_plants", "good", "of"])
        place = counts.assign(estimate=counts["n_plants"].astype("float64"))
        parts.append(findings.rows(place, "plants_in_place", period=period.name, by=by, unit="plants", method="count"))
        scored = counts.assign(estimate=counts["of"].astype("float64"))
        parts.append(findings.rows(scored, "plants_scored", period=period.name, by=by, unit="plants", method="count"))
        share = counts.assign(
            estimate=100 * counts["good"].astype("float64") / counts["of"].where(counts["of"] > 0),
            note=[
                f"{good} of {of} scored" if of else "not available: none scored"
                for good, of in zip(counts["good"], counts["of"], strict=True)
            ],
        )
        parts.append(
            findings.rows(
                share, "plants_in_good_condition", period=period.name, by=by, unit="% of plants", method="count"
            )
        )
    air = air[air["rh_band"].ne("missing")]
    dry = air["rh_band"].astype("int64").lt(DRY_BANDS_BELOW)
    days = (
        air.assign(dry=air["plant_days"].where(dry, 0)).groupby("site_id", as_index=False)[["plant_days", "dry"]].sum()
    )
    days = days.assign(estimate=100 * days["dry"] / days["plant_days"])
    parts.append(
        findings.rows(days, "dry_air_share", period=period.name, by=["site_id"], unit="% of days", method="count")
    )
    return findings.table(pd.concat(parts, ignore_index=True))
