"""Findings of a quote: everything that its page says, in full precision."""

from __future__ import annotations

from typing import Any

import pandas as pd

from plantstats import findings
from plantstats.guarantee.money import units
from plantstats.guarantee.price import Price
from plantstats.guarantee.quote import QUANTILES, Quote
from plantstats.guarantee.year_error import YearError
from plantstats.stats.intervals import CONF_LEVEL

METHOD = "exact recursion and convolution, mixed over site effect and model"
BELOW = "on the expected cost, which lies above the point"
TAILS = ((1 - CONF_LEVEL) / 2, (1 + CONF_LEVEL) / 2)
LINE = ("line", "species", "light", "pot")


def owner_findings(quote: Quote, price: Price, counted: tuple[int, int]) -> pd.DataFrame:
    """All results of a quote.

    Parameters
    ----------
    quote : Quote
    price : Price
        At the terms' confidence.
    counted : tuple of int
        Losses on record with causes that the guarantee covers, and all losses.

    Returns
    -------
    pandas.DataFrame
        Findings by line and contract year and in all. `losses` is missing: nothing has been lost yet.
    """
    parts = [_of_list(quote, price), _of_causes(quote, counted), _of_lines(quote)]
    if quote.year_error is not None:
        parts.insert(2, year_findings(quote.year_error, _period(quote)))
    return findings.table(pd.concat(parts, ignore_index=True))


def client_findings(quote: Quote, price: Price) -> pd.DataFrame:
    """Findings that a client may see: the charge, nothing of our costs.

    Parameters
    ----------
    quote : Quote
        As `quote.quote` gives it.
    price : Price
        The price of the quote.

    Returns
    -------
    pandas.DataFrame
    """
    own = _of_list(quote, price)
    charges = own[own["measure"].isin(["monthly_charge", "monthly_charge_per_plant"])]
    return findings.table(charges.drop(columns="term").assign(note="", method="level charge"))


def _period(quote: Quote) -> str:
    return f"{quote.terms.starts_on} + {quote.terms.months} months"


def _of_list(quote: Quote, price: Price) -> pd.DataFrame:
    terms, confidence = quote.terms, _percent(price.confidence)

    def row(measure: str, estimate: float, unit: str = terms.currency, **more: Any) -> dict[str, object]:
        given: dict[str, Any] = {"period": _period(quote), "method": METHOD, "n_plants": quote.plants} | more
        return findings.finding(measure, given.pop("period"), estimate, unit=unit, **given)

    low, high = (quote.number.quantile(q) for q in TAILS)
    drawing = f"{terms.draws} draws of site effect and model, seed {terms.seed}: {_error(quote.mean_error)}"
    steps = "" if quote.cost.exact else f"; distribution in steps of {quote.cost.unit / 100:,.2f}"
    rates = "yearly rates of " + ", ".join(f"{rate:g}%" for rate in terms.discount_percent)
    rows = [
        row("expected_replacements", quote.number.mean, "replacements", low=low, high=high, conf_level=CONF_LEVEL),
        row("expected_guarantee_cost", units(quote.expected_cost), note=drawing + steps),
        row("discounted_guarantee_cost", units(quote.discounted), note=rates),
        row(
            "monthly_charge",
            units(price.monthly),
            term=confidence,
            note=f"with a margin of {terms.margin_percent:g}%" + ("" if price.covers_point else f"; {BELOW}"),
        ),
        row(
            "monthly_charge_per_plant", price.per_plant / 100, term=confidence, note="mean over the plants of the list"
        ),
        row("rule_of_thumb_cost", units(price.rule_of_thumb), method="0.1 x unit cost x plants x years"),
    ]
    if terms.monthly_fee:
        rows.append(row("charge_share_of_fee", price.share_of_fee, "% of the fee", term=confidence))
    for q in sorted({*QUANTILES, terms.confidence}):
        note = _error(quote.quantile_errors[q])
        rows.append(row("guarantee_cost_point", units(quote.quantile(q)), term=_percent(q), note=note))
    for source, share in quote.shares.items():
        rows.append(row("uncertainty_share", 100 * share, "% of the variance", term=source))
    for year, n in enumerate(quote.by_year.sum(axis=0), start=1):
        rows.append(row("expected_replacements", float(n), "replacements", period=f"year {year}"))
    return pd.DataFrame(rows)


def _of_causes(quote: Quote, counted: tuple[int, int]) -> pd.DataFrame:
    paid, losses = counted
    rows = pd.DataFrame({"estimate": [100 * paid / losses if losses else float("nan")], "losses": [losses]})
    return findings.rows(
        rows,
        "covered_share",
        period=_period(quote),
        unit="% of losses",
        method="count",
        note="" if losses else "not available: no loss on record",
    )


def year_findings(error: YearError, period: str) -> pd.DataFrame:
    """How far a year strays from what was expected of it, and the years that tell.

    Parameters
    ----------
    error : YearError
    period : str
        Of the amounts that allow for it.

    Returns
    -------
    pandas.DataFrame
        Findings: year_factor, year_error; predicted_year_expected and predicted_year_observed of each year.
    """
    method = "gamma-Poisson factors, uniform shrinkage prior (Christiansen and Morris 1997)"
    note = f"from {len(error.years)} years foretold and what is usual for a firm of its size"
    shared: dict[str, Any] = {"period": period, "method": method, "note": note}
    factor = findings.finding("year_factor", estimate=error.mean, unit="ratio", **shared)
    sd = findings.finding("year_error", estimate=100 * error.sd, unit="%", **shared)
    years = [
        findings.finding(
            f"predicted_year_{name}", row["period"], float(row[name]), unit="losses", method="quote of a year before"
        )
        for row in error.years.to_dict("records")
        for name in ("expected", "observed")
    ]
    return pd.DataFrame([factor, sd, *years])


def _error(cents: float) -> str:
    return f"standard error of the drawing {cents / 100:,.2f}"


def _of_lines(quote: Quote) -> pd.DataFrame:
    lines = quote.lines.assign(line=quote.lines["position"], n_plants=quote.lines["quantity"])
    expected = lines["expected"]
    low, high = (pd.Series([one.quantile(q) for one in quote.line_numbers], dtype="float64") for q in TAILS)
    limit = "" if quote.terms.cap_money is None else "before the limit in money, which holds for the whole list"

    def rows(measure: str, estimate: object, frame: pd.DataFrame = lines, **more: Any) -> pd.DataFrame:
        given: dict[str, Any] = {"period": _period(quote), "unit": "replacements"} | more
        return findings.rows(frame, measure, by=LINE, method=METHOD, estimate=estimate, **given)

    over_term = rows(
        "expected_replacements",
        expected,
        lines.assign(note=lines["basis"]),
        low=expected.clip(upper=low),
        high=expected.clip(lower=high),
        conf_level=CONF_LEVEL,
    )
    cost = rows("expected_guarantee_cost", lines["cost"] / 100, unit=quote.terms.currency, note=limit)
    by_year = [
        rows("expected_replacements", n, period=f"year {year}") for year, n in enumerate(quote.by_year.T, start=1)
    ]
    return pd.concat([over_term, cost, *by_year], ignore_index=True)


def _percent(share: float) -> str:
    return f"{100 * share:g}%"
