"""Findings on places: plants used up over time, places by plants lost against chance, and the places that stand out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.losses.model import LossModel
from plantstats.losses.places import FEWEST_LOSSES, KEYS, Places, fits_better, in_common, places
from plantstats.periods import Period
from plantstats.stats import rates, smr
from plantstats.stats.intervals import CONF_LEVEL

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime

YEAR = 365
MOST_YEARS = 5
FEWEST_PLACES = 10  # followed so long, or the year is not quoted
FEWEST_EXPECTED = 1.0  # no ratio where fewer losses are to be expected
TOGETHER_FROM = 3  # losses of a place from which on they are put together
METHOD = "loss model of all records, plant by plant"
ROBUST = "Nelson-Aalen of recurrent events, robust errors by site (Lawless and Nadeau 1995)"


def place_findings(time: PlantTime, model: LossModel, period: Period, small_group: int) -> pd.DataFrame:
    """All findings on places.

    Parameters
    ----------
    time : PlantTime
        Dated "found", without the losses of events.
    model : LossModel
        Of all records.
    period : Period
        The quarter up to which places are followed.
    small_group : int
        Species of fewer plants are not named as fitting better.

    Returns
    -------
    pandas.DataFrame
        Findings: places_followed; place_mean_losses by age_days (plants lost per 100 places, whole years); by term
        ("0", "1", "2", "3 or more") places_by_losses; by site_id and position, of places that lost
        two or more, place_losses and place_expected; place_ratio where at least one loss was expected; of places that
        stand out place_flagged, place_in_common by term, place_fits_better by species. None without positions.
    """
    of_all = places(time, model)
    if of_all.places.empty:
        return findings.table([])
    common: dict[str, Any] = {"period": period.name, "method": METHOD}
    again = of_all.places[of_all.places["losses"].ge(FEWEST_LOSSES)].rename(columns={"plants": "n_plants"})
    out = again[again["flagged"]]
    parts = [
        _of_number(of_all, common),
        _over_time(of_all, period),
        findings.rows(again.assign(estimate=again["losses"]), "place_losses", by=KEYS, unit="plants", **common),
        findings.rows(
            again.assign(estimate=again["expected"]), "place_expected", by=KEYS, unit="losses expected", **common
        ),
        _ratios(again, common),
        findings.rows(out.assign(estimate=out["p"]), "place_flagged", by=KEYS, unit="probability", **common),
        *(_described(time, of_all, row, small_group, common) for _, row in out.iterrows()),
    ]
    return findings.table(pd.concat([part for part in parts if len(part)], ignore_index=True))


def _of_number(of_all: Places, common: dict[str, Any]) -> pd.DataFrame:
    """Places, and how many of them lost no plant, one, two, or more."""
    table = of_all.places
    names = [*map(str, range(TOGETHER_FROM)), f"{TOGETHER_FROM} or more"]
    count = np.bincount(np.minimum(table["losses"], TOGETHER_FROM), minlength=TOGETHER_FROM + 1)
    by_count = pd.DataFrame({"term": names, "estimate": count.astype("float64")})
    whole = pd.DataFrame({"estimate": [float(len(table))], "losses": [int(table["losses"].sum())]})
    return pd.concat(
        [
            findings.rows(whole, "places_followed", unit="places", **common),
            findings.rows(by_count, "places_by_losses", by=["term"], unit="places", **common),
        ],
        ignore_index=True,
    )


def _over_time(of_all: Places, period: Period) -> pd.DataFrame:
    """Plants lost per 100 places within whole years, as far as enough places were followed."""
    followed = of_all.places["last_day"] - of_all.places["first_day"]
    years = [n for n in range(1, MOST_YEARS + 1) if followed.ge(n * YEAR).sum() >= FEWEST_PLACES]
    rows = of_all.recurrence.at([n * YEAR for n in years])
    rows = rows[rows["estimate"] > 0]
    return findings.rows(
        rows.assign(age_days=rows["days"].astype("int64"), **{c: 100 * rows[c] for c in ("estimate", "low", "high")}),
        "place_mean_losses",
        by=["age_days"],
        period=period.name,
        unit="plants per 100 places",
        method=ROBUST,
        conf_level=CONF_LEVEL,
    )


def _ratios(again: pd.DataFrame, common: dict[str, Any]) -> pd.DataFrame:
    large = again[again["expected"].ge(FEWEST_EXPECTED)]
    ratio = smr.observed_expected(large["losses"], large["expected"])
    rows = large.assign(**ratio._asdict())
    return findings.rows(rows, "place_ratio", by=KEYS, unit="ratio", conf_level=CONF_LEVEL, **common)


def _described(
    time: PlantTime, of_all: Places, row: pd.Series, small_group: int, common: dict[str, Any]
) -> pd.DataFrame:
    """What the plants lost in a place had in common, and the species that has done better in its light."""
    stays = of_all.stays[of_all.stays[KEYS].eq(row[KEYS]).all(axis=1)].sort_values("since")
    place = {**row[KEYS], "n_plants": int(row["n_plants"])}
    shared = pd.DataFrame(
        [
            {**place, "term": term, "losses": n, "estimate": float(n), "note": value}
            for term, (value, n) in in_common(stays).items()
        ]
    )
    parts = (
        [findings.rows(shared, "place_in_common", by=[*KEYS, "term"], unit="plants", **common)] if len(shared) else []
    )
    lost = stays[stays["lost"].eq(1)]
    better = fits_better(time, sorted(lost["species"].unique()), str(stays["light"].iloc[-1]), small_group)
    if better is not None:
        rate = rates.loss_rate([better.losses], [better.plant_days])
        known = pd.DataFrame(
            [
                {
                    **row[KEYS],
                    "species": better.species,
                    "n_plants": better.n_plants,
                    "plant_days": better.plant_days,
                    "losses": better.losses,
                    **{name: float(value[0]) for name, value in rate._asdict().items()},
                }
            ]
        )
        parts.append(
            findings.rows(
                known,
                "place_fits_better",
                by=[*KEYS, "species"],
                unit="per 100 plant-years",
                conf_level=CONF_LEVEL,
                period=common["period"],
                method=rates.CONDITIONAL,
            )
        )
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
