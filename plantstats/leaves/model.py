"""The leaf model: which conditions go with falling leaves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import optimize

from plantstats.exposure import DRY_AIR_BELOW
from plantstats.leaves.build import CountIntervals
from plantstats.leaves.design import columns, formula_of
from plantstats.leaves.inputs import CONDITIONS, KEY, OUTCOMES, RH_STEP, RH_TOP
from plantstats.stats.counts import CountFit, CountModelError, fit_counts, highest_loglik
from plantstats.stats.crossed_design import distinct_rows
from plantstats.stats.intervals import Array, zero_event_limit

LIMITS = tuple(range(DRY_AIR_BELOW - 2 * RH_STEP, RH_TOP + 1, RH_STEP))  # humidity limits that may be asked for
DAYS_PER_MONTH = 365.25 / 12
# What a fit takes from the frequency table: numbers only, since words come to it by themselves.
FITTED = {"n": "counted", "sum": "leaves", "squares": "squares"}


@dataclass(frozen=True)
class LeafFit:
    """The fitted model of one outcome.

    Attributes
    ----------
    outcome : str
        "green" or "yellow".
    humidity_limit : int
        Percent below which air counts as dry.
    fit : CountFit
    table : pandas.DataFrame
        The frequency table used: combination, conditions, columns of the formula, exposure, n and sum (words as the
        least that they may mean), counted and leaves (numbers only), squares.
    zero_levels : pandas.DataFrame
        Levels without a leaf, which the model leaves out: factor, level, n, leaves (0), plant_days, high (upper limit,
        leaves a day).
    left_out : tuple of str
        Terms that the records say nothing about, with the reason.
    expected : pandas.Series
        By combination: leaves of one interval; missing where not in the model.
    frequencies : pandas.DataFrame
        How often each count occurred: count, n.
    """

    outcome: str
    humidity_limit: int
    fit: CountFit
    table: pd.DataFrame
    zero_levels: pd.DataFrame
    left_out: tuple[str, ...]
    expected: pd.Series
    frequencies: pd.DataFrame

    @property
    def method(self) -> str:
        """How estimates were made, for findings."""
        errors = "" if self.fit.df is None else f", errors between {self.fit.n_clusters} sites"
        return f"{self.fit.family} regression{errors}"

    def profile(self, species: str, **changes: object) -> pd.DataFrame:
        """One row of conditions: a species in the reference profile, with the changes given.

        Reference: medium light, humidity at or above the limit, usual warmth, away from vents and doors, long on site,
        neither moved nor repotted lately, soil found moist, mean of the year.

        Parameters
        ----------
        species : str
            Scientific name.
        **changes : object
            Conditions other than in the reference.

        Returns
        -------
        pandas.DataFrame

        Raises
        ------
        CountModelError
            For a species that is not in the model, or a condition that the model does not know.
        """
        group = self.table.loc[self.table["species"].eq(species), "air_group"]
        if group.empty:
            raise CountModelError(f"{species} is not in the model of {self.outcome} leaves")
        row: dict[str, object] = {name: levels[0] for name, levels in CONDITIONS.items()}
        row |= {"species": species, "air_group": group.iloc[0]}
        row |= dict.fromkeys(("dry_air", "air_unknown", "cos_year", "sin_year"), 0.0)
        unknown = sorted(set(changes) - set(row))
        if unknown:
            raise CountModelError(f"no condition {', '.join(unknown)} in the leaf model")
        return pd.DataFrame([row | changes])

    def column(self, name: str) -> Array:
        """Weights that pick one coefficient.

        Parameters
        ----------
        name : str
            Of the design.

        Returns
        -------
        numpy.ndarray
        """
        return (self.fit.params.index == name).astype("float64")


def fit_leaves(intervals: CountIntervals, outcome: str = "green", humidity_limit: int = DRY_AIR_BELOW) -> LeafFit:
    """Fit the leaf model on the frequency table of count intervals; words count between the numbers they may mean.

    Parameters
    ----------
    intervals : CountIntervals
    outcome : {"green", "yellow"}
        Leaves dropped, or oldest leaves yellowed.
    humidity_limit : int
        Percent humidity below which air counts as dry; one of `LIMITS`.

    Returns
    -------
    LeafFit

    Raises
    ------
    CountModelError
        As `fit_counts`, and for an unknown outcome or limit.

    Notes
    -----
    Negative binomial regression of leaves with plant-days as exposure on the terms of `design.TERMS`. Intervals with a
    count = in the model + in levels without a leaf (`LeafFit.zero_levels`).

    Examples
    --------
    >>> green = fit_leaves(leaves.build(time))  # doctest: +SKIP
    >>> green.fit.log_mean(green.profile("Ficus lyrata", new="days 1-30"))  # doctest: +SKIP
    """
    faults = []
    if outcome not in OUTCOMES:
        faults.append(f"outcome is {outcome!r}; it must be one of {', '.join(OUTCOMES)}")
    if humidity_limit not in LIMITS:
        faults.append(f"humidity limit is {humidity_limit!r}; it must be one of {', '.join(map(str, LIMITS))}")
    if faults:
        raise CountModelError("; ".join(faults))
    censored = intervals.censored(outcome)
    table = columns(_of_outcome(intervals.frequency_table, outcome, censored), humidity_limit)
    table, zero_levels = _without_zero_levels(table, ("species", *CONDITIONS))
    frequencies = intervals.frequencies(outcome)
    # Levels without a leaf took counts of 0 with them.
    n_ended = int(sum(counts["counted"].sum() for counts in zero_levels["counts"]))
    frequencies["n"] -= np.where(frequencies["count"] == 0, n_ended, 0)
    formula, left_out = formula_of(table)
    rows, row_of = _distinct(table)
    by_site = intervals.sums_by_site(outcome, row_of)
    fit = fit_counts(rows, frequencies, formula, by_site, censored=_numbered(censored, row_of))
    upper = [_upper_limit(counts, fit.alpha) for counts in zero_levels["counts"]]
    return LeafFit(
        outcome,
        humidity_limit,
        fit,
        table,
        zero_levels.drop(columns="counts").assign(high=np.array(upper, dtype="float64")),
        (*left_out, *(f"{name}: tells the same as other terms" for name in fit.repeated)),
        pd.Series(fit.fitted[row_of.to_numpy()], row_of.index),
        frequencies,
    )


def humidity_limit_profile(intervals: CountIntervals, fitted: LeafFit) -> pd.DataFrame:
    """Fit of each humidity as the one below which air counts as dry.

    Parameters
    ----------
    intervals : CountIntervals
        The count intervals.
    fitted : LeafFit
        Of them, under one limit.

    Returns
    -------
    pandas.DataFrame
        One row per value of `LIMITS`: humidity_limit (percent), behind (log likelihood behind the best).
    """
    known, censored = {fitted.humidity_limit: fitted.fit.loglik}, intervals.censored(fitted.outcome)
    for limit in set(LIMITS) - known.keys():
        table = columns(fitted.table, limit)
        rows, row_of = _distinct(table)
        counts, words = fitted.frequencies, _numbered(censored, row_of)
        known[limit] = highest_loglik(rows, counts, formula_of(table)[0], fitted.fit, censored=words)
    fits = np.array([known[limit] for limit in LIMITS])
    return pd.DataFrame({"humidity_limit": LIMITS, "behind": fits.max() - fits})


def _of_outcome(table: pd.DataFrame, outcome: str, censored: pd.DataFrame) -> pd.DataFrame:
    """The frequency table of one outcome; n and sum are those with words, which add the least that they may mean."""
    table = table.rename(columns={f"{outcome}_{part}": name for part, name in FITTED.items()})
    words = censored.assign(lower=censored["n"] * censored["lower"]).groupby("combination")[["n", "lower"]].sum()
    words = words.reindex(table["combination"]).fillna(0).astype("int64").reset_index(drop=True)
    table = table.assign(n=table["counted"] + words["n"], sum=table["leaves"] + words["lower"])
    wanted = ["combination", "species_group", *KEY, "counted", "leaves", "squares", "n", "sum"]
    return table.loc[table["n"] > 0, wanted].reset_index(drop=True)


def _distinct(table: pd.DataFrame) -> tuple[pd.DataFrame, pd.Series]:
    """Combinations that no formula can tell apart as one row of the fit; and the row of each, by combination.

    Bands of humidity above the limit are such: each adds a row for every condition, month and length of interval.
    """
    same = ["species", *CONDITIONS, "month", "dry_air", "air_unknown", "exposure"]
    row_of, first = distinct_rows(table, same)
    rows = table.iloc[first].drop(columns=["combination", "rh", "counted", "leaves"])
    counts = {name: np.bincount(row_of, table[of]) for name, of in FITTED.items()}
    return rows.reset_index(drop=True).assign(**counts), pd.Series(row_of, pd.Index(table["combination"]), name="row")


def _numbered(counts: pd.DataFrame, row_of: pd.Series) -> pd.DataFrame:
    """Counts by site with the row of the fit that their combination is in; those in none are left out."""
    counts = counts.astype({"site": "str"}).rename(columns={"site": "cluster"})
    counts["row"] = row_of.reindex(counts["combination"]).to_numpy()
    return counts.dropna(subset="row")


def _without_zero_levels(table: pd.DataFrame, factors: tuple[str, ...]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Take out levels of which no interval had a leaf: their log rate is minus infinity, and no fit finds that."""
    taken_out: list[dict[str, object]] = []
    while True:
        before = len(taken_out)
        for factor in factors:
            codes, levels = table[factor].cat.codes, table[factor].cat.categories
            leaves = np.bincount(codes, table["sum"], len(levels))
            for level in levels[(np.bincount(codes, minlength=len(levels)) > 0) & (leaves == 0)]:
                rows = table[table[factor] == level]
                level_row = {"factor": factor, "level": str(level), "n": int(rows["n"].sum()), "leaves": 0}
                level_row["plant_days"] = float((rows["n"] * rows["exposure"]).sum())
                taken_out.append(level_row | {"counts": rows[["counted", "exposure"]]})
                table = table[table[factor] != level]
        if len(taken_out) == before:
            break
    for factor in factors:
        table[factor] = table[factor].cat.remove_unused_categories()
    names = ["factor", "level", "n", "leaves", "plant_days", "counts"]
    return table.reset_index(drop=True), pd.DataFrame(taken_out, columns=names)


def _upper_limit(counts: pd.DataFrame, alpha: float) -> float:
    """Highest rate a day under which not one leaf in all these intervals still has a probability of 2.5%.

    The probability of no leaf in d days is (1 + alpha r d)^(-1 / alpha), or exp(-r d) without dispersion; exact limits
    for none seen, as Garwood 1936 for the Poisson distribution.
    """
    n, days = (counts[name].to_numpy(dtype="float64") for name in ("counted", "exposure"))
    wanted = zero_event_limit()
    if not n.any():
        return np.nan  # words only, each of which may mean none
    low = wanted / (n @ days)
    if alpha == 0:
        return float(low)

    def excess(rate: float) -> float:
        return float((n @ np.log1p(alpha * rate * days)) / alpha - wanted)

    # Dispersion makes none likelier, so the limit lies above the Poisson one.
    high = low
    while excess(high) < 0:
        high *= 4
        if high > 1e6:
            return np.nan
    return float(optimize.brentq(excess, low / 2, high))
