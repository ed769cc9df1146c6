"""Pests that visits note."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from plantstats.studies.losses import LossResults
from plantstats.studies.once import in_memory, kept

if TYPE_CHECKING:
    from plantstats.pests.inspections import Inspections


class PestResults(LossResults):
    """Results on pests."""

    @in_memory
    def _inspections(self) -> Inspections:
        from plantstats.pests.inspections import inspections  # noqa: PLC0415

        return inspections(self.exposure())

    @kept
    def pests(self) -> pd.DataFrame:
        """Findings on pests of all clients' plants: how often, whether they go round, what they foretell.

        Returns
        -------
        pandas.DataFrame
            As `pests.pest_findings`.

        Raises
        ------
        PestError
            Where visits tell nothing about pests.
        """
        from plantstats.pests.pest_findings import pest_findings  # noqa: PLC0415

        whole = self.whole()
        return pest_findings(whole.exposure(), whole._inspections(), self.as_of)

    def pests_now(self) -> pd.DataFrame:
        """Plants to look at first where a pest is going round now, of the client's sites or all.

        Returns
        -------
        pandas.DataFrame
            As `pests.transmission.going_round`.

        Raises
        ------
        PestError
            Where visits tell nothing about pests.
        """
        rows = self.whole()._pests_now()
        here = set(self.standing()["site_id"])
        return rows[rows["site_id"].isin(here)].reset_index(drop=True)

    @kept
    def _pests_now(self) -> pd.DataFrame:
        from plantstats.pests.transmission import going_round  # noqa: PLC0415

        return going_round(self._inspections(), self.standing(), self.as_of)
