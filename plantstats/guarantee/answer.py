"""From a plant list, records and terms to a whole answer: the quote, its price, what would cost less, its back-test."""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from plantstats import exposure, findings
from plantstats.guarantee import back_test, pages, plant_list, results, what_if
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
    def sentences(self) -> list[str]:
        """The headlines; the back-test stands on every quote."""
        said = pages.quote_sentences(self.quote, self.price)
        return [*said[:4], back_test.said(self.test), *said[4:]]

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


def cli_quote(chosen: argparse.Namespace) -> int:
    """The command `plantstats quote LIST --records FOLDER --terms TERMS --out OUT [--as-of DATE]`.

    Takes:  chosen: listed, records, terms, out (paths), as_of (date or None).
    Gives:  0; prints the headlines and the pages: the owner's and, apart from it, the client's.
    Raises: RecordError, TermsError, QuoteError, ModelError, ReportError.
    """
    from plantstats import records as reader  # noqa: PLC0415
    from plantstats.records.workbooks import digest_of  # noqa: PLC0415
    from plantstats.reporting import run  # noqa: PLC0415
    from plantstats.reporting.quarterly import notebook  # noqa: PLC0415

    loaded = reader.load(chosen.records)
    terms = read_terms(chosen.terms)
    plant_list.read(chosen.listed, loaded.settings)
    cut = chosen.as_of or exposure.last_day(loaded)
    given = {
        "records_dir": str(Path(chosen.records).resolve()),
        "plant_list": str(Path(chosen.listed).resolve()),
        "terms_file": str(Path(chosen.terms).resolve()),
        "as_of": str(cut) if cut else "",
    }
    name = Path(chosen.listed).stem
    about = f"{loaded.settings.company}, {terms.starts_on} + {terms.months} months"
    made_from = {
        "inputs": loaded.digests
        | {f"{Path(path).name}": digest_of(Path(path)) for path in (chosen.listed, chosen.terms)},
        "account": loaded.account.to_dict("records"),
    }
    # The client's page has a folder of its own, so that no file of ours lies beside it.
    for kind in ("quote", "offer"):
        sources = made_from if kind == "quote" else None
        report = run(notebook(f"guarantee_{kind}"), given, Path(chosen.out) / f"{kind}-{name}", about, sources)
        if kind == "quote":
            for sentence in report.sentences:
                print(sentence)
        for page in report.pages:
            print(f"{'Quote' if kind == 'quote' else 'For the client'}: {page}")
    return 0
