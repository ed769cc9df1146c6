"""Findings in, tables for people out: headings in words, intervals beside numbers, rates of small groups withheld."""

from __future__ import annotations

import pandas as pd

from plantstats.findings import for_display, pick
from plantstats.pages.sentences import cause_words
from plantstats.periods import Period
from plantstats.quality.catalogue import CATALOGUE

HEADINGS = {
    "species": "Species",
    "light": "Light",
    "site_id": "Site",
    "client_id": "Client",
    "age_band": "Days since install",
    "pot": "Pot",
    "cause": "Cause",
    "covered": "Paid by",
}
RATE, SHARE, COST = "Lost per 100 plant-years (95% interval)", "% lost in the quarter (95% interval)", "Cost"
# Headings that lead to the definition of their measure.
TERMS = {RATE: "loss_rate", SHARE: "share_lost", COST: "replacement_cost", "Lost": "loss_rate", "Died": "death_rate"}
PAID_BY = {
    "guaranteed": "us (guaranteed)",
    "chargeable": "the client (chargeable)",
    "other": "other or not recorded",
    "not_replaced": "nobody: not replaced",
}
DATES = {
    "losses_found": "Lost, by the day found (used on this page)",
    "losses_at_midpoint": "Lost, by the middle between last seen alive and found",
    "replacements_done": "Replacements done, for any reason",
}


def by_group(findings: pd.DataFrame, by: list[str], period: Period, small_group: int) -> pd.DataFrame:
    """Losses and rates by group, most losses first.

    Takes:  findings with loss_rate, death_rate and share_lost split by `by`; small_group (see for_display).
    Gives:  one row per group: its labels, Lost, Plants, rate and share with their intervals, Died, Plant-weeks.
    """
    rows = pick(findings, "loss_rate", by, period.name)
    shown = for_display(findings, small_group)
    share = pick(shown, "share_lost", by, period.name).set_index(by)["result"]
    died = pick(findings, "death_rate", by, period.name).set_index(by)["losses"]
    order = rows.sort_values(["losses", "plant_days"], ascending=[False, True])
    keys = pd.MultiIndex.from_frame(order[by]) if len(by) > 1 else pd.Index(order[by[0]])
    table = order[by].rename(columns=HEADINGS).reset_index(drop=True)
    return table.assign(
        **{
            "Lost": order["losses"].to_numpy(),
            "Plants": order["n_plants"].to_numpy(),
            RATE: shown.loc[order.index, "result"].to_numpy(),
            SHARE: share.reindex(keys).to_numpy(),
            "Died": died.reindex(keys).to_numpy(),
            "Plant-weeks": (order["plant_days"].to_numpy() / 7).round().astype("int64"),
        }
    )


def without_empty_remark(table: pd.DataFrame) -> pd.DataFrame:
    """The table without its column Remark where no row has one, so that the rest has room on a phone."""
    said = table["Remark"].fillna("").ne("").any()
    return table if said or table.empty else table.drop(columns="Remark")


def largest(table: pd.DataFrame, rows: int = 12) -> pd.DataFrame:
    """The first rows of a table by group that lost any."""
    return table[table["Lost"] > 0].head(rows)


def costs(findings: pd.DataFrame, period: Period, small_group: int) -> pd.DataFrame:
    """Losses and their cost by who pays, and plants not replaced, if any: Paid by, Plants, their rate, Cost, Remark."""
    parts = pick(findings, "replacement_cost", ["covered"], period.name)
    parts = parts[parts["covered"].ne("not_replaced") | parts["losses"].gt(0)]
    total = pick(findings, "replacement_cost", period=period.name)
    both = pd.concat([parts, total])
    shown = for_display(findings, small_group)["result"]
    by_payer = pick(findings, "loss_rate_by_covered", ["covered"], period.name)
    rates = dict(zip(by_payer["covered"], shown[by_payer.index], strict=True))
    return without_empty_remark(
        pd.DataFrame(
            {
                "Paid by": [PAID_BY[payer] for payer in parts["covered"]] + ["all"],
                "Plants": both["losses"].to_numpy(),
                RATE: [
                    *(rates.get(payer, "") for payer in parts["covered"]),
                    *shown[pick(findings, "loss_rate", period=period.name).index],
                ],
                COST: [
                    f"{unit} {value:,.2f}" if pd.notna(value) else "not available"
                    for unit, value in zip(both["unit"], both["estimate"], strict=True)
                ],
                "Remark": both["note"].fillna("").to_numpy(),
            }
        )
    )


def causes(findings: pd.DataFrame, period: Period, small_group: int) -> pd.DataFrame:
    """Losses by recorded cause, most first: Cause, Lost, Lost per 100 plant-years (95% interval)."""
    rows = pick(findings, "loss_rate_by_cause", ["cause"], period.name).sort_values("losses", ascending=False)
    if rows.empty:
        return pd.DataFrame(columns=["Cause", "Lost", RATE])
    shown = for_display(findings, small_group).loc[rows.index, "result"]
    return pd.DataFrame(
        {
            "Cause": [cause_words(cause) for cause in rows["cause"]],
            "Lost": rows["losses"].to_numpy(),
            RATE: shown.to_numpy(),
        }
    )


