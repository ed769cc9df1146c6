"""From the distribution of a list's cost to a level monthly charge."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from plantstats.guarantee.money import whole
from plantstats.guarantee.time_grid import discount_factors, monthly_grid

if TYPE_CHECKING:
    from plantstats.guarantee.quote import Quote

# A contractor's rule of thumb (common practice, no source): a tenth of the installed cost a year.
RULE_OF_THUMB = 0.10


@dataclass(frozen=True)
class Price:
    """A level monthly charge; amounts in cents.

    Parameters
    ----------
    confidence : float
    point : int
        Amount that the cost stays within with that probability.
    basis : int
        What the charge rests on: the point, or the expected cost where that is higher.
    monthly : int
    by_line : tuple of int
        Adds up to `monthly`.
    per_plant : float
        Mean of `monthly` over the plants.
    share_of_fee : float
        In percent; NaN where the terms give no fee.
    rule_of_thumb : int
        What the rule of thumb sets aside for the whole term.
    """

    confidence: float
    point: int
    basis: int
    monthly: int
    by_line: tuple[int, ...]
    per_plant: float
    share_of_fee: float
    rule_of_thumb: int

    @property
    def covers_point(self) -> bool:
        """Whether the charge rests on the point (else on the expected cost, which lies above it)."""
        return self.basis == self.point


def price(quote: Quote, confidence: float) -> Price:
    """Charge that covers the cost with a chosen confidence, plus the margin of the terms.

    Parameters
    ----------
    quote : Quote
    confidence : float
        0.8: in 80 of 100 such contracts the cost stays within what is charged, before the margin.

    Returns
    -------
    Price

    Notes
    -----
    monthly = basis x (1 + margin) x (discounted / undiscounted expected cost) / the sum of what one unit paid at the
    end of each month is worth at the start; without a discount rate that is basis x (1 + margin) / months. A few plants
    seldom cost anything: the point may then lie below the expected cost, and a charge on it would lose money in the
    long run, whatever margin is put on top.
    """
    terms, point = quote.terms, quote.quantile(confidence)
    basis, monthly = max(point, quote.expected_cost), 0
    if terms.months and basis:
        ends = monthly_grid(terms.starts_on, terms.ends_on).edges[1:]
        undiscounted = int(quote.lines["cost"].sum())
        timing = quote.discounted / undiscounted if undiscounted else 1.0
        present_value = float(discount_factors(ends, terms.discount_percent).sum())
        monthly = whole(basis * (1 + terms.margin_percent / 100) * timing / present_value, terms.rounding)
    installed = float((quote.lines["unit_cost"] * quote.lines["quantity"]).sum()) * 100
    return Price(
        confidence,
        point,
        basis,
        monthly,
        by_line=shared_out(monthly, quote.lines["cost"].tolist()),
        per_plant=monthly / quote.plants if quote.plants else 0.0,
        share_of_fee=100 * monthly / terms.monthly_fee if terms.monthly_fee else float("nan"),
        rule_of_thumb=whole(installed * RULE_OF_THUMB * terms.months / 12, terms.rounding),
    )


def shared_out(total: int, weights: list[int]) -> tuple[int, ...]:
    """Share whole cents out by weights so that the parts add up (largest remainders first, then the earlier).

    Parameters
    ----------
    total : int
        Whole cents.
    weights : list of int
        0 or more.

    Returns
    -------
    tuple of int
        One part per weight.

    Examples
    --------
    >>> shared_out(100, [1, 1, 1])
    (34, 33, 33)
    """
    summed = sum(weights)
    if not summed:
        return (total, *[0] * (len(weights) - 1)) if weights else ()
    parts = [total * weight // summed for weight in weights]
    rest = [total * weight % summed for weight in weights]
    order = sorted(range(len(weights)), key=lambda n: (-rest[n], n))
    for n in order[: total - sum(parts)]:
        parts[n] += 1
    return tuple(parts)
