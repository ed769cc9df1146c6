"""The records desk of an interior-plant care business: what was lost, how often to look, what the promise costs."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date
    from pathlib import Path

    from plantstats.studies import Study

__version__ = "0.1.0"

# Linear algebra on one thread, unless its user says otherwise: the products are thin, threads of several notebooks
# fight over the cores (0.06 s became 3.7), and sums in another order differ in their last digits.
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS")
# Threads of an engine within a process that runs beside others: they share the cores out. Of the environment.
QUERY_THREADS = "PLANTSTATS_QUERY_THREADS"
for _name in THREADS:
    os.environ.setdefault(_name, "1")


def study(records_dir: str | Path, quarter: str = "", client: str = "", as_of: str | date = "") -> Study:
    """Open one set of records for one quarter: every result by its name, computed once.

    Parameters
    ----------
    records_dir : str or pathlib.Path
        Folder of the records.
    quarter : str
        Such as "2026-Q3"; "" is the latest complete one.
    client : str
        Whose plants results are about; "" is all. What is learned always rests on all records.
    as_of : str or datetime.date
        The last day that counts, such as "2026-09-30"; "" is the quarter's last day.

    Returns
    -------
    Study
        See `plantstats.studies.Study`.

    Raises
    ------
    RecordError
        For records that cannot be used.
    StudyError
        For a quarter that the records do not hold whole, an unknown client, or a day before the quarter's end.

    Examples
    --------
    >>> demo = study("data_demo/worked_example", "2025-Q1", as_of="2025-03-31")
    >>> int(demo.exposure_table([])["losses"].iloc[0])
    2
    """
    from plantstats.studies import open_study  # noqa: PLC0415 (`plantstats --help` answers at once)

    return open_study(records_dir, quarter, client, as_of)
