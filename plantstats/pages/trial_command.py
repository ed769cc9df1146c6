"""The command `plantstats trial`: plan a trial of two visit intervals, and read it."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from datetime import date
from pathlib import Path

from plantstats import exposure, findings, records, writing
from plantstats.pages import trial_plan, trial_result
from plantstats.quality.export import neutral
from plantstats.reporting import body
from plantstats.reporting.display import Named
from plantstats.reporting.specs import Page
from plantstats.trials import TrialError, evidence, files, protocol
from plantstats.trials.planning import plan
from plantstats.trials.reading import read
from plantstats.trials.request import Request

SCHEDULE, RESULT_PAGE = "schedule.csv", "result.html"


def cli_plan(chosen: argparse.Namespace) -> int:
    """The command `plantstats trial plan FOLDER`.

    Parameters
    ----------
    chosen : argparse.Namespace
        folder, out, as_of and what `Request` holds.

    Returns
    -------
    int
        0; protocol.json, protocol.html and schedule.csv stand in `out`.

    Raises
    ------
    RecordError
        For records that cannot be used.
    TrialError
        Where no such trial would tell; for a folder that holds a protocol already.
    OutputError
        Where nothing can be written.
    """
    if (chosen.out / protocol.FILE).exists():
        raise TrialError(
            f"{chosen.out / protocol.FILE} is there already: a protocol is fixed and not written over; name another "
            "--out"
        )
    loaded, as_of = _open(chosen)
    shorter, longer = chosen.intervals
    request = Request(
        shorter=shorter,
        longer=longer,
        outcome=chosen.outcome,
        design=chosen.design,
        difference=chosen.difference,
        tolerate=chosen.tolerate,
        weeks=chosen.weeks,
        washout=chosen.washout,
        dry_depth=chosen.dry_depth,
        start=chosen.start,
        seed=chosen.seed,
    )
    planned = plan(loaded, request, as_of)
    shown = trial_plan.page(planned, _names(loaded))
    sheet = planned.visits.map(neutral).to_csv(index=False, lineterminator="\n")
    # With a byte order mark, for spreadsheet programs.
    writing.write_whole(chosen.out / SCHEDULE, sheet.encode("utf-8-sig"))
    place = _write_page(shown, planned.protocol.company, chosen.out / protocol.PAGE)
    # Last, so that a protocol that stands is whole.
    writing.write_whole(chosen.out / protocol.FILE, planned.protocol.text())
    print(shown.verdict)
    for key in ("size", "stopping"):
        print(next(section.message for section in shown.sections if section.key == key))
    print(f"Digest, to be noted before the start: {planned.protocol.digest}")
    print(f"Protocol: {place}")
    print(f"Visits for the technicians' sheet: {chosen.out / SCHEDULE}")
    return 0


def cli_read(chosen: argparse.Namespace) -> int:
    """The command `plantstats trial read FOLDER PROTOCOL`.

    Parameters
    ----------
    chosen : argparse.Namespace
        folder, protocol, digest, as_of, out.

    Returns
    -------
    int
        0; result.html, and at the end findings and trial_result.json, stand in `out`.

    Raises
    ------
    RecordError
        For records that cannot be used.
    TrialError
        For a protocol that was changed, and records that lack its sites or periods.
    OutputError
        Where nothing can be written.
    """
    fixed = protocol.read_protocol(chosen.protocol, chosen.digest)
    loaded, as_of = _open(chosen)
    reading = read(loaded, fixed, as_of)
    shown = trial_result.page(reading, _names(loaded), loaded.settings.small_group)
    place = _write_page(shown, fixed.company, chosen.out / RESULT_PAGE)
    print(shown.verdict)
    if reading.finished:
        for key in ("result", "money"):
            print(*[section.message for section in shown.sections if section.key == key])
        findings.write(reading.findings, chosen.out)
        result = writing.write_whole(chosen.out / files.RESULT, evidence.text_of(evidence.evidence_of(reading)))
        print(f"Result: {place}")
        print(f"For the page on visits: copy {result} into the folder of the records")
    else:
        print(f"Look: {place}")
    return 0


def _open(chosen: argparse.Namespace) -> tuple[records.Records, date]:
    writing.check_folder(chosen.out)
    loaded = records.load(chosen.folder)
    as_of = chosen.as_of or exposure.last_day(loaded)
    if as_of is None:
        raise TrialError("the records hold no completed visit and no replacement: there is nothing to go by")
    return loaded, as_of


def _names(loaded: records.Records) -> Callable[[str], Named]:
    sites = loaded.table("sites")[["site_id", "site_name"]].dropna().drop_duplicates("site_id")
    known = dict(zip(sites["site_id"], sites["site_name"], strict=True))
    return lambda site: Named(known.get(site, ""), site)


def _write_page(shown: Page, company: str, path: Path) -> Path:
    about = f"{company}, for us" if company else "for us"
    return writing.write_whole(path, body.render_shown(shown.title, about, [shown.head, shown.rest]))
