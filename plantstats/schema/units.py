"""Units that a cell or a setting may name, and what one of each is in the unit of the tables."""

from __future__ import annotations

import re

from plantstats.schema.faults import Code, Fault
from plantstats.schema.text import normalize_key

# dimension -> unit as settings name it -> (factor, offset): value in table units = factor * value + offset.
# Exact by definition: inch 2.54 cm, US gallon 3.785411784 L, imperial gallon 4.54609 L, fluid ounce 1/128 and
# 1/160 of a gallon; 1 foot-candle = 1 lumen per square foot = 10.76391 lux.
UNITS: dict[str, dict[str, tuple[float, float]]] = {
    "temperature": {"C": (1, 0), "F": (5 / 9, -160 / 9), "K": (1, -273.15)},
    "length": {"cm": (1, 0), "mm": (0.1, 0), "m": (100, 0), "inch": (2.54, 0), "ft": (30.48, 0)},
    "volume": {
        "L": (1, 0),
        "mL": (0.001, 0),
        "cL": (0.01, 0),
        "dL": (0.1, 0),
        "gallon_us": (3.785411784, 0),
        "gallon_imperial": (4.54609, 0),
        "fl_oz_us": (3.785411784 / 128, 0),
        "fl_oz_imperial": (4.54609 / 160, 0),
    },
    "light": {"lux": (1, 0), "klux": (1000, 0), "fc": (10.763910416709722, 0)},
    "percent": {"percent": (1, 0), "share": (100, 0)},
    "minutes": {"minutes": (1, 0), "hours": (60, 0)},
    "days": {"days": (1, 0), "weeks": (7, 0)},
}
TABLE_UNIT = {name: next(iter(units)) for name, units in UNITS.items()}

# What people write behind a number, folded. None: the word does not say which of two units is meant.
WRITTEN: dict[str, dict[str, str | None]] = {
    "temperature": {
        "c": "C",
        "°c": "C",
        "deg c": "C",
        "celsius": "C",
        "℃": "C",
        "f": "F",
        "°f": "F",
        "deg f": "F",
        "fahrenheit": "F",
        "℉": "F",
        "°": None,
        "k": "K",
    },
    "length": {
        "cm": "cm",
        "mm": "mm",
        "m": "m",
        "in": "inch",
        "in.": "inch",
        "inch": "inch",
        "inches": "inch",
        '"': "inch",
        "″": "inch",
        "”": "inch",
        "''": "inch",
        "ft": "ft",
        "'": "ft",
        "′": "ft",
    },
    "volume": {
        "l": "L",
        "litre": "L",
        "litres": "L",
        "liter": "L",
        "liters": "L",
        "ltr": "L",
        "ml": "mL",
        "cc": "mL",
        "cl": "cL",
        "dl": "dL",
        "gal": None,
        "gallon": None,
        "gallons": None,
        "fl oz": None,
        "fl. oz.": None,
        "floz": None,
        "oz": None,
        "us gal": "gallon_us",
        "imp gal": "gallon_imperial",
    },
    "light": {
        "lux": "lux",
        "lx": "lux",
        "klux": "klux",
        "klx": "klux",
        "fc": "fc",
        "ftc": "fc",
        "ft-c": "fc",
        "foot-candles": "fc",
        "foot candles": "fc",
        "footcandles": "fc",
    },
    "percent": {"%": "percent", "percent": "percent", "pct": "percent", "% rh": "percent", "%rh": "percent"},
    "minutes": {
        "min": "minutes",
        "mins": "minutes",
        "minutes": "minutes",
        "minute": "minutes",
        "h": "hours",
        "hr": "hours",
        "hours": "hours",
        "hour": "hours",
    },
    "days": {"days": "days", "day": "days", "d": "days", "weeks": "weeks", "week": "weeks", "wk": "weeks"},
    "money": {},
}
# The words of volume that name a gallon or an ounce without saying which.
GALLON = {
    side: {
        word: f"{'gallon' if word.startswith('gal') else 'fl_oz'}_{side}"
        for word, unit in WRITTEN["volume"].items()
        if unit is None
    }
    for side in ("us", "imperial")
}


def convert(value: float, dimension: str, unit: str) -> float:
    """A value in the unit of the tables (degrees C, cm, litres, lux, percent, minutes, days).

    Parameters
    ----------
    value : float
        In `unit`.
    dimension : str
        One of `UNITS`.
    unit : str
        A unit of that dimension, as settings name it.

    Returns
    -------
    float

    Examples
    --------
    >>> round(convert(68, "temperature", "F"), 6), round(convert(10, "length", "inch"), 6)
    (20.0, 25.4)
    """
    factor, offset = UNITS[dimension][unit]
    return value * factor + offset


def unit_of_header(head: str, dimension: str) -> str | None:
    """Unit that a column head names in brackets or as its last word, as in "Temp (°F)" or "pot_in".

    Parameters
    ----------
    head : str
    dimension : str
        As in `convert`.

    Returns
    -------
    str or None
        None where it names none.
    """
    if dimension not in UNITS:
        return None
    words = re.findall(r"[(\[]([^)\]]+)[)\]]", head) or re.split(r"[\s_]+", head.strip())[-1:]
    return WRITTEN[dimension].get(normalize_key(words[-1])) if words else None


def written_unit(text: str, dimension: str, gallon: str | None) -> str | Fault:
    """The unit behind a number.

    Parameters
    ----------
    text : str
        As written, normalised.
    dimension : str
        A key of UNITS.
    gallon : {"us", "imperial"} or None

    Returns
    -------
    str or Fault
        The unit as settings name it, or why it cannot be used.

    Examples
    --------
    >>> written_unit("inches", "length", None)
    'inch'
    >>> written_unit("gal", "volume", None).code
    <Code.UNCLEAR_UNIT: 'unclear_unit'>
    """
    if dimension == "volume" and gallon and text in GALLON[gallon]:
        return GALLON[gallon][text]
    if "mol" in text and dimension == "light":
        return Fault(Code.UNKNOWN_UNIT, "photon flux is never turned into lux: the factor depends on the lamp")
    if dimension not in UNITS:
        return Fault(Code.UNKNOWN_UNIT, f"{text!r} behind the number is not understood")
    known = WRITTEN[dimension]
    if text not in known:
        return Fault(Code.UNKNOWN_UNIT, f"unit {text!r} is not one of {dimension}")
    unit = known[text]
    if unit is None:
        ask = 'set gallon = "us" or "imperial"' if dimension == "volume" else "name the unit in full"
        return Fault(Code.UNCLEAR_UNIT, f"{text!r} does not say which unit is meant: {ask}")
    return unit
