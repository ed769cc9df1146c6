"""From drying to intervals: days until dry, and what follows when plants are looked at every so many days."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from plantstats.watering.drying import Drying
from plantstats.watering.law import Array, days_until_dry, still_moist

HORIZON = 400  # days over which a drying is followed; a reservoir may last months
LATER = 4  # visits beyond which a dry plant that was passed over counts as too dry


class Days(NamedTuple):
    """Days with the ends of their interval, one per situation."""

    estimate: Array
    low: Array
    high: Array


class Cycle(NamedTuple):
    """What looking every so many days leads to, one value per situation."""

    gap: Array  # days from one watering to the next
    dry_share: Array  # share of days with topsoil left dry
    too_dry: Array  # share of waterings of plants that had been dry too long


def dry_by(drying: Drying, plants: pd.DataFrame, share: float) -> Days:
    """Days after watering until the topsoil of a share of plants is dry.

    Takes:  drying; plants: one row per situation (see `Drying.design`); share: 0.5 is half of them.
    Gives:  Days; the intervals allow for the spread between sites and for shrinkage (delta method, log scale).
    Source: quantile of the fitted law: log scale + log(-log(1 - share)) / shape for the Weibull.
    """
    x = drying.design(plants)
    shape = drying.shape
    scale = drying.log_scale(plants)
    middle = days_until_dry(drying.law, share, scale, shape)
    # log quantile = effects + c / shape, so its slope by log shape is -c / shape.
    by_shape = -(np.log(middle) - scale)
    slopes = np.hstack([x.toarray(), by_shape[:, None], np.zeros((len(plants), 1))])
    reach = drying.t * np.sqrt(np.einsum("ij,jk,ik->i", slopes, drying.covariance, slopes))
    return Days(middle, middle * np.exp(-reach), middle * np.exp(reach))


def moist_by_day(law: str, log_scale: Array, shape: float) -> Array:
    """Share still moist on each whole day after watering: situations x (HORIZON + 1)."""
    return still_moist(law, np.arange(HORIZON + 1.0), log_scale[:, None], shape)


def cycle(moist: Array, every: int, slack: Array, misread: float, missed: float) -> Cycle:
    """Follow plants that are looked at every so many days and watered at the first look that finds them dry.

    Takes:  moist: as `moist_by_day`; every: days between looks; slack: days dry from which a plant is too dry, one
            per situation; misread: share of looks that take dry for not dry or the reverse; missed: share of looks
            that do not take place.
    Gives:  Cycle.
    Keeps:  gap = days moist + days left dry.
    Source: renewal argument. With every look made and read right, the gap is the drying time rounded up to whole
            intervals, so its mean is every x sum over j of S(j x every), j = 0, 1, 2, ... (worked in the tests).
    """
    early, found = misread * (1 - missed), (1 - misread) * (1 - missed)
    looks = HORIZON // every
    at = np.arange(looks + 1) * every
    s = moist[:, at]
    unwatered = (1 - early) ** np.arange(looks)
    area = np.concatenate([np.zeros((len(moist), 1)), np.cumsum((moist[:, 1:] + moist[:, :-1]) / 2, axis=1)], axis=1)
    days_moist = np.diff(area[:, at], axis=1) @ unwatered
    dried = -np.diff(s, axis=1) * unwatered
    gap = every * (s[:, :-1] @ unwatered + (1 - found) / found * dried.sum(axis=1))
    too_dry = np.zeros(len(moist))
    ends = at[1:][None, :]
    for later in range(LATER):
        until = np.clip(ends + later * every - slack[:, None], at[:-1][None, :], ends)
        share = (s[:, :-1] - _between(moist, until)) @ unwatered
        too_dry += found * (1 - found) ** later * share
    too_dry += (1 - found) ** LATER * dried.sum(axis=1)
    return Cycle(gap, np.clip(1 - days_moist / gap, 0.0, 1.0), np.clip(too_dry, 0.0, 1.0))


def longest_before_too_dry(moist: Array, slack: Array, days: tuple[int, ...], most: float, misread: float,
                           missed: float) -> Array:
    """The longest of the given intervals at which at most this share of waterings finds a plant too dry.

    Gives:  days, one per situation; 0 where even the shortest interval leaves too many too dry.
    """
    longest = np.zeros(len(moist))
    for every in sorted(days):
        good = (cycle(moist, every, slack, misread, missed).too_dry <= most) & (longest == _before(days, every))
        longest = np.where(good, every, longest)
    return longest


def _before(days: tuple[int, ...], every: int) -> int:
    return max((d for d in days if d < every), default=0)


def _between(moist: Array, at: Array) -> Array:
    whole = np.minimum(at.astype(int), HORIZON - 1)
    part = at - whole
    left = np.take_along_axis(moist, whole, axis=1)
    return left + part * (np.take_along_axis(moist, whole + 1, axis=1) - left)
