"""From the distribution of a list's cost to a level monthly charge."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from plantstats.guarantee.grid import grid
from plantstats.guarantee.money import whole

if TYPE_CHECKING:
    from plantstats.guarantee.quote import Quote

# A contractor's rule of thumb (common practice, no source): a tenth of the installed cost a year.
RULE_OF_THUMB = 0.10


@dataclass(frozen=True)
class Price:
    """A level monthly charge in cents. by_line adds up to `monthly`; per_plant is its mean over the plants."""

    confidence: float
    point: int
    monthly: int
    by_line: tuple[int, ...]
    per_plant: float
    share_of_fee: float
    rule_of_thumb: int


def price(quote: Quote, confidence: float) -> Price:
    """Charge that covers the cost with a chosen confidence, plus the margin of the terms.

    Takes:  quote; confidence (0.8: in 80 of 100 such contracts the cost stays within what is charged, before
            the margin).
    Gives:  Price. monthly = point x (1 + margin) x (discounted / undiscounted expected cost) / the sum of what
            one unit paid at the end of each month is worth at the start; without a discount rate that is
            point x (1 + margin) / months. share_of_fee is missing where the terms give no fee.
    """
    terms, point = quote.terms, quote.point(confidence)
    if not terms.months or not point:
        return Price(confidence, point, 0, (0,) * len(quote.lines), 0.0, _share(0, terms.monthly_fee), _thumb(quote))
    months = grid(terms.starts_on, terms.ends_on)
    rates = np.array(terms.discount_percent)[
        np.minimum((months.edges[1:] / 365.25).astype(int), len(terms.discount_percent) - 1)
    ]
    worth = float(((1 + rates / 100) ** -(months.edges[1:] / 365.25)).sum())
    undiscounted = int(quote.lines["cost"].sum())
    timing = quote.discounted / undiscounted if undiscounted else 1.0
    monthly = whole(point * (1 + terms.margin_percent / 100) * timing / worth, terms.rounding)
    per_plant = monthly / quote.plants if quote.plants else 0.0
    return Price(
        confidence,
        point,
        monthly,
        shared_out(monthly, quote.lines["cost"].tolist()),
        per_plant,
        _share(monthly, terms.monthly_fee),
        _thumb(quote),
    )


def shared_out(total: int, weights: list[int]) -> tuple[int, ...]:
    """Share whole cents out by weights so that the parts add up (largest remainders first, then the earlier)."""
    every = sum(weights)
    if not every:
        return (total, *[0] * (len(weights) - 1)) if weights else ()
    parts = [total * weight // every for weight in weights]
    rest = [total * weight % every for weight in weights]
    order = sorted(range(len(weights)), key=lambda n: (-rest[n], n))
    for n in order[: total - sum(parts)]:
        parts[n] += 1
    return tuple(parts)


def _share(monthly: int, fee: int | None) -> float:
    return 100 * monthly / fee if fee else float("nan")


def _thumb(quote: Quote) -> int:
    """What the rule of thumb sets aside for the whole term."""
    installed = float((quote.lines["unit_cost"] * quote.lines["quantity"]).sum()) * 100
    return whole(installed * RULE_OF_THUMB * quote.terms.months / 12, quote.terms.rounding)
