"""From a plant list, records and terms to a priced quote: with what would cost less, and its back-test."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from plantstats import exposure, findings
from plantstats.guarantee import alternatives, back_test, back_test_findings, plant_list, quote_findings
from plantstats.guarantee.fitted_hazards import FittedHazards
from plantstats.guarantee.hazard_fits import HazardFits
from plantstats.guarantee.hazards import Exits
from plantstats.guarantee.price import Price, price
from plantstats.guarantee.quote import Quote, QuoteError, make_quote
from plantstats.guarantee.terms import Terms, read_terms
from plantstats.periods import latest_complete_quarter

if TYPE_CHECKING:
    from plantstats.records import Records


@dataclass(frozen=True)
class PricedQuote:
    """A quote with all that stands on its owner's page; back_test: None where the records were too thin for one."""

    quote: Quote
    price: Price
    better_species: pd.DataFrame
    brighter_place: pd.DataFrame
    moist_air: pd.DataFrame
    back_test: back_test.BackTest | None
    counted: tuple[int, int]
    as_of: date

    @property
    def findings(self) -> pd.DataFrame:
        """All results."""
        own = quote_findings.owner_findings(self.quote, self.price, self.counted)
        tested = [] if self.back_test is None else [back_test_findings.findings_of(self.back_test)]
        return findings.table(pd.concat([own, *tested], ignore_index=True))


def priced_quote(listed: Path, records: Records, terms: Terms | Path, as_of: date | None = None) -> PricedQuote:
    """Quote a plant list from the company's own records.

    Parameters
    ----------
    listed : pathlib.Path
        The plant list.
    records : Records
    terms : Terms or pathlib.Path
        The terms, or their file.
    as_of : datetime.date, optional
        Last day of the records that counts (None: their last day).

    Returns
    -------
    PricedQuote

    Raises
    ------
    RecordError, TermsError, QuoteError, ModelError
        For a list with faults, faulty terms, a quote that cannot be made, records too thin for a model.
    """
    terms = terms if isinstance(terms, Terms) else read_terms(terms)
    quote, model, exits, cut, tests = quote_of(listed, records, terms, as_of)
    return PricedQuote(
        quote=quote,
        price=price(quote, terms.confidence),
        better_species=alternatives.better_species(quote, model, exits),
        brighter_place=alternatives.brighter_place(quote, model, exits),
        moist_air=alternatives.moist_air(quote, model, exits),
        back_test=tests[0] if tests else None,
        counted=model.counted,
        as_of=cut,
    )


def quote_of(
    listed: Path, records: Records, terms: Terms, as_of: date | None = None
) -> tuple[Quote, FittedHazards, Exits, date, list[back_test.BackTest]]:
    """Quote with what it was made from, before it has a price (see `priced_quote`).

    Parameters
    ----------
    listed : Path
        The list of plants.
    records : Records
        The company's records, as `records.load` gives them.
    terms : Terms
        The terms.
    as_of : date, optional
        Last day of the records that counts (None: their last day).

    Returns
    -------
    quote : Quote
    model : FittedHazards
        Hazards under the terms.
    exits : Exits
        What else ends a plant's life.
    cut : date
        The last day that counts.
    tests : list of BackTest
        Of earlier quarters, the newest first.

    Raises
    ------
    RecordError, QuoteError, ModelError
        As `priced_quote`.
    """
    cut = as_of or exposure.last_day(records)
    if cut is None:
        raise QuoteError("the records hold no completed visit and no replacement: there is nothing to quote from")
    if terms.currency != records.settings.currency:
        raise QuoteError(
            f"the terms are in {terms.currency}, the records in {records.settings.currency}; amounts are "
            "never converted"
        )
    plants = plant_list.read(listed, records.settings)
    fits = HazardFits.of(records, cut)
    model, exits = fits.under(terms.covered, terms.excluded), fits.exits(terms.covered, terms.excluded)
    plant_list.check_known(plants.lines, model.levels)
    tests = back_test.back_tests(records, latest_complete_quarter(cut, records.settings.fiscal_year_starts), terms)
    events = fits.event_hazard(terms.covered, terms.excluded)
    quote = make_quote(plants.lines, model, exits, terms, back_test.learn_from(tests, model), events)
    return replace(quote, notes=(*plants.notes, *quote.notes)), model, exits, cut, tests
