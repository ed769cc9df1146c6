"""A study is opened: which quarter, whose plants, up to which day."""

from __future__ import annotations

from contextvars import ContextVar
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from plantstats import exposure, periods
from plantstats.records import load
from plantstats.studies.base import StudyError, check_client, store_of
from plantstats.studies.study import Study

if TYPE_CHECKING:
    from plantstats.records import Records

_SHARED: ContextVar[Study | None] = ContextVar("study shared by the pages of a run", default=None)


def open_study(records: str | Path | Records, quarter: str = "", client: str = "", as_of: str | date = "") -> Study:
    """Open a study of a folder, or of records that are loaded already; see `plantstats.study`.

    Parameters
    ----------
    records : str or Path or Records
        A folder, or what `records.load` gives.
    quarter : str, default ''
        Such as "2026-Q3"; "" is the latest complete one.
    client : str, default ''
        Id of a client; "" is all.
    as_of : str or date, default ''
        Last day that counts, such as "2026-09-30"; "" is the quarter's last day.

    Returns
    -------
    Study

    Raises
    ------
    StudyError
        As `plantstats.study`.
    """
    shared = _SHARED.get()
    if shared is not None and (str(records), quarter, str(as_of)) == (
        str(shared.records.folder),
        shared.period.name,
        shared.as_of.isoformat(),
    ):
        return shared.of_client(client)
    records = load(Path(records)) if isinstance(records, str | Path) else records
    check_client(records, client)
    day = date.fromisoformat(as_of) if isinstance(as_of, str) and as_of else as_of or None
    store = store_of(records)
    last = store.get("last_day", {}, lambda: exposure.last_day(records))
    period = choose_quarter(records, quarter, day, last)  # type: ignore[arg-type]
    return Study(records, period, last_day(period, day), client, store)  # type: ignore[arg-type]


def share(study: Study) -> None:
    """Answer `open_study` for its folder, quarter and day from this study, in this process, from now on.

    For a run that makes the pages of many clients from records which it holds to be the same from beginning to end:
    each page then opens a study as its notebook says, and no file is read again.

    Parameters
    ----------
    study : Study
        Of all clients.
    """
    _SHARED.set(study)


def choose_quarter(
    records: Records, name: str = "", as_of: date | None = None, last: date | None = None
) -> periods.Period:
    """The quarter to study.

    Parameters
    ----------
    records : Records
        Typed records.
    name : str
        "2026-Q3", or "" for the latest complete quarter.
    as_of : datetime.date
        The day up to which the user says the records are complete (None: the last day on which they still run).
    last : datetime.date, optional
        The last day on which they still run, if known.

    Returns
    -------
    Period

    Raises
    ------
    StudyError
        When the records hold no visit or replacement, or the quarter is not complete in them.
    PeriodError
        For a name that is no quarter.
    """
    starts = records.settings.fiscal_year_starts
    last = last or exposure.last_day(records)
    if last is None:
        raise StudyError("the records hold no completed visit and no replacement: there is nothing to review")
    latest = periods.latest_complete_quarter(as_of or last, starts)
    asked = periods.quarter(name, starts) if name else latest
    if asked.end > latest.end:
        raise StudyError(
            f"{asked.name} is not complete: it ends on {asked.last_day}, the records on {as_of or last}. Ask for "
            f"{latest.name} or earlier, or say with --as-of {asked.last_day} that nothing is missing up to that day."
        )
    return asked


def last_day(period: periods.Period, as_of: date | None = None) -> date:
    """Last day that counts: the given one, else the quarter's last.

    Parameters
    ----------
    period : periods.Period
        The quarter, half-open.
    as_of : date, optional
        Last day that counts; that of the quarter unless given.

    Returns
    -------
    date

    Raises
    ------
    StudyError
        For a day before the quarter's end.
    """
    cut = as_of or period.last_day
    if cut < period.last_day:
        raise StudyError(f"as_of {cut} lies before the end of {period.name} ({period.last_day})")
    return cut
