"""The guarantee's pages: the owner's quote with price, back-test and swaps, and the offer, without costs of ours."""

from __future__ import annotations

from datetime import date, timedelta

import pandas as pd

from plantstats.guarantee import quote_findings
from plantstats.guarantee.money import show
from plantstats.guarantee.priced_quote import PricedQuote
from plantstats.pages import guarantee_sentences as texts
from plantstats.pages import guarantee_tables as tables
from plantstats.pages import words
from plantstats.pages.guarantee_charts import BackTestChart, CostChart
from plantstats.reporting.specs import Listing, Page, Section
from plantstats.studies import Study

QUOTE, OFFER = "Guarantee quote", "Replacement guarantee"
BEST_SWAPS = 3
CAUTIONS = "The contract's terms govern, and consumer law may override them. This page is no legal or insurance advice."


def quote_page(study: Study, priced: PricedQuote) -> Page:
    """The owner's page of a quote.

    Parameters
    ----------
    study : Study
        Of the records that it rests on.
    priced : PricedQuote
        As `study.quote` gives it.

    Returns
    -------
    Page
    """
    quote, offered = priced.quote, priced.price
    unit = quote.terms.currency
    answers = texts.answer_sentences(priced)
    sections = [
        Section(
            "cost",
            f"The charge comes to {show(offered.monthly * quote.terms.months, unit)} over {quote.terms.months} months.",
            "Bars: how likely each cost is; lines: what it stays within so often.",
            chart=CostChart(quote, offered),
            sentences=answers[:2],
        ),
        _last_year(priced),
        Section("lines", "Line by line.", "Replacements in all; 95 in 100 lie in.", table=_lines(study, priced)),
        _swaps(study, priced),
        Section("terms", "What is promised.", table=_terms(priced)),
        Section("rests", "What this rests on.", sentences=answers[4:]),
    ]
    verdict = f"{show(offered.monthly, unit)} a month for {words.plants(quote.plants)}; {_last_year_in_words(priced)}"
    return Page(QUOTE, verdict, [s for s in sections if s], priced.findings, 0, answers[2:4])


def offer_page(study: Study, priced: PricedQuote) -> Page:
    """The offer that a client gets: no cost, wage or margin of ours.

    Parameters
    ----------
    study : Study
        Of the records that the quote rests on; its names of plants and company.
    priced : PricedQuote
        As `study.quote` gives it.

    Returns
    -------
    Page
    """
    quote, offered, terms = priced.quote, priced.price, priced.quote.terms
    start, until = (_day(day) for day in (terms.starts_on, terms.starts_on - timedelta(days=1)))
    company = study.records.settings.company
    whom = ", ".join(filter(None, (terms.client, terms.building)))
    verdict = f"{words.plants(quote.plants)} guaranteed for {show(offered.monthly, terms.currency)} a month" + (
        f": an offer to {whom}." if whom else "."
    )
    lines = tables.offer_table(quote, offered)
    lines["Plant"] = _plants(study, lines["Plant"])
    agreed = pd.DataFrame(
        {"For": [terms.client or "the client", company or "us"], "Name": "", "Date": "", "Signature": ""},
        dtype="object",
    )
    charge = next(c for c in lines if c.startswith("Monthly charge"))
    sections = [
        Section(
            "plants",
            f"From {start}, for {terms.months} months.",
            terms.tax_note,
            table=Listing("Plants and their monthly charge", lines, numeric=("Plants", charge), total=True),
        ),
        Section("terms", "A plant that dies or falls below what was agreed is replaced.", table=_terms(priced)),
        Section(
            "agreed", f"This offer is valid until {until}.", table=Listing("Agreed", agreed, room=True), note=CAUTIONS
        ),
    ]
    results = quote_findings.client_findings(quote, offered)
    return Page(OFFER, verdict, sections, results, 0)


def _plants(study: Study, species: pd.Series) -> pd.Series:
    """Common names first; the row of the whole has none."""
    return pd.Series([study.name_of("species", code) if code else "" for code in species], dtype="object")


def _day(day: date) -> str:
    return f"{day.day} {day:%B %Y}"


def _last_year_in_words(priced: PricedQuote) -> str:
    test = priced.back_test
    if test is None:
        return "no year can be tested yet."
    few = "too few: " if test.observed > test.expected else "too many: " if test.observed < test.expected else ""
    return f"last year's method expected {few}{test.expected:.0f}, and {test.observed} came."


def _last_year(priced: PricedQuote) -> Section:
    answers = texts.answer_sentences(priced)
    if priced.back_test is None:
        return Section("back", "No quote of a year ago can be tested.", sentences=answers[3:4])
    sentence = _last_year_in_words(priced)
    return Section(
        "back",
        sentence[0].upper() + sentence[1:],
        "Bars: covered losses that came; green: expected a year ago.",
        chart=BackTestChart(priced.back_test),
    )


def _lines(study: Study, priced: PricedQuote) -> Listing:
    lines = tables.line_table(priced.quote, priced.price)
    lines["Plant"] = _plants(study, lines["Plant"])
    return Listing("The list", lines, numeric=[c for c in lines if c not in ("Place", "Plant", "Light")], total=True)


def _swaps(study: Study, priced: PricedQuote) -> Section:
    """The few changes of the list that would clearly save most."""
    parts = [
        frame.assign(
            what=what, other=[study.name_of("species", o).name if what == "plant" else o for o in frame["other"]]
        )
        for what, frame in (
            ("plant", priced.better_species),
            ("light", priced.brighter_place),
            ("humidity", priced.moist_air),
        )
        if len(frame)
    ]
    rows = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
    rows = rows[rows["clear"].astype(bool)] if len(rows) else rows
    if rows.empty:
        return Section("swaps", "No change of the list would clearly save.")
    rows = rows.sort_values("saving", ascending=False).head(BEST_SWAPS)
    unit = priced.quote.terms.currency
    first = rows.iloc[0]
    table = Listing("Changes that save most", tables.swap_table(rows, unit), numeric=tables.SWAP_NUMBERS)
    message = f"{first['position']}: {first['other']} would save {show(int(first['saving']), unit)} over the term."
    shown = "The best of many is best partly by chance; what goes together need not be cause and effect."
    return Section("swaps", message, shown, table=table)


def _terms(priced: PricedQuote) -> Listing:
    return Listing("The terms", tables.terms_table(priced.quote))
