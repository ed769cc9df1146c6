"""Money: whole cents inside, one rounding rule, no negative zero."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal, InvalidOperation

from plantstats.errors import PlantstatsError

RULES = {"half-up": ROUND_HALF_UP, "half-even": ROUND_HALF_EVEN}  # half-up: halves go away from zero
HALF_UP = "half-up"
Amount = str | int | float | Decimal


class MoneyError(PlantstatsError, ValueError):
    """An amount that cannot be read, or an unknown rounding rule."""


def cents(amount: Amount, rule: str = HALF_UP) -> int:
    """An amount of money in whole cents.

    Takes:  amount in units of the currency, as text or number (a binary number is read by its shortest
            decimal form, so that 2.675 is 2.675 and not a hair less); rule: "half-up" or "half-even".
    Gives:  whole cents; -0.001 gives 0.
    Raises: MoneyError for text that is no number, for infinite amounts, or an unknown rule.
    """
    if rule not in RULES:
        raise MoneyError(f"rounding {rule!r} is not known; take one of {', '.join(RULES)}")
    try:
        exact = Decimal(str(amount).strip())
    except InvalidOperation:
        raise MoneyError(f"{amount!r} is not an amount of money; write it as 38.50") from None
    if not exact.is_finite():
        raise MoneyError(f"{amount!r} is not an amount of money")
    return int((exact * 100).quantize(Decimal(1), rounding=RULES[rule]))


def whole(value: float, rule: str = HALF_UP) -> int:
    """A computed number of cents (not units of the currency), rounded by the same rule."""
    # Twelve figures: a computed 333.5 carries binary dust that would send the half the wrong way.
    return int(Decimal(f"{value:.12g}").quantize(Decimal(1), rounding=RULES[rule]))


def units(number: int) -> float:
    """Cents as units of the currency, for findings."""
    return number / 100


def show(number: int, currency: str = "") -> str:
    """Cents for people: "EUR 1,204.50"; zero is never negative."""
    sign, rest = ("-" if number < 0 else ""), abs(number)
    return f"{currency} {sign}{rest // 100:,}.{rest % 100:02d}".strip()


def present_value(amounts: Sequence[float], rates: Sequence[float]) -> float:
    """What later payments are worth today.

    Takes:  amounts: paid at the end of years 1, 2, ...; rates: yearly rate for each of these years as a share
            (0.06), the rate for the whole time from today to that year's end.
    Gives:  sum of amount / (1 + rate) ** year.
    Source: IAS 37, as in the worked example that the test names.
    """
    return sum(
        amount / (1 + rate) ** year for year, (amount, rate) in enumerate(zip(amounts, rates, strict=True), start=1)
    )


def spread_evenly(total: int, parts: int) -> list[int]:
    """Cut a whole number of cents into parts that differ by a cent at most and add up to it."""
    base, rest = divmod(total, parts)
    return [base + (part < rest) for part in range(parts)]
