"""Words that several pages share: causes, who pays, counts, money, quarters."""

from __future__ import annotations

import calendar
from collections.abc import Sequence

import numpy as np

CAUSE_WORDS = {
    "water_excess": "too much water",
    "water_deficit": "too little water",
    "client_action": "the client's act",
    "building_failure": "building failure",
    "stock_quality": "poor stock",
    "acclimatisation": "not settling in",
    "died": "died, cause not named",
    "decline": "declined, cause not named",
    "unknown": "unknown cause",
    "lease_end": "end of lease",
}
PAID_BY = {
    "guaranteed": "us",
    "chargeable": "the client",
    "other": "not recorded",
    "not_replaced": "nobody: not replaced",
}


def cause(code: str) -> str:
    """Cause in plain words.

    Parameters
    ----------
    code : str
        Canonical.

    Returns
    -------
    str
    """
    return CAUSE_WORDS.get(code, code.replace("_", " "))


def plants(count: float) -> str:
    """A number of plants in words.

    Parameters
    ----------
    count : float
        How many.

    Returns
    -------
    str

    Examples
    --------
    >>> plants(1), plants(1204)
    ('1 plant', '1,204 plants')
    """
    return count_of(count, "plant")


def count_of(count: float, thing: str) -> str:
    """A number of things in words.

    Parameters
    ----------
    count : float
        How many.
    thing : str
        In the singular.

    Returns
    -------
    str
    """
    return f"{count:,.0f} {thing}" + ("" if count == 1 else "s")


def money(currency: str, amount: float) -> str:
    """An amount without cents.

    Parameters
    ----------
    currency : str
        Such as "EUR".
    amount : float

    Returns
    -------
    str

    Examples
    --------
    >>> money("EUR", -1153.4)
    'EUR −1,153'
    """
    return f"{currency} {amount:,.0f}".replace("-", "\u2212")


def parts_that_add_up(amounts: Sequence[float]) -> list[int]:
    """Whole amounts that add up to their rounded total (largest remainders first).

    Parameters
    ----------
    amounts : sequence of float
        The parts.

    Returns
    -------
    list of int
        Each at most one from its amount.

    Examples
    --------
    >>> parts_that_add_up([625.4, 485.4, 0.2])
    [626, 485, 0]
    """
    floors = np.floor(np.asarray(amounts, dtype="float64"))
    left = round(float(np.sum(amounts))) - int(floors.sum())
    if left > 0:
        floors[np.argsort(floors - np.asarray(amounts), kind="stable")[:left]] += 1
    return [int(v) for v in floors]


def listed(items: Sequence[str], most: int = 6) -> str:
    """Names in a sentence: "a, b and c", or "a, b and 4 more".

    Parameters
    ----------
    items : sequence of str
        Names.
    most : int, default 6
        How many are named.

    Returns
    -------
    str
    """
    if len(items) > most:
        return f"{', '.join(items[: most - 1])} and {len(items) - most + 1} more"
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}" if items else "none"


def could_be(interval: str) -> str:
    """An interval in words people use: "7 to 24" becomes "could be 7 to 24".

    Parameters
    ----------
    interval : str
        As findings are shown.

    Returns
    -------
    str
    """
    return f"could be {interval}" if interval else "no limits can be given"


def month_name(month: str) -> str:
    """A month as people write it.

    Parameters
    ----------
    month : str
        Year and month, "2026-09".

    Returns
    -------
    str

    Examples
    --------
    >>> month_name("2026-09")
    'September 2026'
    """
    year, number = month.split("-")[:2]
    return f"{calendar.month_name[int(number)]} {year}"
