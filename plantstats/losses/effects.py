"""The coefficients of a loss model as findings: rate ratios against a named level, finite or bounded."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import optimize, stats

from plantstats import findings
from plantstats.losses import newton
from plantstats.losses.design import Array, Factor, ModelError
from plantstats.losses.model import OWN_LOSSES, LossModel
from plantstats.losses.rate_table import yearly_cycle
from plantstats.losses.terms import DRY_AIR, MONTH_CONTRASTS, NOT_READ, SEASON, Term
from plantstats.stats.intervals import CONF_LEVEL
from plantstats.stats.rates import PER_100_YEARS

METHOD = "Poisson GLM on an exposure table with a shared site effect"
PROFILE = "profile likelihood upper limit (chi-square, 1 df)"
# So far below 0 that the level is expected to lose none.
NEVER = -40.0


class Contrast(NamedTuple):
    """A comparison: of a term or a species, weights on the coefficients, what it rests on, and its column.

    The column is None for slopes and contrasts of several.
    """

    of: Term | str
    weights: Array
    plant_days: float
    losses: int
    column: int | None


def effects(
    model: LossModel, period: str, sizes: Mapping[str, pd.Series] | None = None, conf_level: float = CONF_LEVEL
) -> pd.DataFrame:
    """Rate ratios of every term.

    Parameters
    ----------
    model : LossModel
    period : str
        Name of what it was fitted on.
    sizes : mapping
        Factor (or "species") to number of plants by level, where known.
    conf_level : float
        Confidence level of the intervals.

    Returns
    -------
    pandas.DataFrame
        Findings: effect_on_losses by term, species_effect by species, frailty_sd. A level that lost none has an upper
        limit from the profile likelihood and says so.
    """
    rows = pd.DataFrame([_estimate(model, contrast, sizes or {}, conf_level) for contrast in contrasts(model)])
    rows = rows.reindex(columns=[*rows.columns, *({"term", "species"} - set(rows.columns))])
    known, site = f"{METHOD}; {model.method}", {"plant_days": model.plant_days, "losses": model.losses}
    frailty = pd.DataFrame([{**_between_sites(model, conf_level), **site}])
    parts = [
        findings.rows(
            frailty,
            "frailty_sd",
            period=period,
            unit="of the mean",
            method=f"{METHOD}; {PROFILE}",
            conf_level=conf_level,
        )
    ]
    for measure, by in (("effect_on_losses", "term"), ("species_effect", "species")):
        for method, bounded in ((known, False), (PROFILE, True)):
            chosen = rows[rows[by].notna() & rows["bounded"].eq(bounded)]
            parts.append(
                findings.rows(
                    chosen, measure, period=period, unit="times", method=method, by=[by], conf_level=conf_level
                )
            )
    return findings.table(pd.concat([part for part in parts if len(part)], ignore_index=True))


def _between_sites(model: LossModel, conf_level: float) -> dict[str, object]:
    """Standard deviation between sites with its limits; 0 is the least that it can be, no proof of alike sites."""
    low, high = newton.variance_limits(model.counts, model.beta, model.frailty_variance, conf_level)
    note = f"{len(model.sites)} sites"
    if model.frailty_variance == 0:
        note += "; 0 is the least that it can be: chance explains what these sites differ by, up to the upper limit"
    return {
        "estimate": np.sqrt(model.frailty_variance),
        "low": np.sqrt(low),
        "high": np.sqrt(high) if np.isfinite(high) else np.nan,
        "note": note,
    }


def _estimate(
    model: LossModel, contrast: Contrast, sizes: Mapping[str, pd.Series], conf_level: float
) -> dict[str, object]:
    """One comparison as a row: its label, counts, estimate and limits, and whether it is bounded alone."""
    of = contrast.of
    name, level = (of.name, of.level) if isinstance(of, Term) else ("species", of)
    row: dict[str, object] = {
        "term" if isinstance(of, Term) else "species": of.label if isinstance(of, Term) else of,
        "n_plants": sizes[name].get(level) if name in sizes else None,
        "plant_days": contrast.plant_days,
        "losses": contrast.losses,
        "bounded": contrast.column is not None and contrast.losses == 0,
    }
    if not row["bounded"]:
        middle = float(contrast.weights @ model.beta)
        error = float(np.sqrt(contrast.weights @ model.covariance @ contrast.weights))
        half_width = model.quantile(conf_level) * error
        limits = {"low": np.exp(middle - half_width), "high": np.exp(middle + half_width)}
        return row | {"estimate": np.exp(middle), "note": "", **limits}
    note = f"no finite estimate: none lost in {contrast.plant_days:,.0f} plant-days"
    try:
        high = float(np.exp(never_lost_limit(model, contrast, conf_level)))
    except ModelError as fault:
        # One limit that cannot be found is no reason to lose the other effects.
        return row | {"estimate": np.nan, "low": np.nan, "high": np.nan, "note": f"{note}; no upper limit: {fault}"}
    return row | {"estimate": np.nan, "low": np.nan, "high": high, "note": f"{note}; at most the upper limit"}


def adjusted_rates(
    model: LossModel, profiles: pd.DataFrame, period: str, conf_level: float = CONF_LEVEL
) -> pd.DataFrame:
    """Rates of named covariate profiles as findings.

    Parameters
    ----------
    model : LossModel
    profiles : pandas.DataFrame
        As `LossModel.rate`, each told in words in a column `words`.
    period : str
    conf_level : float

    Returns
    -------
    pandas.DataFrame
        Findings: adjusted_loss_rate by term (the words) and species.
    """
    rates = model.rate(profiles.drop(columns="words"), conf_level)
    note = rates["basis"].mask(rates["basis"].eq(OWN_LOSSES), "")
    return findings.table(
        findings.rows(
            rates[["species", "low", "high"]].assign(term=profiles["words"], note=note),
            "adjusted_loss_rate",
            period=period,
            unit=PER_100_YEARS,
            method=f"{METHOD}; {model.method}",
            by=["term", "species"],
            conf_level=conf_level,
            estimate=rates["rate"],
        )
    )


def contrasts(model: LossModel) -> list[Contrast]:
    """Comparisons that the coefficients allow: levels, season, humidity, species.

    Parameters
    ----------
    model : LossModel
        The fitted loss model.

    Returns
    -------
    list of Contrast
    """
    return [*_levels(model), *_months(model), *_humidity(model), *_species(model)]


def _weights(model: LossModel, **of: float) -> Array:
    return np.array([of.get(name, 0.0) for name in model.names])


def _levels(model: LossModel) -> list[Contrast]:
    lost, days = model.counts.by_pattern
    rows = []
    for part in model.counts.design.parts:
        if not isinstance(part, Factor) or part.name == "species":
            continue
        of_level = [np.bincount(part.codes, weight, len(part.levels)) for weight in (days, lost)]
        reference = model.coding.reference[part.name]
        rows += [
            Contrast(
                Term(part.name, level, reference),
                _weights(model, **{f"{part.name}[{level}]": 1.0}),
                float(of_level[0][n]),
                int(of_level[1][n]),
                model.names.index(f"{part.name}[{level}]"),
            )
            for n, level in enumerate(part.levels)
            if level != reference
        ]
    return rows


def _months(model: LossModel) -> list[Contrast]:
    if not set(SEASON) <= set(model.names):
        return []
    cosine, sine = yearly_cycle(np.arange(13))
    return [
        Contrast(
            term,
            _weights(model, year_cos=cosine[one] - cosine[other], year_sin=sine[one] - sine[other]),
            model.plant_days,
            model.losses,
            None,
        )
        for (one, other), term in MONTH_CONTRASTS.items()
        if not model.coding.unseen_months((one, other))
    ]


def _humidity(model: LossModel) -> list[Contrast]:
    lost, days = model.counts.by_pattern
    patterns = model.patterns
    unread = patterns["no_humidity"].eq(1).to_numpy() if "no_humidity" in patterns else np.zeros(len(days), dtype=bool)
    rows = []
    # "Not read" is a level, which may have lost none; dry air is a slope of all the rows that were read.
    for name, term, holds in (("dry_air", DRY_AIR, ~unread), ("no_humidity", NOT_READ, unread)):
        if name in model.names:
            column = model.names.index(name) if term is NOT_READ else None
            counts = float(days[holds].sum()), int(lost[holds].sum())
            rows.append(Contrast(term, _weights(model, **{name: 1.0}), *counts, column))
    return rows


def _species(model: LossModel) -> list[Contrast]:
    block = model.counts.design.parts[-1]
    if not isinstance(block, Factor) or block.name != "species":
        return []
    lost, days = (np.bincount(block.codes, weight, len(block.levels)) for weight in model.counts.by_pattern)
    rows = np.zeros((len(block.levels), len(model.names)))
    rows[:, -len(block.columns) :] = block.values
    average = days @ rows / days.sum()
    return [
        Contrast(name, row - average, float(days[n]), int(lost[n]), int(np.flatnonzero(row)[-1]))
        for n, (name, row) in enumerate(zip(block.levels, rows, strict=True))
    ]


def never_lost_limit(model: LossModel, contrast: Contrast, conf_level: float = CONF_LEVEL) -> float:
    """Upper limit of a comparison whose level lost none, on the log scale, without pseudo-events for it.

    Parameters
    ----------
    model : LossModel
    contrast : Contrast
        With its column.
    conf_level : float

    Returns
    -------
    float
        The greatest log ratio that lowers the likelihood by no more than chi-square(conf_level, 1 df) / 2.

    Notes
    -----
    Profile likelihood; at an estimate of minus infinity the interval has one side only.
    """
    column = contrast.column if contrast.column is not None else int(np.flatnonzero(contrast.weights)[0])
    prior = model.counts.prior.copy()
    prior[column] = 0.0
    counts = model.counts.replaced(prior=prior)

    def at(value: float) -> newton.Fit:
        return newton.fit_at_variance(counts, model.beta, model.frailty_variance, {column: value})

    top = at(NEVER).at.value
    allowed = stats.chi2.ppf(conf_level, 1) / 2
    beyond = 1.0
    while top - at(beyond).at.value < allowed:  # far beyond the limit the likelihood is too steep to settle
        beyond += 1.0
    upper = float(optimize.brentq(lambda value: top - at(value).at.value - allowed, NEVER / 4, beyond, xtol=1e-6))
    return float(contrast.weights @ at(upper).beta)
