"""The quarterly review: which notebooks it has, and which quarter and client they are asked about."""

from __future__ import annotations

import contextlib
import functools
import os
import tempfile
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from plantstats import QUERY_THREADS, periods
from plantstats.digests import file_digest
from plantstats.errors import PlantstatsError
from plantstats.pages import preload
from plantstats.reporting.errors import ReportError
from plantstats.reporting.forks import AT_A_TIME, Forks, Task
from plantstats.reporting.names import notebook_path, safe_name
from plantstats.reporting.parameters import Literal
from plantstats.reporting.publish import MADE_WITH
from plantstats.reporting.runner import Report, run

if TYPE_CHECKING:
    from plantstats.studies import Study

# The brief first; links lead from each page to the others.
REVIEW_PACK = ("index", "losses", "accounts", "visits", "watch", "wears", "records", "methods")
# Only where an earlier review stands to be compared with.
CHANGES = "changes"
# What a client gets shows no plants, sites or files of others.
CLIENT_PACK = ("client",)
# What the pages rest on: results that share plant-time and models are computed in one process, two processes beside
# each other; each page reads them then. The first result refuses a quarter in which no plant was followed.
OF_LOSSES = (
    "loss_rates",
    "expected",
    "quarters",
    "losses",
    "same_sites",
    "account",
    "standing",
    "account_margins",
    "watched",
)
OF_CONDITIONS = ("losses_to_come", "places", "drivers", "effect_terms", "deliveries")
OF_VISITS = (
    "site_advice",
    "visit_results",
    "technicians_left_out",
    "topsoil_methods",
    "visit_log",
    "care_sheet",
    "ways_out",
    "advice_followed",
    "sites_a_year_ago",
)
OF_GUARANTEES, OF_RECORDS = ("run_off", "provision"), ("faults", "quality")
# Asked of the records alone: where they are few, the process that opens them makes it while the others import.
WHERE_OPENED = ("faults",)
OF_PLANTS = ("leaf_loss", "pests", "pests_now")
OF_WATCH = ("standing", "watched", "leaf_loss", "pests_now")
RESULTS = ((*OF_LOSSES, *OF_CONDITIONS, *OF_GUARANTEES), (*OF_VISITS, "drying_by_species", *OF_PLANTS, "quality"))
# From so many visits on, more processes, two at a time: a process that ends gives its memory back.
MANY_VISITS = 1_000_000
RESULTS_OF_MANY = (
    OF_LOSSES,
    (*OF_VISITS, "drying_by_species"),
    OF_GUARANTEES,
    (*OF_PLANTS, *OF_RECORDS),
    OF_CONDITIONS,
)
# Texts as objects: more memory, but a fifth less time in many small tables.
TEXTS = "mode.string_storage"
# Memory of the two that run beside each other: each at rest, then by the visit that of losses (measured: 2.7 GB at 1.8
# million visits, 15.4 GB at 14 million) and the other's (2.5 GB, 4.2 GB), less where the engine bounds its own.
BYTES, OF_LOSSES_A_VISIT = 600e6, 1050.0
OTHER_A_VISIT, OTHER_BOUNDED = 1100.0, 260.0
USABLE = 0.9  # of the machine's memory
CLIENT_RESULTS = (("loss_rates", "standing", "replaced", "service"),)
# A page that does not need all results is made as soon as those that it needs are there.
RESTS_ON: dict[str, tuple[str, ...]] = {
    "losses": (*OF_LOSSES, *OF_CONDITIONS, "run_off"),
    "visits": (*OF_VISITS, "drying_by_species", *OF_WATCH),
    "watch": OF_WATCH,
    "wears": ("drivers", "effect_terms", "leaf_loss", "pests"),
    "records": ("account", *OF_RECORDS),
    "methods": (),
}


