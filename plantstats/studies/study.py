"""The study: every result by name."""

from __future__ import annotations

from plantstats.studies.money import MoneyResults


class Study(MoneyResults):
    """One set of records, one quarter, one client or all.

    Attributes
    ----------
    records : Records
        The typed records and the account of every row.
    period : Period
        The quarter.
    as_of : datetime.date
        The last day that counts.
    client : str
        Whose plants results are about; "" for all.
    small_group : int
        Groups with fewer plants keep their counts, not their estimates.

    See Also
    --------
    plantstats.study : Opens one.
    """
