"""Light bands: the words for them, and the published schemes that turn illuminance into a band.

Published advice disagrees on the edges, so the scheme is a setting. Photon flux is never converted: the factor
depends on the lamp.
"""

from __future__ import annotations

from plantstats.schema.text import normalize_header
from plantstats.schema.units import convert

BANDS = ("low", "medium", "high", "sun", "unknown")

# Lower edges in foot-candles of medium, high and sun; below medium is low. None: the scheme gives no number
# (direct sun is a matter of hours, not of a reading). Sources: university extension guides of Georgia (Pennisi),
# Illinois and North Dakota (recommended column), advice of 1978 citing the Apopka research centre, and common
# practice of a contractor (no source). Where a scheme lists single levels, each is the lower edge of its band.
SCHEMES: dict[str, tuple[float, float, float | None]] = {
    "georgia": (75, 200, None),
    "illinois": (150, 300, 1500),
    "advice_1978": (100, 200, None),
    "north_dakota": (200, 500, 1000),
    "contractor": (100, 250, None),
}

ALIASES = {
    "l": "low",
    "m": "medium",
    "h": "high",
    "med": "medium",
    "shade": "low",
    "full_sun": "sun",
    "direct_sun": "sun",
    "low_light": "low",
    "medium_light": "medium",
    "high_light": "high",
    "bright": "high",
}


def band_of_word(text: str) -> str | None:
    """Band that a word names, or None.

    Parameters
    ----------
    text : str

    Returns
    -------
    str or None
        None for a word that names none.

    Examples
    --------
    >>> band_of_word("Low"), band_of_word("north window")
    ('low', None)
    """
    word = normalize_header(text)
    word = ALIASES.get(word, word)
    return word if word in BANDS else None


def band_of_lux(lux: float, scheme: str) -> str:
    """Band of an illuminance reading under a scheme; lux, 1 foot-candle = 10.764 lux.

    Parameters
    ----------
    lux : float
        Illuminance in lux (1 foot-candle is 10.764 lux).
    scheme : str
        One of `SCHEMES`.

    Returns
    -------
    str
    """
    medium, high, sun = SCHEMES[scheme]
    fc = lux / convert(1, "light", "fc")
    if sun is not None and fc >= sun:
        return "sun"
    return "high" if fc >= high else "medium" if fc >= medium else "low"
