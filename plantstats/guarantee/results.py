"""Findings of a quote: everything that its page says, in full precision."""

from __future__ import annotations

from typing import Any

import pandas as pd

from plantstats import findings
from plantstats.guarantee.money import units
from plantstats.guarantee.price import Price
from plantstats.guarantee.quote import POINTS, Quote
from plantstats.stats.intervals import CONF_LEVEL

EXACT = "exact recursion and convolution, mixed over site effect and model"

findings.define(
    expected_replacements="Replacements under guarantee that are to be expected over the term (or the year named), "
    "mean over site effects and possible models; the interval holds 95 in 100 outcomes.",
    expected_guarantee_cost="Expected cost of the replacements under guarantee over the term, in the currency named; "
    "a management estimate.",
    discounted_guarantee_cost="Expected cost of the replacements under guarantee, each payment discounted to the "
    "start of the term.",
    guarantee_cost_point="Amount that the cost of the replacements stays within with the chance named in `term`.",
    monthly_charge="Level monthly charge that covers the cost with the chance named in `term`, plus the margin.",
    monthly_charge_per_plant="Monthly charge divided by the number of plants.",
    charge_share_of_fee="Monthly charge as a share of the monthly fee for care, in percent.",
    uncertainty_share="Share of the variance of the cost that comes from what `term` names: chance, the site, or the "
    "fitted model, in percent.",
    covered_share="Share of the losses on record that had causes which the guarantee covers, in percent.",
    rule_of_thumb_cost="What a contractor's rule of thumb sets aside: a tenth of the installed cost a year (common "
    "practice, no source).",
)


def owner_findings(quote: Quote, offered: Price) -> pd.DataFrame:
    """All results of a quote.

    Takes:  quote; offered: the price at the terms' confidence.
    Gives:  findings by line and contract year and in all. `losses` is missing: nothing has been lost yet.
    """
    terms, period = quote.terms, f"{quote.terms.starts_on} + {quote.terms.months} months"
    money: dict[str, Any] = {"unit": terms.currency, "method": EXACT, "n_plants": quote.plants}
    rows = [
        findings.finding(
            "expected_replacements",
            period,
            quote.number.mean,
            quote.number.point((1 - CONF_LEVEL) / 2),
            quote.number.point((1 + CONF_LEVEL) / 2),
            unit="replacements",
            method=EXACT,
            n_plants=quote.plants,
            level=CONF_LEVEL,
        ),
        findings.finding("expected_guarantee_cost", period, units(quote.expected_cost), note=_drawing(quote), **money),
        findings.finding("discounted_guarantee_cost", period, units(quote.discounted), note=_rates(quote), **money),
        findings.finding(
            "monthly_charge",
            period,
            units(offered.monthly),
            term=_percent(offered.confidence),
            note=f"with a margin of {terms.margin_percent:g}%",
            **money,
        ),
        findings.finding(
            "monthly_charge_per_plant",
            period,
            offered.per_plant / 100,
            term=_percent(offered.confidence),
            note="mean over the plants of the list",
            **money,
        ),
        findings.finding(
            "rule_of_thumb_cost",
            period,
            units(offered.rule_of_thumb),
            unit=terms.currency,
            method="0.1 x unit cost x plants x years",
            n_plants=quote.plants,
        ),
    ]
    rows.append(
        findings.finding(
            "covered_share",
            period,
            100 * quote.covered_share,
            unit="% of losses",
            method="beta law (Jeffreys), its mean",
            losses=quote.losses,
        )
    )
    if terms.monthly_fee:
        rows.append(
            findings.finding(
                "charge_share_of_fee",
                period,
                offered.share_of_fee,
                unit="% of the fee",
                term=_percent(offered.confidence),
                method=EXACT,
                n_plants=quote.plants,
            )
        )
    rows += [
        findings.finding(
            "guarantee_cost_point",
            period,
            units(quote.point(p)),
            term=_percent(p),
            note=f"standard error of the drawing {quote.point_errors[p] / 100:,.2f}",
            **money,
        )
        for p in sorted({*POINTS, terms.confidence})
    ]
    rows += [
        findings.finding(
            "uncertainty_share",
            period,
            100 * share,
            term=name,
            unit="% of the variance",
            method=EXACT,
            n_plants=quote.plants,
        )
        for name, share in quote.shares.items()
    ]
    rows += [
        findings.finding(
            "expected_replacements",
            f"year {year + 1}",
            float(quote.by_year[:, year].sum()),
            unit="replacements",
            method=EXACT,
            n_plants=quote.plants,
        )
        for year in range(quote.by_year.shape[1])
    ]
    return findings.table([*rows, *_by_line(quote, period)])


def client_findings(quote: Quote, offered: Price) -> pd.DataFrame:
    """What a client may see: the charge, nothing of our costs."""
    own = owner_findings(quote, offered)
    shown = [findings.pick(own, name, ["term"]) for name in ("monthly_charge", "monthly_charge_per_plant")]
    plain = pd.concat(shown, ignore_index=True).drop(columns="term")
    return findings.table(plain.assign(note="", method="level charge"))


def _by_line(quote: Quote, period: str) -> list[dict[str, object]]:
    made = []
    for n, row in enumerate(quote.lines.to_dict("records")):
        label: dict[str, Any] = {name: row[name] for name in ("species", "light", "pot")} | {"line": row["position"]}
        spread = quote.line_numbers[n]
        made.append(
            findings.finding(
                "expected_replacements",
                period,
                row["expected"],
                min(spread.point((1 - CONF_LEVEL) / 2), row["expected"]),
                max(spread.point((1 + CONF_LEVEL) / 2), row["expected"]),
                unit="replacements",
                method=EXACT,
                n_plants=row["quantity"],
                level=CONF_LEVEL,
                note=row["basis"],
                **label,
            )
        )
        made.append(
            findings.finding(
                "expected_guarantee_cost",
                period,
                units(row["cost"]),
                unit=quote.terms.currency,
                method=EXACT,
                n_plants=row["quantity"],
                note=_before_limit(quote),
                **label,
            )
        )
        made += [
            findings.finding(
                "expected_replacements",
                f"year {year + 1}",
                float(value),
                unit="replacements",
                method=EXACT,
                n_plants=row["quantity"],
                **label,
            )
            for year, value in enumerate(quote.by_year[n])
        ]
    return made


def _percent(share: float) -> str:
    return f"{100 * share:g}%"


def _drawing(quote: Quote) -> str:
    return (
        f"{quote.terms.draws} draws of site effect and model, seed {quote.terms.seed}: standard error of the drawing "
        f"{quote.mean_error / 100:,.2f}"
        + ("" if quote.total.exact else f"; distribution in steps of {quote.total.unit / 100:,.2f}")
    )


def _rates(quote: Quote) -> str:
    return "yearly rates of " + ", ".join(f"{rate:g}%" for rate in quote.terms.discount_percent)


def _before_limit(quote: Quote) -> str:
    return "" if quote.terms.cap_money is None else "before the limit in money, which holds for the whole list"
