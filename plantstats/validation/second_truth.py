"""What is true of the second invented company: rates, the nearest effects of our terms, drying, and days left dry."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import statsmodels.api as sm

from plantstats.exposure import POT_CLASSES, age_bands
from plantstats.periods import Period
from plantstats.validation.second_days import SecondCompany, drying
from plantstats.validation.second_layout import BANDS, PLANTERS, SPECIES, Array
from plantstats.validation.second_records import plant_ids
from plantstats.validation.true_values import DAYS_PER_100_YEARS

HEATING_MONTHS = (10, 11, 12, 1, 2, 3, 4)
CLEARLY = 2  # days beyond what is tolerated from which a plant is clearly too dry
WINTERS = 16  # times that a heating season is lived through, so that one missed visit does not make the truth
TOO_LONG = 120  # days after which a soil that has not dried is not followed further


def risk(company: SecondCompany, period: Period, by: str = "") -> pd.DataFrame:
    """True plant-days and expected losses of a period.

    Parameters
    ----------
    company : SecondCompany
    period : Period
    by : str
        "site_id", "species" or "" for the whole company.

    Returns
    -------
    pandas.DataFrame
        plant_days, expected, by group ("all" for the whole).
    """
    rows = company.risk
    rows = rows[rows["month"].between(pd.Timestamp(period.start), pd.Timestamp(period.last_day))]
    of = company.layout
    groups = {
        "site_id": np.array([f"S{site + 1:03d}" for site in of.site]),
        "species": np.array([SPECIES[s].name for s in of.species]),
        "": np.full(len(of.site), "all"),
    }
    return rows.assign(group=groups[by][rows["place"]]).groupby("group")[["plant_days", "expected"]].sum()


def rate(company: SecondCompany, period: Period, by: str = "") -> pd.Series:
    """True losses per 100 plant-years, by group.

    Parameters
    ----------
    company : SecondCompany
        A company of the second generator.
    period : Period
        The quarter, half-open.
    by : str, default ''
        Column to group by.

    Returns
    -------
    pandas.Series
        By group.
    """
    sums = risk(company, period, by)
    return sums["expected"] / sums["plant_days"] * DAYS_PER_100_YEARS


def nearest_effects(company: SecondCompany) -> dict[str, float]:
    """The rate ratios of our terms that come nearest to a truth that is not of their form.

    Parameters
    ----------
    company : SecondCompany

    Returns
    -------
    dict of str to float
        By term as findings name it: light, pot, planter, age.

    Notes
    -----
    Poisson regression of the true expected losses of each place and month on the terms of the loss model, season and
    sites: what a fit tends to as losses become many, when no term is missing from the records.

    References
    ----------
    White 1982, Econometrica 50:1, on the parameter nearest in the sense of Kullback and Leibler.
    """
    of, rows = company.layout, company.risk
    place, bands = rows["place"].to_numpy(), age_bands()
    pots = np.array(POT_CLASSES)[of.pot]
    levels = {
        "light": (np.array(BANDS)[of.band][place], "medium"),
        "pot": (pots[place], "15-24 cm"),
        "planter": (np.array(PLANTERS)[of.planter][place], "direct"),
        "age_band": (np.array(bands[:4])[rows["age_band"]], bands[1]),
        "species": (of.species[place].astype(str), "0"),
        "site": (of.site[place].astype(str), "0"),
    }
    columns: dict[str, Array] = {}
    for name, (values, reference) in levels.items():
        columns |= {
            f"{name}: {level} (against {reference})": (values == level).astype(float)
            for level in sorted(set(values) - {reference})
        }
    angle = 2 * np.pi * (rows["month"].dt.day_of_year.to_numpy() + 15) / 365.25
    design = pd.DataFrame({"one": 1.0, **columns, "cos": np.cos(angle), "sin": np.sin(angle)})
    offset = np.log(rows["plant_days"].to_numpy(dtype=float))
    fit = sm.GLM(rows["expected"].to_numpy(), design.to_numpy(), family=sm.families.Poisson(), offset=offset).fit()
    ratios = dict(zip(design.columns, np.exp(fit.params), strict=True))
    return {
        name: float(v) for name, v in ratios.items() if name.split(":")[0] in ("light", "pot", "planter", "age_band")
    }


def drying_days(company: SecondCompany, row: dict[str, object], share: float) -> float:
    """Days until the topsoil of a share of such plants is dry, watered on every tenth day of the season.

    Parameters
    ----------
    company : SecondCompany
    row : dict of str to object
        species, light, pot, planter, season.
    share : float

    Returns
    -------
    float
        Missing where no place is of this kind.
    """
    of = company.layout
    own = (
        (np.array([s.name for s in SPECIES])[of.species] == row["species"])
        & (np.array(BANDS)[of.band] == row["light"])
        & (np.array(POT_CLASSES)[of.pot] == row["pot"])
        & (np.array(PLANTERS)[of.planter] == row["planter"])
    )
    if not own.any():
        return float("nan")
    heating = row["season"] == "heating season"
    places = np.flatnonzero(own)
    months = company.dates.month
    last = len(company.dates) - TOO_LONG
    starts = [d for d in range(company.day0, last, 10) if (months[d] in HEATING_MONTHS) == heating]
    times = [_days_to_dry(company, places, start) for start in starts]
    return float(np.quantile(np.concatenate(times), share)) if times else float("nan")


def _days_to_dry(company: SecondCompany, places: npt.NDArray[np.int64], start: int) -> Array:
    """Days from a watering until each place's topsoil is dry, to a part of a day."""
    of = company.layout
    deficit = company.air.deficit[start + 1 : start + 1 + TOO_LONG][:, of.site[places]]
    lost = np.cumsum(of.dry_rate[places] * (0.35 + 0.5 * deficit), axis=0)
    needed = np.log(1 / of.threshold[places])
    first = (lost >= needed).argmax(axis=0)
    reached = (lost >= needed).any(axis=0)
    at = np.arange(len(places))
    before = np.where(first > 0, lost[first - 1, at], 0.0)
    part = (needed - before) / np.maximum(lost[first, at] - before, 1e-9)
    return np.asarray(np.where(reached, first + part, TOO_LONG))


