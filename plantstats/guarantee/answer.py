"""From a plant list, records and terms to a whole answer: the quote, its price, what would cost less, its back-test."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from plantstats import exposure, findings
from plantstats.guarantee import back_test, plant_list, results, what_if
from plantstats.guarantee import quote as quotes
from plantstats.guarantee.from_records import FittedLosses, exits_of, fit_losses
from plantstats.guarantee.hazards import Exits
from plantstats.guarantee.price import Price, price
from plantstats.guarantee.quote import Quote, QuoteError
from plantstats.guarantee.terms import Terms, read_terms
from plantstats.periods import latest_complete_quarter

if TYPE_CHECKING:
    from plantstats.records import Records


@dataclass(frozen=True)
class Answer:
    """A quote with all that stands on its page."""

    quote: Quote
    price: Price
    better: pd.DataFrame
    brighter: pd.DataFrame
    moist: pd.DataFrame
    test: back_test.BackTest | None
    as_of: date

    @property
    def findings(self) -> pd.DataFrame:
        """All results."""
        own = results.owner_findings(self.quote, self.price)
        return own if self.test is None else findings.table(pd.concat([own, self.test.findings()], ignore_index=True))


def quote(listed: Path, records: Records, terms: Terms | Path, as_of: date | None = None) -> Answer:
    """Quote a plant list from the company's own records.

    Takes:  listed: path of the plant list; records; terms, or the path of their file; as_of: last day of the records
            that counts (None: their last day).
    Gives:  Answer.
    Raises: RecordError for a list with faults, TermsError, QuoteError, ModelError for records too thin for a model.
    """
    terms = terms if isinstance(terms, Terms) else read_terms(terms)
    made, model, exits, cut = _quoted(listed, records, terms, as_of)
    period = latest_complete_quarter(cut, records.settings.fiscal_year_starts)
    return Answer(
        made,
        price(made, terms.confidence),
        what_if.better_species(made, model, exits),
        what_if.brighter_place(made, model, exits),
        what_if.moist_air(made, model, exits),
        back_test.back_test(records, period, terms),
        cut,
    )


def offer(listed: Path, records: Records, terms: Terms | Path, as_of: date | None = None) -> tuple[Quote, Price]:
    """The same quote with its price alone, for a page that a client may see (see `quote`)."""
    terms = terms if isinstance(terms, Terms) else read_terms(terms)
    made, *_ = _quoted(listed, records, terms, as_of)
    return made, price(made, terms.confidence)


def _quoted(
    listed: Path, records: Records, terms: Terms, as_of: date | None
) -> tuple[Quote, FittedLosses, Exits, date]:
    cut = as_of or exposure.last_day(records)
    if cut is None:
        raise QuoteError("the records hold no completed visit and no replacement: there is nothing to quote from")
    if terms.currency != records.settings.currency:
        raise QuoteError(
            f"the terms are in {terms.currency}, the records in {records.settings.currency}; amounts are "
            "never converted"
        )
    listing = plant_list.read(listed, records.settings)
    model, time = fit_losses(records, cut)
    plant_list.check_known(listing.lines, model.levels)
    exits = exits_of(time, terms)
    made = quotes.make(listing.lines, model, exits, terms)
    return replace(made, notes=(*listing.notes, *made.notes)), model, exits, cut
