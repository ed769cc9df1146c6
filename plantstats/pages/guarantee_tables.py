"""Tables of the guarantee's pages: for people, rounded."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats.guarantee.money import units
from plantstats.guarantee.price import Price
from plantstats.guarantee.quote import Quote
from plantstats.guarantee.quote_findings import TAILS


def line_table(quote: Quote, offered: Price) -> pd.DataFrame:
    """The list with what is expected of each line: for people, rounded.

    Parameters
    ----------
    quote : Quote
        As `quote.quote` gives it.
    offered : Price
        The price of the quote.

    Returns
    -------
    pandas.DataFrame
    """
    lines = quote.lines
    made = pd.DataFrame(
        {
            "Line": lines["position"],
            "Species": lines["species"],
            "Light": lines["light"],
            "Plants": lines["quantity"],
            f"Cost of one ({quote.terms.currency})": [f"{units(c):,.2f}" for c in lines["unit"]],
        }
    )
    for year in range(quote.by_year.shape[1]):
        made[f"Expected in year {year + 1}"] = [f"{n:.2f}" for n in quote.by_year[:, year]]
    ends = [tuple(s.quantile(q) for q in TAILS) for s in quote.line_numbers]
    return made.assign(
        **{
            "In all (95 in 100 lie in)": [
                f"{n:.1f} ({low} to {high})" for n, (low, high) in zip(lines["expected"], ends, strict=True)
            ],
            f"Expected cost ({quote.terms.currency})": [f"{units(c):,.2f}" for c in lines["cost"]],
            f"Monthly charge ({quote.terms.currency})": [f"{units(c):,.2f}" for c in offered.by_line],
        }
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
    """
    lines = quote.lines
    return pd.DataFrame(
        {
            "Line": lines["position"],
            "Species": lines["species"],
            "Light": lines["light"],
            "Plants": lines["quantity"],
            f"Monthly charge ({quote.terms.currency})": [f"{units(c):,.2f}" for c in offered.by_line],
        }
    )


def what_if_table(compared: pd.DataFrame, currency: str, other: str) -> pd.DataFrame:
    """A comparison of `what_if` for people; `other` heads the column of the alternative.

    Parameters
    ----------
    compared : pandas.DataFrame
        As `alternatives` gives it.
    currency : str
        Such as "EUR".
    other : str
        Heads the column of the alternative.

    Returns
    -------
    pandas.DataFrame
    """
    return pd.DataFrame(
        {
            "Line": compared["position"],
            "Species": compared["species"],
            "Light": compared["light"],
            other: compared["other"],
            "Replaced per 100 now": [f"{n:.0f}" for n in compared["now"]],
            "then": [f"{n:.0f}" for n in compared["then"]],
            "Ratio (95% interval)": [
                f"{r:.2f} ({low:.2f} to {high:.2f})"
                for r, low, high in zip(compared["ratio"], compared["low"], compared["high"], strict=True)
            ],
            f"Saved over the term ({currency})": [f"{units(int(s)):,.0f}" for s in compared["saving"]],
            "Clearly fewer": np.where(compared["clear"].astype(bool), "yes", "no: may be chance"),
        }
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
    said = quote.terms.plain_numbers
    return pd.DataFrame({"What": list(said), "As promised": list(said.values())})
