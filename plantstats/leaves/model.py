"""The leaf model: which conditions go with falling leaves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import optimize

from plantstats.exposure import DRY_AIR_BELOW
from plantstats.leaves.build import LeafTime
from plantstats.leaves.counts import Array, CountFit, LeafModelError, fit_counts
from plantstats.leaves.inputs import CONDITIONS, KEY, NO_RH, OUTCOMES, RH_STEP, RH_TOP
from plantstats.stats.intervals import zero_event_limit

# Where nobody read the humidity, dry air and season are one: such stretches have a season of their own, or the season
# of all others would bear part of the dry air that nobody measured (on invented companies that read humidity at three
# visits in ten, "January against July" came out 12% too high).
UNKNOWN_AIR = "air_unknown + air_unknown:({season})"
# The model, term by term. A term of which the records show one level only is left out, and said. What was done
# at the visit (watering) is no term: in figs drought is followed by leaf drop only once they are watered again
# (Graves, abstract: most of the drop within a day of rewatering), so the act would bear the blame of the drought.
TERMS = (
    "species",
    "light",
    "{season}",
    "dry_air:air_group",
    UNKNOWN_AIR,
    "warmth",
    "opening",
    "new",
    "moved",
    "repotted",
    "turned",
    "rewatered",
    "dry",
)
SEASONS = {"cycle": "cos_year + sin_year", "heating": "heated"}
HINGES = (30, 35, 40, 45, 50)
# Fewer leaves than this in dry air of known humidity: the group has no slope of its own; in air of unknown humidity:
# no season of its own (rule of thumb).
FEWEST_FOR_SLOPE = 50
OTHERS = "other species"
DAYS_PER_MONTH = 365.25 / 12


@dataclass(frozen=True)
class LeafFit:
    """The fitted model of one outcome, the table it was fitted on, and what could not be fitted."""

    outcome: str
    season: str
    hinge: int
    fit: CountFit
    table: pd.DataFrame  # the frequency table used: conditions, n, sum (words as the least), exposure, cell
    nothing: pd.DataFrame  # levels without a leaf: factor, level, n, leaves (0), plant_days, high (leaves a day)
    left_out: tuple[str, ...]
    expected: pd.Series  # by cell: leaves of one stretch; missing where not in the model

    def situation(self, species: str, **other: object) -> pd.DataFrame:
        """One row of conditions: a species in the reference situation, with the changes given.

        Reference: medium light, humidity at or above the hinge, usual warmth, away from vents and doors, long on
        site, neither moved nor repotted lately, soil found moist, mean of the year.
        """
        group = self.table.loc[self.table["species"].eq(species), "air_group"]
        if group.empty:
            raise LeafModelError(f"{species} is not in the model of {self.outcome} leaves")
        row: dict[str, object] = {name: levels[0] for name, levels in CONDITIONS.items()}
        row |= {"species": species, "air_group": group.iloc[0], "dry_air": 0.0, "air_unknown": 0.0}
        row |= {"cos_year": 0.0, "sin_year": 0.0, "heated": 0.0}
        strange = sorted(set(other) - set(row))
        if strange:
            raise LeafModelError(f"no condition {', '.join(strange)} in the leaf model")
        return pd.DataFrame([row | other])

    def slope(self, group: str) -> Array:
        """Weights that pick the coefficient of dry air (per ten points below the hinge) of a species group."""
        name = f"dry_air:air_group[{group}]"
        return (self.fit.params.index == name).astype("float64")


def fit_leaves(
    time: LeafTime,
    outcome: str = "green",
    season: str = "cycle",
    hinge: int = DRY_AIR_BELOW,
    heating_months: tuple[int, ...] = (),
    by_site: bool = True,
) -> LeafFit:
    """Fit the leaf model on the frequency table of leaf plant-time; words count between the numbers they may mean.

    Takes:  leaf plant-time; outcome: "green" (leaves dropped) or "yellow" (oldest leaves yellowed); season:
            "cycle" (smooth over the year) or "heating" (a step in heating_months); hinge: percent humidity below
            which dry air counts (an edge of a five-point band); by_site: errors that let sites differ.
    Gives:  LeafFit.
    Keeps:  stretches with a count = in the model + in levels without a leaf (`nothing`).
    Raises: LeafModelError as `fit_counts`, and for an unknown outcome, season or hinge.
    """
    faults = []
    if outcome not in OUTCOMES:
        faults.append(f"outcome is {outcome!r}; it must be one of {', '.join(OUTCOMES)}")
    if season not in SEASONS:
        faults.append(f"season is {season!r}; it must be one of {', '.join(SEASONS)}")
    if hinge not in HINGES:
        faults.append(f"hinge is {hinge!r}; it must be one of {', '.join(map(str, HINGES))}")
    if faults:
        raise LeafModelError("; ".join(faults))
    words = time.words(outcome)
    table = columns(_cells(time, outcome, words), hinge, heating_months)
    table, nothing = _without_nothing(table, ("species", *CONDITIONS))
    counts = time.counts(outcome)
    if len(nothing):
        # Counts of nothing alone were taken out.
        gone = int(sum(row.stretches[:, 0].sum() for row in nothing.itertuples()))
        counts["n"] = counts["n"].where(counts["count"] != 0, counts["n"] - gone)
    formula, left_out = formula_of(table, season)
    sites = _by_site(time, table, outcome) if by_site else None
    words["row"] = pd.Index(table["cell"]).get_indexer(words["cell"])
    words = words.loc[words["row"] >= 0, ["site", "row", "least", "most", "n"]]
    counted = table.assign(n=table["counted"], sum=table["leaves"])
    fit = fit_counts(counted, counts, formula, sites, words=words)
    nothing = nothing.assign(high=[_upper(row, table, fit) for row in nothing.itertuples()])
    expected = pd.Series(fit.expected, table["cell"].to_numpy())
    notes = [*left_out, *(f"{name}: tells the same as other terms" for name in fit.repeated)]
    return LeafFit(outcome, season, hinge, fit, table, nothing, tuple(notes), expected)


def _cells(time: LeafTime, outcome: str, words: pd.DataFrame) -> pd.DataFrame:
    """The frequency table of one outcome.

    Gives:  cell, species_group, the KEY, counted (stretches with a number), leaves (in them), squares; n and sum: the
            same with words, which add the least that they may mean.
    """
    parts = {"n": "counted", "sum": "leaves", "squares": "squares"}
    cells = time.cells.rename(columns={f"{outcome}_{part}": name for part, name in parts.items()})
    vague = words.assign(least=words["n"] * words["least"]).groupby("cell")[["n", "least"]].sum()
    vague = vague.reindex(cells["cell"]).fillna(0).astype("int64").reset_index(drop=True)
    cells = cells.assign(n=cells["counted"] + vague["n"], sum=cells["leaves"] + vague["least"])
    wanted = ["cell", "species_group", *KEY, "counted", "leaves", "squares", "n", "sum"]
    return cells.loc[cells["n"] > 0, wanted].reset_index(drop=True)


def hinge_profile(time: LeafTime, outcome: str = "green") -> pd.DataFrame:
    """How well each humidity fits as the one below which dry air counts.

    Gives:  one row per value of HINGES: hinge (percent), behind (log likelihood behind the best).
    """
    fits = [fit_leaves(time, outcome, hinge=hinge, by_site=False).fit.loglik for hinge in HINGES]
    return pd.DataFrame({"hinge": HINGES, "behind": max(fits) - np.array(fits)})


def columns(cells: pd.DataFrame, hinge: int, heating_months: tuple[int, ...]) -> pd.DataFrame:
    """Columns of the formula, from the conditions."""
    angle = 2 * np.pi * (cells["month"] - 0.5) / 12
    known = cells["rh"] != NO_RH
    middle = np.where(cells["rh"] == RH_TOP, RH_TOP, cells["rh"] + RH_STEP / 2)
    dry_air = np.where(known, np.maximum(hinge - middle, 0) / 10, 0.0)
    groups = cells["species_group"].cat.remove_unused_categories()
    leaves = cells["sum"].where(dry_air > 0, 0).groupby(groups, observed=False).sum()
    own = {str(group): str(group) if n >= FEWEST_FOR_SLOPE else OTHERS for group, n in leaves.items()}
    air_group = pd.Categorical(np.array([own[g] for g in groups.cat.categories], dtype=object)[groups.cat.codes])
    table = cells.assign(
        exposure=cells["plant_days"].astype("float64"),
        dry_air=dry_air,
        air_unknown=(~known).astype("float64"),
        cos_year=np.cos(angle),
        sin_year=np.sin(angle),
        air_group=air_group,
        heated=cells["month"].isin(heating_months).astype("float64"),
    )
    # The species seen most is what others are compared with.
    order = table.groupby("species", observed=True)["n"].sum().sort_values(ascending=False, kind="stable")
    return table.assign(species=table["species"].cat.set_categories(list(order.index)))


def _without_nothing(table: pd.DataFrame, factors: tuple[str, ...]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Take out levels of which no stretch had a leaf: their log rate is minus infinity, and no fit finds that."""
    found: list[dict[str, Any]] = []
    while True:
        before = len(found)
        for factor in factors:
            sums = table.groupby(factor, observed=True)[["n", "sum"]].sum()
            for level in sums.index[sums["sum"] == 0]:
                rows = table[table[factor] == level]
                found.append(
                    {
                        "factor": factor,
                        "level": str(level),
                        "n": int(rows["n"].sum()),
                        "leaves": 0,
                        "plant_days": float((rows["n"] * rows["exposure"]).sum()),
                        "stretches": rows[["counted", "exposure"]].to_numpy(dtype="float64"),
                    }
                )
                table = table[table[factor] != level]
        if len(found) == before:
            break
    for factor in factors:
        table[factor] = table[factor].cat.remove_unused_categories()
    names = ["factor", "level", "n", "leaves", "plant_days", "stretches"]
    return table.reset_index(drop=True), pd.DataFrame(found, columns=names)


