"""The page on accounts: what each client pays and costs, and what the running guarantees will cost."""

from __future__ import annotations

import pandas as pd

from plantstats.findings import TOO_FEW, for_display, pick
from plantstats.guarantee.in_force import GuaranteeError
from plantstats.pages import deliveries, methods, words
from plantstats.pages.decisions import Decision
from plantstats.periods import next_quarter
from plantstats.reporting.charts import Bars, Stacks
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
TICK = "\u2610"
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
        _shares(study, results),
        _sites(study, results),
        none_runs or _provision(study, results),
        _by_client(study, results),
        _renewals(study, results),
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
    """Contracts that end within the next quarter, and accounts that cost more than they pay, a line each.

    Parameters
    ----------
    study : Study
        What the page is about.

    Returns
    -------
    list of Decision
        None to two.
    """
    return _to_renew(study) + _to_reprice(study)


def _to_renew(study: Study) -> list[Decision]:
    due = _due(study)
    if due.empty:
        return []
    names = list(dict.fromkeys(study.name_of("client", client).name for client in due["client_id"]))
    fees = due["monthly_fee"]
    return [
        Decision(
            f"Renew {words.count_of(len(due), 'contract')} by {due['ends_on'].iloc[0].date().isoformat()}",
            words.listed(names, 3),
            3 * float(fees.sum()) if fees.notna().any() else float("nan"),
            "the contracts say so; what their accounts left stands beside them",
            2,
            "accounts",
            "contract-0",
        )
    ]


def _to_reprice(study: Study) -> list[Decision]:
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
    rows = Rows("account_margin", ["client_id"], descending=False, most=25)
    accounts = rows.select(results)
    unit = accounts["unit"].iloc[0]
    chart = Bars(
        rows,
        lambda row: study.name_of("client", row["client_id"]).name,
        f"{unit} left over four quarters",
        # Sums of our own records; what is an estimate, the limits, is withheld for few plants in the table.
        small=True,
    )
    names = [study.name_of("client", client).name for client in accounts["client_id"]]
    message = f"{names[0]} leaves least, {names[-1]} most." if len(names) > 1 else f"What {names[0]} leaves."
    shown = "Left: fee less travel, labour and guaranteed replacements; limits carry the chance in the latter alone."
    return Section("margins", message, shown, chart=chart, table=_left(study, results, ["client_id"], 60))


def _left(study: Study, results: pd.DataFrame, by: list[str], most: int) -> Listing:
    """What accounts, or their sites, pay, cost and leave, the lowest first; each row adds up as printed."""
    rows = Rows("account_margin", by, descending=False).select(results).reset_index(drop=True)
    interval = for_display(rows, study.small_group, same_decimals=True)["interval"]
    signs = {measure: 1 if measure == "account_fee" else -1 for measure in PARTS}
    amounts = rows[by].copy()
    for measure, sign in signs.items():
        part = pick(results, measure, by)[[*by, "estimate"]].rename(columns={"estimate": measure})
        amounts = amounts.merge(part.assign(**{measure: sign * part[measure]}), on=by, how="left")
    whole = pd.DataFrame(
        [words.parts_that_add_up(row) for row in amounts[list(PARTS)].fillna(0.0).to_numpy()],
        columns=list(PARTS),
        dtype="int64",
    )
    known = amounts["account_fee"].notna()
    unit = rows["unit"].iloc[0]
    records = pd.DataFrame(
        {
            "Client": [study.name_of("client", client) for client in rows["client_id"]],
            **({"Site": [study.name_of("site", site) for site in rows["site_id"]]} if "site_id" in by else {}),
            **{
                name: [f"{sign * v:,}" if has else "" for v, has in zip(whole[m], amounts[m].notna(), strict=True)]
                for (m, name), sign in zip(PARTS.items(), signs.values(), strict=True)
            },
            "Left": [_signed(v) if has else "not known" for v, has in zip(whole.sum(axis=1), known, strict=True)],
            "could be": [
                TOO_FEW.format(study.small_group) if few else text.replace("-", "\u2212")
                for text, few in zip(interval.fillna(""), rows["n_plants"].lt(study.small_group), strict=True)
            ],
            "Remark": rows["note"].fillna("").to_numpy(),
        },
        dtype="object",
    )
    total = by == ["client_id"]
    if total:
        in_all = {m: result_text(results, 0, m)["raw_estimate"] for m in (*PARTS, "account_margin")}
        last = {"Client": "All accounts", "Left": _signed(round(in_all["account_margin"]))}
        last |= {name: f"{in_all[m]:,.0f}" for m, name in PARTS.items()}
        records = pd.concat([records, pd.DataFrame([last])], ignore_index=True).fillna("")
    if not records["Remark"].any():
        records = records.drop(columns="Remark")
    anchor = "client" if total else "site"
    ids = [f"{anchor}-{code}" for code in rows[by[-1]]] + ([f"{anchor}-total"] if total else [])
    what = "Accounts" if total else "Sites"
    return Listing(
        f"{what} over four quarters, whole {unit}; the lowest first",
        records,
        most=most,
        ids=ids,
        numeric=(*PARTS.values(), "Left", "could be"),
        soft=("could be", "Remark"),
        total=total,
    )


