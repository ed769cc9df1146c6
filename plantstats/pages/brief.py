"""The brief: one sheet of paper for Monday. A verdict, four numbers, what to decide, what became of the last list."""

from __future__ import annotations

import contextlib
import functools
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pandas as pd

from plantstats.findings import pick
from plantstats.pages import accounts, decisions, loss_costs, losses, methods, records, visits, watch, words
from plantstats.pages.decisions import Decision
from plantstats.periods import same_quarter_last_year
from plantstats.reporting import revisions
from plantstats.reporting.charts import Bars
from plantstats.reporting.specs import Box, Page, Rows, Section, result_text
from plantstats.studies import REFUSALS, Study, join, unless_refused
from plantstats.writing import write_whole

TITLE = "Brief"
# Pages that ask for decisions, in the order of the pack.
SOURCES = (losses, visits, accounts, watch, records)


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
    parts = [losses.results_of(study)]
    todo, missing = _asked(study)
    margins = unless_refused(study.account_margins, None)
    dry = unless_refused(study.visit_results, None)
    parts += [frame for frame in (margins, dry) if frame is not None]
    results = join(*parts)
    chosen = decisions.ranked(todo)
    currency = study.records.settings.currency
    sections = [
        _quarters(study, results),
        _accounts(study, results),
        _last_list(study),
        Section(
            "decide",
            _to_decide(chosen, todo),
            "Ranked by money, then by risk; each line leads to where it comes from.",
            table=decisions.table(chosen, currency),
        ),
        _dry(study),
        _state(study, missing),
    ]
    boxes = _boxes(study, results)
    return Page(
        TITLE,
        _verdict(study, results),
        [s for s in sections if s],
        results,
        study.small_group,
        boxes=boxes,
        methods=methods.links_of("index"),
    )


def _verdict(study: Study, results: pd.DataFrame) -> str:
    """Losses and accounts in one line."""
    ratio = result_text(results, study.small_group, "observed_expected", study.period.name)
    if ratio.empty:
        first = "What such a quarter should lose cannot be told"
    else:
        worse, better = ratio["raw_low"] > 1, ratio["raw_high"] < 1
        first = (
            "More losses than expected" if worse else "Fewer losses than expected" if better else "Losses as expected"
        )
    share = accounts.travel_share(results)
    if share is None:
        return f"{first}."
    return f"{first}; travel takes {f'{share:.0f}% of' if share < 50 else 'over half'} the fees."


def _quarters(study: Study, results: pd.DataFrame) -> Section:
    """Losses by quarter against what was to be expected."""
    event = pick(results, "quarter_event", ["site_id", "cause"])
    event = event[event["losses"].ge(loss_costs.FEWEST_OF_EVENT)]
    message = "Losses by quarter, and what to expect."
    if len(event):
        row = event.loc[event["losses"].idxmax()]
        message = f"Peak: one event, {words.cause(row['cause'])}."
    shown = "Green: expected."
    return Section("quarters", message, shown, chart=losses.quarters_chart(study), half=True)


def _dry(study: Study) -> Section | None:
    """Sites by how often waterings come too late."""
    dry = unless_refused(lambda: visits.dry_section(study), None)
    return None if dry is None else replace(dry, half=True)


@functools.lru_cache(maxsize=1)  # for the page, and for the file beside it
def _asked(study: Study) -> tuple[list[Decision], list[str]]:
    """What the pages ask for, and which could not be asked, and why."""
    todo: list[Decision] = []
    missing: list[str] = []
    for source in SOURCES:
        try:
            todo += source.decisions(study)
        except REFUSALS as fault:
            missing.append(f"{source.TITLE}: {fault}")
    return todo, missing


def decision_table(study: Study) -> pd.DataFrame:
    """All things to decide, for the next pack to compare with.

    Parameters
    ----------
    study : Study
        One quarter of a company.

    Returns
    -------
    pandas.DataFrame
        One row each, ranked: what, where, page, anchor.
    """
    todo, _ = _asked(study)
    rows = [(one.what, one.where, one.page, one.anchor) for one in decisions.ranked(todo, len(todo))]
    return pd.DataFrame(rows, columns=["what", "where", "page", "anchor"], dtype="str")


def write_decisions(study: Study, folder: Path) -> None:
    """Put decisions.csv, what the next pack is compared with, into a folder.

    Parameters
    ----------
    study : Study
        One quarter of a company.
    folder : Path
        Folder of the report.
    """
    content = decision_table(study).to_csv(index=False, lineterminator="\n")
    write_whole(folder / revisions.DECISIONS, content.encode("utf-8"))


