"""Fits of the loss model on the records up to one day, one for each set of covered causes."""

from __future__ import annotations

from calendar import month_name
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from typing import TYPE_CHECKING

import pandas as pd

from plantstats import exposure
from plantstats import losses as loss_model
from plantstats.guarantee.event_hazard import EventHazard
from plantstats.guarantee.fitted_hazards import FittedHazards
from plantstats.guarantee.hazards import Exits, is_covered
from plantstats.guarantee.time_grid import MONTHS
from plantstats.losses.common_cause import CommonCause, common_cause, withdrawn_together
from plantstats.losses.fit import FEWEST_LOSSES
from plantstats.records import species_table

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.records import Records

MIN_AT_RISK = 10  # plants still followed at an age, for the records to tell about it (design rule of survival)


@dataclass(frozen=True)
class HazardFits:
    """Fits on the records up to one day, one for each set of covered causes, made when first asked for.

    Parameters
    ----------
    time : PlantTime
        Losses dated when found, as they are paid for.
    between : PlantTime
        The same plants from inspection to inspection, losses half-way between two; those of events end a plant's
        follow-up and no more.
    common : CommonCause
        The events on record.

    Notes
    -----
    Events that took plants together stand apart: no rate learns from them, `event_hazard` adds them where their cause
    is covered.

    Cause-specific hazards: the model of a guarantee is fitted on the losses that it covers; a loss of another cause
    ends a plant's time at risk, as a competing exit, and lends its rate to nobody. One share of all losses would let
    an excluded failure at one site make a quote cheaper. Rates count plants from inspection to inspection: days before
    the first and after the last one can show no loss, and on invented companies of a year's records that find losses
    late quotes for the first quarter were 17% too low. A promise runs through every month: where the records do not,
    the model has no season and no air, and says so.

    References
    ----------
    Cause-specific hazards: Prentice and others 1978, Biometrics 34:541 (from memory).
    """

    time: PlantTime
    between: PlantTime
    common: CommonCause
    fitted: dict[tuple[str, ...], FittedHazards] = field(default_factory=dict)

    @classmethod
    def of(
        cls, records: Records, as_of: date, time: PlantTime | None = None, common: CommonCause | None = None
    ) -> HazardFits:
        """Fits on the records up to a day.

        Parameters
        ----------
        records : Records
            The company's records, as `records.load` gives them.
        as_of : date
            Last day that counts.
        time : PlantTime, optional
            Up to that day, losses dated "found", if at hand.
        common : CommonCause, optional
            Its events, if at hand.

        Returns
        -------
        HazardFits
        """
        time = time or exposure.build(records, as_of, dated="found")
        common = common or common_cause(time)
        between = exposure.build(records, as_of, dated="midpoint", follow_between_inspections=True)
        return cls(time, between.censored_at(common.losses), common)

    def under(self, covered: tuple[str, ...], excluded: tuple[str, ...]) -> FittedHazards:
        """Model of losses under given terms.

        Parameters
        ----------
        covered : tuple of str
            Causes that are covered; none named: all but the excluded ones.
        excluded : tuple of str
            Causes that are not covered.

        Returns
        -------
        FittedHazards

        Raises
        ------
        ModelError
            As `losses.fit`.
        """
        causes = self.between.losses["cause"].fillna("unknown")
        key = tuple(sorted(set(causes[is_covered(causes, covered, excluded)])))
        if key not in self.fitted:
            self.fitted[key] = self._fit(key)
        return self.fitted[key]

    def exits(self, covered: tuple[str, ...], excluded: tuple[str, ...]) -> Exits:
        """Rates of what else takes plants away, under given terms; events are none of it.

        Parameters
        ----------
        covered : tuple of str
            Causes that are covered; none named: all but the excluded ones.
        excluded : tuple of str
            Causes that are not covered.

        Returns
        -------
        Exits
        """
        sums, losses = self.time.exposure_table([]).iloc[0], self.ordinary_losses
        days = float(sums["plant_days"])
        uncovered = losses.loc[~is_covered(losses["cause"], covered, excluded), "quantity"].sum()
        withdrawn = float(sums["withdrawn"] - self._withdrawn_together)
        return Exits(float(uncovered) / days, float(sums["client_exits"]) / days, withdrawn / days)

    @cached_property
    def ordinary_losses(self) -> pd.DataFrame:
        """The losses that no event made, dated when found: rows of `PlantTime.losses`."""
        rows, ended = (
            pd.MultiIndex.from_frame(of.losses[["plant_id", "source", "line"]]) for of in (self.time, self.common)
        )
        return self.time.losses[~rows.isin(ended)]

    @cached_property
    def _withdrawn_together(self) -> int:
        # A floor given up or a lease that ended is a change of contract, no hazard of each plant of another one.
        return withdrawn_together(self.time)

    def event_hazard(self, covered: tuple[str, ...], excluded: tuple[str, ...]) -> EventHazard:
        """The hazard of events whose cause is covered.

        Parameters
        ----------
        covered, excluded : tuple of str
            As in `exits`.

        Returns
        -------
        EventHazard
        """
        return EventHazard.of(self.common, covered, excluded)

    @cached_property
    def _exposure_table(self) -> pd.DataFrame:
        return self.between.exposure_table(list(loss_model.EXPOSURE_BY), count_plants=False, as_categories=True)

    def _fit(self, causes: tuple[str, ...]) -> FittedHazards:
        losses = self.between.losses
        paid = losses[losses["cause"].fillna("unknown").isin(causes)]
        n_paid, n_all = int(paid["quantity"].sum()), int(losses["quantity"].sum())
        notes, exposure_table, few = [], self._exposure_table, n_paid < FEWEST_LOSSES
        if exposure_table.empty:
            raise loss_model.ModelError("no plant was followed up to that day: the records tell no rate of loss")
        if exposure_table["age_band"].nunique() < 2:
            band = exposure_table["age_band"].iloc[0]
            raise loss_model.ModelError(f"all plants are of one age ({band}): guarantees need plants of known ages")
        if few:
            notes.append(
                f"{n_paid} of {n_all} losses on record had causes that the guarantee covers: too few for rates of "
                "their own, so that the rates of all losses are taken, times that share"
            )
        elif n_paid < n_all:
            by = list(loss_model.EXPOSURE_BY)
            of_row = paid.groupby(by, as_index=False, observed=True)["quantity"].sum()
            of_row = of_row.astype(exposure_table[by].dtypes.to_dict())
            lost = exposure_table[by].merge(of_row, on=by, how="left")["quantity"].fillna(0)
            exposure_table = exposure_table.assign(losses=lost.to_numpy("int64"))
        seen = set(exposure_table["month"].dt.month)
        missing = [name for number, name in enumerate(month_name) if number and number not in seen]
        if missing:
            months = ", no ".join(missing)
            notes.append(f"no {months} on record: the mean rate of the other months is taken for every month")
        terms = loss_model.ALL_YEAR_ALIKE if missing else loss_model.LOSS_TERMS
        by_species, of_all = self._oldest
        return FittedHazards(
            model=loss_model.fit(exposure_table, species_table(), terms=terms),
            oldest_days=by_species,
            oldest_of_all=of_all,
            counted=(n_paid, n_all),
            years=exposure_table["month"].nunique() / MONTHS,
            scaled=few,
            notes=tuple(notes),
        )

    @cached_property
    def _oldest(self) -> tuple[dict[str, float], float]:
        """Age up to which each species, and any, was followed."""
        ages = self.time.lifetimes[["species", "exit_age"]].astype({"exit_age": "float64"}).sort_values("exit_age")
        enough = ages.groupby("species").nth(-MIN_AT_RISK).set_index("species")["exit_age"]
        of_all = float(ages["exit_age"].tail(MIN_AT_RISK).iloc[0]) if len(ages) else 0.0
        return {str(name): float(age) for name, age in enough.items()}, of_all
