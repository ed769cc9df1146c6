"""Cells of plant-time as the loss model reads them: checked, their conditions as codes, dry air on a grid."""

from __future__ import annotations

from calendar import month_name
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from plantstats.exposure import DRY_AIR_BELOW
from plantstats.losses.design import INTERCEPT, Array, Codes, Factor, ModelError, Numeric, dummies
from plantstats.losses.terms import EXPOSURE_BY, FACTORS, HUMIDITY_STEP, NUMERIC, REFERENCE

# Where the codes of a numeric term stand, when not under its own name.
GRID = {"year_cos": "month", "year_sin": "month"}
COLUMNS = (*EXPOSURE_BY, "plant_days", "losses", "rh_tenths", "rh_readings")


@dataclass(frozen=True)
class Coding:
    """How conditions become columns of the model, as the records taught it.

    Attributes
    ----------
    reference : mapping
        Of each factor the level that others are compared with.
    levels : mapping
        Of each factor the levels on record.
    months : tuple of int
        Calendar months on record.
    dry_by_month : mapping
        Mean dryness (tens of points below the threshold) of each month in which humidity was read.
    """

    reference: Mapping[str, str]
    levels: Mapping[str, tuple[str, ...]]
    months: tuple[int, ...]
    dry_by_month: Mapping[int, float]

    def usual_air(self, month: Codes) -> dict[str, Array]:
        """Numeric terms of calendar months in which no humidity is told: the usual air, where any was read.

        Parameters
        ----------
        month : Codes
            1 to 12.

        Returns
        -------
        dict of str to numpy.ndarray
        """
        cosine, sine = yearly_cycle(month)
        dry = np.array([self.dry_by_month.get(m, 0.0) for m in range(13)])[month]
        return {"year_cos": cosine, "year_sin": sine, "no_humidity": np.zeros(len(month)), "dry_air": dry}

    def unseen_months(self, asked: Iterable[int]) -> list[str]:
        """Names of the calendar months asked for that the records do not hold: no season is guessed.

        Parameters
        ----------
        asked : iterable of int
            Months, 1 to 12.

        Returns
        -------
        list of str
        """
        return [month_name[m] for m in sorted(set(asked) - set(self.months))]

    def check_season(self, asked: Iterable[int], when: str) -> None:
        """Refuse calendar months that the records do not hold, by name.

        Parameters
        ----------
        asked : iterable of int
            Months, 1 to 12.
        when : str
            Words for them in the message.

        Raises
        ------
        ModelError
            With the months and the words of `when`.
        """
        unseen = self.unseen_months(asked)
        if unseen:
            raise ModelError(
                f"no {' and no '.join(unseen)} {when} is on record: what such a season loses cannot be told"
            )