def _signed(amount: int) -> str:
    return f"{amount:,}".replace("-", "\u2212")


def _shares(study: Study, results: pd.DataFrame) -> Section | None:
    """Of every hundred that an account pays: where they go."""
    share = travel_share(results)
    if share is None:
        return None
    dearest = pick(results, "account_travel", ["client_id"]).set_index("client_id")["estimate"]
    fee = pick(results, "account_fee", ["client_id"]).set_index("client_id")["estimate"]
    of_fee = (100 * dearest / fee.where(fee.gt(0))).dropna().sort_values()
    if of_fee.empty:
        return None
    chart = Stacks(
        Rows("account_margin", ["client_id"], descending=False, most=25),
        lambda row: study.name_of("client", row["client_id"]).name,
        {measure: name.lower() for measure, name in PARTS.items() if measure != "account_fee"},
        "account_fee",
        "of 100 paid; line: all that is paid",
    )
    name = study.name_of("client", of_fee.index[-1]).name
    message = f"Of every 100 paid, travel takes {share:.0f}; at {name} {of_fee.iloc[-1]:.0f}."
    return Section(
        "shares", message, "The lowest account first; beyond the line it costs more than it pays.", chart=chart
    )


def _sites(study: Study, results: pd.DataFrame) -> Section | None:
    """The sites of the accounts."""
    rows = pick(results, "account_margin", ["client_id", "site_id"])
    known = rows[rows["estimate"].notna()]
    if rows.empty:
        return None
    under = int(known["estimate"].lt(0).sum())
    message = (
        f"{under} of {words.count_of(len(known), 'site')} cost more than they paid."
        if len(known)
        else ("No site has a fee of its own: contracts are for several sites.")
    )
    # Rows that do not lose money stand in findings.xlsx.
    return Section(
        "sites",
        message,
        "A site's fee less its own visits and replacements.",
        table=_left(study, results, ["client_id", "site_id"], 12),
    )


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
    sentences = [sentence for sentence in (_year(results), check) if sentence]
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


def _year(results: pd.DataFrame) -> str:
    """What last year's expectation came to, and that the provision allows for such a year."""
    factor, sd = (pick(results, measure)["estimate"] for measure in ("year_factor", "year_error"))
    if factor.empty or sd.empty:
        return ""
    usual = "what is usual for a firm of this size"
    should, came = (pick(results, f"predicted_year_{name}") for name in ("expected", "observed"))
    if should.empty:
        return f"No year could be foretold from these records yet; the provision allows for {usual}."
    last = should["period"].max()
    was, then = (float(rows.loc[rows["period"].eq(last), "estimate"].iloc[0]) for rows in (should, came))
    return (
        f"Last year the method expected {was:.0f} losses, and {then:.0f} came; the provision allows for that: what the "
        f"records lead to expect is taken times {factor.iloc[0]:.2f}, and a year may turn out {sd.iloc[0]:.0f}% better "
        "or worse."
    )


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


def _due(study: Study) -> pd.DataFrame:
    """Contracts that end within the next quarter, by day."""
    coming = next_quarter(study.period)
    contracts = study.records.table("contracts")
    ends = contracts["ends_on"].between(pd.Timestamp(coming.start), pd.Timestamp(coming.last_day))
    return contracts[ends].sort_values(["ends_on", "client_id"])


def _renewals(study: Study, results: pd.DataFrame) -> Section | None:
    """Contracts that end within the next quarter, with what their account left."""
    coming, due = next_quarter(study.period), _due(study)
    if due.empty:
        return Section("renewals", f"No contract on record ends in {coming.name}.")
    left = pick(results, "account_margin", ["client_id"]).set_index("client_id")["estimate"].reindex(due["client_id"])
    records = pd.DataFrame(
        {
            "Client": [study.name_of("client", client) for client in due["client_id"]],
            "Site": [study.name_of("site", site) if pd.notna(site) else "all" for site in due["site_id"]],
            "Ends on": [day.date().isoformat() for day in due["ends_on"]],
            "Fee a month": [f"{fee:,.2f}" if pd.notna(fee) else "" for fee in due["monthly_fee"]],
            "The account left": [_signed(round(v)) if pd.notna(v) else "not known" for v in left],
            "Done": [TICK] * len(due),
        },
        dtype="object",
    )
    be = "ends" if len(due) == 1 else "end"
    return Section(
        "renewals",
        f"{words.count_of(len(due), 'contract')} {be} in {coming.name}.",
        "What the account left: over four quarters, all its sites.",
        table=Listing(
            "To renew",
            records,
            ids=[f"contract-{n}" for n in range(len(due))],
            numeric=("Fee a month", "The account left"),
        ),
    )
