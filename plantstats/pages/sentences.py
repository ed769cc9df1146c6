"""Findings in, plain sentences out: every number in them stands in the findings."""

from __future__ import annotations

import pandas as pd

from plantstats.findings import for_display, pick
from plantstats.periods import Period, same_quarter_last_year

CAUSE_WORDS = {
    "water_excess": "too much water",
    "water_deficit": "too little water",
    "client_action": "the client's act",
    "building_failure": "building failure",
    "stock_quality": "poor stock",
    "acclimatisation": "not settling in",
    "died": "died, cause not named",
    "decline": "declined, cause not named",
    "unknown": "unknown cause",
    "lease_end": "end of lease",
}


def cause_words(cause: str) -> str:
    """A cause in plain words."""
    return CAUSE_WORDS.get(cause, cause.replace("_", " "))


def loss_headlines(findings: pd.DataFrame, period: Period, small_group: int) -> list[str]:
    """What an owner reads first about a quarter's losses.

    Takes:  findings of `review.loss_rates`; period; small_group (see `findings.for_display`).
    Gives:  sentences: what was lost and how that compares, the largest event, the cost, the highest
            combination, and what the quarter cannot tell.
    """
    shown = for_display(findings, small_group)
    said = [
        _lost(findings, shown, period),
        _against_last_year(findings, shown, period),
        _event(findings, shown, period),
    ]
    said += [_cost(findings, shown, period), _highest(findings, shown, period, small_group)]
    return [sentence for sentence in said if sentence]


def _one(table: pd.DataFrame, measure: str, period: Period) -> pd.Series | None:
    rows = pick(table, measure, period=period.name)
    return None if rows.empty else rows.iloc[0]


def plants(count: float) -> str:
    """A number of plants in words: "1 plant", "1,204 plants"."""
    return f"{count:,.0f} plant" + ("" if count == 1 else "s")


def _lost(findings: pd.DataFrame, shown: pd.DataFrame, period: Period) -> str:
    fact, rate = _one(findings, "loss_rate", period), _one(shown, "loss_rate", period)
    share = _one(shown, "share_lost", period)
    died = _one(findings, "death_rate", period)
    if fact is None or rate is None or share is None or died is None:
        return ""
    weeks = f"{fact['plant_days'] / 7:,.0f} plant-weeks"
    # Quarters of a fiscal year are not those of the calendar: their days are said.
    days = f" ({period.start} to {period.last_day})" if period.name.startswith("FY") else ""
    start = f"{period.name}{days} lost {plants(fact['losses'])} in {weeks}"
    if fact["losses"] == 0:
        top = str(rate["interval"]).split(" to ")[-1]
        limit = f" (the 95% interval reaches to {top} losses per 100 plant-years)" if top else ""
        return f"{start}: no loss, which is not the same as no risk{limit}."
    gone = _one(findings, "losses_taken_away_alive", period)
    how = _died(died["losses"], fact["losses"], 0 if gone is None else gone["losses"])
    if not rate["interval"]:
        return f"{start}. {how} Too few plants ({fact['n_plants']}) for a rate."
    return (
        f"{start}: {rate['estimate']} losses per 100 plant-years (95% interval {rate['interval']}), or "
        f"{share['estimate']}% of plants ({share['interval']}) over the {period.days} days. {how}"
    )


def _died(died: int, lost: int, gone: int) -> str:
    """How they were lost: dead, or alive and below specification, of whom `gone` were not replaced."""
    if died == lost:
        return {1: "It died.", 2: "Both died."}.get(lost, f"All {lost} died.")
    alive = lost - died
    if died:
        lead = f"{died} of the {lost} died; the other{'' if alive == 1 else f' {alive}'} fell below specification"
    else:
        lead = {1: "It", 2: "Both"}.get(lost, f"All {lost}") + " fell below specification"
    be = "was" if alive == 1 else "were"
    if gone == 0:
        return f"{lead} and {be} replaced alive."
    if gone == alive:
        return f"{lead} and {be} taken away alive, without a replacement."
    replaced = alive - gone
    return (
        f"{lead}: {replaced} {'was' if replaced == 1 else 'were'} replaced alive, {gone} "
        f"{'was' if gone == 1 else 'were'} taken away without a replacement."
    )


def _against_last_year(findings: pd.DataFrame, shown: pd.DataFrame, period: Period) -> str:
    before = same_quarter_last_year(period)
    fact, ratio = _one(findings, "loss_rate_ratio", period), _one(shown, "loss_rate_ratio", period)
    was_fact, was = _one(findings, "loss_rate", before), _one(shown, "loss_rate", before)
    if fact is None or ratio is None or was_fact is None or was is None:
        return f"The records do not reach back to {before.name}, so there is no same quarter to compare with."
    lead = f"In the same quarter a year before ({before.name}) it was {plants(was_fact['losses'])}"
    if not was["interval"] or (not ratio["interval"] and pd.notna(fact["low"])):
        return f"{lead}; too few plants to compare rates."
    lead += f", {was['estimate']} per 100 plant-years ({was['interval']})"
    if pd.isna(fact["low"]):
        return f"{lead}; neither lost any."
    times = f"now {ratio['estimate']} times that (95% interval {ratio['interval']})"
    if pd.isna(fact["estimate"]):
        times = (
            f"now at least {ratio['low'] if 'low' in ratio else ratio['interval'].removesuffix(' or more')} times that"
        )
    if fact["low"] > 1:
        verdict = "higher than a year before by more than chance explains"
        rest = _one(findings, "loss_rate_ratio_without_largest_event", period)
        if rest is not None and rest["losses"] < fact["losses"] and not rest["low"] > 1:
            said = _one(shown, "loss_rate_ratio_without_largest_event", period)
            told = said["result"] if said is not None else ""
            verdict += f"; without its largest single event {told}, which chance could make"
    elif fact["high"] < 1:
        verdict = "lower than a year before by more than chance explains"
    else:
        verdict = "a difference that chance alone could make"
    return f"{lead}: {times}, {verdict}."


