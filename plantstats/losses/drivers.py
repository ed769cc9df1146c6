"""All findings of the loss-drivers page: effects, named situations, survival, causes, watch list."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

import pandas as pd

from plantstats import exposure, findings, losses
from plantstats.losses import Apart, ModelError, terms, watch_findings, watch_list
from plantstats.records import species_table
from plantstats.stats import competing_risks, logrank, survival, turnbull

if TYPE_CHECKING:
    from datetime import date

    from plantstats.exposure import PlantTime
    from plantstats.periods import Period
    from plantstats.records import Records

AGES = [90, 365, 730]  # days since install at which survival and causes are told
MOST_SPECIES = 4  # in named situations
DRY, MOIST = 25.0, 45.0  # percent humidity of the named situations


@dataclass(frozen=True)
class Drivers:
    """What the page rests on; a part that the records do not carry is missing and told in `refusals`."""

    findings: pd.DataFrame
    curves: pd.DataFrame
    incidence: pd.DataFrame
    apart: Apart | None
    notes: tuple[str, ...]
    refusals: tuple[str, ...]


def review(records: Records, period: Period, as_of: date, client: str = "") -> Drivers:
    """All findings of the loss-drivers page.

    Takes:  records; period: the quarter that the watch list is tested up to; as_of: the last day that counts; client:
            whose sites and plants are listed ("" for all; the model always learns from all).
    Gives:  Drivers. Effects rest on losses dated half-way between last seen alive and found; the watch list on the day
            found.
    """
    refusals: list[str] = []
    middle, found = (exposure.build(records, as_of, dated) for dated in ("midpoint", "found"))
    cells = middle.cells(list(losses.CELLS_BY), end=terms.settled(as_of))
    span = f"records to {terms.settled(as_of) - timedelta(days=1):%Y-%m-%d}"
    made: list[pd.DataFrame] = []
    apart, notes = None, tuple[str, ...]()
    try:
        apart = losses.tell_apart(cells, species_table())
        made += _effects(apart, middle, span)
        notes = apart.model.notes
    except ModelError as error:
        refusals.append(f"No model of the effects: {error}.")
    try:
        made.append(_watch(records, found, period, client))
    except ModelError as error:
        refusals.append(f"No watch list: {error}.")
    lives = middle.lifetimes
    lives = lives[lives["client_id"].eq(client)] if client else lives
    curves = survival.curves(lives, ["light"])
    incidence = competing_risks.incidence(lives, [])
    made.append(survival.summaries(curves, lives, ["light"], ages=AGES, horizon=AGES[-1], period=span))
    made.append(competing_risks.summaries(incidence, lives, [], ages=AGES, period=span))
    alike = logrank.log_rank(lives, ["light"], within=["site_id"])
    made.append(logrank.as_findings(alike, ["light"], span, within=["site_id"]))
    by_day_found = found.lifetimes
    by_day_found = by_day_found[by_day_found["client_id"].eq(client)] if client else by_day_found
    made.append(turnbull.shift(by_day_found, ["light"], ages=AGES, period=span))
    ageless = middle.without_install_date
    ageless = ageless[ageless["client_id"].eq(client)] if client else ageless
    told = (
        f"The curves by age are of {lives['plant_id'].nunique():,} plants, each in the light of its place as first "
        f"listed; {int(ageless['plants'].sum()):,} plants of unknown install date are in the rates and the model, but "
        "in no curve."
    )
    return Drivers(
        findings.table(pd.concat(made, ignore_index=True)), curves, incidence, apart, (*notes, told), tuple(refusals)
    )


def situations(apart: Apart) -> pd.DataFrame:
    """Named situations of the species with most plant-days: its darkest usual place in winter, and a mild one.

    Takes:  apart: the model, and whether it holds humidity.
    Gives:  situations as `LossModel.rate` takes them, with their words.
    """
    model = apart.model
    days = model.patterns.groupby("species")["plant_days"].sum().nlargest(MOST_SPECIES)
    usual = [light for light in ("low", "medium") if light in model.terms.levels["light"]]
    lights: list[str] = [*usual] or [model.terms.first["light"]]
    rows = []
    for species in days.index:
        for light, month, season, humidity in ((lights[0], 1, "January", DRY), (lights[-1], 7, "July", MOIST)):
            words, row = f"{species}, {light} light, {season}", {"species": species, "light": light, "month": month}
            if apart.told:
                words, row = f"{words} at {humidity:g}% humidity", row | {"humidity": humidity}
            rows.append(row | {"words": words})
    return pd.DataFrame(rows)


def _effects(apart: Apart, time: PlantTime, span: str) -> list[pd.DataFrame]:
    sizes = {
        column: time.cells([column], end=terms.settled(time.as_of)).set_index(column)["n_plants"]
        for column in (*terms.FACTORS, "species")
    }
    told = losses.apart_findings(apart, span)
    told = told.assign(losses=apart.model.losses, plant_days=float(apart.model.plant_days))
    made = [losses.effects(apart.model, span, sizes), told]
    made.append(losses.adjusted_rates(apart.model, situations(apart), span))
    if apart.other is not None:
        other = losses.effects(apart.other, span, sizes)
        other = other[other["term"].fillna("").str.startswith("humidity: each")]
        made.append(other.assign(term=other["term"] + ", season left out"))
    return made


def _watch(records: Records, time: PlantTime, period: Period, client: str) -> pd.DataFrame:
    built: dict[date, pd.DataFrame] = {}
    tested = watch_findings.back_test(records, period, time, species_table(), built)
    made = watch_list.watch(records, time.as_of, species_table(), built)
    if client:
        made = made._replace(plants=made.plants[made.plants["client_id"].eq(client)].reset_index(drop=True))
    return watch_findings.watch_findings(made, tested, f"90 days from {time.as_of + timedelta(days=1)}")
