"""Findings of the loss-drivers page in, tables for people out."""

from __future__ import annotations

import pandas as pd

from plantstats.findings import for_display, pick
from plantstats.pages.drivers_sentences import by_age, words
from plantstats.pages.sentences import cause_words
from plantstats.pages.tables import without_empty_remark

TIMES = "Times (95% interval)"


def effects(findings: pd.DataFrame, small_group: int) -> pd.DataFrame:
    """Rate ratios of every term: Compared, Times, Lost, Plants, Plant-weeks, Remark."""
    return _ratios(findings, "effect_on_losses", "term", "Compared", small_group)


def species(findings: pd.DataFrame, small_group: int) -> pd.DataFrame:
    """Species against the average plant: Species, Times, Lost, Plants, Plant-weeks, Remark."""
    return _ratios(findings, "species_effect", "species", "Species", small_group)


def apart(findings: pd.DataFrame) -> pd.DataFrame:
    """What season and humidity can be told apart by: Measure, Value, Unit, Lost, Plant-weeks, Remark."""
    raw = findings[findings["measure"].isin(["humidity_vif", "sites_with_contrast"])]
    rows = for_display(raw, 0)
    names = {
        "humidity_vif": "Variance of the humidity effect, season known",
        "sites_with_contrast": "Sites whose air differs from the others' in the same months",
    }
    return pd.DataFrame(
        {
            "Measure": rows["measure"].map(names),
            "Value": rows["result"],
            "Unit": rows["unit"],
            "Lost": raw["losses"],
            "Plant-weeks": _weeks(raw),
            "Remark": rows["note"],
        }
    )


def watch(findings: pd.DataFrame) -> pd.DataFrame:
    """Plants to look at first, highest chance first: Plant, chance, Site, Plants there, Species, Reasons that count."""
    rows = pick(findings, "watch_chance", ["plant_id", "site_id", "species"]).sort_values("estimate", ascending=False)
    shown = for_display(findings, 0).loc[rows.index]
    return pd.DataFrame(
        {
            "Plant": rows["plant_id"].to_numpy(),
            "% found lost within 90 days (95% interval)": shown["result"].to_numpy(),
            "Site": rows["site_id"].to_numpy(),
            "Plants there": rows["n_plants"].to_numpy(),
            "Species": rows["species"].to_numpy(),
            "Reasons that count: times the average plant (95% interval)": rows["note"].to_numpy(),
        }
    )


def watch_sites(findings: pd.DataFrame, small_group: int) -> pd.DataFrame:
    """Sites with most losses to be expected: Site, Plants, Losses expected."""
    rows = pick(findings, "watch_site", ["site_id"]).sort_values("estimate", ascending=False)
    shown = for_display(findings, small_group).loc[rows.index]
    return pd.DataFrame(
        {
            "Site": rows["site_id"].to_numpy(),
            "Plants": rows["n_plants"].to_numpy(),
            "Losses expected in 90 days (95% interval)": shown["result"].to_numpy(),
        }
    )


def back_test(findings: pd.DataFrame) -> pd.DataFrame:
    """How the list fared by quarter: Quarter, Plants, Lost, pairs in the right order, found over expected."""
    shown = for_display(findings, 0)
    order, ratio = pick(shown, "watch_concordance"), pick(shown, "watch_calibration").set_index("period")
    # All quarters together stand below their parts.
    order = order.sort_values("period", key=lambda names: names.str.contains(" to "), kind="stable")
    return pd.DataFrame(
        {
            "Quarter": order["period"],
            "Plants": order["n_plants"],
            "Lost": order["losses"],
            "Lost one first, of 100 pairs (95% interval)": order["result"],
            "Found / expected (95% interval)": order["period"].map(ratio["result"]),
            "Expected": order["period"].map(ratio["note"]).str.removesuffix(" expected"),
        }
    )


def conditions(findings: pd.DataFrame) -> pd.DataFrame:
    """What a condition score says beyond place and species: Condition, Times, Lost, Remark."""
    rows = for_display(pick(findings, "condition_ratio", ["term"]), 0)
    return pd.DataFrame(
        {
            "Condition at the last visit": rows["term"].str.removeprefix("condition "),
            TIMES: rows["result"],
            "Lost": rows["losses"],
            "Remark": rows["note"],
        }
    )


def survival(findings: pd.DataFrame, small_group: int) -> pd.DataFrame:
    """Survival by light: Light, Plants, Lost, a column for each age, Remark."""
    by = ["light", "age_days"]
    rows = by_age(pick(for_display(findings, small_group), "survival", by), "light")
    counts = pick(findings, "survival", by).groupby("light")[["losses", "n_plants"]].first()
    made = _ages_across(rows, "light", "% not lost by day {} (95% interval)")
    made = made.assign(Lost=counts["losses"], Plants=counts["n_plants"]).reset_index()
    return _remark_last(made.rename(columns={"light": "Light"}))


