"""From drying to waterings: what follows when plants are inspected every so many days."""

from __future__ import annotations

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


def cycle(moist: Array, every: int, tolerated: float, misclassified: float, missed: float) -> Cycle:
    """Follow plants that are inspected every so many days and watered at the first inspection that finds them dry.

    Parameters
    ----------
    moist : numpy.ndarray, shape (profiles, HORIZON + 1)
        As `moist_by_day`.
    every : int
        Days between inspections.
    tolerated : float
        Days dry from which a plant is too dry.
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
    return Cycle(*_shares(_weights(every, tolerated, np.array([misclassified]), missed)[0] @ moist.T))


def _shares(sums: Array) -> Array:
    """Parts of a cycle (the last axis but one) from sums over the share still moist, weighted as `_weights` says."""
    gap, days_moist, too_dry, too_dry_days = np.moveaxis(sums, -2, 0)
    shares = (1 - days_moist / gap, too_dry, too_dry_days / gap)
    return np.stack([gap, *(np.clip(part, 0.0, 1.0) for part in shares)])


def _weights(every: int, tolerated: float, misclassified: Array, missed: float) -> Array:
    """What the share still moist on each day counts for: shares misclassified x parts x (HORIZON + 1).

    Parts are the gap, its days moist, the share of waterings too late, and the days too dry: all are sums over days of
    the share still moist, which is all that differs between profiles.
    """
    early, found_chance = (each[:, None] * (1 - missed) for each in (misclassified, 1 - misclassified))
    begins = np.arange(HORIZON // every) * every
    ends = begins + every
    unwatered = (1 - early) ** np.arange(len(begins))
    # A plant that dries before the visit at `ends` is watered there, or `later` visits after it.
    later = np.arange(LATER + 1)
    reached = ((1 - found_chance) ** later * np.where(later < LATER, found_chance, 1.0))[:, :, None] * unwatered[
        :, None, :
    ]
    latest = ends + later[:, None] * every - tolerated  # drying after this leaves it dry, but not for too long
    until = np.clip(latest, begins, ends)
    rest = np.maximum(latest - until, 0.0)
    at_begin, at_end, at_until = _on_days(begins, unwatered), _on_days(ends, unwatered), _on_days(until, reached)
    gap = every * (at_begin + (1 - found_chance) / found_chance * (at_begin - at_end))
    waiting = _on_days(begins, (reached * (until - begins + rest)).sum(axis=1)) - _on_days(until, reached * rest)
    too_dry_days = waiting - _days_before(at_until - at_begin)
    return np.stack([gap, _days_before(at_end - at_begin), at_begin - at_until, too_dry_days], axis=1)


def _on_days(at: Array, weights: Array) -> Array:
    """Weights of values at some times, taken straight between whole days: rows x (HORIZON + 1)."""
    whole = np.minimum(at.astype(int), HORIZON - 1)
    rows = np.arange(len(weights)).reshape(-1, *[1] * at.ndim) * (HORIZON + 1)
    places = np.stack([rows + whole, rows + whole + 1])
    values = np.stack([weights * (1 - (at - whole)), weights * (at - whole)])
    return np.bincount(places.ravel(), values.ravel(), len(weights) * (HORIZON + 1)).reshape(len(weights), -1)


def _days_before(weights: Array) -> Array:
    """Weights on the share still moist of the days, up to each time, on which a plant is so (trapezoids)."""
    on_days = np.zeros_like(weights)
    on_days[:, :-1] = np.cumsum(weights[:, :0:-1], axis=1)[:, ::-1] / 2
    on_days[:, 1:] += on_days[:, :-1].copy()
    return on_days


class CycleTable:
    """Cycles of every drying speed at some intervals, worked out on a grid of scales to be looked up there.

    Parameters
    ----------
    family : {"Weibull", "log-logistic"}
    log_shape, misclassified_logit : float
        The estimates.
    every : tuple of int
        Intervals in days.
    tolerated_days : tuple of float
        Days dry beyond which a plant is too dry, of each kind of plants.
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
        tolerated_days: tuple[float, ...],
        missed: float,
        steps: tuple[float, float] = (0.0, 0.0),
    ) -> None:
        misclassified = special.expit(misclassified_logit + np.array([0.0, 1.0, -1.0]) * steps[1])
        # Intervals x tolerated x misclassified x parts x days.
        weights = np.array(
            [[_weights(days, tolerated, misclassified, missed) for tolerated in tolerated_days] for days in every]
        )

        def grid(moist: Array, which: int) -> Array:
            """Parts x intervals x (tolerated x scales); gaps as logarithms, nearly straight in log scale."""
            parts = _shares(np.tensordot(weights[:, :, which], moist, axes=(-1, 1))).reshape(4, len(every), -1)
            parts[0] = np.log(parts[0])
            return parts

        by_shape, by_logit = steps
        moist, *beside = (
            moist_by_day(family, LOG_SCALES, float(np.exp(log_shape + by))) for by in (0.0, by_shape, -by_shape)
        )
        self._values = grid(moist, 0)
        flat = np.zeros_like(self._values)
        self._slopes = (
            (grid(beside[0], 0) - grid(beside[1], 0)) / (2 * by_shape) if by_shape > 0 else flat,
            (grid(moist, 1) - grid(moist, 2)) / (2 * by_logit) if by_logit > 0 else flat,
        )

    def values(self, shape_shift: float = 0.0, misclassified_shift: float = 0.0) -> Array:
        """The table at other values of the distribution.

        Parameters
        ----------
        shape_shift, misclassified_shift : float
            How far log shape and misclassification logit are from the estimates (first order: straight lines).

        Returns
        -------
        numpy.ndarray, shape (parts, intervals, tolerated days x scales)
            For `interpolated`.
        """
        return np.asarray(self._values + shape_shift * self._slopes[0] + misclassified_shift * self._slopes[1])


