"""The list of client pages of a quarter, for those who hand them out: it names all clients, so it goes to none."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from plantstats import findings
from plantstats.pages import words
from plantstats.pages.client_page import LOW_CONDITION
from plantstats.reporting.specs import Listing, Page, Section
from plantstats.studies import Study

TITLE = "Pages for clients"
MOST = 5000  # clients; the list is there to be complete


def page(study: Study, names: Mapping[str, str], missing: Mapping[str, str], pdf: bool) -> Page:
    """The index of client pages.

    Parameters
    ----------
    study : Study
        Of all clients.
    names : mapping of str to str
        Client id to the name of its files.
    missing : mapping of str to str
        Client id to why it has no page.
    pdf : bool
        Whether pages stand as PDF too.

    Returns
    -------
    Page
        One row per client, those with most to talk about first.
    """
    standing = study.standing()
    weak = standing[standing["condition"].le(LOW_CONDITION).fillna(False)]
    counts = pd.DataFrame(
        {
            "plants": standing.groupby("client_id")["plants"].sum(),
            "weak": weak.groupby("client_id")["plants"].sum(),
            "left": study.replaced().groupby("client_id").size(),
        }
    )
    counts = counts.reindex(sorted(names)).fillna(0).astype("int64")
    counts = counts.sort_values(["left", "weak"], ascending=False, kind="stable")
    with_page = [client for client in counts.index if client not in missing]
    sections = [
        Section(
            "pages",
            "The page of each client.",
            f"Those with most to talk about first. Condition low: {LOW_CONDITION} or less of 5 at the last visit.",
            table=_with_page(study, counts.loc[with_page], names, pdf),
        )
    ]
    if missing:
        reasons = pd.DataFrame(
            {
                "Client": [study.name_of("client", client) for client in sorted(missing)],
                "Why": [missing[client] for client in sorted(missing)],
            },
            dtype="object",
        )
        table = Listing("Clients without a page", reasons, most=MOST)
        sections.insert(
            0, Section("missing", f"{words.count_of(len(missing), 'page')} could not be made.", table=table)
        )
    verdict = f"{len(with_page)} of {words.count_of(len(names), 'client')} have their page for {study.period.name}."
    return Page(
        TITLE, verdict, sections, findings.table([]), study.small_group, ["For us alone: it names all clients."]
    )


def _with_page(study: Study, counts: pd.DataFrame, names: Mapping[str, str], pdf: bool) -> Listing:
    records = pd.DataFrame(
        {
            "Client": [study.name_of("client", client) for client in counts.index],
            "Plants in place": list(counts["plants"]),
            "Condition low": list(counts["weak"]),
            "Replaced or taken away": list(counts["left"]),
        }
    )
    links = {"Client": [f"{names[client]}.html" for client in counts.index]}
    if pdf:
        records["To print"] = "PDF"
        links["To print"] = [f"{names[client]}.pdf" for client in counts.index]
    return Listing("Clients", records, most=MOST, links=links)
