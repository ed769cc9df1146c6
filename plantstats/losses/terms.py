"""The terms of the loss model: its visible formulas, and the columns that they need made from cells."""

from __future__ import annotations

from calendar import month_name
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np
import pandas as pd

from plantstats.exposure import DRY_AIR_BELOW, age_bands, psychrometrics
from plantstats.losses.design import ModelError

# Species are added to each formula as a block of their own (`fit.species_columns`), drawn towards their group.
LOSS_FORMULA = (
    "losses ~ age_band + year_cos + year_sin + dry_air + no_humidity + light + pot + planter + repotted + moved"
)
HEATING_FORMULA = LOSS_FORMULA.replace("year_cos + year_sin", "heated")
VPD_FORMULA = LOSS_FORMULA.replace("dry_air", "vpd_kpa")
SEASON_ONLY = LOSS_FORMULA.replace(" + dry_air + no_humidity", "")
HUMIDITY_ONLY = LOSS_FORMULA.replace(" + year_cos + year_sin", "")
ALL_YEAR_ALIKE = SEASON_ONLY.replace(" + year_cos + year_sin", "")
# What plant-time is asked for.
CELLS_BY = (
    "site_id",
    "species",
    "light",
    "pot",
    "planter",
    "age_band",
    "month",
    "heating",
    "repotted",
    "moved",
    "rh_band",
)
FACTORS = ("age_band", "light", "pot", "planter", "repotted", "moved")
SEASON = ("year_cos", "year_sin", "heated")
HUMIDITY = ("dry_air", "vpd_kpa", "no_humidity")
# Plant-time carries no temperature; the deficit is taken at this room temperature (common practice, no source).
ROOM_C = 21.0
SATURATED = float(psychrometrics.saturation_kpa(ROOM_C))
# Losses of the last weeks are in part not found yet (visits are one to four weeks apart).
SETTLING_DAYS = 28
# The level that others are compared with, where it is on record and lost any; else the one with most losses.
COMPARED_WITH = {
    "age_band": age_bands()[1],
    "light": "medium",
    "pot": "15-24 cm",
    "planter": "direct",
    "repotted": "never",
    "moved": "never",
}


@dataclass(frozen=True)
class Terms:
    """What a fit must remember to ask its questions again: levels, the humidity threshold, air by month."""

    first: Mapping[str, str] = field(default_factory=lambda: dict(COMPARED_WITH))
    threshold: float = DRY_AIR_BELOW
    dry_by_month: Mapping[int, float] = field(default_factory=dict)
    heating_months: tuple[int, ...] = ()
    levels: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    vpd_by_month: Mapping[int, float] = field(default_factory=dict)
    months: tuple[int, ...] = tuple(range(1, 13))

    def unseen_months(self, asked: Iterable[int]) -> list[str]:
        """Names of the calendar months (1 to 12) asked for that the records do not hold: no season is guessed."""
        return [month_name[m] for m in sorted(set(asked) - set(self.months))]

    def check_season(self, asked: Iterable[int], when: str) -> None:
        """Refuse calendar months that the records do not hold, by name. Raises: ModelError."""
        strange = self.unseen_months(asked)
        if strange:
            raise ModelError(
                f"no {' and no '.join(strange)} {when} is on record: what such a season loses cannot be told"
            )

    @property
    def vpd_at_threshold(self) -> float:
        """The deficit (kPa) of air at the humidity threshold: air that is not dry, where no month is asked for."""
        return SATURATED * (1 - self.threshold / 100)


def settled(as_of: date) -> date:
    """The first day that a model of effects leaves out, so that late-found losses do not make the last month look good.

    Takes:  as_of: the last day that counts.
    Gives:  the first of the month that holds the day four weeks before.
    """
    return (as_of - timedelta(days=SETTLING_DAYS)).replace(day=1)


def check_cells(cells: pd.DataFrame) -> pd.DataFrame:
    """Cells that carry plant-days.

    Takes:  cells by CELLS_BY.
    Gives:  the same without cells of neither plant-days nor losses.
    Raises: ModelError for absent columns, missing or negative numbers, losses without plant-days; every fault
            at once, with the number of cells.
    """
    absent = [c for c in (*CELLS_BY, "plant_days", "losses", "rh_tenths", "rh_readings") if c not in cells.columns]
    if absent:
        raise ModelError(f"cells have no column {', '.join(absent)}; ask plant-time for cells by {', '.join(CELLS_BY)}")
    days, losses = cells["plant_days"], cells["losses"]
    faults = {
        "plant-days are missing": days.isna(),
        "plant-days are below zero": days < 0,
        "losses are missing": losses.isna(),
        "losses are below zero": losses < 0,
        "losses without plant-days": (days <= 0) & (losses > 0),
        "no site": cells["site_id"].isna(),
        "no species": cells["species"].isna(),
        "plant-days are infinite": np.isinf(days.astype("float64")),
        "no month": cells["month"].isna(),
        "humidity outside 0 to 100%": (cells["rh_tenths"] < 0) | (cells["rh_tenths"] > 1000 * cells["rh_readings"]),
        **{f"no {factor}": cells[factor].isna() for factor in (*FACTORS, "rh_band")},
    }
    said = [
        f"{what} in {int(bad.sum())} of {len(cells)} cells (first: {_first(cells, bad)})"
        for what, bad in faults.items()
        if bad.any()
    ]
    if said:
        raise ModelError("; ".join(said))
    return cells[days > 0].reset_index(drop=True)