@dataclass(frozen=True)
class RateTable:
    """Plant-days and losses by site and conditions, in codes.

    Attributes
    ----------
    sites : tuple of str
    site : numpy.ndarray
        Number of each cell's site.
    codes : mapping
        Of species and each factor the number of each cell's level (species: in `species`, factors: in `coding`); of
        `month`, `dry_air` and `no_humidity` a number for each value.
    numeric : mapping
        Of each numeric term its value in each cell.
    dry : numpy.ndarray
        Dry air of each cell as it was read, on no grid.
    """

    sites: tuple[str, ...]
    site: Codes
    species: tuple[str, ...]
    codes: Mapping[str, Codes]
    numeric: Mapping[str, Array]
    dry: Array
    plant_days: Array
    losses: Array
    coding: Coding

    @classmethod
    def from_exposure(cls, exposure_table: pd.DataFrame) -> RateTable:
        """Check the exposure table of plant-time and code their conditions.

        Parameters
        ----------
        exposure_table : pandas.DataFrame
            By `terms.EXPOSURE_BY`: plant_days, losses, rh_tenths, rh_readings. Rows of neither plant-days nor losses do
            not count.

        Returns
        -------
        RateTable

        Raises
        ------
        ModelError
            For absent columns, missing or impossible numbers, losses without plant-days: every fault at once, with the
            number of rows.

        Notes
        -----
        Dry air is rounded to `terms.HUMIDITY_STEP` points, so that rows of like air share a pattern.
        """
        used = _checked(exposure_table)
        if used.empty:
            raise ModelError("no plant-days on record: too few for a model")
        site, sites = _coded(used["site_id"])
        levels, codes = {}, {}
        for name in ("species", *FACTORS):
            codes[name], levels[name] = _coded(used[name])
        readings = used["rh_readings"].to_numpy("float64")
        read = readings > 0
        dry = dryness(np.divide(used["rh_tenths"], 10 * readings, out=np.full(len(used), np.nan), where=read))
        codes["month"] = used["month"].dt.month.to_numpy().astype(np.intp)
        codes["dry_air"] = np.round(dry * 10 / HUMIDITY_STEP).astype(np.intp)
        codes["no_humidity"] = (~read).astype(np.intp)
        days, losses = (used[column].to_numpy("float64") for column in ("plant_days", "losses"))
        return cls._of(sites, site, levels, codes, dry, days, losses)

    @classmethod
    def _of(
        cls,
        sites: tuple[str, ...],
        site: Codes,
        levels: dict[str, tuple[str, ...]],
        codes: dict[str, Codes],
        dry: Array,
        days: Array,
        losses: Array,
    ) -> RateTable:
        """Cells in codes, with what they teach of how to code."""
        month, read = codes["month"], codes["no_humidity"] == 0
        with np.errstate(invalid="ignore"):
            mean_dry = np.bincount(month[read], (dry * days)[read], 13) / np.bincount(month[read], days[read], 13)
        coding = Coding(
            {f: _reference(f, levels[f], codes[f], losses, days) for f in FACTORS},
            {f: levels[f] for f in FACTORS},
            tuple(np.flatnonzero(np.bincount(month, minlength=13)).tolist()),
            {m: float(mean_dry[m]) for m in range(1, 13) if np.isfinite(mean_dry[m])},
        )
        cosine, sine = yearly_cycle(month)
        numeric = {
            "year_cos": cosine,
            "year_sin": sine,
            "dry_air": codes["dry_air"] * HUMIDITY_STEP / 10,
            "no_humidity": codes["no_humidity"].astype("float64"),
        }
        return cls(sites, site, levels["species"], codes, numeric, dry, days, losses, coding)

    def chosen(self, kept: Codes) -> RateTable:
        """Some of the cells, as if there were no others.

        Parameters
        ----------
        kept : numpy.ndarray
            Their numbers, at least one.

        Returns
        -------
        RateTable
        """
        site, sites = _left(self.site.take(kept), self.sites)
        codes = {name: of.take(kept) for name, of in self.codes.items()}
        levels = {}
        for name, before in {"species": self.species, **self.coding.levels}.items():
            codes[name], levels[name] = _left(codes[name], before)
        rest = (of.take(kept) for of in (self.dry, self.plant_days, self.losses))
        return self._of(sites, site, levels, codes, *rest)

    def patterns(self, terms: Iterable[str]) -> tuple[Codes, Codes]:
        """Tell rows apart as far as terms do.

        Parameters
        ----------
        terms : iterable of str
            Factors and numeric terms; species always count.

        Returns
        -------
        pattern, first : numpy.ndarray
            Number of each cell's pattern, and a cell of each pattern.
        """
        key = np.zeros(len(self.site), dtype=np.int64)
        for name in dict.fromkeys(("species", *(GRID.get(term, term) for term in terms))):
            key = key * (int(self.codes[name].max()) + 1) + self.codes[name]
        _, first, pattern = np.unique(key, return_index=True, return_inverse=True)
        return pattern.astype(np.intp), first.astype(np.intp)

    def parts(self, terms: Iterable[str], rows: Codes) -> list[Numeric | Factor]:
        """Constant and columns of terms, of chosen rows.

        Parameters
        ----------
        terms : iterable of str
            Names of terms.
        rows : Codes
            Their numbers.

        Returns
        -------
        list of Numeric | Factor
        """
        return [
            Numeric(INTERCEPT, np.ones(len(rows))),
            *(
                Numeric(name, self.numeric[name][rows])
                if name in NUMERIC
                else dummies(name, self.coding.levels[name], self.codes[name][rows], self.coding.reference[name])
                for name in terms
            ),
        ]

    def only_level(self, name: str) -> str | None:
        """Single level (or value) that a term has in these rows.

        Parameters
        ----------
        name : str
            Of the term.

        Returns
        -------
        str or None
            None where it has several.
        """
        if name in NUMERIC:
            values = self.numeric[name]
            return f"{values[0]:g}" if np.all(values == values[0]) else None
        return self.coding.levels[name][0] if len(self.coding.levels[name]) == 1 else None


def yearly_cycle(month: Codes) -> tuple[Array, Array]:
    """Cosine and sine of the middle of calendar months (1 to 12) on the circle of the year.

    Parameters
    ----------
    month : Codes
        1 to 12.

    Returns
    -------
    cosine, sine : numpy.ndarray
    """
    angle = 2 * np.pi * (np.arange(13) - 0.5) / 12
    return np.cos(angle)[month], np.sin(angle)[month]


