"""Sections on deliveries: plants put in together, how many should stand and do, and what they still have to lose."""

from __future__ import annotations

import pandas as pd

from plantstats.findings import pick
from plantstats.pages import words
from plantstats.pages.decisions import Decision
from plantstats.reporting.specs import Field, Rows, Section, Table
from plantstats.reporting.time_charts import Triangle
from plantstats.studies import Study, of_all_clients

CANNOT = (
    "A straight trend over deliveries cannot be told from one over ages or quarters; only what bends away from it can."
)
# How many of each axis are told in a sentence.
MOST_NAMED = 3


def sections(study: Study, results: pd.DataFrame) -> list[Section | None]:
    """The sections.

    Parameters
    ----------
    study : Study
        One quarter of a company.
    results : pandas.DataFrame
        All findings of the page.

    Returns
    -------
    list of Section or None
    """
    return [_stand(study, results), _batches(study, results), _to_come(study, results)]


def decisions(study: Study) -> list[Decision]:
    """Deliveries and batches that lost more than such plants in such places should.

    Parameters
    ----------
    study : Study
        What the page is about.

    Returns
    -------
    list of Decision
        None or one.
    """
    results = of_all_clients(study, study.deliveries, study.run_off)
    named, lost, expected = [], 0.0, 0.0
    for by in ("quarter", "supplier_batch"):
        bad = _bad(study, results, by)
        if len(bad):
            named += [f"put in {name}" if by == "quarter" else f"batch {name}" for name in bad[by]]
            if lost == 0:  # a batch is part of a delivery: its losses are told once
                lost, expected = float(bad["losses"].sum()), float((bad["losses"] / bad["estimate"]).sum())
    if not named:
        return []
    return [
        Decision(
            "Ask the supplier about a delivery",
            words.listed(named, MOST_NAMED),
            float("nan"),
            f"lost {lost:.0f} where {expected:.0f} were expected of such plants in such places",
            2,
            "losses",
            "deliveries",
        )
    ]


def _bad(study: Study, results: pd.DataFrame, by: str) -> pd.DataFrame:
    """Those that stand out with more losses than expected, the worst first."""
    rows = pick(results, "delivery_flagged", [by])
    return rows[rows["estimate"].gt(1) & rows["n_plants"].ge(study.small_group)].sort_values(
        "estimate", ascending=False
    )


def _stand(study: Study, results: pd.DataFrame) -> Section | None:
    """What stands of each delivery beside what should, and its losses by age."""
    stand = pick(results, "delivery_standing", ["quarter"])
    if stand.empty:
        return None
    should = pick(results, "delivery_should_stand", ["quarter"])
    message = (
        f"Of {stand['n_plants'].sum():,} plants put in since the records began, {stand['estimate'].sum():,.0f} stand "
        f"where {should['estimate'].sum():,.0f} should."
    )
    bad = _bad(study, results, "quarter")
    verdict = (
        f"More lost than such plants should lose: put in {words.listed(list(bad['quarter']), MOST_NAMED)}."
        if len(bad)
        else "No delivery lost more than its kinds, places, ages and chance explain."
    )
    columns: dict[str, Field | str] = {
        "Put in": "quarter",
        "Plants": "n_plants",
        "Lost": "losses",
        "Stand": "estimate",
        "should": Field("estimate", "delivery_should_stand"),
        "chance makes": Field("interval", "delivery_should_stand"),
        "Lost / expected": Field("estimate", "delivery_ratio"),
        "could be": Field("interval", "delivery_ratio"),
    }
    table = Table(
        f"Plants put in by quarter, at the end of {study.period.name}",
        Rows("delivery_standing", ["quarter"], order="quarter", most=12),
        columns,
    )
    return Section(
        "deliveries",
        message,
        "Plants lost by quarter put in and quarters since. Red: more than expected; green: fewer.",
        Triangle("delivery_losses", "quarters since they were put in"),
        table,
        [verdict, _apart(results)],
        note="Not counted as standing: plants taken out alive, by clients or by an event of the building.",
    )