def _event(findings: pd.DataFrame, shown: pd.DataFrame, period: Period) -> str:
    event = findings[findings["measure"].eq("largest_event_share") & findings["period"].eq(period.name)]
    rest = _one(shown, "loss_rate_without_largest_event", period)
    total = _one(findings, "loss_rate", period)
    if event.empty or rest is None or total is None or event["losses"].iloc[0] < 2:
        return ""
    row = event.iloc[0]
    return (
        f"{row['losses']} of the {total['losses']} losses were one event at site {row['site_id']} "
        f"({cause_words(row['cause'])}, {row['note']}); without it the rate is {rest['estimate']} per 100 plant-years "
        f"({rest['interval'] or 'withheld'})."
    )


def _cost(findings: pd.DataFrame, shown: pd.DataFrame, period: Period) -> str:
    cost = _one(findings, "replacement_cost", period)
    if cost is None or cost["losses"] == 0:
        return ""
    parts = pick(findings, "replacement_cost", ["covered"], period.name).set_index("covered")
    gone = int(parts["losses"].get("not_replaced", 0))
    were = "was" if gone == 1 else "were"
    rest = f"{plants(gone)} {were} removed without a replacement on record: no cost of replacing."
    if gone == cost["losses"]:
        return rest
    rest = f" {rest}" if gone else ""
    if pd.isna(cost["estimate"]):
        return f"No cost of the replacements is on record.{rest}"
    words = {"guaranteed": "under guarantee", "chargeable": "charged to clients", "other": "other or not recorded"}
    paid = parts[(parts["losses"] > 0) & parts.index.isin(list(words))]
    said = [
        f"{plants(row['losses'])} {words[payer]} without a cost on record"
        if pd.isna(row["estimate"])
        else f"{row['estimate']:,.0f} {words[payer]} ({plants(row['losses'])})"
        for payer, row in paid.iterrows()
    ]
    at_least = "at least " if cost["note"] else ""
    missing = f" ({cost['note']})" if cost["note"] else ""
    them = plants(cost["losses"] - gone) if gone else "them"
    return (
        f"On record, replacing {them} cost {at_least}{cost['unit']} {cost['estimate']:,.0f}{missing}: "
        f"{', '.join(said)}.{rest}"
    )


def _highest(findings: pd.DataFrame, shown: pd.DataFrame, period: Period, small_group: int) -> str:
    rows = pick(findings, "loss_rate", ["species", "light"], period.name)
    some = rows[rows["losses"] > 0]
    total = _one(findings, "loss_rate", period)
    if some.empty or total is None:
        return ""
    top = some.sort_values(["losses", "estimate", "species", "light"], ascending=[False, False, True, True]).iloc[0]
    where = (
        f"{top['species']} in {top['light']} light" if top["light"] != "unknown" else f"{top['species']}, light unknown"
    )
    lead = (
        f"Of {len(rows)} combination{'' if len(rows) == 1 else 's'} of species and light, {len(some)} lost any. "
        f"Most losses: {where}, "
        f"{top['losses']} of {plants(top['n_plants'])}"
    )
    if top["n_plants"] < small_group:
        return f"{lead}; too few plants to give a rate."
    rate = f"{shown.loc[[top.name], 'result'].item()} per 100 plant-years"
    if top["low"] > total["estimate"]:
        return f"{lead}, {rate}: above the whole's rate, though the highest of many is high partly by chance."
    if top["high"] < total["estimate"]:
        return f"{lead}, {rate}: below the whole's rate, for there are many such plants."
    return f"{lead}, {rate}: an interval that holds the whole's rate, so no sign that it is worse than the rest."


TREND_CAPTION = (
    "Losses per 100 plant-years by quarter in which they were found, with exact 95% intervals; the number of losses "
    "stands above each."
)


def trend_in_words(findings: pd.DataFrame, small_group: int) -> str:
    """The trend chart for those who cannot see it."""
    rows = pick(for_display(findings, small_group), "loss_rate").sort_values("period")
    said = "; ".join(f"{row.period}: {row.losses} lost, {row.result}" for row in rows.itertuples())
    return f"Losses per 100 plant-years by quarter. {said}."


def groups_in_words(findings: pd.DataFrame, by: list[str], period: Period, small_group: int) -> str:
    """A chart by group for those who cannot see it: the five groups with most losses."""
    shown = for_display(findings, small_group)
    rows = pick(findings, "loss_rate", by, period.name).nlargest(5, ["losses", "plant_days"])
    said = "; ".join(
        f"{', '.join(row[by])}: {row['losses']} of {row['n_plants']}, {result}"
        for (_, row), result in zip(rows.iterrows(), shown.loc[rows.index, "result"], strict=True)
    )
    return f"Losses per 100 plant-years by group in {period.name}, those with most losses: {said}."


def groups_caption(small_group: int) -> str:
    """The caption of a chart by group."""
    return (
        f"With exact 95% intervals; groups of fewer than {small_group} plants are left out. Of many groups the "
        "highest is high partly by chance."
    )


def after_the_second(sentences: list[str], more: list[str]) -> list[str]:
    """Put the comparison with the expected after what was lost and the year before."""
    return [*sentences[:2], *more, *sentences[2:]]
