"""The quarterly review: which notebooks it has, and which quarter and client they are asked about."""

from __future__ import annotations

import difflib
import sys
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from plantstats import periods
from plantstats.reports.errors import ReportError
from plantstats.reports.names import safe_name
from plantstats.reports.runner import Report, run

if TYPE_CHECKING:
    from plantstats.records import Records

REVIEW_PACK = ("loss_rates",)


def review(folder: Path, quarter: str | None, client: str | None, as_of: date | None, out: Path) -> Report:
    """Make the quarterly review of one company, or of one of its clients.

    Takes:  folder with the records; quarter such as "2026-Q3" (None: the latest complete one); client id
            (None: all); as_of: the last day that counts (None: the day of the last completed visit); out: the
            folder for reports.
    Gives:  Report in out/<quarter> or out/<quarter>--<client>.
    Raises: RecordError when the records cannot be used; ReportError for an unknown client, a quarter without
            records, or a notebook that failed; PeriodError for a quarter that cannot be read.
    """
    from plantstats import records  # noqa: PLC0415 (rooms below load only when there is something to do)

    loaded = records.load(folder)
    first, last = recorded_days(loaded)
    until = as_of or last
    starts = loaded.settings.fiscal_year_starts
    period = periods.quarter(quarter, starts) if quarter else periods.latest_complete_quarter(until, starts)
    if period.end <= first or period.start > last:
        raise ReportError(f"{period.name} has no records: they run from {first} to {last}")
    if client is not None:
        check_client(client, loaded.table("sites")["client_id"])
    parameters = {
        "data_dir": str(folder),
        "quarter": period.name,
        "client": client or "",
        "as_of": until.isoformat(),
    }
    place = out / (period.name + (f"--{safe_name(client)}" if client else ""))
    about = f"{period.name}, {f'client {client}' if client else 'all clients'}, records until {until}"
    sources = {
        "inputs": dict(loaded.digests),
        "account": loaded.account.to_dict("records"),
        "set_aside": len(loaded.set_aside),
    }
    report = run([notebook(name) for name in REVIEW_PACK], parameters, place, about, sources)
    if period.last_day > until:
        rest = f"it ends on {period.last_day}, the records on {until}"
        report.remarks.append(f"{period.name} is not complete: {rest}")
    return report


def recorded_days(loaded: Records) -> tuple[date, date]:
    """The days between which there are records.

    Takes:  records.
    Gives:  the first day of a visit or replacement and the day of the last completed visit (of the last
            replacement where there are no visits).
    Raises: ReportError when there is neither.
    """
    visits, lost = loaded.table("visits"), loaded.table("replacements")
    status = visits["status"]
    made = visits.loc[status.isna() | status.eq("completed"), "visited_on"].dropna()
    days = pd.concat([visits["visited_on"], lost["replaced_on"]]).dropna()
    if days.empty:
        raise ReportError("the records hold no visits and no replacements: there is no quarter to review")
    return days.min().date(), (made if len(made) else days).max().date()


def check_client(client: str, known: pd.Series) -> None:
    """Refuse a client that is not in the records.

    Takes:  client id; known: the client of each site.
    Raises: ReportError with the likeliest id that was meant.
    """
    ids = sorted(set(known.dropna().astype(str)))
    if client not in ids:
        near = difflib.get_close_matches(client, ids, n=1)
        meant = f"; did you mean {near[0]}?" if near else ""
        some = f"{len(ids)} clients, such as {', '.join(ids[:3])}"
        raise ReportError(f"client {client!r} is not in sites ({some}){meant}")


def notebook(name: str) -> Path:
    """Find a report notebook.

    Takes:  name without ending.
    Gives:  its path: in the folder notebooks/ of the clone, else where the installed package put it.
    Raises: ReportError when it is in neither.
    """
    clone, installed = Path(__file__).resolve().parents[2], Path(sys.prefix) / "share" / "plantstats"
    places = [clone / "notebooks", installed / "notebooks"]
    for place in places:
        if (place / f"{name}.ipynb").is_file():
            return place / f"{name}.ipynb"
    raise ReportError(f"{name}.ipynb is neither in {places[0]} nor in {places[1]}; install plantstats again")