def dates(findings: pd.DataFrame, period: Period) -> pd.DataFrame:
    """The quarter's losses under other dates: Counted by, Plants, Remark."""
    rows = [pick(findings, measure, period=period.name).iloc[0] for measure in DATES]
    return pd.DataFrame(
        {
            "Counted by": list(DATES.values()),
            "Plants": [row["losses"] for row in rows],
            "Remark": [row["note"] if pd.notna(row["note"]) else "" for row in rows],
        }
    )


def fates(account: pd.DataFrame) -> pd.DataFrame:
    """What became of every plant and reported exit: From, What became of it, Rows, Plants, First of them."""
    return account.rename(
        columns={
            "table": "From",
            "fate": "What became of it",
            "rows": "Rows",
            "plants": "Plants",
            "first_ids": "First of them",
        }
    )


def files(account: pd.DataFrame) -> pd.DataFrame:
    """Rows of the files: Table, File, Rows read, Used, Set aside."""
    return account.rename(
        columns={
            "table": "Table",
            "file": "File",
            "rows_read": "Rows read",
            "rows_used": "Used",
            "rows_set_aside": "Set aside",
        }
    )


def aside(set_aside: pd.DataFrame) -> pd.DataFrame:
    """Rows and cells that were not used, counted by reason: File, Column, Reason, How many, First line, Text there."""
    if set_aside.empty:
        return pd.DataFrame(columns=["File", "Column", "Reason", "How many", "First line", "Text there"])
    # A fault of one cell leaves its row in use.
    reason = set_aside["reason"].where(set_aside["scope"].eq("row"), "cell: " + set_aside["reason"])
    grouped = (
        set_aside.assign(reason=reason)
        .fillna({"column": "", "text": ""})
        .groupby(["file", "column", "reason"], as_index=False)
    )
    counted = grouped.agg(n=("line", "size"), first=("line", "min"), text=("text", "first"))
    counted.columns = ["File", "Column", "Reason", "How many", "First line", "Text there"]
    return counted


def fault_kinds(faults: pd.DataFrame) -> pd.DataFrame:
    """Faults by code: What, How bad, How many, First of them, What to do."""
    first = faults.groupby("code", sort=False).agg(
        severity=("severity", "first"),
        count=("count", "sum"),
        file=("file", "first"),
        line=("line", "first"),
        text=("text", "first"),
        todo=("remedy", "first"),
    )
    return pd.DataFrame(
        {
            "What": [CATALOGUE[code].title for code in first.index],
            "How bad": first["severity"].to_numpy(),
            "How many": first["count"].to_numpy(),
            "First of them": [
                f"{row.file} line {row.line}: {row.text}" if pd.notna(row.line) else str(row.text)
                for row in first.itertuples()
            ],
            "What to do": first["todo"].to_numpy(),
        }
    )


def doubt(findings: pd.DataFrame, period: Period, small_group: int) -> pd.DataFrame:
    """The loss rate with and without what is doubtful: Which, Plants, Lost, rate, Remark."""
    words = {
        "loss_rate_as_recorded": "as recorded",
        "loss_rate_without_doubtful": "without plants of impossible histories",
        "loss_rate_with_swaps": "if each suspected silent swap was a loss",
    }
    rows = pd.concat([pick(findings, measure, period=period.name) for measure in words])
    return pd.DataFrame(
        {
            "Which": list(words.values()),
            "Plants": rows["n_plants"].to_numpy(),
            "Lost": rows["losses"].to_numpy(),
            RATE: for_display(findings, small_group).loc[rows.index, "result"].to_numpy(),
            "Remark": rows["note"].fillna("").to_numpy(),
        }
    )


def least_visited(findings: pd.DataFrame, rows: int = 12) -> pd.DataFrame:
    """Sites with the smallest share of planned visits made: Site, % of planned visits made, Visits."""
    sites = pick(findings, "visits_made_share", ["site_id"])
    if sites.empty:
        return pd.DataFrame(columns=["Site", "% of planned visits made", "Visits"])
    sites = sites.nsmallest(rows, "estimate")
    return pd.DataFrame(
        {
            "Site": sites["site_id"].to_numpy(),
            "% of planned visits made": sites["estimate"].round().astype("int64").to_numpy(),
            "Visits": sites["note"].to_numpy(),
        }
    )


def rounding(findings: pd.DataFrame) -> pd.DataFrame:
    """Readings by how many end in 0 or 5: Reading, % that end in 0 or 5 (95% interval), Readings."""
    rows = pick(findings, "round_readings_share", ["term"])
    if rows.empty:
        return pd.DataFrame(columns=["Reading", "% that end in 0 or 5 (95% interval)", "Readings"])
    shown = for_display(findings, 0).loc[rows.index, "result"]
    return pd.DataFrame(
        {
            "Reading": rows["term"].to_numpy(),
            "% that end in 0 or 5 (95% interval)": shown.to_numpy(),
            "Readings": rows["note"].to_numpy(),
        }
    )


def accounts(account: pd.DataFrame, files_read: pd.DataFrame, client: str) -> list[tuple[str, pd.DataFrame]]:
    """The accounts of plants and files, for the company's own page; none on a client's, which shows no one else's."""
    if client:
        return []
    return [
        ("What became of every plant and every reported exit", fates(account)),
        ("Rows of the files: read = used + set aside", files(files_read)),
    ]
