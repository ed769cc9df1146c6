"""What there is to decide: one shape for what every page asks, so that the brief can rank it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from plantstats.reporting.specs import Listing

MOST = 6


@dataclass(frozen=True)
class Decision:
    """One thing to decide.

    Attributes
    ----------
    what : str
        In the imperative: "Visit every 14 days instead of 7".
    where : str
        Sites, clients or plants by name.
    value : float
        Money a quarter; missing where it has no price.
    confidence : str
        How sure, in words, with the number it rests on.
    risk : int
        Among those of the same value: higher comes first (3: plants or people, 2: money, 1: order).
    page, anchor : str
        Where it comes from, such as "visits" and "site-S0021".
    """

    what: str
    where: str
    value: float
    confidence: str
    risk: int
    page: str
    anchor: str


def ranked(decisions: Sequence[Decision], most: int = MOST) -> list[Decision]:
    """Rank decisions by money, then by risk; what has no price comes after what has, by risk.

    Parameters
    ----------
    decisions : sequence of Decision
        In any order.
    most : int, optional
        How many are kept.

    Returns
    -------
    list of Decision

    Examples
    --------
    >>> a = Decision("a", "", 10.0, "", 1, "visits", "x")
    >>> b = Decision("b", "", float("nan"), "", 3, "records", "y")
    >>> [d.what for d in ranked([b, a])]
    ['a', 'b']
    """
    return sorted(decisions, key=lambda d: (pd.isna(d.value), -abs(d.value) if pd.notna(d.value) else 0, -d.risk))[
        :most
    ]


def table(decisions: Sequence[Decision], currency: str) -> Listing:
    """Table of decisions with room for a name and a date.

    Parameters
    ----------
    decisions : sequence of Decision
        Ranked.
    currency : str
        Such as "EUR".

    Returns
    -------
    Listing
    """
    records = pd.DataFrame(
        {
            "What": [d.what for d in decisions],
            "Where": [d.where for d in decisions],
            f"{currency} a quarter": [_amount(d.value) for d in decisions],
            "How sure": [d.confidence for d in decisions],
            "Who, by when": ["" for _ in decisions],
            "From": [d.page for d in decisions],
        },
        dtype="object",
    )
    links = {"From": [f"{d.page}.html#{d.anchor}" for d in decisions]}
    return Listing("What, where, and what it is worth", records, links=links)


def _amount(value: float) -> str:
    """What a decision brings a quarter, or costs."""
    if pd.isna(value):
        return ""
    return f"{value:,.0f}" if value >= 0 else f"costs {-value:,.0f}"
