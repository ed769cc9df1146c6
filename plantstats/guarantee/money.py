"""Money: whole cents inside, one rounding rule, no negative zero."""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal, InvalidOperation

from plantstats.errors import PlantstatsError

RULES = {"half-up": ROUND_HALF_UP, "half-even": ROUND_HALF_EVEN}  # half-up: halves go away from zero
HALF_UP = "half-up"
Amount = str | int | float | Decimal


class MoneyError(PlantstatsError, ValueError):
    """An amount that cannot be read, or an unknown rounding rule."""


def cents(amount: Amount, rule: str = HALF_UP) -> int:
    """An amount of money in whole cents.

    Parameters
    ----------
    amount : str, int, float or Decimal
        In units of the currency. A binary number is read by its shortest decimal form, so that 2.675 is 2.675 and not a
        hair less.
    rule : {"half-up", "half-even"}

    Returns
    -------
    int
        -0.001 gives 0.

    Raises
    ------
    MoneyError
        For text that is no number, for infinite amounts, or an unknown rule.

    Examples
    --------
    >>> cents("38.50"), cents(2.675), cents(2.665, "half-even")
    (3850, 268, 266)
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
    """A computed number of cents (not units of the currency), rounded by the same rule.

    Parameters
    ----------
    value : float
        In cents.
    rule : str, optional
        One of the rules of rounding.

    Returns
    -------
    int
    """
    # Twelve figures: a computed 333.5 carries binary dust that would send the half the wrong way.
    return int(Decimal(f"{value:.12g}").quantize(Decimal(1), rounding=RULES[rule]))


def units(number: int) -> float:
    """Cents as units of the currency, for findings.

    Parameters
    ----------
    number : int
        Cents.

    Returns
    -------
    float
    """
    return number / 100


def show(number: int, currency: str = "") -> str:
    """Cents for people: "EUR 1,204.50"; zero is never negative.

    Parameters
    ----------
    number : int
        Cents.
    currency : str, default ''
        Such as "EUR".

    Returns
    -------
    str

    Examples
    --------
    >>> show(120450, "EUR"), show(-0, "EUR")
    ('EUR 1,204.50', 'EUR 0.00')
    """
    sign, rest = ("-" if number < 0 else ""), abs(number)
    return f"{currency} {sign}{rest // 100:,}.{rest % 100:02d}".strip()
