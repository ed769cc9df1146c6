"""Tables of the guarantee's pages: for people, rounded, with a last row in which the parts add up."""

from __future__ import annotations

import pandas as pd

from plantstats.guarantee.money import units
from plantstats.guarantee.price import Price
from plantstats.guarantee.quote import Quote
from plantstats.guarantee.quote_findings import TAILS
from plantstats.pages import words

IN_ALL = "In all"
SWAP_NUMBERS = ("Replaced of 100 now", "then", "Saved")
# What an exclusion is called in a contract's words.
EXCLUDED = {
    "theft": "theft",
    "client_action": "your own acts",
    "building_failure": "failure of heating, cooling, light or water in the building",
}


def line_table(quote: Quote, offered: Price) -> pd.DataFrame:
    """The list with what is expected of each line.

    Parameters
    ----------
    quote : Quote
        As `quote.quote` gives it.
    offered : Price
        The price of the quote.

    Returns
    -------
    pandas.DataFrame
        Place, Plant, Light, Plants, Replacements, could be, Expected cost, Charge a month; the last row adds up.
    """
    lines, unit = quote.lines, quote.terms.currency
    ends = [tuple(s.quantile(q) for q in TAILS) for s in quote.line_numbers]
    whole = tuple(quote.number.quantile(q) for q in TAILS)
    return pd.DataFrame(
        {
            **_what(quote),
            "Replacements": [*(f"{n:.1f}" for n in lines["expected"]), f"{lines['expected'].sum():.1f}"],
            "could be": [f"{low} to {high}" for low, high in [*ends, whole]],
            f"Expected cost, {unit}": [f"{units(c):,.2f}" for c in [*lines["cost"], lines["cost"].sum()]],
            f"Charge a month, {unit}": [f"{units(c):,.2f}" for c in [*offered.by_line, offered.monthly]],
        },
        dtype="object",
    )


def offer_table(quote: Quote, offered: Price) -> pd.DataFrame:
    """The list as a client may see it: no costs of ours.

    Parameters
    ----------
    quote : Quote
        As `quote.quote` gives it.
    offered : Price
        The price of the quote.

    Returns
    -------
    pandas.DataFrame
        Place, Plant, Light, Plants, Monthly charge; the last row adds up.
    """
    charge = [f"{units(c):,.2f}" for c in [*offered.by_line, offered.monthly]]
    return pd.DataFrame({**_what(quote), f"Monthly charge, {quote.terms.currency}": charge}, dtype="object")


def _what(quote: Quote) -> dict[str, list[str]]:
    lines = quote.lines
    return {
        "Place": [*lines["position"], IN_ALL],
        "Plant": [*lines["species"], ""],
        "Light": [*lines["light"], ""],
        "Plants": [f"{n:,}" for n in [*lines["quantity"], lines["quantity"].sum()]],
    }


def swap_table(compared: pd.DataFrame, currency: str) -> pd.DataFrame:
    """Changes of the list, one line each.

    Parameters
    ----------
    compared : pandas.DataFrame
        As `alternatives` gives it; what (plant, light or humidity) and other are the change.
    currency : str
        Such as "EUR".

    Returns
    -------
    pandas.DataFrame
    """
    return pd.DataFrame(
        {
            "Place": compared["position"],
            "Change": [f"{what}: {other}" for what, other in zip(compared["what"], compared["other"], strict=True)],
            "Replaced of 100 now": [f"{n:.0f}" for n in compared["now"]],
            "then": [f"{n:.0f}" for n in compared["then"]],
            "Times as many (could be)": [
                f"{r:.2f} ({low:.2f} to {high:.2f})"
                for r, low, high in zip(compared["ratio"], compared["low"], compared["high"], strict=True)
            ],
            "Saved": [f"{currency} {units(int(s)):,.0f}" for s in compared["saving"]],
        },
        dtype="object",
    )


def terms_table(quote: Quote) -> pd.DataFrame:
    """The terms in words: What, As promised.

    Parameters
    ----------
    quote : Quote
        As `quote.quote` gives it.

    Returns
    -------
    pandas.DataFrame
    """
    terms = quote.terms
    out = words.listed([EXCLUDED.get(cause, words.cause(cause)) for cause in terms.excluded])
    covered = words.listed([words.cause(cause) for cause in terms.covered]) if terms.covered else "every loss"
    cap = terms.cap_per_position
    in_words = {
        "Term": f"{terms.months} months, from {terms.starts_on} up to the day before {terms.ends_on}",
        "Covered": covered,
        "Not covered": out if terms.excluded else "nothing is left out",
        "At one place": "no limit" if cap is None else f"at most {words.count_of(cap, 'replacement')}",
        "Replaced within": words.count_of(terms.lead_days, "day"),
        "After a loss that is not covered": (
            "you pay for a new plant, which is covered again"
            if terms.after_uncovered == "replaced"
            else "the guarantee of that place ends"
        ),
    }
    return pd.DataFrame({"What": list(in_words), "As promised": list(in_words.values())})
