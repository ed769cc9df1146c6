"""Write the truth of an invented company as TOML: coefficients, species, sites, and what follows."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields

import pandas as pd

from plantstats.schema.causes import LOSSES
from plantstats.simulate.company import Company
from plantstats.simulate.drying import drying_quantile
from plantstats.simulate.params import CompanyParams, true_survival

SPECIES_COMMENT = [
    "# Of each species: what it had in these records, and two figures in a named situation:",
    "# survival_12_months: not lost by day 365, planted 2025-10-01, medium light, 15-24 cm, 45%",
    "#   humidity, never left dry, site effect 1; dry_half, dry_80: days until the topsoil of half, 80%",
    "#   is dry, 15-24 cm, medium light, direct, not heated, 1.2 kPa.",
]


def truth_text(params: CompanyParams, company: Company, seed: int) -> str:
    """Text of truth.toml: every coefficient, every site's effect, and what follows for each species.

    Parameters
    ----------
    params : CompanyParams
        Parameters of the simulation.
    company : Company
        The company that was made with them.
    seed : int
        Seed of its random numbers.

    Returns
    -------
    str
        Sections coefficients (fields of CompanyParams), building_failure (absent when there was none), derived; arrays
        species (with true shares and survival) and site. Six significant figures.
    """
    blocks = [
        ["# The truth behind the invented records beside this file. Evidence for nothing.", f"seed = {seed}"],
        ["[coefficients]", *(_pair(f.name, getattr(params, f.name)) for f in fields(params) if f.name != "species")],
        *_failure(company),
        _derived(company.true_plants),
        SPECIES_COMMENT,
        *_species(params, company.true_plants),
        *(["[[site]]", *(_pair(*item) for item in site.items())] for site in company.true_sites.to_dict("records")),
    ]
    return "\n\n".join("\n".join(block) for block in blocks) + "\n"


def _failure(company: Company) -> list[list[str]]:
    """The building failure, where there was one."""
    if not company.failure:
        return []
    day, site_id = company.failure
    deaths = int((company.true_plants["cause"] == "building_failure").sum())
    return [["[building_failure]", f"date = {day}", _pair("site_id", site_id), _pair("deaths", deaths)]]


def _derived(plants: pd.DataFrame) -> list[str]:
    losses = plants["outcome"].isin(LOSSES) & (plants["cause"] != "building_failure")
    return [
        "[derived]",
        _pair("plant_days", int(plants["plant_days"].sum())),
        _pair("over_dry_days", int(plants["over_dry_days"].sum())),
        _pair("losses_without_failure", int(losses.sum())),
    ]


def _species(params: CompanyParams, plants: pd.DataFrame) -> Iterator[list[str]]:
    """One block per species: coefficients, days at risk, and two figures in the situation that the comment names."""
    days = plants.groupby("species")[["plant_days", "over_dry_days"]].sum()
    for species in params.species:
        at_risk, dry = (int(n) for n in days.loc[species.name]) if species.name in days.index else (0, 0)
        values = {
            "name": species.name,
            "group": species.group,
            "loss": species.loss,
            "leaf": species.leaf,
            "dry_days": species.dry_days,
            "leaves": species.leaves,
            "plant_days": at_risk,
            "over_dry_share": dry / max(at_risk, 1),
            "survival_12_months": true_survival(params, species.name, humidity=45.0),
            "dry_half": drying_quantile(params, species.name, 0.5),
            "dry_80": drying_quantile(params, species.name, 0.8),
        }
        yield ["[[species]]", *(_pair(*item) for item in values.items())]


def _pair(key: str, value: object) -> str:
    return f"{key} = {_toml(value)}"


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(float(f"{value:.6g}"))
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f'"{k}" = {_toml(v)}' for k, v in value.items()) + " }"
    return f'"{value}"' if isinstance(value, str) else str(value)
