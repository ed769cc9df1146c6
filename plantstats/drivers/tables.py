"""Findings of the loss-drivers page in, tables for people out."""

from __future__ import annotations

import pandas as pd

from plantstats.drivers.sentences import words
from plantstats.findings import for_display, pick
from plantstats.sentences import cause_words

TIMES = "Times (95% interval)"


def effects(findings: pd.DataFrame, small_group: int) -> pd.DataFrame:
    """Rate ratios of every term: Compared, Times, Lost, Plants, Plant-weeks, Remark."""
    return _ratios(findings, "effect_on_losses", "term", "Compared", small_group)


def species(findings: pd.DataFrame, small_group: int) -> pd.DataFrame:
    """Species against the average plant: Species, Times, Lost, Plants, Plant-weeks, Remark."""
    return _ratios(findings, "species_effect", "species", "Species", small_group)


def apart(findings: pd.DataFrame) -> pd.DataFrame:
    """What season and humidity can be told apart by: Measure, Value, Unit, Remark."""
    rows = for_display(findings[findings["measure"].isin(["humidity_inflation", "sites_with_contrast"])], 0)
    names = {"humidity_inflation": "Variance of the humidity effect, season known",
             "sites_with_contrast": "Sites whose air differs from the others' in the same months"}
    return pd.DataFrame({
        "Measure": rows["measure"].map(names), "Value": rows["result"], "Unit": rows["unit"], "Remark": rows["note"]})


def watch(findings: pd.DataFrame) -> pd.DataFrame:
    """Plants to look at first, highest chance first: Plant, Site, Species, Chance, Reasons that count."""
    rows = pick(findings, "watch_chance", ["plant_id", "site_id", "species"]).sort_values("estimate", ascending=False)
    shown = for_display(findings, 0).loc[rows.index]
    return pd.DataFrame({
        "Plant": rows["plant_id"].to_numpy(), "Site": rows["site_id"].to_numpy(), "Species": rows["species"].to_numpy(),
        "% found lost within 90 days (95% interval)": shown["result"].to_numpy(),
        "Reasons that count": rows["note"].to_numpy()})


def watch_sites(findings: pd.DataFrame, small_group: int) -> pd.DataFrame:
    """Sites with most losses to be expected: Site, Plants, Losses expected."""
    rows = pick(findings, "watch_site", ["site_id"]).sort_values("estimate", ascending=False)
    shown = for_display(findings, small_group).loc[rows.index]
    return pd.DataFrame({"Site": rows["site_id"].to_numpy(), "Plants": rows["n_plants"].to_numpy(),
                         "Losses expected in 90 days (95% interval)": shown["result"].to_numpy()})


def back_test(findings: pd.DataFrame) -> pd.DataFrame:
    """How the list fared by quarter: Quarter, Plants, Lost, pairs in the right order, found over expected."""
    shown = for_display(findings, 0)
    order, ratio = pick(shown, "watch_concordance"), pick(shown, "watch_calibration").set_index("period")
    return pd.DataFrame({
        "Quarter": order["period"], "Plants": order["n_plants"], "Lost": order["losses"],
        "Lost one first, of 100 pairs (95% interval)": order["result"],
        "Found / expected (95% interval)": order["period"].map(ratio["result"]),
        "Expected": order["period"].map(ratio["note"]).str.removesuffix(" expected")})


def conditions(findings: pd.DataFrame) -> pd.DataFrame:
    """What a condition score says beyond place and species: Condition, Times, Lost, Remark."""
    rows = for_display(pick(findings, "condition_ratio", ["term"]), 0)
    return pd.DataFrame({"Condition at the last visit": rows["term"].str.removeprefix("condition "),
                         TIMES: rows["result"], "Lost": rows["losses"], "Remark": rows["note"]})


def survival(findings: pd.DataFrame, small_group: int) -> pd.DataFrame:
    """Survival by light and age: Light, Day, Not lost, Plants, Lost, Remark."""
    rows = pick(for_display(findings, small_group), "survival", ["light", "age_days"])
    rows = rows.sort_values("age_days", key=lambda c: c.astype("int64"), kind="stable")
    rows = rows.sort_values("light", kind="stable")
    return pd.DataFrame({"Light": rows["light"], "Days since install": rows["age_days"],
                         "% not lost (95% interval)": rows["result"], "Plants": rows["n_plants"],
                         "Lost": rows["losses"], "Remark": rows["note"]})


def alike(findings: pd.DataFrame, small_group: int) -> pd.DataFrame:
    """Whether light makes a difference within sites: Light, Lost, Plants, Lost / if all lived alike, Remark."""
    rows = pick(findings, "losses_to_alike", ["light"]).sort_values("light")
    shown = for_display(findings, small_group).loc[rows.index]
    groups = pd.DataFrame({"Light": rows["light"], "Lost": rows["losses"], "Plants": rows["n_plants"],
                           "Lost / if all lived alike": shown["result"], "Remark": shown["note"]})
    whole = pick(findings, "survival_alike_p").iloc[0]
    chance = "not available" if pd.isna(whole["estimate"]) else f"{whole['estimate']:.3f}"
    total = pd.DataFrame([{"Light": "all: chance of such differences if alike", "Lost": whole["losses"],
                           "Plants": whole["n_plants"], "Lost / if all lived alike": chance, "Remark": whole["note"]}])
    return pd.concat([groups, total], ignore_index=True)


def found_late(findings: pd.DataFrame, small_group: int) -> pd.DataFrame:
    """How much higher survival looks because losses are found late: Light, Day, by found, between visits, points."""
    shown = for_display(findings, small_group)
    keys = ["light", "age_days"]
    between, points = (pick(shown, m, keys) for m in ("survival_between_visits", "found_late_shift"))
    both = between.merge(points, on=keys, suffixes=("", "_points"))
    both = both.sort_values("age_days", key=lambda c: c.astype("int64"), kind="stable")
    both = both.sort_values("light", kind="stable")
    return pd.DataFrame({"Light": both["light"], "Days since install": both["age_days"],
                         "% not lost, each loss somewhere between two visits": both["estimate"],
                         "Points higher when dated by the day found": both["estimate_points"],
                         "Plants": both["n_plants"], "Lost": both["losses"], "Remark": both["note"]})


def causes(findings: pd.DataFrame, small_group: int) -> pd.DataFrame:
    """Plants lost to each cause by age: Cause, Day, Lost to it, Losses, Remark."""
    rows = pick(for_display(findings, small_group), "lost_to_cause", ["cause", "age_days"])
    rows = rows.sort_values("age_days", key=lambda c: c.astype("int64"), kind="stable")
    rows = rows.sort_values("cause", kind="stable")
    return pd.DataFrame({"Cause": [cause_words(c) for c in rows["cause"]], "Days since install": rows["age_days"],
                         "% lost to it (95% interval)": rows["result"], "Losses": rows["losses"],
                         "Remark": rows["note"]})


def _ratios(findings: pd.DataFrame, measure: str, by: str, heading: str, small_group: int) -> pd.DataFrame:
    rows = pick(findings, measure, [by])
    shown = for_display(findings, small_group).loc[rows.index]
    return pd.DataFrame({
        heading: [words(name) if by == "term" else name for name in rows[by]], TIMES: shown["result"].to_numpy(),
        "Lost": rows["losses"].to_numpy(), "Plants": shown["n_plants"].to_numpy(),
        "Plant-weeks": [f"{days / 7:,.0f}" for days in rows["plant_days"]], "Remark": shown["note"].to_numpy()})