def dryness(humidity: Array) -> Array:
    """Tens of points by which humidity (percent) lies below the threshold; 0 where it does not, or was not read.

    Parameters
    ----------
    humidity : numpy.ndarray
        In percent; missing where it was not read.

    Returns
    -------
    numpy.ndarray

    Examples
    --------
    >>> dryness(np.array([30.0, 55.0, np.nan])).tolist()
    [1.0, 0.0, 0.0]
    """
    return np.nan_to_num(np.maximum(DRY_AIR_BELOW - humidity, 0.0) / 10)


def conditions(exposure_table: pd.DataFrame) -> pd.DataFrame:
    """Conditions of rows as `LossModel.matrix` takes them; dry air as it was read, on no grid.

    Parameters
    ----------
    exposure_table : pandas.DataFrame
        Plant-days and losses by conditions, as `PlantTime.exposure_table` gives them.

    Returns
    -------
    pandas.DataFrame
        One row each.
    """
    readings = exposure_table["rh_readings"].to_numpy("float64")
    humidity = np.divide(
        exposure_table["rh_tenths"], 10 * readings, out=np.full(len(exposure_table), np.nan), where=readings > 0
    )
    cosine, sine = yearly_cycle(exposure_table["month"].dt.month.to_numpy())
    return exposure_table[["species", *FACTORS]].assign(
        year_cos=cosine, year_sin=sine, dry_air=dryness(humidity), no_humidity=(readings == 0).astype("float64")
    )


def _coded(values: pd.Series) -> tuple[Codes, tuple[str, ...]]:
    if isinstance(values.dtype, pd.CategoricalDtype):
        return _left(values.cat.codes.to_numpy(np.intp), tuple(map(str, values.cat.categories)))
    codes, levels = pd.factorize(values.astype("str"), sort=True)
    return codes.astype(np.intp), tuple(map(str, levels))


def _left(codes: Codes, levels: tuple[str, ...]) -> tuple[Codes, tuple[str, ...]]:
    """Codes and levels without the levels that no cell is on."""
    on = np.bincount(codes, minlength=len(levels)) > 0
    return (np.cumsum(on) - 1)[codes], tuple(level for level, there in zip(levels, on, strict=True) if there)


def _reference(factor: str, levels: tuple[str, ...], codes: Codes, losses: Array, days: Array) -> str:
    usual = REFERENCE[factor]
    if usual in levels and (codes[losses > 0] == levels.index(usual)).any():
        return usual
    lost, at_risk = (np.bincount(codes, weight, len(levels)) for weight in (losses, days))
    return levels[int(np.lexsort((at_risk, lost))[-1])]


def _checked(exposure_table: pd.DataFrame) -> pd.DataFrame:
    absent = [c for c in COLUMNS if c not in exposure_table.columns]
    if absent:
        raise ModelError(
            f"the exposure table has no column {', '.join(absent)}; ask plant-time for one by {', '.join(EXPOSURE_BY)}"
        )
    days, losses = exposure_table["plant_days"], exposure_table["losses"]
    faults = {
        "plant-days are missing": days.isna(),
        "plant-days are below zero": days < 0,
        "losses are missing": losses.isna(),
        "losses are below zero": losses < 0,
        "losses without plant-days": (days <= 0) & (losses > 0),
        "no site": exposure_table["site_id"].isna(),
        "no species": exposure_table["species"].isna(),
        "plant-days are infinite": np.isinf(days.astype("float64")),
        "no month": exposure_table["month"].isna(),
        "humidity outside 0 to 100%": (exposure_table["rh_tenths"] < 0)
        | (exposure_table["rh_tenths"] > 1000 * exposure_table["rh_readings"]),
        **{f"no {factor}": exposure_table[factor].isna() for factor in (*FACTORS, "rh_band")},
    }
    messages = [
        f"{what} in {int(bad.sum())} of {len(exposure_table)} rows (first: {_first(exposure_table, bad)})"
        for what, bad in faults.items()
        if bad.any()
    ]
    if messages:
        raise ModelError("; ".join(messages))
    return exposure_table[days > 0].reset_index(drop=True)


def _first(exposure_table: pd.DataFrame, bad: pd.Series) -> str:
    row = exposure_table.loc[bad, ["site_id", "species", "month"]].iloc[0]
    return ", ".join("missing" if pd.isna(v) else str(v).removesuffix(" 00:00:00") for v in row)
