"""The truth about an invented company's plants, sites and quarters, as tables."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats.simulate.causes import CAUSE_OF, OUTCOME_OF
from plantstats.simulate.layout import Layout
from plantstats.simulate.log import RISK_COLUMNS, Log
from plantstats.simulate.params import LIGHTS, CompanyParams
from plantstats.simulate.tables import as_dates, as_text, plant_ids


def true_plants(layout: Layout, params: CompanyParams, end: pd.DataFrame) -> pd.DataFrame:
    """Plants as they truly were, one row each.

    Parameters
    ----------
    layout : Layout
        What stands where on the first day.
    params : CompanyParams
        Parameters of the simulation, all known.
    end : pandas.DataFrame
        Plants as they truly were, as `tables.ends` gives them.

    Returns
    -------
    pandas.DataFrame
        Real planting day, first day under the records, real day and kind of its end (missing: still standing), days
        at risk, days of them with topsoil left dry, group, site effect, and the number of swaps under its label
        that nobody wrote down.
    """
    losing = end["code"].map(OUTCOME_OF)
    return pd.DataFrame(
        {
            "plant_id": as_text(plant_ids(np.arange(len(end)))),
            "species": as_text([params.species[i].name for i in end["species"]]),
            "group": as_text([params.species[i].group for i in end["species"]]),
            "site_id": as_text(layout.sites["site_id"].to_numpy()[end["site"]]),
            "site_effect": layout.sites["effect"].to_numpy()[end["site"]],
            "light": as_text(np.array(LIGHTS, dtype=object)[end["light"]]),
            "planted_on": as_dates(layout, end["planted"]),
            "known_from": as_dates(layout, end["known"]),
            "ended_on": as_dates(layout, end["lost"]),
            "found_on": as_dates(layout, end["found"]),
            "bad_place": end["bad_place"].astype("boolean"),
            "outcome": as_text(losing),
            "cause": as_text(end["code"].map(CAUSE_OF)),
            "plant_days": end["at_risk"].astype("Int64"),
            "over_dry_days": end["dry"].astype("Int64"),
            "silent_swaps": end["silent"].fillna(0).astype("Int64"),
        }
    )


def true_sites(layout: Layout) -> pd.DataFrame:
    """Sites as they truly are, one row each: effect, humidified or not, mean humidity by season.

    Parameters
    ----------
    layout : Layout
        What stands where on the first day.

    Returns
    -------
    pandas.DataFrame
    """
    s = layout.sites
    return pd.DataFrame(
        {
            "site_id": as_text(s["site_id"]),
            "effect": s["effect"],
            "visit_days": s["visit_days"].astype("Int64"),
            "humidified": s["humidified"].astype("boolean"),
            "heated_humidity": layout.humidity[:, layout.heated].mean(axis=1) if layout.heated.any() else np.nan,
            "open_humidity": layout.humidity[:, ~layout.heated].mean(axis=1) if (~layout.heated).any() else np.nan,
        }
    )


def true_quarters(layout: Layout, params: CompanyParams, log: Log) -> pd.DataFrame:
    """True risk of each plant in each calendar quarter (two rows where it was moved within one).

    Parameters
    ----------
    layout : Layout
        What stands where on the first day.
    params : CompanyParams
        Parameters of the simulation, all known.
    log : Log
        What happened, day by day.

    Returns
    -------
    pandas.DataFrame
        plant_id, quarter (its first day), site_id and light then held, species, plant_days, over_dry_days,
        expected_losses (the true hazard added up over those days; the building failure is not in it).

    Notes
    -----
    Of any group, sum(expected_losses) / sum(plant_days) is the true rate that a loss rate estimates, whatever acted.
    Days lie on the true end, not on the day on which it was found.
    """
    columns = [np.concatenate(part) for part in zip(*log.risk, strict=True)]
    r = pd.DataFrame(dict(zip(RISK_COLUMNS, columns, strict=True)))
    r = r[r["plant_days"] > 0].sort_values(["plant", "quarter"], kind="stable", ignore_index=True)
    species = np.array([p["species"] for p in log.plants])[r["plant"].astype(int)]
    start = pd.to_datetime({"year": r["quarter"] // 4, "month": r["quarter"] % 4 * 3 + 1, "day": 1})
    return pd.DataFrame(
        {
            "plant_id": as_text(plant_ids(r["plant"])),
            "quarter": start.astype("datetime64[us]"),
            "site_id": as_text(layout.sites["site_id"].to_numpy()[r["site"].astype(int)]),
            "light": as_text(np.array(LIGHTS, dtype=object)[r["light"].astype(int)]),
            "species": as_text(np.array([s.name for s in params.species], dtype=object)[species]),
            "plant_days": r["plant_days"].astype("Int64"),
            "over_dry_days": r["over_dry_days"].astype("Int64"),
            "expected_losses": r["expected_losses"],
        }
    )
