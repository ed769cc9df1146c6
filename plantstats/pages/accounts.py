"""The page on accounts: what each client pays and costs, and what the running guarantees will cost."""

from __future__ import annotations

import pandas as pd

from plantstats.findings import pick
from plantstats.guarantee.in_force import GuaranteeError
from plantstats.pages import deliveries, methods, words
from plantstats.pages.decisions import Decision
from plantstats.periods import next_quarter
from plantstats.reporting.charts import Bars
from plantstats.reporting.specs import Field, Listing, Page, Rows, Section, Table, result_text
from plantstats.studies import REFUSALS, Study, join

TITLE = "Accounts"
PARTS = {
    "account_fee": "Fee",
    "account_travel": "Travel",
    "account_labour": "Labour",
    "account_replacements": "Replacements",
}
MOVES = {
    "opening": "provision a quarter ago",
    "charged": "for guarantees begun since",
    "used": "spent on replacements",
    "adjusted": "what turned out otherwise",
    "closing": "provision now",
}
DISCLAIMER = "A management estimate. What is booked, and how, is for an accountant to decide."


def page(study: Study) -> Page:
    """The page on accounts.

    Parameters
    ----------
    study : Study
        One quarter of a company.

    Returns
    -------
    Page

    Raises
    ------
    StudyError
        When the records hold no contract.
    """
    margins = study.account_margins()
    try:
        results, none_runs = join(margins, study.provision(), *([] if study.client else [study.run_off()])), None
    except GuaranteeError as refusal:
        # Accounts have their margins whether or not a guarantee runs.
        results, none_runs = margins, Section("provision", "No guarantee runs.", note=str(refusal))
    except REFUSALS as refusal:
        text = "What the running guarantees will cost cannot be told."
        results, none_runs = margins, Section("provision", text, note=str(refusal))
    sections = [
        _margins(study, results),
        none_runs or _provision(study, results),
        _by_client(study, results),
        _renewals(study),
    ]
    verdict, sentences = _headlines(study, results)
    return Page(
        TITLE,
        verdict,
        [s for s in sections if s],
        results,
        study.small_group,
        sentences,
        methods=methods.links_of("accounts"),
    )


def decisions(study: Study) -> list[Decision]:
    """Accounts that cost more than they pay, as one line.

    Parameters
    ----------
    study : Study
        What the page is about.

    Returns
    -------
    list of Decision
        None or one.
    """
    rows = pick(study.account_margins(), "account_margin", ["client_id"]).sort_values("estimate")
    under = rows[rows["high"].fillna(rows["estimate"]).lt(0)]
    if under.empty:
        return []
    worst = under.head(3)
    total = -float(worst["estimate"].sum()) / 4
    return [
        Decision(
            "Reprice, or space out the visits",
            words.listed([study.name_of("client", client).name for client in worst["client_id"]]),
            total,
            f"fees and visits are on record; even without one replacement {len(under)} accounts would not pay",
            2,
            "accounts",
            f"client-{worst['client_id'].iloc[0]}",
        )
    ]


def _headlines(study: Study, results: pd.DataFrame) -> tuple[str, list[str]]:
    rows = pick(results, "account_margin", ["client_id"])
    under = rows[rows["estimate"].lt(0)]
    verdict = (
        f"{len(under)} of {len(rows)} accounts cost more than they paid over four quarters."
        if len(under)
        else f"All {len(rows)} accounts paid more than they cost over four quarters."
    )
    totals = {m: pick(results, m) for m in (*PARTS, "account_margin")}
    if any(total.empty for total in totals.values()):
        return verdict, []
    whole = {m: float(total["estimate"].iloc[0]) for m, total in totals.items()}
    unit = rows["unit"].iloc[0]
    parts = [f"{name.lower()} {whole[m]:,.0f}" for m, name in PARTS.items() if m != "account_fee"]
    left = words.money(unit, whole["account_margin"])
    return verdict, [f"Of {words.money(unit, whole['account_fee'])} in fees, {left} is left: {words.listed(parts)}."]


