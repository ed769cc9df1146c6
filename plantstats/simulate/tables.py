"""Turn the log of the invented company into its tables, as its office would have them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats.simulate import names
from plantstats.simulate.causes import CAUSE_OF, OUTCOME_OF
from plantstats.simulate.layout import PLANT_COST, POT_CM, REGIONS, SETTINGS, Layout
from plantstats.simulate.log import Log
from plantstats.simulate.params import LIGHTS, PLANTERS, CompanyParams

CURRENCY = "EUR"
COVERED_CAUSES = "all"
NOT_COVERED = ("theft", "client_action", "building_failure")


def plant_ids(numbers: np.ndarray | pd.Series) -> np.ndarray:
    """Labels of plants by their number in the order of coming, from 0.

    Parameters
    ----------
    numbers : numpy.ndarray or pandas.Series
        Numbers of plants in the order of coming, from 0.

    Returns
    -------
    numpy.ndarray of str
    """
    return np.array([f"P{int(i) + 1:05d}" for i in numbers], dtype=object)


def as_dates(layout: Layout, days: pd.Series | np.ndarray) -> pd.Series:
    """Dates of day numbers, missing where the number is.

    Parameters
    ----------
    layout : Layout
        What stands where on the first day.
    days : pandas.Series or numpy.ndarray
        Day numbers, from 0.

    Returns
    -------
    pandas.Series of datetime64[us]
    """
    whole = pd.array(np.asarray(pd.Series(days), dtype=float), dtype="Float64").astype("Int64")
    return (pd.Timestamp(layout.first) + pd.to_timedelta(pd.Series(whole), unit="D")).astype("datetime64[us]")


def as_text(values: object) -> pd.Series:
    """Text, missing as NaN.

    Parameters
    ----------
    values : array_like

    Returns
    -------
    pandas.Series
    """
    return pd.Series(values, dtype=object).astype("str")


def sites(layout: Layout) -> pd.DataFrame:
    """Sites, one row each.

    Parameters
    ----------
    layout : Layout
        What stands where on the first day.

    Returns
    -------
    pandas.DataFrame
        Canonical columns.
    """
    s = layout.sites
    clients = names.client_names(int(s["client"].max()) + 1)
    access = names.access_notes(len(s))
    return pd.DataFrame(
        {
            "site_id": as_text(s["site_id"]),
            "site_name": as_text(names.site_names(s["setting"].to_list())),
            "client_id": as_text(s["client_id"]),
            "client_name": as_text([clients[i] for i in s["client"]]),
            "address": as_text(names.addresses(len(s))),
            "access_note": as_text([note or None for note in access]),
            "region": as_text([REGIONS[i] for i in s["region"]]),
            "setting": as_text([SETTINGS[i] for i in s["setting"]]),
            "planned_visit_days": s["visit_days"].astype("Int64"),
            "observed_from": as_dates(layout, s["opened"]),
        }
    )


def contracts(layout: Layout, rng: np.random.Generator) -> pd.DataFrame:
    """Contracts and the terms of their guarantees, one row per site.

    Parameters
    ----------
    layout : Layout
        What stands where on the first day.
    rng : numpy.random.Generator
        Source of chance; the same state gives the same result.

    Returns
    -------
    pandas.DataFrame
        Canonical columns.
    """
    s = layout.sites
    months = np.array([12, 24, 36])[np.searchsorted((0.5, 0.8), rng.random(s["client"].max() + 1))][s["client"]]
    visits = 30.4 / s["visit_days"].to_numpy()
    fee = np.round(s["size"].to_numpy() * (3.0 + 1.1 * visits) * rng.uniform(0.9, 1.15, len(s)) + 10 * visits)
    ended, before = s["closed"] < layout.days, rng.integers(30, 1500, len(s))
    return pd.DataFrame(
        {
            "client_id": as_text(s["client_id"]),
            "site_id": as_text(s["site_id"]),
            "starts_on": as_dates(layout, s["opened"] - (s["opened"] == 0) * before),
            "ends_on": as_dates(layout, s["closed"].where(ended)),
            "monthly_fee": fee,
            "currency": as_text([CURRENCY] * len(s)),
            "months": pd.array(months, dtype="Int64"),
            "covered_causes": as_text([COVERED_CAUSES] * len(s)),
            "cap": pd.array(np.where(months > 12, 2, 1), dtype="Int64"),
            "excluded": as_text([" ".join(NOT_COVERED)] * len(s)),
        }
    )


def ends(log: Log) -> pd.DataFrame:
    """Plants as they truly were, one row each: when it came and under what, its end, when that was found.

    Parameters
    ----------
    log : Log
        What happened, day by day.

    Returns
    -------
    pandas.DataFrame
        Columns as in the plants of the log.
    """
    columns = ["position", "site", "species", "light", "pot", "pot_cm", "planter", "planted", "known", "lost"]
    columns += [
        "code",
        "declined",
        "at_risk",
        "dry",
        "found",
        "removed",
        "replace",
        "replaced_by",
        "silent",
        "bad_place",
    ]
    return pd.DataFrame(log.plants, columns=columns)


def plants(
    layout: Layout, params: CompanyParams, end: pd.DataFrame, terms: pd.DataFrame, rng: np.random.Generator
) -> pd.DataFrame:
    """Plants, one row each, with site, position and light as they were when it came.

    Parameters
    ----------
    layout : Layout
        What stands where on the first day.
    params : CompanyParams
        Parameters of the simulation, all known.
    end : pandas.DataFrame
        Plants as they truly were, as `tables.ends` gives them.
    terms : pandas.DataFrame
        Rows of `contracts`.
    rng : numpy.random.Generator
        Source of chance; the same state gives the same result.

    Returns
    -------
    pandas.DataFrame
        Canonical columns.
    """
    n = len(end)
    u = rng.random((6, n))
    species = end["species"].to_numpy()
    kinds = [params.species[i].name for i in species]
    setting = layout.sites["setting"].to_numpy()[end["site"]]
    cultivar = [
        c[int(x * 2 * len(c))] if c and x < 0.5 else None
        for c, x in zip([params.species[i].cultivars for i in species], u[0], strict=True)
    ]
    inherited = end["planted"] < layout.sites["opened"].to_numpy()[end["site"]]
    known = ~(inherited & (u[1] < 0.30)).to_numpy()
    cost = [float(PLANT_COST[p][POT_CM[p].index(c)]) for p, c in zip(end["pot"], end["pot_cm"], strict=True)]
    planted = end["planted"].where(known)
    months = terms["months"].astype(int).to_numpy()[end["site"]]
    client_owned = u[2] < 0.25
    batch = end["planted"].to_numpy() // 30
    return pd.DataFrame(
        {
            "plant_id": as_text(plant_ids(np.arange(n))),
            "site_id": as_text(layout.sites["site_id"].to_numpy()[end["site"]]),
            "position": as_text(end["position"]),
            "room": as_text([names.room(p, s) for p, s in zip(end["position"], setting, strict=True)]),
            "species": as_text(kinds),
            "common_name": as_text([names.COMMON.get(kind) for kind in kinds]),
            "cultivar": as_text(cultivar),
            "pot_cm": end["pot_cm"].astype("float64"),
            "height_cm": np.rint(end["pot_cm"] * (2.2 + 2.6 * u[3]) / 5) * 5,
            "light": as_text(pd.Series(np.array(LIGHTS, dtype=object)[end["light"]]).mask(u[4] < 0.04)),
            "planter": as_text([PLANTERS[i] for i in end["planter"]]),
            "installed_on": as_dates(layout, planted),
            "removed_on": as_dates(layout, end["removed"]),
            "removal_reason": as_text(end["code"].where(end["removed"].notna(), None)),
            "guarantee_until": as_dates(layout, planted + np.rint(months * 30.4375)),
            "ownership": as_text(np.where(client_owned, "client", "company")),
            "supplier_batch": as_text(
                [f"B{b:04d}" if b >= 0 and x < 0.9 else None for b, x in zip(batch + 100, u[5], strict=True)]
            ),
            "cost": cost,
        }
    )


def replacements(layout: Layout, end: pd.DataFrame, plant: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Replaced plants, one row each, by day; `cause` and `outcome` are ours, `cause_text` is theirs.

    Parameters
    ----------
    layout : Layout
        What stands where on the first day.
    end : pandas.DataFrame
        Plants as they truly were, as `tables.ends` gives them.
    plant : pandas.DataFrame
        Rows of `plants`.
    rng : numpy.random.Generator
        Source of chance; the same state gives the same result.

    Returns
    -------
    pandas.DataFrame
        Canonical columns.
    """
    done = end["replaced_by"].notna()
    e, p = end[done], plant[done]
    cause, outcome = e["code"].map(CAUSE_OF), e["code"].map(OUTCOME_OF)
    found_on, replaced_on = as_dates(layout, e["found"]), as_dates(layout, e["removed"])
    in_time = found_on.to_numpy() <= p["guarantee_until"].to_numpy()
    covered = np.where(in_time & ~cause.isin(NOT_COVERED).to_numpy(), "guaranteed", "chargeable")
    covered = np.where((outcome == "withdrawn").to_numpy(), "chargeable", covered)
    covered = np.where((cause == "upgrade").to_numpy(), "upgrade", covered)
    covered = np.where((cause == "rotation").to_numpy(), "rotation", covered)
    noted = rng.random(len(e)) >= 0.05
    frame = pd.DataFrame(
        {
            "plant_id": p["plant_id"].to_numpy(),
            "replaced_on": replaced_on.to_numpy(),
            "found_on": found_on.where(noted).to_numpy(),
            "cause": as_text(cause).to_numpy(),
            "cause_text": as_text(e["code"]).to_numpy(),
            "outcome": as_text(outcome).to_numpy(),
            "replaced_by": as_text(plant_ids(e["replaced_by"])).to_numpy(),
            "covered": as_text(covered).to_numpy(),
            "plant_cost": plant["cost"].to_numpy()[e["replaced_by"].astype(int)],
            "labour_minutes": pd.array(np.rint(12 + 0.9 * e["pot_cm"] * rng.uniform(0.6, 1.4, len(e))), dtype="Int64"),
        }
    )
    return frame.sort_values(["replaced_on", "plant_id"], kind="stable", ignore_index=True)


