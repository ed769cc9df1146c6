"""The quarterly review: which notebooks it has, and which quarter and client they are asked about."""

from __future__ import annotations

import sys
from datetime import date
from pathlib import Path

from plantstats.reporting.errors import ReportError
from plantstats.reporting.names import safe_name
from plantstats.reporting.runner import Report, run

REVIEW_PACK = ("loss_rates", "loss_drivers", "leaf_loss", "watering_frequency", "records_check")
# Records without leaf counts, waterings or enough losses carry no such page; the rest is made all the same.
MAY_REFUSE = {
    "loss_drivers": ("ModelError",),
    "leaf_loss": ("LeafModelError", "ModelError"),
    "watering_frequency": ("WateringError", "DryingError"),
}
# What a client gets shows no plants, sites or files of others.
CLIENT_PACK = ("loss_rates",)


def review(
    folder: Path, quarter: str | None, client: str | None, as_of: date | None, out: Path, *, again: bool = False
) -> Report:
    """Make the quarterly review of one company, or of one of its clients.

    Takes:  folder with the records; quarter such as "2026-Q3" (None: the latest complete one); client id
            (None: all); as_of: the last day that counts (None: the quarter's last); out: the folder for reports;
            again: make it even if nothing has changed since it was made.
    Gives:  Report in out/<quarter> or out/<quarter>--<client>.
    Raises: RecordError when the records cannot be used; ReviewError for an unknown client or a quarter that
            the records do not hold whole; ReportError for a notebook that failed; PeriodError for a quarter
            that cannot be read.
    """
    from plantstats import records  # noqa: PLC0415 (rooms below load only when there is something to do)
    from plantstats.losses import loss_rates as choice  # noqa: PLC0415

    loaded = records.load(folder)
    period = choice.choose_quarter(loaded, quarter or "", as_of)
    choice.check_client(loaded, client or "")
    until = choice.page_date(period, as_of)
    parameters = {
        "records_dir": str(folder),
        "quarter": period.name,
        "client": client or "",
        "as_of": until.isoformat(),
    }
    place = out / (period.name + (f"--{safe_name(client)}" if client else ""))
    about = f"{period.name}, {f'client {client}' if client else 'all clients'}, records until {until}"
    sources: dict[str, object] = {"inputs": dict(loaded.digests)}
    if not client:
        sources |= {"account": loaded.account.to_dict("records"), "set_aside": len(loaded.set_aside)}
    names = CLIENT_PACK if client else REVIEW_PACK
    notebooks = [notebook(name) for name in names]
    return run(notebooks, parameters, place, about, sources, again=again, may_refuse=MAY_REFUSE)


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