def formula_of(table: pd.DataFrame, season: str) -> tuple[str, list[str]]:
    """The model's terms that the records can tell anything about; those left out, with the reason."""
    terms, left_out = [], []
    for term in TERMS:
        named = term.format(season=SEASONS[season])
        first = named.split(" + ")[0].split(":")[0]
        levels = table[first].unique()
        if len(levels) < 2:
            left_out.append(f"{named}: always {levels[0]} in these records" if len(levels) else f"{named}: no stretch")
        elif "air_group" in named and table["air_group"].nunique() == 1:
            terms.append("dry_air")
        elif term == UNKNOWN_AIR and table.loc[table["air_unknown"] > 0, "sum"].sum() < FEWEST_FOR_SLOPE:
            terms.append("air_unknown")
        else:
            terms.append(named)
    return " + ".join(terms) or "1", left_out


def _by_site(time: LeafTime, table: pd.DataFrame, outcome: str) -> pd.DataFrame:
    sites = time.by("site_id", outcome).astype({"site_id": "str"}).rename(columns={"site_id": "site"})
    sites["row"] = pd.Index(table["cell"]).get_indexer(sites["cell"])
    return sites[sites["row"] >= 0]


def _upper(row: object, table: pd.DataFrame, fit: CountFit, level: float = 0.95) -> float:
    """Highest rate a day under which not one leaf in all these stretches still has a chance of (1 - level) / 2.

    Source: the chance of no leaf in a stretch of d days is (1 + alpha r d) ^ (-1 / alpha), or exp(-r d) without
    dispersion; exact limits for none seen, as Garwood 1936 for the Poisson law.
    """
    n, days = row.stretches.T  # type: ignore[attr-defined]
    wanted = zero_event_limit(level)
    if not n.any():
        return np.nan  # words only, each of which may mean none
    if fit.alpha == 0:
        return float(wanted / (n @ days))
    # Dispersion makes none likelier, so the limit lies above the Poisson one.
    low = wanted / (n @ days)
    high = low
    while (n @ np.log1p(fit.alpha * high * days)) / fit.alpha < wanted:
        high *= 4
        if high > 1e6:
            return np.nan
    return float(
        optimize.brentq(lambda rate: (n @ np.log1p(fit.alpha * rate * days)) / fit.alpha - wanted, low / 2, high)
    )