def moves(layout: Layout, log: Log) -> pd.DataFrame:
    """Moves, one row each, in order of the day.

    Parameters
    ----------
    layout : Layout
        What stands where on the first day.
    log : Log
        What happened, day by day.

    Returns
    -------
    pandas.DataFrame
        Canonical columns.
    """
    m = pd.DataFrame(log.moves, columns=["plant", "day", "site", "label", "light", "crossed"])
    frame = pd.DataFrame(
        {
            "plant_id": as_text(plant_ids(m["plant"])),
            "moved_on": as_dates(layout, m["day"]),
            "to_site_id": as_text(layout.sites["site_id"].to_numpy()[m["site"].astype(int)]),
            "to_position": as_text(m["label"]),
            "to_light": as_text(np.array(LIGHTS, dtype=object)[m["light"].astype(int)]),
        }
    )
    return frame.sort_values(["moved_on", "plant_id"], kind="stable", ignore_index=True)


def readings(layout: Layout, rng: np.random.Generator) -> pd.DataFrame:
    """Readings of loggers at a few sites: two rows a day, at 06:00 and 14:00.

    Parameters
    ----------
    layout : Layout
        What stands where on the first day.
    rng : numpy.random.Generator
        Source of chance; the same state gives the same result.

    Returns
    -------
    pandas.DataFrame
        Canonical columns.
    """
    s = layout.sites
    chosen = np.flatnonzero((s["opened"] == 0) & (s["closed"] >= layout.days) & (s["size"] >= 8))
    chosen = chosen[: max(2, len(s) // 60)]
    parts = []
    for site in chosen.tolist():
        day = np.repeat(np.arange(layout.days), 2)
        hour = np.tile([6, 14], layout.days)
        humidity = layout.humidity[site, day] + np.where(hour == 6, 1.5, -1.5) + rng.normal(0, 1.0, len(day))
        warmth = layout.temperature[site, day] + np.where(hour == 6, -1.0, 1.0) + rng.normal(0, 0.2, len(day))
        parts.append(
            pd.DataFrame(
                {
                    "site_id": s["site_id"].iloc[site],
                    "read_at": (pd.Timestamp(layout.first) + pd.to_timedelta(day * 24 + hour, unit="h")).astype(
                        "datetime64[us]"
                    ),
                    "rh_percent": np.round(humidity, 1),
                    "temp_c": np.round(warmth, 1),
                    "position": "lobby",
                }
            )
        )
    if not parts:
        return pd.DataFrame(
            {
                "site_id": as_text([]),
                "read_at": pd.Series([], dtype="datetime64[us]"),
                "rh_percent": [],
                "temp_c": [],
                "position": as_text([]),
            }
        )
    frame = pd.concat(parts, ignore_index=True)
    return frame.astype({"site_id": "str", "position": "str"})
