"""The watch list of one invented company a quarter ago: its chances, and how many of those lost it had named."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pandas as pd

from plantstats.exposure import PlantTime
from plantstats.losses.standing import HORIZON, lost_within
from plantstats.losses.watch_findings import FIFTHS, concordance_gain
from plantstats.losses.watch_list import Watch, watch
from plantstats.periods import Period
from plantstats.records import Records, species_table
from plantstats.stats.intervals import poisson_limits
from plantstats.validation import arithmetic
from plantstats.validation.rows import PAGE_STOPS, alarms, costs, intervals, refusal
from plantstats.validation.true_values import KnownCompany

TOP = 20  # plants on the page's list
NO_SCORE = 9.0  # plants without a score come last where the lowest come first
SCORES = {"1 or 2": 2.0, "3": 3.0, "4": 4.0, "5": 5.0, "not noted": NO_SCORE}


def validate(records: Records, known: KnownCompany, period: Period, time: PlantTime) -> list[pd.DataFrame]:
    """Rows of the list that stood at the start of the period, with the losses of its 90 days.

    Parameters
    ----------
    records : Records
        The company's records, as `records.load` gives them.
    known : KnownCompany
        The invented company's tables and parameters.
    period : Period
        The quarter, half-open.
    time : PlantTime
        Plant-time of the records.

    Returns
    -------
    list of pandas.DataFrame
        Rows of `compared`; watch_caught, watch_caught_by_truth, watch_caught_by_score: one row per plant lost, 1 where
        it stood among the TOP (a share, where equals would be chosen by lot).
    """
    day = period.start - timedelta(days=1)
    try:
        listed = watch(records, day, species_table(), with_reasons=False)
    except PAGE_STOPS as fault:
        return [refusal("watch_ratio", fault)]
    plants = listed.plants
    lost = plants["plant_id"].map(lost_within(time, day)).fillna(0.0)
    parts = compared(listed, lost)
    was_lost = lost.gt(0)
    ways = {
        "watch_caught": pd.Series(np.arange(len(plants), dtype="float64"), plants.index),
        "watch_caught_by_truth": -_true_risk(plants["plant_id"], known, day),
        "watch_caught_by_score": plants["condition"].map(SCORES),
    }
    return parts + [alarms(kind, plants["plant_id"][was_lost], chosen(order)[was_lost]) for kind, order in ways.items()]


def compared(listed: Watch, lost: pd.Series) -> list[pd.DataFrame]:
    """Rows of a list that need no truth but what came.

    Parameters
    ----------
    listed : Watch
    lost : pandas.Series
        Ordinary losses of its 90 days, aligned with its plants.

    Returns
    -------
    list of pandas.DataFrame
        Rows: watch_ratio (losses over those that the list expected; truth 1) of all plants, watch_list_ratio of the
        TOP listed, watch_fifth_ratio of each fifth; watch_points_over_score: concordance less that of the last score
        alone, as a share.
    """
    plants = listed.plants
    expected = plants["expected"] * plants["plants"]
    parts = [
        _ratio("watch_ratio", lost, expected, f"{HORIZON} days from {listed.day + timedelta(days=1)}"),
        _ratio("watch_list_ratio", lost.head(TOP), expected.head(TOP), f"{TOP} plants"),
    ]
    fifth = FIFTHS * np.arange(len(plants)) // max(len(plants), 1)
    for n in range(FIFTHS):
        of = fifth == FIFTHS - 1 - n
        if expected[of].sum() > 0:
            parts.append(_ratio("watch_fifth_ratio", lost[of], expected[of], f"fifth {n + 1} of {FIFTHS}"))
    by_score = plants["condition"].map(listed.conditions.set_index("condition")["ratio"]).astype("float64")
    gain = float(concordance_gain(plants["expected"], by_score, lost).estimate[0])
    return parts if np.isnan(gain) else [*parts, costs("watch_points_over_score", gain / 100)]


def chosen(order: pd.Series, top: int = TOP) -> pd.Series:
    """Chance of each to be among the first so many, equals by lot.

    Parameters
    ----------
    order : pandas.Series
        Rank of each; the lowest comes first.
    top : int, optional
        How many are chosen.

    Returns
    -------
    pandas.Series
    """
    before = order.rank(method="min") - 1
    equal = order.groupby(order).transform("size")
    return ((top - before) / equal).clip(0.0, 1.0)


def _ratio(kind: str, lost: pd.Series, expected: pd.Series, of: str) -> pd.DataFrame:
    """Losses over those expected, with the limits that the page prints."""
    expected_losses = float(expected.sum())
    limits = poisson_limits([lost.sum()])
    printed = pd.DataFrame({name: getattr(limits, name) / expected_losses for name in ("estimate", "low", "high")})
    return intervals(kind, printed, pd.Series([of]), [1.0], arithmetic.of_rate(expected_losses))


def _true_risk(plants: pd.Series, known: KnownCompany, day: date) -> pd.Series:
    """True losses a day of each plant in the quarter that begins; without end for one that is dead, not yet found."""
    q = known.tables["true_quarters"]
    now = q[q["quarter"].eq(pd.Timestamp(day + timedelta(days=1)))].groupby("plant_id")
    rate = now["expected_losses"].sum() / now["plant_days"].sum().astype("float64")
    ended = known.tables["true_plants"].set_index("plant_id")["ended_on"].reindex(plants)
    return plants.map(rate).fillna(0.0).mask(ended.le(pd.Timestamp(day)).to_numpy(), np.inf)
