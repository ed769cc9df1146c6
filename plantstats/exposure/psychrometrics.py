"""Humidity of air: how much water it holds, and how much it could still take up.

Units are turned into degrees Celsius and percent by `plantstats.schema.units` when records are read.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

# Constants of the saturation curve over water: kPa, and per degree Celsius. FAO Irrigation and Drainage
# Paper 56 (Allen, Pereira, Raes and Smith 1998), equation 11.
AT_ZERO, SLOPE, SHIFT = 0.6108, 17.27, 237.3
# The curve is meant for weather and rooms; beyond these a unit is wrong (degrees Fahrenheit, kelvin).
COLDEST, HOTTEST = -40.0, 60.0


class AirError(ValueError):
    """A temperature or humidity that air in or around a building cannot have."""


def saturation_kpa(celsius: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Vapour pressure of saturated air.

    Parameters
    ----------
    celsius : array_like
        Temperature in degrees Celsius; missing stays missing.

    Returns
    -------
    numpy.ndarray
        kPa.

    Raises
    ------
    AirError
        For temperatures outside -40 to 60.

    References
    ----------
    FAO-56, equation 11.

    Examples
    --------
    >>> round(float(saturation_kpa(20)), 3)
    2.338
    """
    at = _within(celsius, COLDEST, HOTTEST, "temperature", "degrees Celsius")
    return AT_ZERO * np.exp(SLOPE * at / (at + SHIFT))


def vapour_kpa(celsius: npt.ArrayLike, rh_percent: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Pressure of the water vapour that the air holds.

    Parameters
    ----------
    celsius, rh_percent : array_like
        Temperature in degrees Celsius and relative humidity in percent, read together.

    Returns
    -------
    numpy.ndarray
        kPa.

    Raises
    ------
    AirError
        For values outside -40 to 60 degrees or 0 to 100 percent.

    References
    ----------
    FAO-56, equation 10 turned round: relative humidity = 100 e / e0.

    Examples
    --------
    >>> round(float(vapour_kpa(20, 50)), 3)
    1.169
    """
    return saturation_kpa(celsius) * _within(rh_percent, 0, 100, "relative humidity", "percent") / 100


def deficit_kpa(celsius: npt.ArrayLike, rh_percent: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Vapour pressure deficit: how much more vapour the air could take up.

    Parameters
    ----------
    celsius, rh_percent : array_like
        As in `vapour_kpa`.

    Returns
    -------
    numpy.ndarray
        kPa.

    References
    ----------
    FAO-56: saturation pressure less actual pressure.

    Examples
    --------
    >>> deficit_kpa(22, [25, 50]).round(2).tolist()
    [1.98, 1.32]
    """
    return saturation_kpa(celsius) - vapour_kpa(celsius, rh_percent)


def _within(given: npt.ArrayLike, low: float, high: float, what: str, unit: str) -> npt.NDArray[np.float64]:
    values = np.asarray(given, dtype="float64")
    bad = (values < low) | (values > high)
    if np.any(bad):
        first = float(values[bad].flat[0]) if values.ndim else float(values)
        raise AirError(
            f"{what}: {int(np.sum(bad))} of {values.size} values lie outside {low:g} to {high:g} {unit} "
            f"(first: {first:g}); is the unit right?"
        )
    return values
