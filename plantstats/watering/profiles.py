"""Days until dry and inspection interval by species, light, pot, planter and season."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats.watering import plant_cycles, sampling
from plantstats.watering.advice import Advice
from plantstats.watering.between_plants import Members
from plantstats.watering.design import SEASONS
from plantstats.watering.fit import WateringModel, by_planter

BY = ["species", "light", "pot", "planter"]


def profiles(model: WateringModel, advice: Advice) -> pd.DataFrame:
    """Every combination that occurs, in both seasons.

    Parameters
    ----------
    model : WateringModel
    advice : Advice
        For the plants that stand and how often they are visited now.

    Returns
    -------
    pandas.DataFrame
        One row per species, light, pot, planter, season: plants (standing), dry_downs (of just this row),
        species_dry_downs, dry_half, dry_half_low, dry_half_high, dry_80, dry_80_low, dry_80_high (days), usually_by
        (whole day by which no more than the stated share is still moist), still_moist (share at it),
        inspection_interval (the longest of the visit intervals that surely keeps such a plant within the limit; 0
        none), too_many_from (the shortest that does not; missing: none), now (usual visit interval of those plants,
        days), too_dry_now (share of waterings). Advice is the site's (see `advice.advise`).
    """
    table = _combinations(model, advice)
    members = _members(table, model, advice)
    table = table.join(_dry_by(table, model, members))
    days = tuple(sorted({*model.assumed.visit_days, *(int(d) for d in table["now"].dropna().unique())}))
    table = table.join(_at_intervals(table, model, days, members))
    table.insert(4, "season", table.pop("heating").map(SEASONS))
    return table.sort_values([*BY, "season"], kind="stable", ignore_index=True)


def _combinations(model: WateringModel, advice: Advice) -> pd.DataFrame:
    number = model.distinct.groupby([*BY, "heating"])["n"].sum()
    plants = advice.plants.assign(now=advice.plants["site_id"].map(advice.sites.set_index("site_id")["now"]))
    # The middle plant's interval: each plant counts once, a counted line by its number.
    repeated = plants.loc[plants.index.repeat(plants["plants"].to_numpy(dtype=int))]
    standing = repeated.groupby(BY)["now"].agg(["size", "median"])
    seen = pd.concat([model.distinct[BY], plants[BY]]).drop_duplicates()
    table = pd.concat([seen.assign(heating=heating) for heating in (True, False)], ignore_index=True)
    key = pd.MultiIndex.from_frame(table[BY])
    table["plants"] = standing["size"].reindex(key).fillna(0).to_numpy(dtype=int)
    with_season = pd.MultiIndex.from_frame(table[[*BY, "heating"]])
    table["dry_downs"] = number.reindex(with_season).fillna(0).to_numpy(dtype=int)
    of_species = model.distinct.groupby("species")["n"].sum()
    table["species_dry_downs"] = table["species"].map(of_species).fillna(0).astype(int)
    return table.assign(now=standing["median"].reindex(key).round().to_numpy())


def _members(table: pd.DataFrame, model: WateringModel, advice: Advice) -> Members:
    """The plants of each row: those with dry-downs, and those that stand."""
    plants = pd.concat([model.distinct[[*BY, "plant_id"]], advice.plants[[*BY, "plant_id"]]]).drop_duplicates()
    kinds = table[BY].assign(kind=np.arange(len(table)))
    of = kinds.merge(plants, on=BY).sort_values(["kind", "plant_id"], kind="stable")
    return Members(of["kind"].to_numpy(), of["plant_id"].reset_index(drop=True))


def _dry_by(table: pd.DataFrame, model: WateringModel, members: Members) -> pd.DataFrame:
    """Days until dry with limits, the day by which water is usually wanted, and the share still moist on it."""
    parts = []
    for _, rows, fitted in by_planter(table, model.drying):
        part, place = table.iloc[rows], np.full(len(table), -1)
        place[rows] = np.arange(len(rows))
        here = place[members.kind] >= 0
        own = Members(place[members.kind[here]], members.plant_id[here])
        half, most = (fitted.days_until_dry(part, share, own) for share in (0.5, 0.8))
        wanted = fitted.days_until_dry(part, 1 - model.assumed.max_still_moist_share, own).estimate
        usually = np.ceil(wanted).astype(int)
        values = {
            **dict(zip(("dry_half", "dry_half_low", "dry_half_high"), half, strict=True)),
            **dict(zip(("dry_80", "dry_80_low", "dry_80_high"), most, strict=True)),
            "usually_by": usually,
            "still_moist": fitted.still_moist(part, usually, own),
        }
        parts.append(pd.DataFrame(values, index=part.index))
    return pd.concat(parts)


def _at_intervals(table: pd.DataFrame, model: WateringModel, days: tuple[int, ...], members: Members) -> pd.DataFrame:
    """Which intervals surely keep such a plant within the limit, and how often the present one finds it too dry."""
    assumed, each = model.assumed, np.array(days)
    most, offered = assumed.max_too_dry_share, np.isin(days, assumed.visit_days)
    cycles = plant_cycles.PlantCycles(table, model, days, members)
    too_dry = cycles.at(sampling.estimates(model)).too_dry
    within = np.mean([cycles.at(sample).too_dry <= most for sample in sampling.samples(model)], axis=0)
    few, many = (within >= assumed.confidence) & offered, (within < assumed.confidence) & offered
    now = table["now"].to_numpy(dtype=float)
    known = np.isfinite(now)
    at_now = np.searchsorted(days, np.where(known, now, days[0]))
    return pd.DataFrame(
        {
            "inspection_interval": np.where(few.any(axis=1), each[len(days) - 1 - few[:, ::-1].argmax(axis=1)], 0),
            "too_many_from": np.where(many.any(axis=1), each[many.argmax(axis=1)], np.nan),
            "too_dry_now": np.where(known, too_dry[np.arange(len(table)), at_now], np.nan),
        },
        index=table.index,
    )