def _margins(study: Study, results: pd.DataFrame) -> Section:
    rows = Rows("account_margin", ["client_id"], descending=False, most=60)
    unit = rows.select(results)["unit"].iloc[0]
    columns: dict[str, Field | str] = {
        "Client": Field("client_id", words=lambda client: study.name_of("client", client)),
        **{name: Field("estimate", measure) for measure, name in PARTS.items()},
        "Left": "estimate",
        "could be": "interval",
        "Remark": "note",
    }
    chart = Bars(
        Rows("account_margin", ["client_id"], descending=False, most=25),
        lambda row: study.name_of("client", row["client_id"]).name,
        f"{unit} left over four quarters",
    )
    table = Table(
        f"Accounts over four quarters, {unit}; the lowest first", rows, columns, "client", total="All accounts"
    )
    shown = "Left: fee less travel, labour and guaranteed replacements; limits carry the chance in the latter alone."
    return Section("margins", "What each account leaves.", shown, chart=chart, table=table)


def travel_share(results: pd.DataFrame) -> float | None:
    """Travel in 100 of the fees of all accounts; none where no fee is on record.

    Parameters
    ----------
    results : pandas.DataFrame
        All findings of the page.

    Returns
    -------
    float | None
    """
    fee, travel = pick(results, "account_fee"), pick(results, "account_travel")
    if fee.empty or travel.empty or not fee["estimate"].iloc[0]:
        return None
    return float(100 * travel["estimate"].iloc[0] / fee["estimate"].iloc[0])


def _provision(study: Study, results: pd.DataFrame) -> Section | None:
    """What the running guarantees will cost, how sure that is, and how it moved over the quarter."""
    period = study.period.name
    whole = result_text(results, 0, "provision", period)
    if whole.empty:
        return None
    point = pick(results, "provision_point", ["term"], period).set_index("term")["estimate"]
    within = "".join(f"; in {name[:-1]} of 100 at most {point[name]:,.0f}" for name in ("80%", "95%") if name in point)
    message = f"Replacements under running guarantees should cost {whole['unit']} {whole['estimate']}{within}."
    check = deliveries.check_of_provision(results, whole["raw_estimate"])
    sentences = [check] if check else []
    rows = pick(results, "provision_move", ["term"], period).set_index("term")["estimate"]
    if rows.empty:
        return Section("provision", message, DISCLAIMER, sentences=sentences, note=whole["note"])
    names = [name for name in MOVES if name in rows.index and name != "closing"]
    whole_parts = words.parts_that_add_up([rows[name] for name in names])
    records = pd.DataFrame(
        {
            "Line": [*(MOVES[name] for name in names), MOVES["closing"]],
            whole["unit"]: [f"{v:,}".replace("-", "\u2212") for v in (*whole_parts, sum(whole_parts))],
        },
        dtype="object",
    )
    table = Listing("From the last quarter to this one", records, numeric=(whole["unit"],), total=True)
    return Section("provision", message, DISCLAIMER, table=table, sentences=sentences, note=whole["note"])


def _by_client(study: Study, results: pd.DataFrame) -> Section | None:
    rows = Rows("provision", ["client_id"], study.period.name, most=60)
    if rows.select(results).empty:
        return None
    columns: dict[str, Field | str] = {
        "Client": Field("client_id", words=lambda client: study.name_of("client", client)),
        "Plants": "n_plants",
        "Expected cost": "estimate",
    }
    table = Table("Provision by client", rows, columns)
    first = rows.select(results).iloc[0]
    name = study.name_of("client", first["client_id"]).name
    return Section("provision-clients", f"Most of the provision is for {name}.", table=table, appendix=True)


def _renewals(study: Study) -> Section | None:
    """Contracts that end within the next quarter."""
    coming = next_quarter(study.period)
    contracts = study.records.table("contracts")
    ends = contracts["ends_on"].between(pd.Timestamp(coming.start), pd.Timestamp(coming.last_day))
    due = contracts[ends].sort_values(["ends_on", "client_id"])
    if due.empty:
        return Section("renewals", f"No contract on record ends in {coming.name}.")
    records = pd.DataFrame(
        {
            "Client": [study.name_of("client", client) for client in due["client_id"]],
            "Site": [study.name_of("site", site) if pd.notna(site) else "all" for site in due["site_id"]],
            "Ends on": [day.date().isoformat() for day in due["ends_on"]],
            "Fee a month": [f"{fee:,.2f}" if pd.notna(fee) else "" for fee in due["monthly_fee"]],
        },
        dtype="object",
    )
    return Section(
        "renewals", f"{words.count_of(len(due), 'contract')} end in {coming.name}.", table=Listing("To renew", records)
    )