def _first(cells: pd.DataFrame, bad: pd.Series) -> str:
    row = cells.loc[bad, ["site_id", "species", "month"]].iloc[0]
    return ", ".join("missing" if pd.isna(v) else str(v).removesuffix(" 00:00:00") for v in row)


def learn(cells: pd.DataFrame, threshold: float = DRY_AIR_BELOW) -> Terms:
    """Which level of each factor the others are compared with, and how dry the air is by month.

    Takes:  checked cells; threshold in percent.
    Gives:  Terms.
    """
    first = {}
    for factor in FACTORS:
        lost = cells.groupby(factor)[["losses", "plant_days"]].sum()
        usual = COMPARED_WITH[factor]
        known = lost["losses"].get(usual, 0) > 0
        first[factor] = usual if known else str(lost.sort_values(["losses", "plant_days"]).index[-1])
    read = cells[cells["rh_readings"] > 0]
    rh, month = read["rh_tenths"] / read["rh_readings"] / 10, read["month"].dt.month
    days = read["plant_days"].groupby(month).sum()
    by_month = ((threshold - rh).clip(lower=0) / 10 * read["plant_days"]).groupby(month).sum() / days
    vpd = (SATURATED * (1 - rh / 100) * read["plant_days"]).groupby(month).sum() / days
    heated = cells.loc[cells["heating"].astype(bool), "month"].dt.month
    dry_by_month = {int(str(m)): float(d) for m, d in by_month.items()}
    vpd_by_month = {int(str(m)): float(d) for m, d in vpd.items()}
    levels = {factor: tuple(sorted(map(str, cells[factor].unique()))) for factor in FACTORS}
    months = tuple(sorted(int(m) for m in cells["month"].dt.month.unique()))
    return Terms(first, threshold, dry_by_month, tuple(sorted(heated.unique().tolist())), levels, vpd_by_month, months)


def columns(cells: pd.DataFrame, terms: Terms, pool: bool = False) -> pd.DataFrame:
    """The columns that the formulas use, made from cells.

    Takes:  cells; terms; pool: give the cells of one humidity band the mean of their band, so that far fewer
            patterns remain (within 5 points the effect is as good as straight).
    Gives:  one row per cell: losses, species, the factors (level compared with first), year_cos and year_sin
            (of the middle of the month), heated (0 or 1), dry_air (tens of points below the threshold; 0 where
            nothing was read), vpd_kpa (0 where nothing was read), no_humidity (1 where nothing was read).
    """
    month, read = cells["month"].dt.month, cells["rh_readings"] > 0
    rh = (cells["rh_tenths"] / cells["rh_readings"].where(read) / 10).astype("float64")
    made = weather(month, rh, terms)
    if pool:
        weight = cells["plant_days"].astype("float64")
        for column in ("dry_air", "vpd_kpa"):
            band = (made[column] * weight).groupby(cells["rh_band"]).transform("sum")
            made[column] = (band / weight.groupby(cells["rh_band"]).transform("sum")).where(read, 0.0).round(6)
    for factor in FACTORS:
        levels = cells[factor].astype("str")
        others = sorted(set(levels.unique()) - {terms.first[factor]})
        made[factor] = pd.Categorical(levels, [terms.first[factor], *others])
    return made.assign(losses=cells["losses"].astype("float64"), species=cells["species"].astype("str"))


def weather(month: pd.Series, rh: pd.Series, terms: Terms) -> pd.DataFrame:
    """Season and humidity columns of calendar months (1 to 12) and humidity in percent (missing: not read)."""
    angle = 2 * np.pi * (month - 0.5) / 12
    return pd.DataFrame(
        {
            "month_no": month,
            "year_cos": np.cos(angle),
            "year_sin": np.sin(angle),
            "heated": month.isin(terms.heating_months).astype("float64"),
            "dry_air": ((terms.threshold - rh).clip(lower=0) / 10).fillna(0.0),
            "vpd_kpa": (SATURATED * (1 - rh / 100)).fillna(0.0),
            "no_humidity": rh.isna().astype("float64"),
        },
        index=month.index,
    )
