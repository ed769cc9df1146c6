"""Tables of the guarantee's pages: for people, rounded."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats.guarantee.money import show, units
from plantstats.guarantee.price import Price
from plantstats.guarantee.provision import Provision
from plantstats.guarantee.quote import Quote
from plantstats.guarantee.quote_findings import TAILS
from plantstats.guarantee.roll_forward import RollForward
from plantstats.stats.intervals import CONF_LEVEL


def line_table(quote: Quote, offered: Price) -> pd.DataFrame:
    """The list with what is expected of each line: for people, rounded."""
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
    """The list as a client may see it: no costs of ours."""
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
    """A comparison of `what_if` for people; `other` heads the column of the alternative."""
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
    """The terms in words: What, As promised."""
    said = quote.terms.plain_numbers
    return pd.DataFrame({"What": list(said), "As promised": list(said.values())})


def provision_table(provision: Provision, currency: str) -> pd.DataFrame:
    """The provision by client: for people."""
    rows = provision.by_client
    money = {"undiscounted": "Expected", "discounted": "discounted", "point_80": "80% point", "point_95": "95% point"}
    made = pd.DataFrame(
        {"Client": rows["client_id"], "Plants": rows["plants"], "Replacements": [f"{n:.1f}" for n in rows["expected"]]}
    )
    for name, head in money.items():
        made[f"{head} ({currency})"] = [show(int(value)) for value in rows[name]]
    return made


def roll_table(rolled: RollForward, currency: str) -> pd.DataFrame:
    """The roll-forward: for people."""
    rows = rolled.table()
    return pd.DataFrame({"Line": rows["Line"], currency: [show(int(value)) for value in rows["Cents"]]})


def margin_table(margins: pd.DataFrame, currency: str) -> pd.DataFrame:
    """Account margins, lowest first: for people."""
    rows = margins.sort_values(["margin", "client_id"])
    made = pd.DataFrame({"Client": rows["client_id"]})
    for name in ("fee", "labour", "travel", "replacements", "margin"):
        made[f"{name.capitalize()} ({currency})"] = [
            "not available" if pd.isna(value) else show(int(value)) for value in rows[name]
        ]
    made[f"Margin, {100 * CONF_LEVEL:.0f}% interval"] = [
        "" if pd.isna(low) else f"{low / 100:,.0f} to {high / 100:,.0f}"
        for low, high in zip(rows["low"], rows["high"], strict=True)
    ]
    made["Site visits"], made["Visit lines without minutes"] = rows["visits"], rows["no_minutes"]
    return made
