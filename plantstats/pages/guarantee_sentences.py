"""Sentences of the guarantee's pages: every number in them stands in the findings."""

from __future__ import annotations

from plantstats.guarantee import back_test
from plantstats.guarantee.money import show
from plantstats.guarantee.price import Price
from plantstats.guarantee.priced_quote import PricedQuote
from plantstats.guarantee.quote import Quote

LABEL = (
    "This is a management estimate from the company's own records. It is not legal, accounting or insurance advice; "
    "the contract's terms govern, and the law may override them."
)
SHARES = {
    "chance": "chance",
    "site": "what is not known about the site",
    "model": "what is not known about the rates",
    "year": "how far a year strays from the years before",
    "event": "whether a building fails",
}


def quote_sentences(quote: Quote, offered: Price) -> list[str]:
    """What an owner reads first about a quote.

    Parameters
    ----------
    quote : Quote
        As `quote.quote` gives it.
    offered : Price
        The price of the quote.

    Returns
    -------
    list of str
    """
    terms, unit = quote.terms, quote.terms.currency
    low, high = quote.number.quantile(0.025), quote.number.quantile(0.975)
    sentences = [
        f"Over {terms.months} months from {terms.starts_on}, {quote.number.mean:.1f} replacements under guarantee are "
        f"to be expected for the {quote.plants:,} plants (95 in 100 such contracts: {low} to {high}), at an expected "
        f"cost of {show(quote.expected_cost, unit)} ({show(quote.discounted, unit)} discounted).",
        f"The cost stays within {show(quote.quantile(0.5), unit)} in half of such contracts, within "
        f"{show(quote.quantile(0.8), unit)} in 80 of 100 and within {show(quote.quantile(0.95), unit)} in 95 of 100.",
        _charge_sentence(quote, offered),
        "Of the uncertainty, "
        + ", ".join(f"{100 * share:.0f}% is {SHARES[name]}" for name, share in quote.shares.items())
        + ".",
    ]
    return [*sentences, *(_sentence(note) for note in quote.notes), LABEL]


def _charge_sentence(quote: Quote, offered: Price) -> str:
    terms, unit = quote.terms, quote.terms.currency
    charge = f"{show(offered.monthly, unit)} a month ({offered.per_plant / 100:.2f} per plant)"
    share = f"; that is {offered.share_of_fee:.1f}% of the monthly fee." if terms.monthly_fee else "."
    if offered.covers_point:
        covers = f"covers it in {100 * offered.confidence:.0f} of 100, and leaves a margin of {terms.margin_percent:g}%"
        return f"{charge} {covers}{share}"
    return (
        f"{charge} is the expected cost and a margin of {terms.margin_percent:g}%: the amount that holds in "
        f"{100 * offered.confidence:.0f} of 100 ({show(offered.point, unit)}) lies below the expected cost, "
        f"and a charge on it would lose money in the long run{share}"
    )


def answer_sentences(priced: PricedQuote) -> list[str]:
    """The headlines of a quote; the back-test stands on every one.

    Parameters
    ----------
    priced : PricedQuote
        The quote with its price.

    Returns
    -------
    list of str
    """
    first = quote_sentences(priced.quote, priced.price)
    paid, losses = priced.counted
    causes = f"{paid} of the {losses} losses on record had causes that these terms cover; the rates are those of these."
    return [
        *first[:3],
        year_sentence(priced.quote),
        *first[3:4],
        causes,
        back_test_sentence(priced.back_test),
        *first[4:],
    ]


def year_sentence(quote: Quote) -> str:
    """What last year's expectation came to, and that the price allows for such a year.

    Parameters
    ----------
    quote : Quote
        As `quote.quote` gives it.

    Returns
    -------
    str
    """
    error, usual = quote.year_error, "what is usual for a firm of this size"
    if error is None or error.years.empty:
        return f"No year could be foretold from these records yet; the price allows for {usual}."
    last, n = error.years.iloc[0], len(error.years)
    return (
        f"Last year the method expected {last['expected']:.0f}, and {last['observed']} came; the price allows for "
        f"that: what the records lead to expect is taken times {error.mean:.2f}, and a year may turn out "
        f"{100 * error.sd:.0f}% better or worse (standard deviation, from {n} years foretold and {usual})."
    )


def back_test_sentence(test: back_test.BackTest | None) -> str:
    """The back-test in one sentence, for the page of every quote.

    Parameters
    ----------
    test : back_test.BackTest or None
        None where the records of a year ago hold too few losses.

    Returns
    -------
    str
    """
    if test is None:
        return "No back-test: the records of a year ago hold too few losses to have made a quote from."
    seen, expected = int(test.totals["losses"].sum()), float(test.totals["expected"].sum())
    value, low, high = test.ratio()
    parts = []
    for p in back_test.QUANTILES:
        covered = test.site_quarters["losses"] <= test.site_quarters[f"point_{100 * p:.0f}"]
        stated = test.site_quarters[f"chance_{100 * p:.0f}"].mean()
        parts.append(
            f"the {100 * p:.0f}% point held in {int(covered.sum())} of {len(covered)} site-quarters "
            f"({100 * covered.mean():.0f}%, {100 * stated:.0f}% stated)"
        )
    return (
        f"Back-test: a year ago {expected:.1f} covered losses, events apart, were to be expected among the "
        f"{test.totals['plants'].iloc[0]:,} plants then in place over the four quarters to "
        f"{test.totals['period'].iloc[-1]}; {seen} happened"
        + (f" ({value:.2f} times, 95% interval {low:.2f} to {high:.2f}). " if expected else ". ")
        + "; ".join(parts).capitalize()
        + "."
    )


def _sentence(note: str) -> str:
    return note if note.endswith(".") else note + "."


def offer_sentences(quote: Quote, offered: Price) -> list[str]:
    """What a client reads: what is promised, for which charge; none of our costs.

    Parameters
    ----------
    quote : Quote
        As `quote.quote` gives it.
    offered : Price
        The price of the quote.

    Returns
    -------
    list of str
    """
    terms = quote.terms
    return [
        f"For {quote.plants:,} plants the replacement guarantee costs {show(offered.monthly, terms.currency)} a month.",
        f"It runs from {terms.starts_on} for {terms.months} months.",
        "A plant that dies or falls below what was agreed is replaced, except where the terms below say otherwise.",
    ]
