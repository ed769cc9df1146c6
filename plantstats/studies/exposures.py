"""What plants were exposed to, what stands, what was replaced, and the account of all rows."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import pandas as pd

from plantstats import exposure, findings, quality
from plantstats.periods import previous_quarters
from plantstats.studies.base import StudyBase, join
from plantstats.studies.once import in_memory, kept

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.losses.common_cause import CommonCause


class ExposureResults(StudyBase):
    """Results on plants in place."""

    @in_memory
    def exposure(self, dated: str = "found", as_of: date | None = None) -> PlantTime:
        """Plant-time up to a day, in memory.

        Parameters
        ----------
        dated : {"found", "midpoint"}
            Losses on the day they were found, or half-way between last seen alive and found.
        as_of : datetime.date
            The last day that counts; None is that of the study.

        Returns
        -------
        PlantTime
        """
        return exposure.build(self.records, as_of or self.as_of, dated)

    @in_memory
    def common_cause(self) -> CommonCause:
        """Events on record that took several plants of a site at once (see `losses.common_cause.common_cause`).

        Returns
        -------
        CommonCause
        """
        from plantstats.losses.common_cause import common_cause  # noqa: PLC0415

        return common_cause(self.exposure())

    @in_memory
    def ordinary_exposure(self, dated: str = "found") -> PlantTime:
        """Plant-time without the losses of events, which every fit rests on.

        Parameters
        ----------
        dated : {"found", "midpoint"}
            As in `exposure`.

        Returns
        -------
        PlantTime
        """
        return self.exposure(dated).censored_at(self.common_cause().losses)

    @kept
    def exposure_table(
        self, by: list[str], start: date | None = None, end: date | None = None, dated: str = "found"
    ) -> pd.DataFrame:
        """Plant-days and exits of the quarter (or another window), added up by conditions.

        Parameters
        ----------
        by : list of str
            Conditions, such as ["species", "light"]; [] for one row of all.
        start, end : datetime.date
            Half-open window on whole months; None is the quarter's.
        dated : {"found", "midpoint"}
            As in `exposure`.

        Returns
        -------
        pandas.DataFrame
            One row per combination: the conditions, n_plants, plant_days, died, declined, losses, client_exits,
            withdrawn, rh_tenths, rh_readings.
        """
        where = {"client_id": self.client} if self.client else {}
        return self.exposure(dated).exposure_table(by, start or self.period.start, end or self.period.end, where)

    @kept
    def losses(self) -> pd.DataFrame:
        """The plants lost in the quarter, one row each, with site, place, cause, who pays and cost.

        Returns
        -------
        pandas.DataFrame
            As `PlantTime.losses`, of the quarter and the client.
        """
        from plantstats.losses import loss_rates  # noqa: PLC0415

        return loss_rates.lost_in(self.exposure(), self.period, self.client)

    def standing(self) -> pd.DataFrame:
        """The plants in place on the last day, of the client or all.

        Returns
        -------
        pandas.DataFrame
            As `exposure.standing.standing`.
        """
        return self._own(self.whole()._standing())

    @kept
    def _standing(self) -> pd.DataFrame:
        from plantstats.exposure.standing import standing  # noqa: PLC0415

        return standing(self.exposure())

    def places_of(self, plant_ids: pd.Series) -> list[str]:
        """Room and position of plants: where they stand, or where they were first listed.

        Parameters
        ----------
        plant_ids : pandas.Series
            Ids of plants.

        Returns
        -------
        list of str
            One text per plant.
        """
        columns = ["plant_id", "room", "position"]
        places = pd.concat([self.standing()[columns], self.records.table("plants")[columns]])
        places = places.drop_duplicates("plant_id").set_index("plant_id").reindex(plant_ids).fillna("")
        return [", ".join(filter(None, row)) for row in places.itertuples(index=False, name=None)]

    def service(self) -> pd.DataFrame:
        """Findings on what the client got: plants in place, their state, their air (see `losses.service.service`).

        Returns
        -------
        pandas.DataFrame
            Findings.
        """
        from plantstats.losses import service  # noqa: PLC0415

        air = self._own(self.whole().exposure_table(["client_id", "site_id", "rh_band"]))
        return service.service(self.standing(), air, self.period, self.as_of)

    def replaced(self) -> pd.DataFrame:
        """Plants replaced or taken away in the quarter, for whatever reason, one row each (see `PlantTime.exits`).

        Returns
        -------
        pandas.DataFrame
            Rows of `PlantTime.exits`.
        """
        return self._own(self.whole()._replaced())

    @kept
    def _replaced(self) -> pd.DataFrame:
        rows = self.exposure().exits
        inside = rows["replaced_on"].between(pd.Timestamp(self.period.start), pd.Timestamp(self.period.last_day))
        return rows[inside].reset_index(drop=True)

    def visits_made(self) -> pd.DataFrame:
        """Findings visits_completed and visits_planned by site, of the client's sites or all.

        Returns
        -------
        pandas.DataFrame
            Findings.
        """
        rows = self.whole()._visits_made()
        sites = self.records.table("sites")
        own = sites.loc[sites["client_id"].eq(self.client), "site_id"] if self.client else sites["site_id"]
        return rows[rows["site_id"].isin(own)].reset_index(drop=True)

    def visits_by_month(self) -> pd.DataFrame:
        """Days with a completed visit at each site in each month of the quarter: site_id, month (first day), visits.

        Returns
        -------
        pandas.DataFrame
        """
        rows = self.whole()._visits_by_month()
        sites = self.records.table("sites")
        own = sites.loc[sites["client_id"].eq(self.client), "site_id"] if self.client else sites["site_id"]
        return rows[rows["site_id"].isin(own)].reset_index(drop=True)

    @kept
    def _visits_by_month(self) -> pd.DataFrame:
        # As quality.completeness counts them: while plants were under observation there.
        query = """with begun as (select site_id::varchar as site_id, min(from_on)::date as first,
                max(to_on)::date as last from episodes group by all)
            select b.site_id, date_trunc('month', visited_on) as month, count(distinct visited_on) as visits
            from completed_visits c join begun b on b.site_id = c.at_site
            where visited_on >= greatest($start, first) and visited_on < least($ends, last)
            group by all order by all"""
        return self.exposure().query(query, {"start": self.period.start, "ends": self.period.end})

    def lost_by_quarter(self) -> pd.DataFrame:
        """Plants lost in each of the last four quarters: quarter (its name), losses; of the client or all.

        Returns
        -------
        pandas.DataFrame
        """
        rows = self.whole()._losses_of_year()
        own = rows[rows["client_id"].eq(self.client)] if self.client else rows
        names = [one.name for one in (*previous_quarters(self.period, 3), self.period)]
        counts = own.groupby("quarter")["losses"].sum().reindex(names, fill_value=0)
        return counts.rename_axis("quarter").reset_index()

    @kept
    def _losses_of_year(self) -> pd.DataFrame:
        parts = []
        for quarter in (*previous_quarters(self.period, 3), self.period):
            rows = self.exposure_table(["client_id"], quarter.start, quarter.end)
            parts.append(rows.assign(quarter=quarter.name)[["client_id", "quarter", "losses"]])
        return pd.concat(parts, ignore_index=True)

    @in_memory
    def _visits_made(self) -> pd.DataFrame:
        measures = ("visits_completed", "visits_planned")
        return join(*(findings.pick(self.quality(), m, ["site_id"], self.period.name) for m in measures))

    @kept
    def account(self) -> pd.DataFrame:
        """What became of every plant row and every reported exit (see `PlantTime.account`).

        Returns
        -------
        pandas.DataFrame
        """
        return self.exposure().account

    @kept
    def faults(self) -> pd.DataFrame:
        """Faults of the records (see `quality.check`).

        Returns
        -------
        pandas.DataFrame
            As `quality.check` gives them.
        """
        return quality.check(self.records, self.as_of)

    @kept
    def quality(self) -> pd.DataFrame:
        """Findings on completeness, rounding and doubt (see `quality.completeness.quality`).

        Returns
        -------
        pandas.DataFrame
        """
        from plantstats.quality import completeness  # noqa: PLC0415

        return completeness.quality(self.records, self.exposure(), self.faults(), self.period)
