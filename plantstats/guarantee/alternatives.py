"""What would lose fewer plants: another species at the same light, a brighter place, moister air."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from plantstats.exposure import DRY_AIR_BELOW
from plantstats.guarantee.hazards import PROFILE
from plantstats.guarantee.projection import Cohorts, Cover, HazardSamples, project
from plantstats.guarantee.time_grid import Array, monthly_grid

if TYPE_CHECKING:
    from plantstats.guarantee.fitted_hazards import FittedHazards
    from plantstats.guarantee.hazards import Exits
    from plantstats.guarantee.quote import Quote
    from plantstats.guarantee.terms import Terms

# Least plant-days of a species at a light band before it is proposed for it: 10 plant-years (common practice,
# no source).
MIN_PLANT_DAYS = 3_652
MAX_SAMPLES = 200
BRIGHTER = {"low": "medium", "medium": "high"}
COLUMNS = ["position", "species", "light", "other", "now", "then", "ratio", "low", "high", "saving", "clear"]


def better_species(quote: Quote, model: FittedHazards, exits: Exits) -> pd.DataFrame:
    """The species on record that would be replaced least at the same light, for each line.

    Parameters
    ----------
    quote : Quote
    model : FittedHazards
    exits : Exits

    Returns
    -------
    pandas.DataFrame
        One row per line with another species on record at its light that is expected to be replaced less: position,
        species, light, other, now and then (replacements per 100 positions over the term), ratio, low, high (95%
        interval of the ratio, from the model's samples), saving (cents over the term, at the same cost per
        replacement), clear (the interval lies below 1).

    Notes
    -----
    The best of many is flattered a little: it is best partly by chance.
    """
    seen = model.seen()
    enough = seen[(seen["plant_days"] >= MIN_PLANT_DAYS) & seen["light"].ne("unknown")]
    pairs = _profiles(quote).merge(enough[["light", "species"]].rename(columns={"species": "other"}), on="light")
    pairs = pairs[pairs["other"].ne(pairs["species"])]
    return _compared(pairs, pairs.assign(species=pairs["other"]), quote, model, exits)


def brighter_place(quote: Quote, model: FittedHazards, exits: Exits) -> pd.DataFrame:
    """The same plants one light band brighter, where the records have plants in that band (see `better_species`).

    Parameters
    ----------
    quote : Quote
        As `quote.quote` gives it.
    model : FittedHazards
        The fitted model of hazards.
    exits : Exits
        Rates of what else takes plants away.

    Returns
    -------
    pandas.DataFrame
        As `better_species`.
    """
    profiles = _profiles(quote)
    profiles = profiles.assign(other=profiles["light"].map(BRIGHTER))
    profiles = profiles[profiles["other"].isin(set(model.seen()["light"]))]
    return _compared(profiles, profiles.assign(light=profiles["other"]), quote, model, exits)


def moist_air(quote: Quote, model: FittedHazards, exits: Exits) -> pd.DataFrame:
    """The same plants where the air is never dry, against the usual air of the records (see `better_species`).

    Parameters
    ----------
    quote : Quote
        As `quote.quote` gives it.
    model : FittedHazards
        The fitted model of hazards.
    exits : Exits
        Rates of what else takes plants away.

    Returns
    -------
    pandas.DataFrame
        As `better_species`.

    Notes
    -----
    No rows where the records hold no humidity. In these records season and humidity may move together: the loss model's
    page says how far they can be told apart.
    """
    profiles = _profiles(quote).assign(other=f"{DRY_AIR_BELOW}% and more")
    if "dry_air" not in model.model.terms:
        profiles = profiles.iloc[:0]
    return _compared(profiles, profiles.assign(humidity=float(DRY_AIR_BELOW)), quote, model, exits)


def _profiles(quote: Quote) -> pd.DataFrame:
    """Different plants of the list: thousands of lines have far fewer profiles."""
    return quote.lines[list(PROFILE)].drop_duplicates().reset_index(drop=True)


def _compared(now: pd.DataFrame, then: pd.DataFrame, quote: Quote, model: FittedHazards, exits: Exits) -> pd.DataFrame:
    """Best alternative of each line; `now` and `then` hold aligned profiles."""
    if now.empty:
        return pd.DataFrame({name: pd.Series(dtype="object") for name in COLUMNS})
    before, of_now = _by_profile(now, model, exits, quote.terms)
    after, of_then = _by_profile(then, model, exits, quote.terms)
    mean_now, mean_then = before.mean(axis=0)[of_now], after.mean(axis=0)[of_then]
    ratio = np.divide(mean_then, mean_now, out=np.ones_like(mean_now), where=mean_now > 0)
    pairs = now[[*PROFILE, "other"]].assign(
        now=100 * mean_now, then=100 * mean_then, ratio=ratio, of_now=of_now, of_then=of_then
    )
    best = pairs[pairs["ratio"] < 1].sort_values([*PROFILE, "ratio", "other"]).drop_duplicates(list(PROFILE))
    samples = after[:, best["of_then"]] / np.maximum(before[:, best["of_now"]], 1e-300)
    best = best.assign(low=np.quantile(samples, 0.025, axis=0), high=np.quantile(samples, 0.975, axis=0))
    lines = quote.lines[["position", *PROFILE, "quantity", "unit"]].merge(
        best.drop(columns=["of_now", "of_then"]), on=list(PROFILE)
    )
    saving = ((lines["now"] - lines["then"]) / 100 * lines["quantity"] * lines["unit"]).round().astype("int64")
    return lines.assign(saving=saving, clear=lines["high"] < 1)[COLUMNS]


def _by_profile(
    rows: pd.DataFrame, model: FittedHazards, exits: Exits, terms: Terms
) -> tuple[Array, npt.NDArray[np.int64]]:
    """Expected numbers (samples x different rows), and which of them is each row's."""
    keys = [name for name in (*PROFILE, "humidity") if name in rows]
    which = rows.groupby(keys, sort=True).ngroup()
    different = rows.assign(which=which).drop_duplicates("which").sort_values("which").reset_index(drop=True)
    return _expected_numbers(different[keys], model, exits, terms), which.to_numpy()


def _expected_numbers(lines: pd.DataFrame, model: FittedHazards, exits: Exits, terms: Terms) -> Array:
    """Expected replacements of one new plant's position at a mean site: samples of the model x lines."""
    n_samples, n_lines = min(terms.draws, MAX_SAMPLES), len(lines)
    hazards = model.for_lines(lines, n_samples, terms.seed, "group")
    grid = monthly_grid(terms.starts_on, terms.ends_on)
    new = Cohorts.over_term(grid, np.zeros(n_lines), np.zeros(n_lines, dtype="int64"))
    samples = HazardSamples.of(hazards, np.ones((n_samples, 1)), exits)
    cover = Cover(terms.lead_days, terms.cap_per_position, terms.after_uncovered)
    return project(grid, new, cover, samples, np.ones((grid.steps, 1)), with_pmf=False).by_part[..., 0]
