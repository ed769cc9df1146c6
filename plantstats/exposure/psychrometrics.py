"""Humidity of air: how much water it could still take up, and why heated winter air is dry.

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

    Takes:  temperature in degrees Celsius.
    Gives:  kPa; missing stays missing.
    Raises: AirError for temperatures outside -40 to 60.
    Source: FAO-56 equation 11.
    """
    at = _within(celsius, COLDEST, HOTTEST, "temperature", "degrees Celsius")
    return AT_ZERO * np.exp(SLOPE * at / (at + SHIFT))


def mean_saturation_kpa(coolest: npt.ArrayLike, warmest: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Mean saturation vapour pressure of a day.

    Takes:  the day's lowest and highest temperature in degrees Celsius.
    Gives:  kPa. The mean of the two pressures, not the pressure at the mean: the curve is bent.
    Source: FAO-56 equation 12.
    """
    return (saturation_kpa(coolest) + saturation_kpa(warmest)) / 2


def vapour_kpa(celsius: npt.ArrayLike, rh_percent: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Pressure of the water vapour that the air holds.

    Takes:  temperature in degrees Celsius and relative humidity in percent, read together.
    Gives:  kPa.
    Raises: AirError for values outside -40 to 60 degrees or 0 to 100 percent.
    Source: FAO-56 equation 10 turned round: relative humidity = 100 e / e0.
    """
    return saturation_kpa(celsius) * _within(rh_percent, 0, 100, "relative humidity", "percent") / 100


def deficit_kpa(celsius: npt.ArrayLike, rh_percent: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Vapour pressure deficit: how much more vapour the air could take up.

    Takes:  temperature in degrees Celsius and relative humidity in percent, read together.
    Gives:  kPa. Air of 22 degrees and 25% has 1.98; of 50%, 1.32.
    Raises: AirError as `vapour_kpa`.
    Source: FAO-56, vapour pressure deficit = saturation pressure less actual pressure.
    """
    return saturation_kpa(celsius) - vapour_kpa(celsius, rh_percent)


def dew_point(celsius: npt.ArrayLike, rh_percent: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Temperature to which the air must cool for water to settle.

    Takes:  temperature in degrees Celsius and relative humidity in percent, above 0.
    Gives:  degrees Celsius, at most the temperature of the air.
    Raises: AirError as `vapour_kpa`; humidity of 0 has no dew point.
    Source: FAO-56 equation 11 solved for the temperature.
    """
    humid = _within(rh_percent, 0, 100, "relative humidity", "percent")
    if np.any(humid == 0):
        raise AirError("air of 0 percent relative humidity has no dew point")
    bent = np.log(vapour_kpa(celsius, humid) / AT_ZERO)
    return SHIFT * bent / (SLOPE - bent)


def heated(outdoor_c: npt.ArrayLike, outdoor_rh: npt.ArrayLike, indoor_c: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Relative humidity of outdoor air that was brought in and warmed, with no water added.

    Takes:  outdoor temperature (degrees Celsius) and relative humidity (percent); indoor temperature.
    Gives:  percent, at most 100 (cooled air gives up what it cannot hold). Outdoor air of 0 degrees and 80%
            has 18% at 22 degrees indoors. People and plants add some: real rooms lie a little higher.
    Raises: AirError as `vapour_kpa`.
    Source: the vapour pressure stays as it is; equation 11 gives what the room's air could hold.
    """
    return np.minimum(100 * vapour_kpa(outdoor_c, outdoor_rh) / saturation_kpa(indoor_c), 100.0)


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