def _to_decide(chosen: Sequence[Decision], todo: Sequence[Decision]) -> str:
    if not chosen:
        return "Nothing to decide this week."
    more = f" of {len(todo)}" if len(todo) > len(chosen) else ""
    return f"Decide this week: {words.count_of(len(chosen), 'thing')}{more}."


def _boxes(study: Study, results: pd.DataFrame) -> list[Box]:
    """Losses, their cost, accounts that cost more than they pay, sites found too dry; each with last year."""
    period, small = study.period, study.small_group
    lost = result_text(results, small, "loss_rate", period.name)
    before = result_text(results, small, "loss_rate", same_quarter_last_year(period).name)
    should = result_text(results, small, "expected_losses", period.name)
    by_events = pick(results, "expected_event_losses", period=period.name)["estimate"].fillna(0.0).sum()
    beside = []
    if not should.empty and pd.notna(should["raw_estimate"]):
        beside.append(f"about {should['raw_estimate'] + by_events:.0f} expected")
    if not before.empty:
        beside.append(f"{before['losses']} a year ago")
    boxes = [Box(f"{words.plants(int(lost['raw_losses']))} lost", "; ".join(beside))]
    ours = pick(results, "quarter_cost", ["covered"])
    now = ours[ours["period"].eq(period.name) & ours["estimate"].notna()]
    if len(now):
        ago = ours.loc[ours["period"].eq(same_quarter_last_year(period).name), "estimate"].dropna()
        below = "replacements we paid" + (f"; {ago.iloc[0]:,.0f} a year ago" if len(ago) else "")
        paid = loss_costs.cost_by_payer(results, period.name).set_index("covered")["whole"]
        boxes.append(Box(words.money(now["unit"].iloc[0], paid.get("guaranteed", 0)), below))
    return boxes + _account_box(study, results) + _dry_box(study)


def _account_box(study: Study, results: pd.DataFrame) -> list[Box]:
    """Accounts that cost more than they pay, now and a year ago."""
    margins = pick(results, "account_margin", ["client_id"])
    if margins.empty:
        return []
    before = unless_refused(lambda: study.account_margins(same_quarter_last_year(study.period).name), None)
    ago = None if before is None else pick(before, "account_margin", ["client_id"])["estimate"]
    under = int(margins["estimate"].lt(0).sum())
    below = "accounts lose money" + ("" if ago is None else _year_ago(ago.lt(0)))
    return [Box(f"{under} of {len(margins)}", below, under > 0)]


def _dry_box(study: Study) -> list[Box]:
    """Sites where waterings come too late too often, now and a year ago."""
    dry, before = (unless_refused(result, None) for result in (study.site_advice, study.sites_a_year_ago))
    if dry is None or dry.empty:
        return []
    over = int(dry["over_limit"].sum())
    below = "sites too often too dry" + ("" if before is None or before.empty else _year_ago(before["over_limit"]))
    return [Box(f"{over} of {len(dry)}", below, over > 0)]


def _year_ago(were: pd.Series) -> str:
    return f"; {int(were.sum())} a year ago"


def _accounts(study: Study, results: pd.DataFrame) -> Section | None:
    rows = Rows("account_margin", ["client_id"], descending=False, most=7)
    margins = rows.select(results)
    if margins.empty:
        return None
    chart = Bars(
        rows,
        lambda row: study.name_of("client", row["client_id"]).name,
        f"{margins['unit'].iloc[0]} left over four quarters",
        small=True,
    )
    return Section(
        "accounts",
        f"{study.name_of('client', margins['client_id'].iloc[0]).name} leaves least.",
        "Fee less labour, travel and guaranteed replacements; the lowest seven.",
        chart=chart,
        half=True,
    )


def _last_list(study: Study) -> Section:
    """What became of last quarter's advice, read from the records."""
    none = Section("last", "Nothing was advised a quarter ago, or the records do not reach back to it.")
    return unless_refused(lambda: visits.last_advice(study), none)


def _state(study: Study, missing: Sequence[str]) -> Section:
    account = study.records.account
    read, aside = int(account["rows_read"].sum()), int(account["rows_set_aside"].sum())
    sentences = [f"Could not be told. {line}." for line in missing]
    with contextlib.suppress(*REFUSALS):  # said above
        sentences += visits.notes_left_out(study)
    note = "Estimates for management, not accounting advice."
    return Section(
        "state",
        f"{aside:,} of {read:,} rows of the records could not be used.",
        sentences=sentences,
        note=note,
        half=True,
    )
