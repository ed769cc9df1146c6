"""The brief: one sheet of paper for Monday. A verdict, four numbers, what to decide, what became of the last list."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence

import pandas as pd

from plantstats.findings import pick
from plantstats.pages import accounts, decisions, losses, methods, records, visits, watch, words
from plantstats.pages.decisions import Decision
from plantstats.periods import same_quarter_last_year
from plantstats.reporting.charts import Bars, Quarters
from plantstats.reporting.specs import Box, Page, Rows, Section, said
from plantstats.studies import REFUSALS, Study, join

TITLE = "Brief"
# Pages that ask for decisions, in the order of the pack.
SOURCES = (visits, accounts, watch, records)


def page(study: Study) -> Page:
    """The brief of a quarter.

    Parameters
    ----------
    study : Study
        One quarter of a company.

    Returns
    -------
    Page
    """
    loss = losses.page(study)
    parts = [loss.findings]
    todo: list[Decision] = []
    missing: list[str] = []
    for source in SOURCES:
        try:
            todo += source.decisions(study)
        except REFUSALS as fault:
            missing.append(f"{source.TITLE}: {fault}")
    margins = _or_nothing(study.account_margins)
    parts += [frame for frame in (margins,) if frame is not None]
    results = join(*parts)
    chosen = decisions.ranked(todo)
    currency = study.records.settings.currency
    sections = [
        _last_list(study),
        Section(
            "decide",
            _to_decide(chosen, todo),
            "Ranked by money, then by risk; each line leads to where it comes from.",
            table=decisions.table(chosen, currency),
        ),
        Section(
            "quarters",
            "Losses by quarter.",
            "Plants lost; green: expected for season, plants and places.",
            chart=Quarters(expected="expected_losses"),
            half=True,
        ),
        _accounts(study, results),
        _state(study, missing),
    ]
    return Page(
        TITLE,
        loss.verdict,
        [s for s in sections if s],
        results,
        study.small_group,
        loss.sentences[:1],
        _boxes(study, results),
        methods.links_of("index"),
    )


def _or_nothing(compute: Callable[[], pd.DataFrame]) -> pd.DataFrame | None:
    try:
        return compute()
    except REFUSALS:
        return None


def _to_decide(chosen: Sequence[Decision], todo: Sequence[Decision]) -> str:
    if not chosen:
        return "Nothing to decide this week."
    more = f" of {len(todo)}" if len(todo) > len(chosen) else ""
    return f"Decide this week: {words.count_of(len(chosen), 'thing')}{more}."


def _boxes(study: Study, results: pd.DataFrame) -> list[Box]:
    """Losses, their cost, accounts that cost more than they pay, sites found too dry; each with last year."""
    period, small = study.period, study.small_group
    lost = said(results, small, "loss_rate", period.name)
    before = said(results, small, "loss_rate", same_quarter_last_year(period).name)
    should = said(results, small, "expected_losses", period.name)
    beside = [f"of {lost['raw_n_plants']:,}"]
    if not should.empty and pd.notna(should["raw_estimate"]):
        beside.append(f"about {should['raw_estimate']:.0f} expected")
    if not before.empty:
        beside.append(f"{before['losses']} a year ago")
    boxes = [Box(f"{words.plants(int(lost['raw_losses']))} lost", "; ".join(beside))]
    cost = pick(results, "replacement_cost", ["covered"], period.name)
    ours = cost[cost["covered"].eq("guaranteed")]
    if len(ours) and pd.notna(ours["estimate"].iloc[0]):
        number = words.money(ours["unit"].iloc[0], ours["estimate"].iloc[0])
        boxes.append(Box(number, f"replacements at our cost ({words.plants(ours['losses'].iloc[0])})"))
    margins = pick(results, "account_margin", ["client_id"])
    if len(margins):
        under = margins[margins["estimate"].lt(0)]
        total = words.money(margins["unit"].iloc[0], -under["estimate"].sum())
        boxes.append(
            Box(
                f"{len(under)} of {len(margins)}",
                f"accounts cost more than they paid over four quarters: {total} in all",
                len(under) > 0,
            )
        )
    dry = _or_nothing(study.site_advice)
    if dry is not None and len(dry):
        too_many = int(dry["over_limit"].sum())
        limit = study.records.settings.watering.max_too_dry_share
        boxes.append(
            Box(
                f"{too_many} of {len(dry)}",
                f"sites: more than {100 * limit:.0f} in 100 waterings come too late",
                too_many > 0,
            )
        )
    return boxes


def _accounts(study: Study, results: pd.DataFrame) -> Section | None:
    rows = Rows("account_margin", ["client_id"], descending=False, most=12)
    found = rows.select(results)
    if found.empty:
        return None
    chart = Bars(
        rows, lambda row: study.name_of("client", row["client_id"]), f"{found['unit'].iloc[0]} left over four quarters"
    )
    return Section(
        "accounts",
        "What accounts leave, the lowest first.",
        "Fee less labour, travel and guaranteed replacements.",
        chart=chart,
        half=True,
    )


def _last_list(study: Study) -> Section:
    """What became of last quarter's advice, read from the records."""
    try:
        return visits.last_advice(study)
    except REFUSALS:
        return Section("last", "Nothing was advised a quarter ago, or the records do not reach back to it.")


def _state(study: Study, missing: Sequence[str]) -> Section:
    account = study.records.account
    read, aside = int(account["rows_read"].sum()), int(account["rows_set_aside"].sum())
    sentences = [f"Could not be told. {line}." for line in missing]
    with contextlib.suppress(*REFUSALS):  # said above
        sentences += visits.notes_left_out(study)
    note = "Estimates for management, not accounting advice."
    return Section(
        "state", f"{aside:,} of {read:,} rows of the records could not be used.", sentences=sentences, note=note
    )
