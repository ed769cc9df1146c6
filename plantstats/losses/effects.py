"""The coefficients of a loss model as findings: rate ratios against a named level, finite or bounded."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd
from scipy import optimize, stats

from plantstats import findings
from plantstats.losses import likelihood, terms
from plantstats.losses.design import ModelError
from plantstats.losses.likelihood import Array
from plantstats.stats.intervals import CONF_LEVEL
from plantstats.stats.rates import PER_100_YEARS

if TYPE_CHECKING:
    from plantstats.losses.model import LossModel

METHOD = "Poisson GLM on cells with a shared site effect"
PROFILE = "profile likelihood upper limit (chi-square, 1 df)"
# So far below 0 that the level is expected to lose none.
NEVER = -40.0

findings.define(
    effect_on_losses="Loss rate of a level divided by that of the level it is compared with, all other terms "
    "alike (1 = no difference).",
    species_effect="Loss rate of a species divided by that of the average plant-day on record, all other terms "
    "alike (1 = no difference); species with few losses are drawn towards their group.",
    adjusted_loss_rate="Losses per 100 plant-years in a named situation, at an average site, by the loss model.",
    site_spread="Standard deviation of what sites lose beyond their conditions, as a share of their mean "
    "(0 = all alike).",
)


class Contrast(NamedTuple):
    """A named comparison: weights on the coefficients, what it rests on, and the column it stands for."""

    measure: str
    group: dict[str, Any]
    weights: Array
    plant_days: float
    losses: int
    column: int | None


def effects(
    model: LossModel, period: str, sizes: Mapping[str, pd.Series] | None = None, level: float = CONF_LEVEL
) -> pd.DataFrame:
    """Rate ratios of every term.

    Takes:  model; period: name of what it was fitted on; sizes: column -> number of plants by level, where known;
            level.
    Gives:  findings: effect_on_losses by term, species_effect by species, site_spread. A level that lost none has
            an upper limit from the profile likelihood and says so.
    """
    rows = []
    for contrast in contrasts(model):
        size = _size(contrast, sizes or {})
        note = ""
        if contrast.column is not None and contrast.losses == 0:
            note = f"no finite estimate: none lost in {contrast.plant_days:,.0f} plant-days"
            try:
                row = (np.nan, np.nan, float(np.exp(never_lost_limit(model, contrast, level))))
                note += "; at most the upper limit"
            except ModelError as fault:
                # One limit that cannot be found is no reason to lose the other effects.
                row = (np.nan, np.nan, np.nan)
                note += f"; no upper limit: {fault}"
            method = PROFILE
        else:
            middle = float(contrast.weights @ model.beta)
            reach = model.quantile(level) * float(np.sqrt(contrast.weights @ model.covariance @ contrast.weights))
            row = (float(np.exp(middle)), float(np.exp(middle - reach)), float(np.exp(middle + reach)))
            method = f"{METHOD}; {model.method}"
        rows.append(
            findings.finding(
                contrast.measure,
                period,
                *row,
                unit="times",
                method=method,
                n_plants=size,
                plant_days=contrast.plant_days,
                losses=contrast.losses,
                level=level,
                note=note,
                **contrast.group,
            )
        )
    rows.append(
        findings.finding(
            "site_spread",
            period,
            float(np.sqrt(model.site_spread)),
            unit="of the mean",
            method=METHOD,
            plant_days=model.plant_days,
            losses=model.losses,
            note=f"{len(model.sites)} sites",
        )
    )
    return findings.table(rows)


def adjusted_rates(model: LossModel, situations: pd.DataFrame, period: str, level: float = CONF_LEVEL) -> pd.DataFrame:
    """Rates of named situations as findings.

    Takes:  situations as `LossModel.rate`, each told in words in a column `words`; period; level.
    Gives:  findings: adjusted_loss_rate by term (the words) and species.
    """
    asked = model.rate(situations.drop(columns="words"), level)
    return findings.table(
        [
            findings.finding(
                "adjusted_loss_rate",
                period,
                row["rate"],
                row["low"],
                row["high"],
                unit=PER_100_YEARS,
                method=f"{METHOD}; {model.method}",
                level=level,
                term=words,
                species=row["species"],
                note="" if row["basis"] == "its own losses" else row["basis"],
            )
            for words, (_, row) in zip(situations["words"], asked.iterrows(), strict=True)
        ]
    )


def contrasts(model: LossModel) -> list[Contrast]:
    """Every comparison that the coefficients allow, in the order of the formula."""
    names, patterns = list(model.names), model.patterns
    made = []

    def weights(**of: float) -> Array:
        return np.array([of.get(name, 0.0) for name in names])

    def tally(rows: pd.Series) -> tuple[float, int]:
        return float(patterns.loc[rows, "plant_days"].sum()), int(patterns.loc[rows, "losses"].sum())

    for at, name in enumerate(names):
        factor, _, rest = name.partition("[")
        if factor in model.terms.first and factor in patterns.columns and rest:
            shown = rest.removesuffix("]")
            made.append(
                Contrast(
                    "effect_on_losses",
                    {"term": f"{factor}: {shown} (against {model.terms.first[factor]})"},
                    weights(**{name: 1.0}),
                    *tally(patterns[factor].eq(shown)),
                    at,
                )
            )
    every = pd.Series(True, patterns.index)
    if "year_cos" in names:
        for one, other, words in ((1, 7, "January against July"), (4, 10, "April against October")):
            if model.terms.unseen_months((one, other)):
                continue
            months = terms.weather(pd.Series([one, other]), pd.Series([np.nan, np.nan]), model.terms)
            gap = months.iloc[0] - months.iloc[1]
            made.append(
                Contrast(
                    "effect_on_losses",
                    {"term": f"season: {words}"},
                    weights(year_cos=gap["year_cos"], year_sin=gap["year_sin"]),
                    *tally(every),
                    None,
                )
            )
    for name, words in (
        ("heated", "season: heating season against the rest"),
        ("dry_air", f"humidity: each 10 points below {model.terms.threshold:g}%"),
        ("vpd_kpa", f"dry air: each kPa of vapour pressure deficit at {terms.ROOM_C:g} degrees C"),
        ("no_humidity", f"humidity: not read (against {model.terms.threshold:g}% or more)"),
    ):
        if name in names:
            unread = patterns["no_humidity"].eq(1) if "no_humidity" in names else ~every
            held = patterns["heated"].eq(1) if name == "heated" else unread if name == "no_humidity" else ~unread
            # "Not read" is a level, which may have lost none; the others are slopes or contrasts of all the cells.
            column = names.index(name) if name == "no_humidity" else None
            made.append(Contrast("effect_on_losses", {"term": words}, weights(**{name: 1.0}), *tally(held), column))
    return made + _species(model)


def _species(model: LossModel) -> list[Contrast]:
    if len(model.group_of) < 2:
        return []
    names, patterns = list(model.names), model.patterns
    days = patterns.groupby("species")[["plant_days", "losses"]].sum()

    def row(name: str) -> Array:
        own = (f"group[{model.group_of[name]}]", f"species[{name}]")
        return np.array([float(column in own) for column in names])

    average = sum(row(name) * days.loc[name, "plant_days"] for name in days.index) / days["plant_days"].sum()
    return [
        Contrast(
            "species_effect",
            {"species": name},
            row(name) - average,
            float(days.loc[name, "plant_days"]),
            int(days.loc[name, "losses"]),
            int(np.flatnonzero(row(name))[-1]),
        )
        for name in days.index
    ]


def never_lost_limit(model: LossModel, contrast: Contrast, level: float = CONF_LEVEL) -> float:
    """Upper limit of a comparison whose level lost none, on the log scale, without imagined losses for it.

    Takes:  model; contrast with its column; level.
    Gives:  the greatest log ratio that lowers the likelihood by no more than chi-square(level, 1 df) / 2.
    Source: profile likelihood; at an estimate of minus infinity the interval has one side only.
    """
    column = contrast.column if contrast.column is not None else int(np.flatnonzero(contrast.weights)[0])
    prior = model.counts.prior.copy()
    prior[column] = 0.0
    counts = replace(model.counts, prior=prior)

    def at(value: float) -> tuple[float, Array]:
        beta = likelihood.maximise(counts, model.beta, model.site_spread, {column: value})
        return likelihood.derivatives(counts, beta, model.site_spread).value, beta

    top, _ = at(NEVER)
    allowed = stats.chi2.ppf(level, 1) / 2
    upper = float(optimize.brentq(lambda value: top - at(value)[0] - allowed, NEVER / 4, 20, xtol=1e-6))
    return float(contrast.weights @ at(upper)[1])


def _size(contrast: Contrast, sizes: Mapping[str, pd.Series]) -> int | None:
    column, value = next(iter(contrast.group.items()))
    if column == "term":
        column, _, value = value.partition(": ")
        value = value.split(" (against")[0]
    if column not in sizes or value not in sizes[column].index:
        return None
    return int(sizes[column].loc[value])
