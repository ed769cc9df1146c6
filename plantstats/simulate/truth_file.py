"""Write the truth of an invented company as TOML: coefficients, species, sites, and what follows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields

from plantstats.schema.causes import LOSSES
from plantstats.simulate.company import Company
from plantstats.simulate.drying import drying_quantile
from plantstats.simulate.params import CompanyParams, true_survival


def truth_text(params: CompanyParams, made: Company, seed: int) -> str:
    """truth.toml: every coefficient, every site's effect, and what follows for each species.

    Gives:  sections coefficients (fields of CompanyParams), building_failure (absent when there was none), derived;
            arrays species (with true shares and survival) and site. Six significant figures.
    """
    lines = [
        "# The truth behind the invented records beside this file. Evidence for nothing.",
        f"seed = {seed}",
        "",
        "[coefficients]",
        *(f"{f.name} = {_toml(getattr(params, f.name))}" for f in fields(params) if f.name != "species"),
    ]
    ends = made.true_plants
    if made.failure:
        deaths = int((ends["cause"] == "building_failure").sum())
        lines += [
            "",
            "[building_failure]",
            f"date = {made.failure[0]}",
            f'site_id = "{made.failure[1]}"',
            f"deaths = {deaths}",
        ]
    losses = ends["outcome"].isin(LOSSES) & (ends["cause"] != "building_failure")
    lines += [
        "",
        "[derived]",
        f"plant_days = {int(ends['plant_days'].sum())}",
        f"over_dry_days = {int(ends['over_dry_days'].sum())}",
        f"losses_without_failure = {int(losses.sum())}",
    ]
    lines += [
        "",
        "# Of each species: what it had in these records, and two figures in a named situation:",
        "# survival_12_months: not lost by day 365, planted 2025-10-01, medium light, 15-24 cm, 45%",
        "#   humidity, never left dry, site effect 1; dry_half, dry_80: days until the topsoil of half, 80%",
        "#   is dry, 15-24 cm, medium light, direct, not heated, 1.2 kPa.",
    ]
    days = ends.groupby("species")["plant_days"].sum().to_dict()
    dry = ends.groupby("species")["over_dry_days"].sum().to_dict()
    for species in params.species:
        at_risk = int(days.get(species.name, 0))
        lines += [
            "",
            "[[species]]",
            f'name = "{species.name}"',
            f'group = "{species.group}"',
            f"loss = {_toml(species.loss)}",
            f"leaf = {_toml(species.leaf)}",
            f"dry_days = {_toml(species.dry_days)}",
            f"leaves = {species.leaves}",
            f"plant_days = {at_risk}",
            f"over_dry_share = {_toml(int(dry.get(species.name, 0)) / max(at_risk, 1))}",
            f"survival_12_months = {_toml(true_survival(params, species.name, humidity=45.0))}",
            f"dry_half = {_toml(drying_quantile(params, species.name, 0.5))}",
            f"dry_80 = {_toml(drying_quantile(params, species.name, 0.8))}",
        ]
    for site in made.true_sites.to_dict("records"):
        lines += ["", "[[site]]", *(f"{key} = {_toml(value)}" for key, value in site.items())]
    return "\n".join(lines) + "\n"


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return repr(float(f"{value:.6g}"))
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f'"{k}" = {_toml(v)}' for k, v in value.items()) + " }"
    return f'"{value}"' if isinstance(value, str) else str(value)
