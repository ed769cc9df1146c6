"""Sections on what losses cost: by quarter and who pays, by recorded cause, by species, by client."""

from __future__ import annotations

from functools import partial

import pandas as pd

from plantstats.findings import pick
from plantstats.pages import words
from plantstats.reporting.specs import Listing, Section
from plantstats.reporting.time_charts import Quarters
from plantstats.studies import Study

FEWEST_OF_EVENT = 3  # two losses are no event
# Measure, heading and name of each split.
GROUPS = {
    "covered": ("replacement_cost", "Paid by", "who pays"),
    "cause": ("cost_by_cause", "Cause", "recorded cause"),
    "species": ("cost_by_species", "Plant", "species"),
    "client_id": ("cost_by_client", "Client", "client, whoever pays"),
}


def section(study: Study, results: pd.DataFrame) -> Section | None:
    """Cost by quarter, single events hatched; this quarter's by who pays.

    Parameters
    ----------
    study : Study
        One quarter of a company.
    results : pandas.DataFrame
        All findings of the page.

    Returns
    -------
    Section or None
    """
    paid = cost_by_payer(results, study.period.name)
    if paid.empty:
        return None
    unit = paid["unit"].iloc[0]
    return Section(
        "cost",
        _sentence(study, results, paid) or "What replacing them cost is not on record.",
        f"{unit}, plants and labour as recorded; hatched: one event.",
        chart=Quarters(
            "quarter_cost", "estimate", event="quarter_event", fewest=FEWEST_OF_EVENT, unit=f"{unit} a quarter"
        ),
        table=table(study, results, "covered"),
    )


def table(study: Study, results: pd.DataFrame, by: str) -> Listing | None:
    """Losses and cost by group, most costly first, with a last row in which the parts add up as printed.

    Parameters
    ----------
    study : Study
        One quarter of a company.
    results : pandas.DataFrame
        All findings of the page.
    by : str
        One of GROUPS.

    Returns
    -------
    Listing or None
        None where the quarter has no such findings.
    """
    measure, heading, of = GROUPS[by]
    rows = (
        cost_by_payer(results, study.period.name)
        if by == "covered"
        else pick(results, measure, [by], study.period.name)
    )
    if rows.empty:
        return None
    names = {"covered": words.PAID_BY.__getitem__, "cause": words.cause}
    name = names.get(by, partial(study.name_of, by.removesuffix("_id")))
    rows = rows.sort_values(["estimate", "losses"], ascending=False, kind="stable")
    cost = f"Cost, {rows['unit'].iloc[0]}"
    whole = words.parts_that_add_up(list(rows["estimate"].fillna(0.0)))
    amounts = [f"{v:,}" if pd.notna(e) else "not recorded" for v, e in zip(whole, rows["estimate"], strict=True)]
    records = pd.DataFrame(
        {
            heading: [*map(name, rows[by]), "In all"],
            "Lost": [*(f"{n:,}" for n in rows["losses"]), f"{rows['losses'].sum():,}"],
            cost: [*amounts, f"{_at_least(study, results)}{sum(whole):,}"],
        },
        dtype="object",
    )
    return Listing(f"Cost of {study.period.name} by {of}", records, numeric=("Lost", cost), total=True)


def cost_by_payer(results: pd.DataFrame, period: str) -> pd.DataFrame:
    """What the losses of a quarter cost, by who pays, in whole amounts that every page says alike.

    Parameters
    ----------
    results : pandas.DataFrame
        Findings of `Study.loss_rates`.
    period : str
        Name of the quarter.

    Returns
    -------
    pandas.DataFrame
        Rows of `replacement_cost` with a loss, the most costly first; whole: the amount, so rounded that the parts add
        up to their total (0 where none is on record).
    """
    rows = pick(results, "replacement_cost", ["covered"], period)
    rows = rows[rows["losses"].gt(0)].sort_values(["estimate", "losses"], ascending=False, kind="stable")
    return rows.assign(whole=words.parts_that_add_up(list(rows["estimate"].fillna(0.0))))


def _sentence(study: Study, results: pd.DataFrame, parts: pd.DataFrame) -> str:
    """What replacing the losses of the quarter cost, by who pays; empty where that is not on record."""
    total = pick(results, "replacement_cost", period=study.period.name)
    paid = parts[parts["whole"].gt(0)]
    if total.empty or pd.isna(total["estimate"].iloc[0]) or paid.empty:
        return ""
    of = words.listed([f"{row.whole:,} paid by {words.PAID_BY[row.covered]}" for row in paid.itertuples()])
    unit = total["unit"].iloc[0]
    return f"Replacing them cost {_at_least(study, results)}{unit} {parts['whole'].sum():,}: {of}."


def _at_least(study: Study, results: pd.DataFrame) -> str:
    """Before a sum, where a replacement of the quarter lacks its cost or its minutes."""
    lacking = pick(results, "rows_without_amount", period=study.period.name)["estimate"].gt(0).any()
    return "at least " if lacking else ""