def review(
    folder: Path,
    quarter: str | None,
    client: str | None,
    as_of: date | None,
    out: Path,
    *,
    again: bool = False,
    since: Path | None = None,
    forks: Forks | None = None,
) -> Report:
    """Make the quarterly review of one company, or of one of its clients.

    Parameters
    ----------
    folder : Path
        Folder with the records.
    quarter : str or None
        Such as "2026-Q3"; None for the latest complete one.
    client : str or None
        Client id; None for all.
    as_of : date or None
        The last day that counts; None for the quarter's last.
    out : Path
        Folder for reports.
    again : bool
        Make it even if nothing has changed since it was made.
    since : Path or None
        Folder of the review with which this one is compared; None for that of the quarter before in `out`, where it
        stands. Without one there is no page on what changed.
    forks : Forks, optional
        Where processes are forked from, if started already: they import while this process opens the records.

    Returns
    -------
    Report
        In out/<quarter> or out/<quarter>--<client>.

    Raises
    ------
    RecordError
        When the records cannot be used.
    StudyError, PeriodNotOnRecordError
        For an unknown client, or a quarter that the records do not hold whole or in which no plant was followed.
    PeriodError
        For a quarter that cannot be read.
    ReportError
        When no page could be made; for a `since` that holds no review to compare with.
    """
    # Above this room, and slow to import: loaded only when there is something to do.
    from plantstats import records, studies  # noqa: PLC0415
    from plantstats.trials import files  # noqa: PLC0415

    with contextlib.ExitStack() as stack:
        logs = stack.enter_context(tempfile.TemporaryDirectory(prefix="plantstats-"))
        forks = forks or stack.enter_context(Forks(preload.FIRST, preload.LATER))
        study = studies.open_study(folder, quarter or "", client or "", as_of or "")
        parameters: dict[str, Literal] = {
            "records_dir": str(folder),
            "quarter": study.period.name,
            "client": study.client,
            "as_of": study.as_of.isoformat(),
        }
        whose = f"client {client}" if client else "all clients"
        sources: dict[str, object] = {"inputs": dict(study.records.digests)}
        if not client:
            sources |= {
                "account": study.records.account.to_dict("records"),
                "set_aside": len(study.records.set_aside),
                "settings": study.settings(),
            }
            # Results of trials lie in the folder of the records; a page that quotes them is made anew with them.
            if trials := files.digests(study.records.folder):
                sources["trials"] = trials
        earlier = None if client else _earlier(study, out, since)
        if earlier is not None:
            sources["earlier"] = file_digest(earlier / MADE_WITH)
        n_visits = _visits(study)
        at_a_time = side_by_side(n_visits)
        forks.begin("plantstats.quarterly:share_study", {k: v for k, v in parameters.items() if k != "client"})
        if n_visits < MANY_VISITS and not client:
            _compute(study, WHERE_OPENED, lambda **_: None)
            forks.completed.update(WHERE_OPENED)
        groups = CLIENT_RESULTS if client else RESULTS if n_visits < MANY_VISITS else RESULTS_OF_MANY
        pack = CLIENT_PACK if client else REVIEW_PACK + ((CHANGES,) if earlier is not None else ())
        return run(
            [notebook_path(name) for name in pack],
            parameters,
            out / (study.period.name + (f"--{safe_name(client)}" if client else "")),
            _about(study, whose),
            sources,
            digests=lambda: records.load(folder).digests,
            again=again,
            for_client=bool(client),
            copies=not client,
            forks=forks,
            tasks=[
                Task(
                    ", ".join(names),
                    "plantstats.quarterly:compute",
                    {**parameters, "names": names},
                    Path(logs, "log"),
                    {QUERY_THREADS: str(max(1, (os.cpu_count() or 1) // at_a_time))} if at_a_time < AT_A_TIME else {},
                    names,
                )
                for names in groups
            ],
            at_a_time=at_a_time,
            rests_on={} if client else RESTS_ON,
            method_page="methods",
            as_pdf=["client"] if client else ["index"],
            own_parameters={CHANGES: {"earlier_dir": str(earlier)}},
        )


def side_by_side(n_visits: int) -> int:
    """How many processes of results may run beside each other without filling the memory of this machine.

    Parameters
    ----------
    n_visits : int
        Rows of the visit log.

    Returns
    -------
    int
        One where two would not fit; two on a system that does not tell how much memory it has.
    """
    try:
        memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, ValueError, OSError):
        return AT_A_TIME
    from plantstats.exposure import engines  # noqa: PLC0415 (DuckDB is slow to import)

    other = OTHER_BOUNDED if n_visits >= engines.MANY_VISITS else OTHER_A_VISIT
    both = AT_A_TIME * BYTES + (OF_LOSSES_A_VISIT + other) * n_visits
    return AT_A_TIME if both <= USABLE * memory else 1


def compute(
    report: Callable[..., None], records_dir: str, quarter: str, client: str, as_of: str, names: Sequence[str]
) -> None:
    """Compute results of a study, so that they are kept for its pages.

    Parameters
    ----------
    report : callable
        Is told the name of each result that is being computed, and as `completed` of each that has been.
    records_dir, quarter, client, as_of : str
        As in `plantstats.study`.
    names : sequence of str
        Of results. What the records do not carry is said by the page that it belongs to; only a quarter in which no
        plant was followed is refused here.
    """
    from plantstats import studies  # noqa: PLC0415

    study = studies.open_study(records_dir, quarter, client, as_of)
    study.on_compute = report
    with pd.option_context(TEXTS, "python" if _visits(study) < MANY_VISITS else "auto"):
        _compute(study, names, report)


def _compute(study: Study, names: Sequence[str], report: Callable[..., None]) -> None:
    for name in names:
        with contextlib.nullcontext() if name == "loss_rates" else contextlib.suppress(PlantstatsError):
            getattr(study, name)()
            if name == "account_margins":  # The brief sets those of a year before beside them.
                study.account_margins(periods.same_quarter_last_year(study.period).name)
        report(completed=name)


def _earlier(study: Study, out: Path, since: Path | None) -> Path | None:
    """The review with which this one is compared: the one asked for, else that of the quarter before beside it."""
    from plantstats.reporting.revisions import read_pack  # noqa: PLC0415

    start = study.records.settings.fiscal_year_starts
    if since is not None:
        pack = read_pack(since)
        if periods.quarter(pack.quarter, start).start >= study.period.start:
            raise ReportError(f"{since} is the review of {pack.quarter}, not of a quarter before {study.period.name}")
        return since
    beside = out / periods.previous_quarters(study.period, 1)[0].name
    with contextlib.suppress(ReportError):  # what else may stand there is nobody's fault
        read_pack(beside)
        return beside
    return None


def review_clients(folder: Path, quarter: str | None, as_of: date | None, out: Path, *, again: bool = False) -> Report:
    """Make the page of every client, HTML and PDF, and a list of them.

    Parameters
    ----------
    folder, quarter, as_of, out, again
        As in `review`.

    Returns
    -------
    Report
        In out/<quarter>--clients: index.html, for us; <client>.html and <client>.pdf, each for its client alone.
        `missing` names each client whose page could not be made, and why; the others are made.

    Raises
    ------
    RecordError, StudyError, PeriodError, ReportError
        As in `review`; ReportError also when not one page could be made.
    """
    # Above this room, and slow to import: loaded only when there is something to do.
    from plantstats import records, studies  # noqa: PLC0415
    from plantstats.pages import client_index  # noqa: PLC0415
    from plantstats.reporting import batch, body  # noqa: PLC0415

    study = studies.open_study(folder, quarter or "", "", as_of or "")
    notebook = notebook_path("client")
    asked = {"records_dir": str(folder), "quarter": study.period.name, "as_of": study.as_of.isoformat()}
    names = {
        client: safe_name(client) for client in sorted(study.records.table("sites")["client_id"].dropna().unique())
    }
    jobs = [
        batch.PageJob(name, {**asked, "client": client}, _about(study, f"client {client}"))
        for client, name in names.items()
    ]

    def write(complete: Path) -> batch.Written:
        for result in (
            study.standing,
            study.replaced,
            study.service,
            study.visits_made,
            study.visits_by_month,
            study.lost_by_quarter,
        ):
            with contextlib.suppress(PlantstatsError):  # said by the pages that rest on it
                result()
        begin = functools.partial(share_study, *asked.values())
        pages = {one.name: one for one in batch.make_pages(notebook, jobs, complete, begin)}
        missing = {client: pages[name].reason for client, name in names.items() if pages[name].reason}
        index = client_index.page(study, names, missing, pdf=any(complete.glob("*.pdf")))
        html = body.render_shown(client_index.TITLE, _about(study, "for us"), [index.head, index.rest])
        (complete / "index.html").write_text(html, encoding="utf-8")
        return batch.Written([index.verdict], missing, sorted({one.remark for one in pages.values() if one.remark}))

    return batch.publish_pages(
        notebook,
        jobs,
        out / f"{study.period.name}--clients",
        write,
        study.records.digests,
        digests=lambda: records.load(folder).digests,
        again=again,
    )


def share_study(records_dir: str, quarter: str, as_of: str) -> None:
    """Open the records once for all that this process, or one forked from it, makes of them.

    Parameters
    ----------
    records_dir, quarter, as_of : str
        As in `plantstats.study`.
    """
    from plantstats import studies  # noqa: PLC0415

    pd.set_option(TEXTS, "python")
    studies.share(studies.open_study(records_dir, quarter, "", as_of))


def _visits(study: Study) -> int:
    """Rows of the visit log."""
    account = study.records.account
    return int(account.loc[account["table"].eq("visits"), "rows_read"].sum())


def _about(study: Study, whose: str) -> str:
    """The line above a page: company, quarter, whose page, last day."""
    parts = (study.records.settings.company, study.period.name, whose, f"records until {study.as_of}")
    return ", ".join(filter(None, parts))
