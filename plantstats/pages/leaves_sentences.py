"""Leaf-loss findings in, plain sentences out: every number in them stands in the findings."""

from __future__ import annotations

import pandas as pd

from plantstats.findings import for_display, pick
from plantstats.leaves.analysis import LeafLoss
from plantstats.leaves.effects import by_term
from plantstats.periods import Period
from plantstats.stats.collinearity import VIF_LIMIT


def leaf_headlines(review: LeafLoss, period: Period, small_group: int) -> list[str]:
    """What a manager reads first about leaves.

    Takes:  review; period; small_group (see `findings.for_display`).
    Gives:  sentences: how many fell, what ten points of humidity go with, whether season and humidity can be told
            apart, which plants stand out, crowns that do not refill, what leaf drop foretells; then the notes.
    """
    facts, shown = review.findings, for_display(review.findings, small_group)
    said = [
        _fallen(facts, shown, period, small_group),
        _humidity(facts, shown),
        _thirst(facts, shown),
        _transient(facts, shown),
        _plants(facts, period),
        _crown(facts, shown, period, small_group),
        _foretold(facts, shown),
    ]
    return [sentence for sentence in said if sentence] + list(review.notes)


def _fallen(facts: pd.DataFrame, shown: pd.DataFrame, period: Period, small_group: int) -> str:
    rows = pick(facts, "green_leaves", period=period.name)
    if rows.empty:
        return f"No dropped leaf was counted in {period.name}: the visits hold no such counts, or none could be used."
    fact, row = rows.iloc[0], shown.loc[rows.index[0]]
    if fact["n_plants"] < small_group:
        return f"Leaves were counted at fewer than {small_group} plants in {period.name}: too few to tell a rate."
    yellow = pick(facts, "yellow_leaves", period=period.name)
    tail = ""
    if len(yellow):
        tail = f"; oldest leaves yellowed: {shown.loc[yellow.index[0], 'result']}"
    most = pick(facts, "green_leaves_upper", period=period.name)
    words = ""
    if len(most):
        words = (
            " with each word, such as few, as the least that it may mean, "
            f"{shown.loc[most.index[0], 'result']} with each as the most"
        )
    return (
        f"In {period.name} plants dropped {row['estimate']} green leaves a month each (95% interval "
        f"{row['interval'] or 'withheld'}){words}, over {fact['plant_days'] / 7:,.0f} plant-weeks{tail}. Cleaners take "
        "leaves too, so counts are minima."
    )


def _humidity(facts: pd.DataFrame, shown: pd.DataFrame) -> str:
    apart = pick(facts, "green_humidity_inflation")
    if apart.empty:
        return ""
    times = apart["estimate"].iloc[0]
    if pd.isna(times):
        return f"Humidity: {apart['note'].iloc[0]}."
    if times > VIF_LIMIT:
        return (
            "Season and humidity move together in these records: whether dry air or the time of year goes with leaf "
            "drop cannot be told. Sites with humidified air, or more years, would tell."
        )
    rows = by_term(facts, "green_humidity_ratio")
    rows = rows[rows["estimate"].notna()]
    clear = rows[rows["high"] < 1].sort_values("estimate")
    if clear.empty:
        return "No species group clearly drops fewer leaves in moister air in these records."
    top = clear.index[0]
    group, change = facts.loc[top, "term"].split(": ")
    others = (
        f" It is also clearly fewer in {', '.join(facts.loc[i, 'term'].split(':')[0] for i in clear.index[1:])}."
        if (len(clear) > 1)
        else ""
    )
    return (
        f"Moister air goes with fewer green leaves dropped, most in {group}: with {change}, "
        f"{shown.loc[top, 'estimate']} times as many ({shown.loc[top, 'interval']}), all else alike.{others}"
    )


def _thirst(facts: pd.DataFrame, shown: pd.DataFrame) -> str:
    rows = by_term(facts, "yellow_leaf_ratio")
    rows = rows[rows["term"].str.startswith("topsoil at this visit") & rows["low"].gt(1)]
    if rows.empty:
        return ""
    said = " and ".join(
        f"{shown.loc[i, 'estimate']} times ({shown.loc[i, 'interval']}) in "
        f"{facts.loc[i, 'term'].split('dry, ')[1].split(' instead')[0]}"
        for i in rows.index
    )
    return (
        f"Plants found with dry topsoil had more oldest leaves yellowed: {said}. That is read as thirst: look more "
        "often, do not pour more at once."
    )


def _transient(facts: pd.DataFrame, shown: pd.DataFrame) -> str:
    rows = by_term(facts, "green_leaf_ratio")
    rows = rows[rows["term"].str.contains("days 1-30 instead") & rows["low"].gt(1)]
    if rows.empty:
        return ""
    said = ", ".join(
        f"{shown.loc[i, 'estimate']} times ({shown.loc[i, 'interval']}) {facts.loc[i, 'term'].split(':')[0]}"
        for i in rows.index
    )
    return f"In the first 30 days more green leaves fall: {said}. It passes: same care as before."


def _plants(facts: pd.DataFrame, period: Period) -> str:
    total = pick(facts, "shedding_plants", period=period.name)
    if total.empty:
        return ""
    n, of = int(total["estimate"].iloc[0]), int(total["n_plants"].iloc[0])
    if n == 0:
        return (
            f"None of {of:,} plants dropped clearly more leaves in {period.name} than its situation explains (allowing "
            "for the number of plants looked at)."
        )
    rows = pick(facts, "shedding", ["site_id", "species", "plant_id"], period.name)
    recent = int(rows["note"].str.startswith(("new here", "just moved", "just repotted")).sum())
    first = rows.sort_values("low", ascending=False).iloc[0]
    settled = f" {recent} of them are new here, just moved or just repotted." if recent else ""
    return (
        f"{n} of {of:,} plants dropped clearly more leaves in {period.name} than their situation explains; about one "
        f"in ten of such a list is there by chance. First to look at: {first['plant_id']} ({first['species']}, site "
        f"{first['site_id']}; {first['note']}).{settled}"
    )


def _crown(facts: pd.DataFrame, shown: pd.DataFrame, period: Period, small_group: int) -> str:
    rows = pick(facts, "crown_share_lost", ["species"], period.name)
    rows = rows[rows["species"] == "Ficus lyrata"] if len(rows) else rows
    # Too few plants to tell a rate: no sentence; the table says so.
    rows = rows[rows["n_plants"] >= small_group]
    if rows.empty:
        return ""
    row, fact = shown.loc[rows.index[0]], rows.iloc[0]
    return (
        f"Ficus lyrata does not refill gaps: {int(fact['n_plants'])} plants with a leaf count lost {row['estimate']}% "
        f"of their crown in {period.name} ({row['interval'] or 'no interval'})."
    )


def _foretold(facts: pd.DataFrame, shown: pd.DataFrame) -> str:
    rows = by_term(facts, "loss_ratio_after_shedding")
    rows = rows[rows["estimate"].notna() & rows["term"].str.endswith("twice or more")]
    if rows.empty:
        return ""
    at = rows.index[0]
    if facts.loc[at, "low"] <= 1:
        return "Leaf drop beyond what the situation explains did not clearly foretell replacement in these records."
    return (
        f"Plants that had dropped twice the leaves their situation explains, or more, were then lost "
        f"{shown.loc[at, 'estimate']} times as often ({shown.loc[at, 'interval']}). That is a mark, not a cause: "
        "it says where to look first."
    )
