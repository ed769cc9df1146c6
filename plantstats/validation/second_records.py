"""The records that the second invented company keeps: ids of places, reporting lag at both ends, its own settings."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from plantstats.validation.second_days import SecondCompany
from plantstats.validation.second_layout import BANDS, PLANTERS, POT_CM, SPECIES

SETTINGS = """\
company = "Second invented company"
currency = "EUR"
wage_per_hour = 24.0
visit_cost = 18.0
small_group = 5

[heating_season]
starts = "10-01"
ends = "05-01"
"""
COST = (18.0, 35.0, 80.0, 160.0)  # of a plant, by pot


def plant_ids(company: SecondCompany) -> np.ndarray:
    """Tag of each place, which stays when its plant is replaced.

    Parameters
    ----------
    company : SecondCompany
        A company of the second generator.

    Returns
    -------
    numpy.ndarray
    """
    of = company.layout
    number = np.arange(len(of.site)) - np.searchsorted(of.site, of.site)
    return np.array([f"S{site + 1:03d}-{n + 1:02d}" for site, n in zip(of.site, number, strict=True)])


def write(company: SecondCompany, folder: Path) -> None:
    """Write the records of the company into a folder.

    Parameters
    ----------
    company : SecondCompany
    folder : pathlib.Path
        Made when absent. It then holds sites, plants, visits, replacements, contracts as CSV, and records.toml.
    """
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.Generator(np.random.PCG64(np.random.SeedSequence([company.params.seed, 3])))
    tables = {
        "sites": _sites(company),
        "plants": _plants(company, rng),
        "visits": _visits(company, rng),
        "replacements": _replacements(company, rng),
        "contracts": _contracts(company),
    }
    for name, table in tables.items():
        table.to_csv(folder / f"{name}.csv", index=False)
    (folder / "records.toml").write_text(SETTINGS, encoding="utf-8")


def _on(company: SecondCompany, day: pd.Series | np.ndarray) -> pd.Series:
    """Days as dates; a day may lie before the first that was run."""
    days = pd.to_timedelta(np.asarray(day, dtype=float), unit="D")
    return pd.Series(company.dates[0] + days).dt.strftime("%Y-%m-%d")


def _sites(company: SecondCompany) -> pd.DataFrame:
    n = np.arange(len(company.layout.every))
    return pd.DataFrame(
        {
            "site_id": [f"S{site + 1:03d}" for site in n],
            "client_id": [f"C{site // 2 + 1:03d}" for site in n],
            "region": [f"route {site % 4 + 1}" for site in n],
            "planned_visit_days": company.layout.every,
            "observed_from": company.dates[company.day0].strftime("%Y-%m-%d"),
        }
    )


def _plants(company: SecondCompany, rng: np.random.Generator) -> pd.DataFrame:
    of, ids = company.layout, plant_ids(company)
    installed = _on(company, company.installed).where(rng.random(len(ids)) > 0.3, "")
    closed = company.closed[of.site]
    # Half of the sites that leave are only noted as contracts that ended.
    noted = (closed >= 0) & (of.site % 2 == 0)
    return pd.DataFrame(
        {
            "plant_id": ids,
            "site_id": [i.split("-")[0] for i in ids],
            "position": ids,
            "species": [SPECIES[s].name for s in of.species],
            "pot_cm": np.array(POT_CM)[of.pot],
            "light": np.array(BANDS)[of.band],
            "planter": np.array(PLANTERS)[of.planter],
            "installed_on": installed.to_numpy(),
            "removed_on": _on(company, closed).where(noted, "").to_numpy(),
            "removal_reason": np.where(noted, "lease_end", ""),
            "cost": np.array(COST)[of.pot],
        }
    )


def _visits(company: SecondCompany, rng: np.random.Generator) -> pd.DataFrame:
    ids, of, parts = plant_ids(company), company.layout, []
    for visit in company.visits:
        if visit["day"] < company.day0:
            continue
        place = visit["place"]
        dead = visit["condition"] == 1
        parts.append(
            pd.DataFrame(
                {
                    "visited_on": company.dates[visit["day"]].strftime("%Y-%m-%d"),
                    "plant_id": ids[place],
                    "technician": [f"T{site % 4 + 1}" for site in of.site[place]],
                    "topsoil": np.where(dead, "", np.where(visit["dry"], "dry", "moist")),
                    "watered": np.where(visit["watered"], "Y", "N"),
                    "leaves_dropped": np.where(dead, 0, visit["dropped"]),
                    "condition": visit["condition"],
                    "pest": np.where(visit["pest"], "mites", ""),
                    "rh_percent": np.where(of.site[place] % 3 == 0, "", visit["humidity"].astype(int).astype(str)),
                    "minutes": np.maximum(np.round(rng.lognormal(0.6, 0.4, len(place))), 1).astype(int),
                }
            )
        )
    log = pd.concat(parts, ignore_index=True)
    if company.params.exception_log:
        noteworthy = log["watered"].eq("Y") | log["leaves_dropped"].gt(2) | log["condition"].lt(4) | log["pest"].ne("")
        log = log[noteworthy]
    return log


def _replacements(company: SecondCompany, rng: np.random.Generator) -> pd.DataFrame:
    ids, last = plant_ids(company), len(company.dates) - 1
    # A loss stands on record from the day on which the plant was replaced, if our records have begun and not ended.
    lost = pd.DataFrame([loss for loss in company.losses if loss["found"] >= 0])
    lost = lost[lost["replaced"].between(company.day0, last)].reset_index(drop=True)
    place = lost["place"].to_numpy(dtype=int)
    noted = rng.random(len(lost)) < company.params.found_noted
    return pd.DataFrame(
        {
            "plant_id": ids[place],
            "replaced_on": _on(company, lost["replaced"]),
            "found_on": _on(company, lost["found"]).where(noted, ""),
            "cause": lost["cause"],
            "covered": np.where(rng.random(len(lost)) < 0.9, "guaranteed", "chargeable"),
            "plant_cost": np.array(COST)[company.layout.pot[place]],
            "labour_minutes": 30,
        }
    )


def _contracts(company: SecondCompany) -> pd.DataFrame:
    plants = np.bincount(company.layout.site)
    closed = company.closed
    return pd.DataFrame(
        {
            "client_id": [f"C{site // 2 + 1:03d}" for site in range(len(plants))],
            "site_id": [f"S{site + 1:03d}" for site in range(len(plants))],
            "starts_on": "2020-01-01",
            "ends_on": _on(company, closed).where(closed >= 0, ""),
            "monthly_fee": np.round(9.0 * plants, 2),
            "currency": "EUR",
        }
    )
