"""Days until dry and look interval by species, light, pot, planter and season, with the evidence for a change."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from plantstats.watering import worth
from plantstats.watering.advise import KEEP, LONGER, SHORTER, Advice
from plantstats.watering.intervals import dry_by
from plantstats.watering.law import Array, still_moist
from plantstats.watering.learn import Learned, Placed, source

BY = ["species", "light", "pot", "planter"]
SEASONS = {True: "heating season", False: "rest of the year"}


def situations(learned: Learned, advice: Advice) -> pd.DataFrame:
    """Every combination that occurs, in both seasons.

    Takes:  learned; advice (for the plants that stand and how often they are visited now).
    Gives:  one row per species, light, pot, planter, season: plants (standing), spells (of just this row),
            species_spells, dry_half, dry_half_low, dry_half_high, dry_80, dry_80_low, dry_80_high (days), usually_by
            (whole day by which no more than the stated share is still moist), still_moist (share at it), look_every
            (the longest of the visit intervals at which few are found too dry; 0 none is short enough), too_many_from
            (the shortest at which too many are; missing: none), now (usual visit interval of those plants, days),
            too_dry_now (share), advice, spells_needed (of the species, to settle what now looks like a change; missing:
            nothing to settle).
    """
    table = _combinations(learned, advice)
    half, most = _dry_by(table, learned, 0.5), _dry_by(table, learned, 0.8)
    usually = _dry_by(table, learned, 1 - learned.assumed.max_still_moist_share)[0]
    for name, found in (("dry_half", half), ("dry_80", most)):
        table[name], table[f"{name}_low"], table[f"{name}_high"] = found
    table["usually_by"] = np.ceil(usually).astype(int)
    table["still_moist"] = _still_moist(table, learned)
    days = tuple(sorted({*learned.assumed.visit_days, *(int(d) for d in table["now"].dropna().unique())}))
    offered = np.isin(days, learned.assumed.visit_days)
    table = table.join(_evidence(table, learned, days, offered))
    season = table.pop("heating").map(SEASONS)
    table.insert(4, "season", season)
    return table.sort_values([*BY, "season"], kind="stable", ignore_index=True)


def _combinations(learned: Learned, advice: Advice) -> pd.DataFrame:
    spells = learned.cells.groupby([*BY, "heating"])["n"].sum()
    plants = advice.plants.assign(now=advice.plants["site_id"].map(advice.sites.set_index("site_id")["now"]))
    # The middle plant's interval: each plant counts once, a counted line by its number.
    repeated = plants.loc[plants.index.repeat(plants["plants"].to_numpy(dtype=int))]
    stood = repeated.groupby(BY)["now"].agg(["size", "median"])
    seen = pd.concat([learned.cells[BY], plants[BY]]).drop_duplicates()
    table = pd.concat([seen.assign(heating=heated) for heated in (True, False)], ignore_index=True)
    key = pd.MultiIndex.from_frame(table[BY])
    table["plants"] = stood["size"].reindex(key).fillna(0).to_numpy(dtype=int)
    table["spells"] = spells.reindex(pd.MultiIndex.from_frame(table[[*BY, "heating"]])).fillna(0).to_numpy(dtype=int)
    table["species_spells"] = table["species"].map(learned.cells.groupby("species")["n"].sum()).fillna(0).astype(int)
    return table.assign(now=stood["median"].reindex(key).round().to_numpy())


def _dry_by(table: pd.DataFrame, learned: Learned, share: float) -> tuple[Array, Array, Array]:
    out = np.empty((3, len(table)))
    kinds = source(table, learned.dryings).to_numpy()
    for kind, fitted in learned.dryings.items():
        rows = np.flatnonzero(kinds == kind)
        out[:, rows] = dry_by(fitted, table.iloc[rows], share)
    return out[0], out[1], out[2]


def _still_moist(table: pd.DataFrame, learned: Learned) -> Array:
    """Share of plants still moist on the day by which water is usually wanted."""
    out, kinds = np.empty(len(table)), source(table, learned.dryings).to_numpy()
    for kind, fitted in learned.dryings.items():
        rows = np.flatnonzero(kinds == kind)
        part = table.iloc[rows]
        out[rows] = still_moist(fitted.law, part["usually_by"], fitted.log_scale(part), fitted.shape)
    return out


def _evidence(table: pd.DataFrame, learned: Learned, days: tuple[int, ...], offered: Array) -> pd.DataFrame:
    """What the present interval leads to, and how sure it is that another would be better."""
    assumed, each = learned.assumed, np.array(days)
    most = assumed.max_too_dry_share
    placed = Placed(table, learned, days)
    too_dry = placed.cycles().too_dry
    drawn = np.stack([placed.cycles(draw.parameters).too_dry for draw in worth.draws(learned)])
    good = (too_dry <= most) & offered
    many = (too_dry > most) & offered
    look = np.where(good.any(axis=1), each[len(days) - 1 - good[:, ::-1].argmax(axis=1)], 0)
    from_on = np.where(many.any(axis=1), each[many.argmax(axis=1)], np.nan)
    now = table["now"].to_numpy(dtype=float)
    known = np.isfinite(now)
    rows, at_now = np.arange(len(table)), np.searchsorted(days, np.where(known, now, days[0]))
    longer = np.array([next((n for n in range(a + 1, len(days)) if offered[n]), a) for a in at_now])
    dry_now, dry_longer = too_dry[rows, at_now], too_dry[rows, longer]
    sure_short = (drawn[:, rows, at_now] > most).mean(axis=0) >= assumed.confidence
    sure_long = ((drawn[:, rows, longer] <= most).mean(axis=0) >= assumed.confidence) & (longer > at_now)
    shorter_exists = (each[None, :] < np.where(known, now, 0)[:, None]) @ offered > 0
    decision = np.select([known & sure_short & shorter_exists, known & sure_long], [SHORTER, LONGER], KEEP)
    leans = np.select([dry_now > most, (dry_longer <= most) & (longer > at_now)], [at_now, longer], -1)
    unsettled = known & (decision == KEEP) & (leans >= 0) & ~((leans == at_now) & ~shorter_exists)
    lean = np.maximum(leans, 0)
    distance = np.abs(too_dry[rows, lean] - most)
    z = stats.norm.ppf(assumed.confidence) * drawn.std(axis=0)[rows, lean] / np.maximum(distance, 1e-4)
    needed = np.ceil(np.maximum(table["species_spells"].to_numpy(), 1) * np.maximum(z**2, 1.0))
    return pd.DataFrame(
        {
            "look_every": look,
            "too_many_from": from_on,
            "too_dry_now": np.where(known, dry_now, np.nan),
            "advice": np.where(known, decision, ""),
            "spells_needed": np.where(unsettled, needed, np.nan),
        },
        index=table.index,
    )
