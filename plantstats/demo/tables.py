"""Turn the log of the invented company into its tables, as its office would have them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats.demo.causes import CAUSE_OF, OUTCOME_OF
from plantstats.demo.layout import PLANT_COST, POT_CM, REGIONS, SETTINGS, Layout
from plantstats.demo.life import Log
from plantstats.demo.truth import LIGHTS, PLANTERS, Truth

CURRENCY = "EUR"
COVERED_CAUSES = "all"
NOT_COVERED = ("theft", "client_action", "building_failure")


def plant_ids(numbers: np.ndarray | pd.Series) -> np.ndarray:
    return np.array([f"P{int(i) + 1:05d}" for i in numbers], dtype=object)


def _dates(layout: Layout, days: pd.Series | np.ndarray) -> pd.Series:
    whole = pd.array(np.asarray(pd.Series(days), dtype=float), dtype="Float64").astype("Int64")
    return (pd.Timestamp(layout.first) + pd.to_timedelta(pd.Series(whole), unit="D")).astype("datetime64[us]")


def _text(values: object) -> pd.Series:
    return pd.Series(values, dtype=object).astype("str")


def sites(layout: Layout) -> pd.DataFrame:
    """One row per site."""
    s = layout.sites
    return pd.DataFrame({
        "site_id": _text(s["site_id"]), "client_id": _text(s["client_id"]),
        "region": _text([REGIONS[i] for i in s["region"]]), "setting": _text([SETTINGS[i] for i in s["setting"]]),
        "planned_visit_days": s["visit_days"].astype("Int64"), "observed_from": _dates(layout, s["opened"]),
    })


def contracts(layout: Layout, rng: np.random.Generator) -> pd.DataFrame:
    """One row per site: the contract and the terms of its guarantee."""
    s = layout.sites
    months = np.array([12, 24, 36])[np.searchsorted((0.5, 0.8), rng.random(s["client"].max() + 1))][s["client"]]
    visits = 30.4 / s["visit_days"].to_numpy()
    fee = np.round(s["size"].to_numpy() * (3.0 + 1.1 * visits) * rng.uniform(0.9, 1.15, len(s)) + 10 * visits)
    ended = s["closed"] < layout.days
    return pd.DataFrame({
        "client_id": _text(s["client_id"]), "site_id": _text(s["site_id"]),
        "starts_on": _dates(layout, s["opened"] - (s["opened"] == 0) * rng.integers(30, 1500, len(s))),
        "ends_on": _dates(layout, s["closed"].where(ended)),
        "monthly_fee": fee, "currency": _text([CURRENCY] * len(s)),
        "months": pd.array(months, dtype="Int64"),
        "covered_causes": _text([COVERED_CAUSES] * len(s)),
        "cap": pd.array(np.where(months > 12, 2, 1), dtype="Int64"),
        "excluded": _text([" ".join(NOT_COVERED)] * len(s)),
    })


def ends(log: Log) -> pd.DataFrame:
    """One row per plant of the truth: when it came and under what, how it really ended, when that was found."""
    columns = ["position", "site", "species", "light", "pot", "pot_cm", "planter", "planted", "known", "lost",
               "code", "declined", "at_risk", "dry", "light_at_end", "site_at_end", "found", "removed", "replace",
               "replaced_by"]
    return pd.DataFrame(log.plants, columns=columns)


def plants(layout: Layout, truth: Truth, end: pd.DataFrame, terms: pd.DataFrame,
           rng: np.random.Generator) -> pd.DataFrame:
    """One row per plant, with its site, position and light as they were when it came."""
    n = len(end)
    u = rng.random((6, n))
    species = end["species"].to_numpy()
    cultivar = [c[int(x * 2 * len(c))] if c and x < 0.5 else None
                for c, x in zip([truth.species[i].cultivars for i in species], u[0], strict=True)]
    inherited = end["planted"] < layout.sites["opened"].to_numpy()[end["site"]]
    known = ~(inherited & (u[1] < 0.30)).to_numpy()
    cost = [float(PLANT_COST[p][POT_CM[p].index(c)]) for p, c in zip(end["pot"], end["pot_cm"], strict=True)]
    planted = end["planted"].where(known)
    months = terms["months"].astype(int).to_numpy()[end["site"]]
    client_owned = u[2] < 0.25
    batch = end["planted"].to_numpy() // 30
    return pd.DataFrame({
        "plant_id": _text(plant_ids(np.arange(n))),
        "site_id": _text(layout.sites["site_id"].to_numpy()[end["site"]]),
        "position": _text(end["position"]),
        "species": _text([truth.species[i].name for i in species]),
        "cultivar": _text(cultivar),
        "pot_cm": end["pot_cm"].astype("float64"),
        "height_cm": np.rint(end["pot_cm"] * (2.2 + 2.6 * u[3]) / 5) * 5,
        "light": _text(np.where(u[4] < 0.04, None, np.array(LIGHTS, dtype=object)[end["light"]])),
        "planter": _text([PLANTERS[i] for i in end["planter"]]),
        "installed_on": _dates(layout, planted),
        "removed_on": _dates(layout, end["removed"]),
        "removal_reason": _text(end["code"].where(end["removed"].notna(), None)),
        "guarantee_until": _dates(layout, planted + np.rint(months * 30.4375)),
        "ownership": _text(np.where(client_owned, "client", "company")),
        "supplier_batch": _text([f"B{b:04d}" if b >= 0 and x < 0.9 else None
                                 for b, x in zip(batch + 100, u[5], strict=True)]),
        "cost": cost,
    })


def replacements(layout: Layout, end: pd.DataFrame, plant: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """One row per replaced plant, in order of the day; `cause` and `outcome` are ours, `cause_text` theirs."""
    done = end["replaced_by"].notna()
    e, p = end[done], plant[done]
    cause, outcome = e["code"].map(CAUSE_OF), e["code"].map(OUTCOME_OF)
    found, replaced = _dates(layout, e["found"]), _dates(layout, e["removed"])
    in_time = (found.to_numpy() <= p["guarantee_until"].to_numpy())
    covered = np.where(in_time & ~cause.isin(NOT_COVERED).to_numpy(), "guaranteed", "chargeable")
    covered = np.where((outcome == "withdrawn").to_numpy(), "chargeable", covered)
    covered = np.where((cause == "upgrade").to_numpy(), "upgrade", covered)
    covered = np.where((cause == "rotation").to_numpy(), "rotation", covered)
    noted = rng.random(len(e)) >= 0.05
    frame = pd.DataFrame({
        "plant_id": p["plant_id"].to_numpy(), "replaced_on": replaced.to_numpy(),
        "found_on": found.where(noted).to_numpy(),
        "cause": _text(cause).to_numpy(), "cause_text": _text(e["code"]).to_numpy(),
        "outcome": _text(outcome).to_numpy(),
        "replaced_by": _text(plant_ids(e["replaced_by"])).to_numpy(), "covered": _text(covered).to_numpy(),
        "plant_cost": plant["cost"].to_numpy()[e["replaced_by"].astype(int)],
        "labour_minutes": pd.array(np.rint(12 + 0.9 * e["pot_cm"] * rng.uniform(0.6, 1.4, len(e))), dtype="Int64"),
    })
    return frame.sort_values(["replaced_on", "plant_id"], kind="stable", ignore_index=True)


def moves(layout: Layout, log: Log) -> pd.DataFrame:
    """One row per move, in order of the day."""
    m = pd.DataFrame(log.moves, columns=["plant", "day", "site", "label", "light", "crossed"])
    frame = pd.DataFrame({
        "plant_id": _text(plant_ids(m["plant"])), "moved_on": _dates(layout, m["day"]),
        "to_site_id": _text(layout.sites["site_id"].to_numpy()[m["site"].astype(int)]),
        "to_position": _text(m["label"]),
        "to_light": _text(np.array(LIGHTS, dtype=object)[m["light"].astype(int)]),
    })
    return frame.sort_values(["moved_on", "plant_id"], kind="stable", ignore_index=True)


def readings(layout: Layout, rng: np.random.Generator) -> pd.DataFrame:
    """Loggers at a few sites: two rows a day, at 06:00 and 14:00."""
    s = layout.sites
    chosen = np.flatnonzero((s["opened"] == 0) & (s["closed"] >= layout.days) & (s["size"] >= 8))
    chosen = chosen[: max(2, len(s) // 60)]
    parts = []
    for site in chosen.tolist():
        day = np.repeat(np.arange(layout.days), 2)
        hour = np.tile([6, 14], layout.days)
        humidity = layout.humidity[site, day] + np.where(hour == 6, 1.5, -1.5) + rng.normal(0, 1.0, len(day))
        warmth = layout.temperature[site, day] + np.where(hour == 6, -1.0, 1.0) + rng.normal(0, 0.2, len(day))
        parts.append(pd.DataFrame({
            "site_id": s["site_id"].iloc[site],
            "read_at": (pd.Timestamp(layout.first) + pd.to_timedelta(day * 24 + hour, unit="h")).astype("datetime64[us]"),
            "rh_percent": np.round(humidity, 1), "temp_c": np.round(warmth, 1), "position": "lobby",
        }))
    if not parts:
        return pd.DataFrame({"site_id": _text([]), "read_at": pd.Series([], dtype="datetime64[us]"),
                             "rh_percent": [], "temp_c": [], "position": _text([])})
    frame = pd.concat(parts, ignore_index=True)
    return frame.astype({"site_id": "str", "position": "str"})


def true_plants(layout: Layout, truth: Truth, end: pd.DataFrame) -> pd.DataFrame:
    """One row per plant, the truth: real planting day, first day under the records, real day and kind of its
    end (missing: still standing), days at risk, days of them with topsoil left dry, group, site effect."""
    losing = end["code"].map(OUTCOME_OF)
    return pd.DataFrame({
        "plant_id": _text(plant_ids(np.arange(len(end)))),
        "species": _text([truth.species[i].name for i in end["species"]]),
        "group": _text([truth.species[i].group for i in end["species"]]),
        "site_id": _text(layout.sites["site_id"].to_numpy()[end["site"]]),
        "site_effect": layout.sites["effect"].to_numpy()[end["site"]],
        "light": _text(np.array(LIGHTS, dtype=object)[end["light"]]),
        "planted_on": _dates(layout, end["planted"]), "known_from": _dates(layout, end["known"]),
        "ended_on": _dates(layout, end["lost"]), "found_on": _dates(layout, end["found"]),
        "outcome": _text(losing), "cause": _text(end["code"].map(CAUSE_OF)),
        "plant_days": end["at_risk"].astype("Int64"), "over_dry_days": end["dry"].astype("Int64"),
    })


def true_sites(layout: Layout) -> pd.DataFrame:
    """One row per site, the truth: effect, humidified or not, mean heated-season humidity."""
    s = layout.sites
    return pd.DataFrame({
        "site_id": _text(s["site_id"]), "effect": s["effect"], "visit_days": s["visit_days"].astype("Int64"),
        "humidified": s["humidified"].astype("boolean"),
        "heated_humidity": layout.humidity[:, layout.heated].mean(axis=1) if layout.heated.any() else np.nan,
        "open_humidity": layout.humidity[:, ~layout.heated].mean(axis=1) if (~layout.heated).any() else np.nan,
    })

