"""What is true of an invented company where a report prints an interval: rates, ratios, survival, incidence."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from plantstats.periods import Period
from plantstats.simulate.params import DAYS_PER_100_YEARS, DAYS_PER_YEAR, CompanyParams, age_effects

MANY = 100_000  # more than any number of a quarter
LAST_AGE = 731  # days; the age effect is constant from there on
CLIENT_TIMES = {"office": 1.0, "lobby": 2.0, "home": 0.5}  # of the truth's client_rate


@dataclass(frozen=True)
class KnownCompany:
    """Tables of an invented company and its coefficients, which belong together."""

    params: CompanyParams
    tables: dict[str, pd.DataFrame]


def risk(known: KnownCompany, period: Period, by: str | None = None) -> pd.DataFrame:
    """True risk of a calendar quarter's plant-days, by a column of `true_quarters` or in all.

    Parameters
    ----------
    known : KnownCompany
        The invented company's tables and parameters.
    period : Period
        The quarter, half-open.
    by : str, optional
        Column to group by; all together without one.

    Returns
    -------
    pandas.DataFrame
        One row per group: plant_days, expected (losses that its true hazard adds up to).
    """
    q = known.tables["true_quarters"]
    inside = q[q["quarter"].eq(pd.Timestamp(period.start))]
    key = inside[by] if by else pd.Series("all", inside.index)
    sums = inside.groupby(key)[["plant_days", "expected_losses"]].sum().astype("float64")
    return sums.rename(columns={"expected_losses": "expected"})


def rate(known: KnownCompany, period: Period, by: str | None = None) -> pd.Series:
    """True losses per 100 plant-years of the quarter's own plant-days.

    The mean of a count that the Poisson limits are about. A building failure is not in it.

    Parameters
    ----------
    known : KnownCompany
        The invented company's tables and parameters.
    period : Period
        The quarter, half-open.
    by : str, optional
        Column to group by; all together without one.

    Returns
    -------
    pandas.Series
        By group.
    """
    sums = risk(known, period, by)
    return sums["expected"] / sums["plant_days"] * DAYS_PER_100_YEARS


def site_ratio(known: KnownCompany, period: Period) -> pd.Series:
    """True losses of each site over those of an average site with the same plants, all sites together 1.

    Parameters
    ----------
    known : KnownCompany
        The invented company's tables and parameters.
    period : Period
        The quarter, half-open.

    Returns
    -------
    pandas.Series
        By site_id.

    Notes
    -----
    The hazard is proportional to the site's effect; the average is weighted by what is expected at effect 1.
    """
    expected = risk(known, period, "site_id")["expected"]
    effect = known.tables["true_sites"].set_index("site_id")["effect"].reindex(expected.index)
    at_effect_1 = expected / effect
    return effect / (expected.sum() / at_effect_1.sum())


def at_ages(
    known: KnownCompany, lifetimes: pd.DataFrame, as_of: date, by: str | None = None
) -> dict[str, pd.DataFrame]:
    """True hazards by age of the very plants that a curve is about, while they were under observation.

    Parameters
    ----------
    known : KnownCompany
        The invented company's tables and parameters.
    lifetimes : pandas.DataFrame
        Of the records: which plants, and which group each is put in.
    as_of : date
        End of follow-up.
    by : str, optional
        Column of `lifetimes`.

    Returns
    -------
    dict of str to pandas.DataFrame
        Per group a table by age in days (1 on): plants (at risk), losses, client (true hazards added up).

    Notes
    -----
    A plant's true losses of a quarter are spread over its days by the age effect; the yearly cycle within one quarter
    moves this by less than 2%.
    """
    plants = known.tables["true_plants"].set_index("plant_id")
    chosen = lifetimes.drop_duplicates("plant_id").set_index("plant_id")
    group = chosen[by].astype("object").fillna("unknown") if by else pd.Series("all", chosen.index)
    p = plants.loc[plants.index.isin(chosen.index) & plants["silent_swaps"].eq(0)]
    start = _days(p["known_from"]) + 1
    stop = np.minimum(_days(p["ended_on"].fillna(pd.Timestamp(as_of))), _days(pd.Series([pd.Timestamp(as_of)]))[0])
    length = np.maximum(stop - start + 1, 0)
    plant = np.repeat(np.arange(len(p)), length)
    day = np.arange(length.sum()) - np.repeat(np.cumsum(length) - length, length) + start[plant]
    age = day - _days(p["planted_on"])[plant]
    shape = age_effects(known.params)[np.clip(age, 0, LAST_AGE)]
    shape = np.exp(shape + (known.params.ageing_shape - 1) * np.log((np.maximum(age, 0) + 0.5) / DAYS_PER_YEAR))
    dates = pd.to_datetime(day, unit="D")
    key = plant.astype("int64") * MANY + np.asarray(dates.year * 4 + dates.quarter)
    q = known.tables["true_quarters"]
    q = q[q["plant_id"].isin(p.index)]
    number = pd.Series(np.arange(len(p)), p.index)[q["plant_id"]].to_numpy("int64")
    # A plant that was moved has two rows in a quarter.
    q = q.assign(key=number * MANY + (q["quarter"].dt.year * 4 + q["quarter"].dt.quarter)).groupby("key")
    per_day = q["expected_losses"].sum() / q["plant_days"].sum().astype("float64")
    unique, where = np.unique(key, return_inverse=True)
    mean_shape = np.bincount(where, shape) / np.bincount(where)
    hazard = per_day.reindex(unique).fillna(0.0).to_numpy()[where] * shape / mean_shape[where]
    sites = known.tables["sites"].set_index("site_id")["setting"].map(CLIENT_TIMES)
    client = known.params.client_rate * sites.reindex(p["site_id"]).to_numpy(float) / DAYS_PER_100_YEARS
    names, code = np.unique(group.reindex(p.index).to_numpy(dtype=str), return_inverse=True)
    tables = {}
    for n, name in enumerate(names):
        at = code[plant] == n
        ages, longest = age[at], int(age.max()) + 1
        tables[str(name)] = pd.DataFrame(
            {
                "plants": np.bincount(ages, minlength=longest),
                "losses": np.bincount(ages, hazard[at], minlength=longest),
                "client": np.bincount(ages, client[plant][at], minlength=longest),
            }
        ).iloc[1:]
    return tables


def survival(ages: pd.DataFrame, age: int) -> float:
    """True chance in percent to be neither dead nor declined at an age: what the curve estimates.

    Parameters
    ----------
    ages : pandas.DataFrame
        A table of `at_ages`.
    age : int
        Days.

    Returns
    -------
    float

    Notes
    -----
    100 exp(-sum of hazards).
    """
    upto = ages.loc[:age]
    return float(100 * np.exp(-(upto["losses"] / upto["plants"].replace(0, np.nan)).fillna(0).sum()))


def incidence(ages: pd.DataFrame, age: int) -> dict[str, float]:
    """True percent lost ("losses") and taken by clients ("client") by an age, each while the other is at work.

    Parameters
    ----------
    ages : pandas.DataFrame
        A table of `at_ages`.
    age : int
        Days.

    Returns
    -------
    dict of str to float
    """
    upto = ages.loc[:age]
    hazard = upto[["losses", "client"]].div(upto["plants"].replace(0, np.nan), axis=0).fillna(0.0)
    total = hazard.sum(axis=1)
    before = np.exp(-(total.cumsum() - total))
    # Within a day both act: the share of each is by its hazard.
    ended = before * -np.expm1(-total)
    share = hazard.div(total.where(total > 0, 1.0), axis=0)
    return {name: float(100 * (ended * share[name]).sum()) for name in hazard}


def _days(dates: pd.Series) -> np.ndarray:
    return dates.to_numpy().astype("datetime64[D]").astype("int64")