def alike(findings: pd.DataFrame, small_group: int) -> pd.DataFrame:
    """Whether light makes a difference within sites: Light, Lost, Plants, Lost / if all lived alike, Remark."""
    rows = pick(findings, "losses_to_alike", ["light"]).sort_values("light")
    shown = for_display(findings, small_group).loc[rows.index]
    groups = pd.DataFrame(
        {
            "Light": rows["light"],
            "Lost": rows["losses"],
            "Plants": rows["n_plants"],
            "Lost / if all lived alike": shown["result"],
            "Remark": shown["note"],
        }
    )
    whole = pick(findings, "survival_alike_p").iloc[0]
    chance = "not available" if pd.isna(whole["estimate"]) else f"{whole['estimate']:.3f}"
    total = pd.DataFrame(
        [
            {
                "Light": "all: chance of such differences if alike",
                "Lost": whole["losses"],
                "Plants": whole["n_plants"],
                "Lost / if all lived alike": chance,
                "Remark": whole["note"],
            }
        ]
    )
    return pd.concat([groups, total], ignore_index=True)


def found_late(findings: pd.DataFrame, small_group: int) -> pd.DataFrame:
    """How much higher survival looks because losses are found late: Light, Day, by found, between visits, points."""
    shown = for_display(findings, small_group)
    keys = ["light", "age_days"]
    between, points = (pick(shown, m, keys) for m in ("survival_between_visits", "found_late_shift"))
    both = between.merge(points, on=keys, suffixes=("", "_points"))
    both = by_age(both, "light")
    return pd.DataFrame(
        {
            "Light": both["light"],
            "Days since install": both["age_days"],
            "% not lost, each loss somewhere between two visits": both["estimate"],
            "Points higher when dated by the day found": both["estimate_points"],
            "Plants": both["n_plants"],
            "Lost": both["losses"],
            "Remark": both["note"],
        }
    )


def causes(findings: pd.DataFrame, small_group: int) -> pd.DataFrame:
    """Plants lost to each cause, most first: Cause, Lost (by the last age), a column for each age, Remark."""
    rows = by_age(pick(for_display(findings, small_group), "lost_to_cause", ["cause", "age_days"]), "cause")
    raw = pick(findings, "lost_to_cause", ["cause", "age_days"])
    lost = raw.groupby("cause")["losses"].max().sort_values(ascending=False, kind="stable")
    made = _ages_across(rows, "cause", "% lost by day {} (95% interval)").reindex(lost.index)
    made = made.assign(Lost=lost).reset_index()
    made = made.assign(cause=[cause_words(c) for c in made["cause"]])
    return _remark_last(made.rename(columns={"cause": "Cause"}))


def _ages_across(rows: pd.DataFrame, group: str, heading: str) -> pd.DataFrame:
    """One row per group, one column per age, and what is remarked on any of them."""
    made = rows.pivot(index=group, columns="age_days", values="result")
    made = made[list(rows["age_days"].unique())].rename(columns=heading.format)
    remark = rows.groupby(group)["note"].agg(lambda notes: "; ".join(dict.fromkeys(n for n in notes if n)))
    return made.rename_axis(columns=None).assign(Remark=remark)


def _remark_last(made: pd.DataFrame) -> pd.DataFrame:
    """Group, counts, ages, remark: the order in which a narrow screen shows most."""
    counts = [c for c in ("Lost", "Plants") if c in made]
    rest = [c for c in made.columns[1:] if c not in (*counts, "Remark")]
    return without_empty_remark(made[[made.columns[0], *counts, *rest, "Remark"]])


def _weeks(rows: pd.DataFrame) -> list[str]:
    return [f"{days / 7:,.0f}" for days in rows["plant_days"]]


def _ratios(findings: pd.DataFrame, measure: str, by: str, heading: str, small_group: int) -> pd.DataFrame:
    rows = pick(findings, measure, [by])
    shown = for_display(findings, small_group).loc[rows.index]
    return without_empty_remark(
        pd.DataFrame(
            {
                heading: [words(name) if by == "term" else name for name in rows[by]],
                TIMES: shown["result"].to_numpy(),
                "Lost": rows["losses"].to_numpy(),
                "Plants": rows["n_plants"].to_numpy(),
                "Plant-weeks": _weeks(rows),
                "Remark": shown["note"].to_numpy(),
            }
        )
    )
