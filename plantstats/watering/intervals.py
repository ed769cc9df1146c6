"""From drying to intervals: days until dry, and what follows when plants are looked at every so many days."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import special

from plantstats.watering.drying import Drying
from plantstats.watering.law import Array, days_until_dry, still_moist

HORIZON = 400  # days over which a drying is followed; a reservoir may last months
SCALES = np.log(1.5) + 0.05 * np.arange(108)  # 1.5 to 316 days
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
    too_dry_days: Array  # share of days on which a plant stands dry for too long already


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
    # A plant that dries before the visit at `ends` is watered there, or `later` visits after it.
    begins, ends = at[:-1][None, :], at[1:][None, :]
    too_dry, too_dry_days = np.zeros(len(moist)), np.zeros(len(moist))
    for later in range(LATER + 1):
        weight = (1 - found) ** later * (found if later < LATER else 1.0)
        latest = ends + later * every - slack[:, None]  # drying after this leaves it dry, but not for too long
        until = np.clip(latest, begins, ends)
        share = s[:, :-1] - _between(moist, until)
        too_dry += weight * (share @ unwatered)
        days = (until - begins) * s[:, :-1] - (_between(area, until) - area[:, at[:-1]])
        too_dry_days += weight * ((days + np.maximum(latest - until, 0.0) * share) @ unwatered)
    return Cycle(gap, *(np.clip(part, 0.0, 1.0) for part in (1 - days_moist / gap, too_dry, too_dry_days / gap)))


class Cycles:
    """Cycles of every drying speed at some intervals, worked out on a grid of scales and looked up from there."""

    def __init__(
        self,
        law: str,
        log_shape: float,
        misread_logit: float,
        every: tuple[int, ...],
        too_dry_after: float,
        missed: float,
        steps: tuple[float, float] = (0.0, 0.0),
    ) -> None:
        """For one law.

        Takes:  log_shape, misread_logit: the estimates; every: intervals in days; too_dry_after: as in Assumptions;
                missed: share of looks; steps: how far log shape and misread logit may be off (0: not at all).
        """

        def grid(shape: float, logit: float) -> Array:
            moist = moist_by_day(law, SCALES, np.exp(shape))
            slack = too_dry_after * days_until_dry(law, 0.5, SCALES, np.exp(shape))
            made = [cycle(moist, days, slack, float(special.expit(logit)), missed) for days in every]
            # Parts x scales x intervals; gaps as logarithms, which are nearly straight in log scale.
            whole = np.stack([np.stack(part, axis=1) for part in zip(*made, strict=True)])
            whole[0] = np.log(whole[0])
            return whole

        self.every, self._at = every, grid(log_shape, misread_logit)
        self._slopes = []
        for n, step in enumerate(steps):
            if step > 0:
                far = np.array([log_shape, misread_logit]) + step * np.eye(2)[n]
                near = np.array([log_shape, misread_logit]) - step * np.eye(2)[n]
                self._slopes.append((grid(*far) - grid(*near)) / (2 * step))
            else:
                self._slopes.append(np.zeros_like(self._at))

    def at(self, log_scale: Array, shape_off: float = 0.0, misread_off: float = 0.0) -> Cycle:
        """Cycle of situations x intervals.

        Takes:  log_scale per situation; shape_off, misread_off: how far log shape and misread logit are from the
                estimates (first order: straight lines).
        Source: linear between scales 5% apart, which moves a share by less than 0.005 (tested).
        """
        place = np.clip((log_scale - SCALES[0]) / (SCALES[1] - SCALES[0]), 0, len(SCALES) - 1.001)
        left = place.astype(int)
        part = (place - left)[:, None]
        values = self._at + shape_off * self._slopes[0] + misread_off * self._slopes[1]
        values = values[:, left] * (1 - part) + values[:, left + 1] * part
        return Cycle(np.exp(values[0]), *np.clip(values[1:], 0.0, 1.0))


def _between(moist: Array, at: Array) -> Array:
    whole = np.minimum(at.astype(int), HORIZON - 1)
    part = at - whole
    left = np.take_along_axis(moist, whole, axis=1)
    return left + part * (np.take_along_axis(moist, whole + 1, axis=1) - left)