def left_dry(
    company: SecondCompany, plant_ids_: pd.Series, every: tuple[int, ...], tolerated: Array
) -> tuple[Array, Array, Array]:
    """Days left dry beyond what is tolerated, when plants are looked at every so many days of the heating season.

    Parameters
    ----------
    company : SecondCompany
    plant_ids_ : pandas.Series
    every : tuple of int
        Days between looks.
    tolerated : numpy.ndarray, shape (plants,)
        Dry days beyond which a plant is too dry.

    Returns
    -------
    days_beyond, too_dry, clearly : numpy.ndarray, shape (plants, intervals)
        Share of days on which a plant stands dry for too long, share of its waterings that find it so, and share that
        find it dry for `CLEARLY` days more.

    Notes
    -----
    Day by day in the air of the last heating season on record, with the misreading near the threshold, the visits
    missed and the scatter of days that the company itself has; the mean of `WINTERS` such seasons, as a plant that is
    watered four times a winter is not too dry a quarter of the time because one visit was missed.
    """
    place = pd.Series(np.arange(len(company.layout.site)), plant_ids(company))[plant_ids_].to_numpy()
    of = company.layout
    days = [d for d in range(len(company.dates) - 365, len(company.dates)) if company.dates[d].month in HEATING_MONTHS]
    shape = (WINTERS, len(place), len(every))
    rng = np.random.Generator(np.random.PCG64(np.random.SeedSequence([company.params.seed, 4])))
    water, dry_days = np.ones(shape), np.zeros(shape)
    beyond, waterings, late, later = (np.zeros(shape) for _ in range(4))
    offset = rng.integers(0, np.array(every), (WINTERS, 1, len(every)))
    threshold, tolerated = of.threshold[place][:, None], tolerated[:, None]
    for number, day in enumerate(days):
        deficit = company.air.deficit[day, of.site[place]]
        water = water * np.exp(-drying(of, deficit, place) * rng.lognormal(0, 0.15, shape[:2]))[:, :, None]
        dry_days = np.where(water < threshold, dry_days + 1, 0.0)
        beyond += dry_days > tolerated
        due = ((number + offset) % np.array(every) == 0) & (rng.random(offset.shape) > 0.05)
        noted = rng.random(shape) < 1 / (1 + np.exp(-(threshold - water) / 0.03))
        watered = due & noted
        waterings += watered
        late += watered & (dry_days > tolerated)
        later += watered & (dry_days > tolerated + CLEARLY)
        water, dry_days = np.where(watered, 1.0, water), np.where(watered, 0.0, dry_days)
    number_of = np.maximum(waterings.sum(axis=0), 1)
    return beyond.sum(axis=0) / (WINTERS * len(days)), late.sum(axis=0) / number_of, later.sum(axis=0) / number_of
