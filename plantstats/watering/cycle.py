"""From drying to waterings: what follows when plants are inspected every so many days."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from scipy import special

from plantstats.watering.distribution import Array, still_moist

HORIZON = 400  # days over which a drying is followed; a reservoir may last months
LOG_SCALES = np.log(1.5) + 0.05 * np.arange(108)  # 1.5 to 316 days
LATER = 4  # visits beyond which a dry plant that was passed over counts as too dry


class Cycle(NamedTuple):
    """What inspecting every so many days leads to: arrays of one shape, such as profiles x intervals."""

    gap: Array  # days from one watering to the next
    dry_share: Array  # share of days with topsoil left dry
    too_dry: Array  # share of waterings of plants that had been dry too long
    too_dry_days: Array  # share of days on which a plant stands dry for too long already


def moist_by_day(family: str, log_scale: Array, shape: float) -> Array:
    """Share still moist on each whole day after watering: profiles x (HORIZON + 1).

    Parameters
    ----------
    family : str
        "Weibull" or "lognormal".
    log_scale : numpy.ndarray
        Log of the scale of the drying time, in days, of each profile.
    shape : float
        Of the distribution.

    Returns
    -------
    numpy.ndarray, shape (profiles, HORIZON + 1)
    """
    return still_moist(family, np.arange(HORIZON + 1.0), log_scale[:, None], shape)


def cycle(moist: Array, every: int, tolerated: Array, misclassified: float, missed: float) -> Cycle:
    """Follow plants that are inspected every so many days and watered at the first inspection that finds them dry.

    Parameters
    ----------
    moist : numpy.ndarray, shape (profiles, HORIZON + 1)
        As `moist_by_day`.
    every : int
        Days between inspections.
    tolerated : numpy.ndarray, shape (profiles,) or (1,)
        Days dry from which a plant is too dry; one value for all.
    misclassified : float
        Share of inspections that take dry for not dry or the reverse.
    missed : float
        Share of inspections that do not take place.

    Returns
    -------
    Cycle
        Arrays of shape (profiles,); gap = days moist + days left dry.

    Notes
    -----
    Renewal argument. With every inspection made and right, the gap is the drying time rounded up to whole intervals, so
    its mean is every x sum over j of S(j x every), j = 0, 1, 2, ... (worked in the tests).
    """
    early, found_chance = misclassified * (1 - missed), (1 - misclassified) * (1 - missed)
    inspections = HORIZON // every
    at = np.arange(inspections + 1) * every
    s = moist[:, at]
    unwatered = (1 - early) ** np.arange(inspections)
    area = np.concatenate([np.zeros((len(moist), 1)), np.cumsum((moist[:, 1:] + moist[:, :-1]) / 2, axis=1)], axis=1)
    days_moist = np.diff(area[:, at], axis=1) @ unwatered
    dried = -np.diff(s, axis=1) * unwatered
    gap = every * (s[:, :-1] @ unwatered + (1 - found_chance) / found_chance * dried.sum(axis=1))
    # A plant that dries before the visit at `ends` is watered there, or `later` visits after it.
    begins, ends = at[:-1][None, :], at[1:][None, :]
    too_dry, too_dry_days = np.zeros(len(moist)), np.zeros(len(moist))
    for later in range(LATER + 1):
        weight = (1 - found_chance) ** later * (found_chance if later < LATER else 1.0)
        latest = ends + later * every - tolerated[:, None]  # drying after this leaves it dry, but not for too long
        until = np.clip(latest, begins, ends)
        share = s[:, :-1] - _interpolated(moist, until)
        too_dry += weight * (share @ unwatered)
        days = (until - begins) * s[:, :-1] - (_interpolated(area, until) - area[:, at[:-1]])
        too_dry_days += weight * ((days + np.maximum(latest - until, 0.0) * share) @ unwatered)
    return Cycle(gap, *(np.clip(part, 0.0, 1.0) for part in (1 - days_moist / gap, too_dry, too_dry_days / gap)))


class CycleTable:
    """Cycles of every drying speed at some intervals, worked out on a grid of scales and looked up from there.

    Parameters
    ----------
    family : {"Weibull", "log-logistic"}
    log_shape, misclassified_logit : float
        The estimates.
    every : tuple of int
        Intervals in days.
    tolerated_days : float
        Days dry beyond which a plant is too dry.
    missed : float
        Share of inspections that do not take place.
    steps : tuple of float
        How far log shape and logit may be from the estimates (0: not at all).
    """

    def __init__(
        self,
        family: str,
        log_shape: float,
        misclassified_logit: float,
        every: tuple[int, ...],
        tolerated_days: float,
        missed: float,
        steps: tuple[float, float] = (0.0, 0.0),
    ) -> None:
        def grid(log_shape: float, logit: float) -> Array:
            """Parts x scales x intervals."""
            given = family, float(log_shape), float(logit)
            return np.stack([_on_scales(*given, days, float(tolerated_days), missed) for days in every], axis=-1)

        middle = np.array([log_shape, misclassified_logit])
        self._values = grid(*middle)
        self._slopes = [
            (grid(*(middle + shift)) - grid(*(middle - shift))) / (2 * step)
            if step > 0
            else np.zeros_like(self._values)
            for step, shift in zip(steps, np.diag(steps), strict=True)
        ]

    def at(self, log_scale: Array, shape_shift: float = 0.0, misclassified_shift: float = 0.0) -> Cycle:
        """Cycle of profiles x intervals.

        Parameters
        ----------
        log_scale : numpy.ndarray, shape (profiles,)
        shape_shift, misclassified_shift : float
            How far log shape and misclassification logit are from the estimates (first order: straight lines).

        Returns
        -------
        Cycle
            Arrays of shape (profiles, intervals).

        Notes
        -----
        Linear between scales 5% apart, which moves a share by less than 0.005 (tested).
        """
        place = np.clip((log_scale - LOG_SCALES[0]) / (LOG_SCALES[1] - LOG_SCALES[0]), 0, len(LOG_SCALES) - 1.001)
        left = place.astype(int)
        part = (place - left)[:, None]
        values = self._values + shape_shift * self._slopes[0] + misclassified_shift * self._slopes[1]
        values, right = values.take(left, axis=1), values.take(left + 1, axis=1)
        # In place: samples x plants x intervals are many, and copies cost more than sums.
        values *= 1 - part
        right *= part
        values += right
        return Cycle(np.exp(values[0]), *np.clip(values[1:], 0.0, 1.0))


@lru_cache(maxsize=16)
def _moist_on_scales(family: str, log_shape: float) -> Array:
    return moist_by_day(family, LOG_SCALES, float(np.exp(log_shape)))


@lru_cache(maxsize=4096)
def _on_scales(family: str, log_shape: float, logit: float, days: int, tolerated: float, missed: float) -> Array:
    """Parts x scales of one interval; gaps as logarithms, which are nearly straight in log scale."""
    misclassified = float(special.expit(logit))
    parts = np.stack(cycle(_moist_on_scales(family, log_shape), days, np.array([tolerated]), misclassified, missed))
    parts[0] = np.log(parts[0])
    return parts


def _interpolated(values: Array, at: Array) -> Array:
    """Values between whole days: each row at its own days, or all rows at those of the only one."""
    whole = np.minimum(at.astype(int), HORIZON - 1)
    left, right = (
        values.take(days[0], axis=1) if len(at) == 1 else np.take_along_axis(values, days, axis=1)
        for days in (whole, whole + 1)
    )
    return left + (at - whole) * (right - left)
