"""Leaf-loss findings in, tables for people out."""

from __future__ import annotations

import pandas as pd

from plantstats.findings import for_display, pick
from plantstats.leaves.analysis import NAMES
from plantstats.leaves.effects import by_term
from plantstats.leaves.model import LeafFit
from plantstats.periods import Period

RATES = {
    "green_leaves": "Green leaves dropped per plant-month (95% interval)",
    "green_leaves_upper": "The same, words as the most that they may mean",
    "yellow_leaves": "Oldest leaves yellowed per plant-month (95% interval)",
    "yellow_leaves_upper": "Yellowed, words as the most that they may mean",
}


def by_species(findings: pd.DataFrame, period: Period, small_group: int) -> pd.DataFrame:
    """Leaves per plant-month by species: Species, Plants, Plant-weeks, Green dropped, Oldest yellowed."""
    return _by(findings, "species", "Species", period, small_group)


def by_site(findings: pd.DataFrame, period: Period, small_group: int) -> pd.DataFrame:
    """Leaves per plant-month by site."""
    return _by(findings, "site_id", "Site", period, small_group)


def situations(findings: pd.DataFrame, outcome: str = "green") -> pd.DataFrame:
    """Leaves per plant-month in named situations: Species, then one column per situation."""
    rows = pick(for_display(findings, 0), f"{outcome}_leaves_at", ["species", "term"])
    if rows.empty:
        return pd.DataFrame({"Species": []})
    wide = rows.pivot(index="species", columns="term", values="result").fillna("")
    return wide.reset_index().rename(columns={"species": "Species"}).rename_axis(columns=None)


def ratios(findings: pd.DataFrame, measure: str) -> pd.DataFrame:
    """Ratios by term: Condition, Times as many (95% interval), Remark."""
    rows = by_term(for_display(findings, 0), measure)
    return pd.DataFrame(
        {
            "Condition": rows["term"].to_numpy(),
            "Times as many (95% interval)": rows["result"].to_numpy(),
            "Remark": rows["note"].to_numpy(),
        }
    )


def shedding(findings: pd.DataFrame, period: Period) -> pd.DataFrame:
    """Plants that stand out: Plant, Species, Site, What to know first, Times as many (95% interval)."""
    shown = for_display(findings, 0)
    rows = pick(findings, "shedding", ["site_id", "species", "plant_id"], period.name)
    if rows.empty:
        return pd.DataFrame({"Plant": [], "Species": [], "Site": [], "What to know first": []})
    rows = rows.sort_values("low", ascending=False)
    return pd.DataFrame(
        {
            "Plant": rows["plant_id"].to_numpy(),
            "Species": rows["species"].to_numpy(),
            "Site": rows["site_id"].to_numpy(),
            "What to know first": rows["note"].to_numpy(),
            "Times as many as its situation explains (95% interval)": shown.loc[rows.index, "result"].to_numpy(),
        }
    )


def crowns(findings: pd.DataFrame, period: Period, small_group: int) -> pd.DataFrame:
    """Crown lost in species that do not refill: Species, Plants counted, % of the crown (95% interval), Remark."""
    shown = for_display(findings, small_group)
    rows = pick(findings, "crown_share_lost", ["species"], period.name).sort_values("estimate", ascending=False)
    if rows.empty:
        return pd.DataFrame({"Species": []})
    return pd.DataFrame(
        {
            "Species": rows["species"].to_numpy(),
            "Plants counted": rows["n_plants"].to_numpy(),
            "% of the crown lost (95% interval)": shown.loc[rows.index, "result"].to_numpy(),
            "Remark": shown.loc[rows.index, "note"].to_numpy(),
        }
    )


def left_out(models: dict[str, LeafFit]) -> pd.DataFrame:
    """What the models say nothing about, and why: Model, Left out."""
    rows = [(NAMES[outcome], said) for outcome, model in models.items() for said in model.left_out]
    return pd.DataFrame(rows, columns=["Model of", "Left out"])


def fates(account: pd.DataFrame) -> pd.DataFrame:
    """What became of every visit row."""
    return account.rename(
        columns={
            "fate": "What became of it",
            "rows": "Visit rows",
            "leaves": "Leaves written down",
            "first_ids": "First plants",
        }
    )


def _by(findings: pd.DataFrame, column: str, heading: str, period: Period, small_group: int) -> pd.DataFrame:
    shown = for_display(findings, small_group)
    green = pick(findings, "green_leaves", [column], period.name)
    if green.empty:
        return pd.DataFrame({heading: []})
    order = green.sort_values("estimate", ascending=False)
    columns = {
        heading: order[column].to_numpy(),
        "Plants": order["n_plants"].to_numpy(),
        "Plant-weeks": [f"{days / 7:,.0f}" for days in order["plant_days"]],
    }
    for measure, named in RATES.items():
        rows = pick(findings, measure, [column], period.name)
        told = pd.Series(shown.loc[rows.index, "result"].to_numpy(), rows[column].to_numpy() if len(rows) else [])
        if len(rows) or not measure.endswith("_upper"):
            columns[named] = told.reindex(order[column]).fillna("").to_numpy()
    return pd.DataFrame(columns)
