"""What was lost, why, and what to expect."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import pandas as pd

from plantstats import exposure
from plantstats.errors import PlantstatsError
from plantstats.records import species_table
from plantstats.studies.base import join
from plantstats.studies.exposures import ExposureResults
from plantstats.studies.once import in_memory, kept

if TYPE_CHECKING:
    from plantstats.losses.collinearity import CollinearityCheck
    from plantstats.losses.deliveries import Deliveries
    from plantstats.losses.drivers import Drivers
    from plantstats.losses.model import LossModel
    from plantstats.losses.past_models import PastModels


class LossResults(ExposureResults):
    """Results on losses."""

    @kept
    def loss_rates(self) -> pd.DataFrame:
        """Findings on loss rates, causes, costs and earlier quarters (see `losses.loss_rates.loss_rates`).

        Returns
        -------
        pandas.DataFrame
            Findings.
        """
        from plantstats.losses import loss_rates  # noqa: PLC0415

        return loss_rates.loss_rates(self.exposure(), self.records, self.period, self.client, self.common_cause())

    @kept
    def same_sites(self) -> pd.DataFrame:
        """Findings on last year's sites that left and those that stayed (see `losses.same_sites.same_sites`).

        Returns
        -------
        pandas.DataFrame
        """
        from plantstats.losses.same_sites import same_sites  # noqa: PLC0415

        return same_sites(self.exposure(), self.period, self.client)

    @kept
    def expected(self) -> pd.DataFrame:
        """Findings on losses against what such a quarter should lose (see `losses.as_expected.as_expected`).

        Returns
        -------
        pandas.DataFrame
            Findings.
        """
        from plantstats.losses import as_expected  # noqa: PLC0415

        return as_expected.as_expected(
            self.exposure(), self.period, self.client, self.past_models(), self.common_cause()
        )

    @kept
    def quarters(self) -> pd.DataFrame:
        """Findings on the last quarters side by side: expected losses, costs, events (see `losses.quarters`).

        Returns
        -------
        pandas.DataFrame
        """
        from plantstats.losses import quarters  # noqa: PLC0415

        expected = quarters.expected_by_quarter(self.past_models(), self.period, self.client)
        events = self.common_cause()
        return join(
            expected, quarters.costs_by_quarter(self.exposure(), self.records, self.period, events, self.client)
        )

    def losses_to_come(self) -> pd.DataFrame:
        """Findings on losses not found or not on record yet, of all clients (see `losses.to_come`).

        Returns
        -------
        pandas.DataFrame
        """
        return self.whole()._losses_to_come()

    @kept
    def _losses_to_come(self) -> pd.DataFrame:
        from plantstats.losses import to_come  # noqa: PLC0415

        recorded_until = max(self.as_of, exposure.last_day(self.records) or self.as_of)
        return to_come.to_come_findings(self.exposure(), self.period, recorded_until, self.common_cause().losses)

    def places(self) -> pd.DataFrame:
        """Findings on places that use up plants, of all clients (see `losses.place_findings`).

        Returns
        -------
        pandas.DataFrame

        Raises
        ------
        ModelError
            When the records do not carry a loss model.
        """
        return self.whole()._places()

    @kept
    def _places(self) -> pd.DataFrame:
        from plantstats.losses import place_findings  # noqa: PLC0415

        time = self.ordinary_exposure()
        return place_findings.place_findings(time, self.loss_model(), self.period, self.small_group)

    @in_memory
    def past_models(self) -> PastModels:
        """Loss models of what was on record before each quarter (see `losses.past_models.PastModels`).

        Returns
        -------
        PastModels
        """
        from plantstats.losses.past_models import PastModels  # noqa: PLC0415

        return PastModels(self.ordinary_exposure(), species_table())

    @in_memory
    def loss_model(self) -> LossModel:
        """Loss model of all records: `study.loss_model().rate(...)` gives adjusted rates.

        Returns
        -------
        LossModel

        Raises
        ------
        ModelError
            When the records do not carry one, or too few sites to name an effect (as on the page).
        """
        from plantstats.losses import drivers  # noqa: PLC0415

        return drivers.of_enough_sites(self.effects_model().model)

    @in_memory
    def effects_model(self) -> CollinearityCheck:
        """Loss model of all settled months, and whether it tells season and humidity apart.

        Returns
        -------
        CollinearityCheck

        Raises
        ------
        ModelError
            When the records do not carry one.
        """
        from plantstats.losses import drivers  # noqa: PLC0415

        return drivers.check_effects(self.ordinary_exposure("midpoint"))

    @kept
    def effect_terms(self) -> pd.DataFrame:
        """Comparisons of the loss model: label (as findings name it), name, level, reference; none without a model.

        Returns
        -------
        pandas.DataFrame
            One row per comparison; none without a model.
        """
        from plantstats.losses.effects import contrasts  # noqa: PLC0415
        from plantstats.losses.terms import Term  # noqa: PLC0415

        try:
            terms = [c.of for c in contrasts(self.effects_model().model) if isinstance(c.of, Term)]
        except PlantstatsError:
            terms = []
        rows = [(term.label, term.name, term.level, term.reference) for term in terms]
        return pd.DataFrame(rows, columns=["label", "name", "level", "reference"], dtype="str")

    @kept
    def drivers(self) -> Drivers:
        """What drives losses: effects, named profiles, survival, causes (see `losses.drivers.review`).

        Returns
        -------
        Drivers
        """
        from plantstats.losses import drivers  # noqa: PLC0415

        usual = self.ordinary_exposure("midpoint")
        return drivers.review(self.exposure("midpoint"), self.exposure(), usual, self.effects_model, self.client)

    @kept
    def watched(self) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Watch list, plant by plant, and its findings with the back-test on the last four quarters.

        Returns
        -------
        plants, findings : pandas.DataFrame
        """
        from plantstats.losses import watch_findings, watch_list, watch_memory  # noqa: PLC0415
        from plantstats.losses.event_rate import EventRate  # noqa: PLC0415

        memory = watch_memory.Memory(self.ordinary_exposure(), past=self.past_models())
        tested = watch_findings.back_test(self.records, self.period, self.ordinary_exposure(), species_table(), memory)
        now = watch_list.watch(self.records, self.as_of, species_table(), memory, client=self.client)
        ahead = f"90 days from {self.as_of + timedelta(days=1)}"
        return now.plants, watch_findings.watch_findings(now, tested, ahead, EventRate.on_record(self.common_cause()))

    def watch_list(self) -> pd.DataFrame:
        """Plants in place with their chance of being found lost within 90 days, highest first.

        Returns
        -------
        pandas.DataFrame
            As `losses.watch_list.Watch.plants`, with position, cost, installed_on and guarantee_until.
        """
        more = ["plant_id", "position", "cost", "installed_on", "guarantee_until"]
        return self.watched()[0].merge(self.standing()[more], on="plant_id", how="inner")

    def watch_findings(self) -> pd.DataFrame:
        """Findings on the watch list and how earlier ones did (see `losses.watch_findings`).

        Returns
        -------
        pandas.DataFrame
        """
        return self.watched()[1]

    @in_memory
    def _deliveries(self) -> Deliveries:
        from plantstats.losses.deliveries import deliveries  # noqa: PLC0415

        starts = self.records.settings.fiscal_year_starts
        return deliveries(self.ordinary_exposure(), self.effects_model().model, self.period, starts)

    @kept
    def deliveries(self) -> pd.DataFrame:
        """Findings on plants put in together (all clients): standing and what should stand (`losses.deliveries`).

        Returns
        -------
        pandas.DataFrame

        Raises
        ------
        ModelError
            When the records carry no model of losses.
        """
        from plantstats.losses.delivery_findings import delivery_findings  # noqa: PLC0415

        return delivery_findings(self.whole()._deliveries(), self.period)

    @kept
    def early_warning(self) -> pd.DataFrame:
        """Findings of the weekly charts, of the whole company (see `surveillance.early_warning`).

        Returns
        -------
        pandas.DataFrame

        Raises
        ------
        ModelError
            When the records do not carry an expectation of the last year's losses.
        """
        from plantstats.quality import visit_log  # noqa: PLC0415
        from plantstats.surveillance import early_warning  # noqa: PLC0415

        time = self.exposure()
        no_leaves = visit_log.withheld(visit_log.visit_log(time))
        return early_warning(self.records, time, self.past_models(), self.common_cause(), no_leaves)
