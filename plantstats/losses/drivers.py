"""Findings on what drives losses: effects, named profiles, survival, causes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

import pandas as pd

from plantstats import findings, losses
from plantstats.losses import CollinearityCheck, ModelError, terms
from plantstats.losses.lifetime_findings import (
    detection_delay_findings,
    incidence_findings,
    log_rank_findings,
    survival_findings,
)
from plantstats.records import species_table
from plantstats.stats import competing_risks, logrank, survival
from plantstats.stats.intervals import WIDEST

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.losses.model import LossModel

AGES = [90, 365, 730]  # days since install at which survival and causes are told
MOST_SPECIES = 4  # with named profiles
# No effect is named from fewer sites or winters (design rules: site-clustered errors want ten clusters; one winter
# cannot be told from what else happened in it).
FEWEST_SITES, FEWEST_WINTERS = 10, 2
DRY, MOIST = 25.0, 45.0  # percent humidity of the named profiles


@dataclass(frozen=True)
class Drivers:
    """What the page rests on; a part that the records do not carry is missing and told in `refusals`."""

    findings: pd.DataFrame
    curves: pd.DataFrame
    incidence: pd.DataFrame
    notes: tuple[str, ...]
    refusals: tuple[str, ...]


def check_effects(usual: PlantTime) -> CollinearityCheck:
    """Loss model of all settled months, with season and humidity told apart where the records do.

    Parameters
    ----------
    usual : PlantTime
        Dated "midpoint", without the losses of events.

    Returns
    -------
    CollinearityCheck

    Raises
    ------
    ModelError
        When the records carry none.
    """
    settled = terms.settled(usual.as_of)
    exposure_table = usual.exposure_table(list(losses.EXPOSURE_BY), end=settled, count_plants=False)
    return losses.check_collinearity(exposure_table, species_table())


def review(
    midpoint: PlantTime,
    by_found: PlantTime,
    usual: PlantTime,
    effects: Callable[[], CollinearityCheck],
    client: str = "",
) -> Drivers:
    """Findings on what drives losses.

    Parameters
    ----------
    midpoint, by_found : PlantTime
        All losses, dated half-way between last seen alive and found, and when found.
    usual : PlantTime
        Dated "midpoint", without the losses of events.
    effects : callable
        Gives the model of the effects (see `check_effects`), or raises ModelError.
    client : str
        Whose plants the curves are of ("" for all; the model always learns from all).

    Returns
    -------
    Drivers

    Notes
    -----
    Effects rest on losses dated half-way between last seen alive and found, without those of common-cause events.
    """
    refusals: list[str] = []
    as_of = usual.as_of
    # Effects and rates rest on ordinary losses; how long plants stood, on all of them.
    span = f"records to {terms.settled(as_of) - timedelta(days=1):%Y-%m-%d}"
    whole = f"records to {as_of:%Y-%m-%d}"  # curves follow plants, and count losses, to the last day
    parts: list[pd.DataFrame] = []
    notes = tuple[str, ...]()
    try:
        check = effects()
        parts += _effects(check, usual, span)
        notes = check.model.notes
    except ModelError as error:
        refusals.append(f"No model of the effects: {error}.")
    lifetimes, by_found_day = (_of_client(time.lifetimes, client) for time in (midpoint, by_found))
    curves = survival.curves(lifetimes, ["light"])
    incidence = competing_risks.incidence(lifetimes, [])
    parts += [
        survival_findings(curves, lifetimes, ["light"], ages=AGES, horizon=AGES[-1], period=whole),
        incidence_findings(incidence, lifetimes, [], ages=AGES, period=whole),
        log_rank_findings(
            logrank.log_rank(lifetimes, ["light"], within=["site_id"]), ["light"], whole, within=["site_id"]
        ),
        detection_delay_findings(by_found_day, ["light"], ages=AGES, period=whole),
    ]
    unknown_age = _of_client(midpoint.without_install_date, client)["plants"].sum()
    of_curves = (
        f"The curves by age are of {lifetimes['plant_id'].nunique():,} plants, each in the light of its place as first "
        f"listed; {int(unknown_age):,} plants of unknown install date are in the rates and the model, but in no curve."
    )
    rows = findings.table(pd.concat(parts, ignore_index=True))
    return Drivers(rows, curves, incidence, (*notes, of_curves), tuple(refusals))


def _of_client(table: pd.DataFrame, client: str) -> pd.DataFrame:
    return table[table["client_id"].eq(client)] if client else table


def profiles(check: CollinearityCheck) -> pd.DataFrame:
    """Named profiles of the species with most plant-days: its darkest usual place in winter, and a mild one.

    Parameters
    ----------
    check : CollinearityCheck
        The model, and whether it holds season and humidity.

    Returns
    -------
    pandas.DataFrame
        Profiles as `LossModel.rate` takes them, with their words.
    """
    model = check.model
    days = model.patterns.groupby("species", observed=True)["plant_days"].sum().nlargest(MOST_SPECIES)
    usual: list[str] = [light for light in ("low", "medium") if light in model.coding.levels["light"]]
    lights = usual or [model.coding.reference["light"]]
    rows = []
    for species in map(str, days.index):
        for light, month, season, humidity in ((lights[0], 1, "January", DRY), (lights[-1], 7, "July", MOIST)):
            words = f"{species}, {light} light, {season}"
            row: dict[str, object] = {"species": species, "light": light, "month": month}
            if check.separable:
                words, row = f"{words} at {humidity:g}% humidity", row | {"humidity": humidity}
            rows.append(row | {"words": words})
    return pd.DataFrame(rows)


def supported(effects: pd.DataFrame, n_sites: int, winters: int) -> pd.DataFrame:
    """Effects without the estimates that so few sites, winters or losses cannot carry.

    Parameters
    ----------
    effects : pandas.DataFrame
        Findings of `losses.effects`.
    n_sites : int
        Sites of the model.
    winters : int
        Januaries on record.

    Returns
    -------
    pandas.DataFrame
        The same rows; estimate and limits are missing, with the reason as the note, where there are fewer than
        `FEWEST_SITES` sites, of a season where there are fewer than `FEWEST_WINTERS` winters, and where the upper limit
        is more than `WIDEST` times the lower.
    """
    ratio = effects["measure"].isin(["effect_on_losses", "species_effect"])
    reasons = {
        f"{n_sites} sites on record, at least {FEWEST_SITES} are needed": ratio & (n_sites < FEWEST_SITES),
        f"{winters} winters on record, at least {FEWEST_WINTERS} are needed": ratio
        & effects["term"].fillna("").str.startswith("season")
        & (winters < FEWEST_WINTERS),
        f"the limits lie more than {WIDEST:g} times apart": ratio
        & effects["estimate"].notna()
        & (effects["high"] > WIDEST * effects["low"]),
    }
    rows = effects.copy()
    for reason, hit in reasons.items():
        rows.loc[hit, ["estimate", "low", "high"]] = float("nan")
        rows.loc[hit, "note"] = f"not available: {reason}"
    return rows


def of_enough_sites(model: LossModel) -> LossModel:
    """The model, where it rests on as many sites as the page asks for before it names an effect.

    Parameters
    ----------
    model : LossModel

    Returns
    -------
    LossModel

    Raises
    ------
    ModelError
        With fewer than `FEWEST_SITES` sites.
    """
    if len(model.sites) < FEWEST_SITES:
        raise ModelError(f"{len(model.sites)} sites on record, at least {FEWEST_SITES} are needed to name an effect")
    return model


def _winters(time: PlantTime) -> int:
    months = time.exposure_table(["month"], end=terms.settled(time.as_of), count_plants=False)["month"]
    return int(months.dt.month.eq(1).sum())


def _plants_by_level(time: PlantTime, end: date) -> dict[str, pd.Series]:
    """Different plants (counted lines by their number) of each species and level of a factor, before a day."""
    columns = (*terms.FACTORS, "species")
    of_plants = "select plant_id, {0}, max(plants) as plants from {1} group by all"
    of_all = of_plants.format(", ".join(columns), "episodes where month < $end")
    of_columns = " union all ".join(
        f"select '{name}' as term, {name}::varchar as level, sum(plants)::bigint as plants "
        f"from ({of_plants.format(name, 'cells')}) as one group by all"
        for name in columns
    )
    rows = time.query(f"with cells as ({of_all}) {of_columns}", {"end": end})
    return {str(name): of.set_index("level")["plants"] for name, of in rows.groupby("term")}


def _effects(check: CollinearityCheck, time: PlantTime, span: str) -> list[pd.DataFrame]:
    sizes = _plants_by_level(time, terms.settled(time.as_of))
    parts = [
        supported(losses.effects(check.model, span, sizes), len(check.model.sites), _winters(time)),
        losses.collinearity_findings(check, span),
        losses.adjusted_rates(check.model, profiles(check), span),
    ]
    if check.alternative is not None:
        rows = supported(losses.effects(check.alternative, span, sizes), len(check.alternative.sites), _winters(time))
        rows = rows[rows["term"].eq(terms.DRY_AIR.label)]
        parts.append(rows.assign(term=rows["term"] + ", season left out"))
    return parts
