"""Accounts, the provision for guarantees, and quotes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from plantstats import periods
from plantstats.digests import file_digest
from plantstats.studies.base import StudyError, join
from plantstats.studies.once import kept
from plantstats.studies.visits import VisitResults

if TYPE_CHECKING:
    from plantstats.guarantee.priced_quote import PricedQuote


class MoneyResults(VisitResults):
    """Results on money."""

    @kept
    def account_margins(self, quarter: str = "") -> pd.DataFrame:
        """Findings on what accounts and their sites pay, cost and leave over four quarters (see `guarantee.accounts`).

        Parameters
        ----------
        quarter : str
            The last of the four; "" is that of the study.

        Returns
        -------
        pandas.DataFrame

        Raises
        ------
        StudyError
            For records without contracts, or that do not hold the four quarters whole.
        """
        from plantstats.guarantee import accounts  # noqa: PLC0415

        period = periods.quarter(quarter, self.records.settings.fiscal_year_starts) if quarter else self.period
        sites = self.records.table("sites")
        first = sites["observed_from"].fillna(sites["records_from"]).min()
        if quarter and not first <= pd.Timestamp(periods.previous_quarters(period, 3)[0].start):
            raise StudyError(f"the records do not hold four quarters up to {quarter}")
        margins = accounts.account_margins(self.records, period)
        if margins.empty:
            raise StudyError("the records hold no contract, so accounts have no fee")
        of_sites = accounts.account_margins(self.records, period, accounts.SITES)
        currency = self.records.settings.currency
        parts = [accounts.findings_of(margins, period, currency)]
        if len(of_sites):
            parts.append(accounts.findings_of(of_sites, period, currency, accounts.SITES))
        return join(*parts)

    @kept
    def provision(self) -> pd.DataFrame:
        """Findings on running guarantees: provision by client, and how it moved over the quarter.

        Returns
        -------
        pandas.DataFrame
        """
        from plantstats.guarantee import roll_forward  # noqa: PLC0415
        from plantstats.guarantee.hazard_fits import HazardFits  # noqa: PLC0415

        now = None
        if self.as_of == self.period.last_day:
            now = HazardFits.of(self.records, self.as_of, self.exposure(), self.common_cause())
        moved, closing = roll_forward.roll_forward(self.records, self.period, fits_now=now)
        return roll_forward.findings_of(closing, moved, self.period, self.records.settings.currency)

    @kept
    def run_off(self) -> pd.DataFrame:
        """Findings on what deliveries still have to lose, by the chain ladder (see `guarantee.run_off`).

        Returns
        -------
        pandas.DataFrame
        """
        from plantstats.guarantee import run_off  # noqa: PLC0415

        settings, of = self.records.settings, self.whole().exposure()
        lost = run_off.lost_of_deliveries(of, self.period, settings.wage_per_hour)
        put_in = run_off.put_in_by_quarter(of, self.period, settings.fiscal_year_starts)
        return run_off.run_off_findings(lost, put_in, self.period, settings.fiscal_year_starts, settings.currency)

    def quote(self, listed: str | Path, terms: str | Path) -> PricedQuote:
        """Price the replacement guarantee of a plant list from these records (see `guarantee.priced_quote`).

        Parameters
        ----------
        listed, terms : str or pathlib.Path
            The plant list (CSV or workbook) and the terms (TOML).

        Returns
        -------
        PricedQuote

        Raises
        ------
        RecordError, TermsError, QuoteError, ModelError
            For a list with faults, faulty terms, a quote that cannot be made, records too thin for a model.
        """
        files = [Path(listed).resolve(), Path(terms).resolve()]
        contents = [file_digest(file) if file.is_file() else "" for file in files]
        return self._quote(str(files[0]), str(files[1]), contents)

    @kept
    def _quote(self, listed: str, terms: str, contents: list[str]) -> PricedQuote:
        from plantstats.guarantee import priced_quote  # noqa: PLC0415

        return priced_quote.priced_quote(Path(listed), self.records, Path(terms), self.as_of)