def _apart(results: pd.DataFrame) -> str:
    """Whether deliveries, quarters or ages bend away from a straight line."""
    parts = []
    for measure, name in (("delivery_deviation", "deliveries"), ("quarter_deviation", "quarters")):
        rows = pick(results, measure, ["term"])
        bends = rows[(rows["low"] > 1) | (rows["high"] < 1)]
        parts += [
            f"{name} of {row['term']} {'above' if row['estimate'] > 1 else 'below'} the line"
            for _, row in bends.head(MOST_NAMED).iterrows()
        ]
    known = pick(results, "delivery_deviation", ["term"])["estimate"].notna().any()
    if not known:
        return CANNOT
    start = f"Told apart: {words.listed(parts)}." if parts else "Neither a delivery nor a quarter bends away."
    return f"{start} {CANNOT}"


def _batches(study: Study, results: pd.DataFrame) -> Section | None:
    """Suppliers' batches, where they are on record."""
    rows = pick(results, "delivery_ratio", ["supplier_batch"])
    if rows.empty:
        return None
    of, bad = len(pick(results, "delivery_standing", ["supplier_batch"])), _bad(study, results, "supplier_batch")
    message = (
        f"Batches that lost more than they should: {words.listed(list(bad['supplier_batch']), MOST_NAMED)}."
        if len(bad)
        else "No supplier's batch lost more than chance explains."
    )
    columns: dict[str, Field | str] = {
        "Batch": "supplier_batch",
        "Plants": "n_plants",
        "Lost": "losses",
        "Lost / expected": "estimate",
        "could be": "interval",
    }
    table = Table("Suppliers' batches", Rows("delivery_ratio", ["supplier_batch"]), columns)
    shown = f"{len(rows)} of {of} batches: those of which one loss or more was to be expected."
    return Section("batches", message, shown, table=table, appendix=True)


def _to_come(study: Study, results: pd.DataFrame) -> Section | None:
    """What deliveries still have to lose, in plants and money."""
    plants, cost = pick(results, "run_off_plants"), pick(results, "run_off_cost")
    if plants.empty or pd.isna(plants["estimate"].iloc[0]):
        return None
    one = plants.iloc[0]
    message = (
        f"Of plants put in so far, about {one['estimate']:.0f} more will be lost before they are as old as the oldest "
        f"({_limits(one)})."
    )
    money = ""
    if len(cost) and pd.notna(cost["estimate"].iloc[0]):
        row = cost.iloc[0]
        money = f"At our cost: {words.money(row['unit'], row['estimate'])} ({_limits(row)})."
    columns: dict[str, Field | str] = {
        "Put in": "quarter",
        "Plants": "n_plants",
        "Losses to come": "estimate",
        "Cost to come": Field("estimate", "run_off_cost"),
    }
    table = Table(
        "What deliveries still have to lose, to the age of the oldest",
        Rows("run_off_plants", ["quarter"], order="quarter", descending=False),
        columns,
    )
    shown = (
        f"Chain ladder: each delivery is taken to go on as older ones did. {one['note'][:1].upper()}{one['note'][1:]}."
    )
    return Section("run-off", message, shown, table=table, sentences=[money] if money else [])


def _limits(row: pd.Series) -> str:
    return f"could be {row['low']:,.0f} to {row['high']:,.0f}"


def check_of_provision(results: pd.DataFrame, provision: float) -> str:
    """The provision held against the chain ladder of deliveries, in a sentence; empty without findings.

    Parameters
    ----------
    results : pandas.DataFrame
        Findings with run_off_cost.
    provision : float
        Expected cost of the running guarantees.

    Returns
    -------
    str
    """
    rows = pick(results, "run_off_cost")
    if rows.empty:
        return ""
    row = rows.iloc[0]
    if pd.isna(row["estimate"]):
        return f"No second way to the provision: {row['note'].removeprefix('not available: ')}."
    inside = row["low"] <= provision <= row["high"]
    verdict = "the provision lies within" if inside else "the provision lies outside: ask why before it is used"
    return (
        f"A second way, the chain ladder of past deliveries, gives {words.money(row['unit'], row['estimate'])} "
        f"({_limits(row)}): {verdict}. It rests on {row['note']}, and does not know when guarantees end."
    )