def at_scales(values: Array, log_scale: Array, kind: Array, column: Array | None = None) -> Array:
    """Parts of a table at the drying speeds of profiles.

    Parameters
    ----------
    values : numpy.ndarray
        As `CycleTable.values`, or some of its parts; several of the same intervals may stand beside each other.
    log_scale : numpy.ndarray, shape (profiles,)
    kind : numpy.ndarray of int, shape (profiles,)
        Number of the table's block of scales that holds for each: its tolerated days.
    column : numpy.ndarray of int, shape (profiles,), optional
        The one interval that is wanted of each.

    Returns
    -------
    numpy.ndarray, shape (parts, intervals, profiles), or (parts, 1, profiles)

    Notes
    -----
    Linear between scales 5% apart, which moves a share by less than 0.005 (tested).
    """
    place = np.clip((log_scale - LOG_SCALES[0]) / (LOG_SCALES[1] - LOG_SCALES[0]), 0, len(LOG_SCALES) - 1.001)
    left = place.astype(int)
    part, at = place - left, kind * len(LOG_SCALES) + left
    if column is not None:
        at = at + column * values.shape[2]
        values = values.reshape(len(values), 1, -1)
    right = values.take(at + 1, axis=2)
    values = values.take(at, axis=2)
    # In place: samples x plants x intervals are many, and copies cost more than sums.
    values *= 1 - part
    right *= part
    values += right
    return values


def interpolated(values: Array, log_scale: Array, kind: Array, column: Array | None = None) -> Cycle:
    """Cycle of profiles x intervals.

    Parameters
    ----------
    values, log_scale, kind, column : numpy.ndarray
        As in `at_scales`.

    Returns
    -------
    Cycle
        Arrays of shape (profiles, intervals), or (profiles, 1), in which profiles lie beside each other.
    """
    parts = at_scales(values, log_scale, kind, column)
    np.exp(parts[0], out=parts[0])
    np.clip(parts[1:], 0.0, 1.0, out=parts[1:])
    return Cycle(*(each.T for each in parts))
