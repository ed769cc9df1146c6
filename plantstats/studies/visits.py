"""Leaves dropped, drying, visit intervals and the care sheet."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from plantstats.periods import same_quarter_last_year
from plantstats.studies.base import StudyError
from plantstats.studies.once import in_memory, kept
from plantstats.studies.pests import PestResults

if TYPE_CHECKING:
    from plantstats.watering.review import WateringReview


class VisitResults(PestResults):
    """Results on leaves, drying and visits."""

    @kept
    def visit_log(self) -> pd.DataFrame:
        """What kind of log the visits are, in all and lately (see `quality.visit_log.visit_log`).

        Returns
        -------
        pandas.DataFrame
        """
        from plantstats.quality.visit_log import visit_log  # noqa: PLC0415

        return visit_log(self.whole().exposure())

    def _check_visit_log(self) -> None:
        """Refuse what a log that leaves out plants looked at would get wrong."""
        from plantstats.quality.visit_log import withheld  # noqa: PLC0415

        if reason := withheld(self.visit_log()):
            raise StudyError(reason)

    @kept
    def leaf_loss(self) -> tuple[pd.DataFrame, tuple[str, ...], pd.DataFrame, pd.DataFrame]:
        """Leaf loss: findings, notes, the account of visit rows, the profile of the humidity limit.

        Returns
        -------
        findings, notes, account, humidity_limits : DataFrame, tuple of str, DataFrame, DataFrame
        """
        from plantstats import leaves  # noqa: PLC0415

        self._check_visit_log()

        loss = leaves.leaf_loss(self.exposure(), self.records, self.period, self.client, self.common_cause())
        return loss.findings, loss.notes, loss.account, loss.humidity_limits

    @in_memory
    def visit_advice(self) -> WateringReview:
        """Drying, advised visit intervals and what became of the last advice (see `watering.review`).

        Returns
        -------
        WateringReview
        """
        from plantstats import watering  # noqa: PLC0415

        self._check_visit_log()
        return watering.review(
            self.records, self.period, self.as_of, self.client, time=self.exposure(), events=self.common_cause()
        )

    @kept
    def drying_check(self) -> pd.DataFrame:
        """How well the drying distribution fits.

        Returns
        -------
        pandas.DataFrame
            Shares dry by day, as fitted and without any distribution: see `watering.sensitivity.against_turnbull`.
        """
        from plantstats.watering import sensitivity  # noqa: PLC0415

        return sensitivity.against_turnbull(self.visit_advice().model)

    @kept
    def visit_results(self) -> pd.DataFrame:
        """Findings on drying and visit intervals.

        Returns
        -------
        pandas.DataFrame
        """
        return self.visit_advice().findings

    @kept
    def site_advice(self) -> pd.DataFrame:
        """One row per site with its present and advised visit interval.

        Returns
        -------
        pandas.DataFrame
            As `watering.advise` gives of sites, and over_limit: whether waterings find a plant too dry more often than
            the settings allow.
        """
        return self._over_limit(self.visit_advice().advice.sites)

    @kept
    def sites_a_year_ago(self) -> pd.DataFrame:
        """How often waterings found a plant too dry at each site, as seen on the last day of this quarter a year ago.

        Returns
        -------
        pandas.DataFrame
            site_id, too_dry_now (share of waterings) and over_limit, judged by the limit of today's settings; empty
            where too little was known then.
        """
        from plantstats.watering.review import too_dry_on  # noqa: PLC0415

        self._check_visit_log()
        sites = too_dry_on(self.records, same_quarter_last_year(self.period).last_day, self.client)
        return sites if sites.empty else self._over_limit(sites)

    def _over_limit(self, sites: pd.DataFrame) -> pd.DataFrame:
        """Sites and whether waterings find a plant too dry more often than the settings allow."""
        return sites.assign(over_limit=sites["too_dry_now"].gt(self.records.settings.watering.max_too_dry_share))

    @kept
    def ways_out(self) -> pd.DataFrame:
        """Plants that break the limit on dryness or bar a longer interval, and each way out with its price.

        Returns
        -------
        pandas.DataFrame
            As `binding_plants` gives them.
        """
        return self.visit_advice().advice.ways_out

    @kept
    def technicians_left_out(self) -> pd.DataFrame:
        """Technicians, under pseudonyms, whose notes on topsoil cannot be used: technician, n_lines, reason.

        Returns
        -------
        pandas.DataFrame
        """
        return self.visit_advice().model.left_out

    @kept
    def topsoil_methods(self) -> pd.DataFrame:
        """How topsoil was noted: method, n (dry-downs), first_on, last_on, used (only one is), most first.

        Returns
        -------
        pandas.DataFrame
        """
        review = self.visit_advice()
        rows = review.model.dry_downs.sql("""
            select method, count(*) as n, min(date '1970-01-01' + "at"::int)::varchar as first_on,
                   max(date '1970-01-01' + "at"::int)::varchar as last_on
            from dry_downs where exclusion_reason is null group by all order by n desc, method""")
        return rows.assign(used=rows["method"].eq(review.model.method))

    @kept
    def advice_followed(self) -> pd.DataFrame:
        """What became of the advice of a quarter ago: group, sites, plant_days, losses.

        Returns
        -------
        pandas.DataFrame
        """
        return self.visit_advice().followed

    @kept
    def drying_by_species(self) -> pd.DataFrame:
        """Days to dryness of each species in its most usual pot and light, fastest first.

        Returns
        -------
        pandas.DataFrame
            species, light, pot, planter, dry_half, dry_80 (days), dry_downs (of that kind).
        """
        review = self.visit_advice()
        rows = review.profiles
        season = "heating season" if review.advice.heating else "rest of the year"
        rows = rows[rows["season"].eq(season)].sort_values("dry_downs", ascending=False).drop_duplicates("species")
        columns = ["species", "light", "pot", "planter", "dry_half", "dry_80", "dry_downs"]
        return rows.sort_values("dry_half")[columns].reset_index(drop=True)

    def write_care_sheet(self, folder: Path, marks: pd.Series | None = None) -> None:
        """Put intervals.csv, ways_out.csv, drying.csv and care_sheet.xlsx into a folder.

        Parameters
        ----------
        folder : pathlib.Path
            Made when absent.
        marks : pandas.Series of str, optional
            Why a plant is to be watched, by plant_id.
        """
        from plantstats.watering import care_sheet  # noqa: PLC0415

        plants = self.standing().drop_duplicates("plant_id").set_index("plant_id")[["room", "watered_on", "seen_on"]]
        listed = self.records.table("plants").drop_duplicates("plant_id").set_index("plant_id")
        plants = plants.join(listed["common_name"])
        plants["mark"] = "" if marks is None else marks.reindex(plants.index).fillna("")
        sites = self.records.table("sites").set_index("site_id")[["site_name", "address", "access_note"]]
        care_sheet.write(self.care_sheet(), folder, self.small_group, care_sheet.Known(plants, sites))

    @kept
    def care_sheet(self) -> WateringReview:
        """What the care sheet is made from: the review of visits without the model behind it.

        Returns
        -------
        WateringReview
        """
        return replace(self.visit_advice(), model=None)  # type: ignore[arg-type]
