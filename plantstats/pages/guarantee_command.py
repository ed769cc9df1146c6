"""The command `plantstats quote`: the owner's pages and, apart from them, the client's."""

from __future__ import annotations

import argparse
from pathlib import Path

from plantstats import exposure, records
from plantstats.digests import file_digest
from plantstats.reporting.names import notebook_path
from plantstats.reporting.runner import run
from plantstats.studies import open_study


def cli_quote(chosen: argparse.Namespace) -> int:
    """The command `plantstats quote LIST --records FOLDER --terms TERMS --out OUT [--as-of DATE]`.

    Parameters
    ----------
    chosen : argparse.Namespace
        listed, records, terms, out (paths), as_of (date or None).

    Returns
    -------
    int
        0; the headlines and the pages are printed: the owner's and, apart from it, the client's.

    Raises
    ------
    RecordError, StudyError, TermsError, QuoteError, ModelError, ReportError
    """
    loaded = records.load(chosen.records)
    study = open_study(loaded, as_of=chosen.as_of or exposure.last_day(loaded) or "")
    priced = study.quote(chosen.listed, chosen.terms)
    given = {
        "records_dir": str(Path(chosen.records).resolve()),
        "plant_list": str(Path(chosen.listed).resolve()),
        "terms_file": str(Path(chosen.terms).resolve()),
        "as_of": study.as_of.isoformat(),
    }
    name = Path(chosen.listed).stem
    about = f"{loaded.settings.company}, {priced.quote.terms.starts_on} + {priced.quote.terms.months} months"
    made_from = {
        "inputs": loaded.digests
        | {f"{Path(path).name}": file_digest(Path(path)) for path in (chosen.listed, chosen.terms)},
        "account": loaded.account.to_dict("records"),
    }
    # The client's page has a folder of its own, so that no file of ours lies beside it.
    for kind in ("quote", "offer"):
        report = run(
            notebook_path(f"guarantee_{kind}"),
            given,
            Path(chosen.out) / f"{kind}-{name}",
            about,
            made_from if kind == "quote" else {},
            for_client=kind == "offer",
            as_pdf=["guarantee_offer"] if kind == "offer" else (),
        )
        if kind == "quote":
            for sentence in report.sentences:
                print(sentence)
        for page in report.pages:
            print(f"{'Quote' if kind == 'quote' else 'For the client'}: {page}")
    return 0
