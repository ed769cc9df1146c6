"""The strict runner: notebooks and parameters in, one complete report or a clear refusal out."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import MappingProxyType
from typing import Any

from tqdm import tqdm

from plantstats import findings as results
from plantstats.digests import file_digest
from plantstats.reporting import all_findings, provenance, publish
from plantstats.reporting.errors import ReportError
from plantstats.reporting.forks import AT_A_TIME, Ended, Forks, Task
from plantstats.reporting.names import page_name
from plantstats.reporting.page import title
from plantstats.reporting.page_writer import FOR_CLIENT, PDF, PageWriter, is_unexpected, keep_failed, reason
from plantstats.reporting.parameters import Literal, check_parameters
from plantstats.reporting.processes import Outcome, run_all

WORKBOOK = "findings.xlsx"
INPUTS = ("inputs", "earlier", "trials")  # of `sources`: what the report was made from


@dataclass(frozen=True)
class Report:
    """A report in its place.

    Attributes
    ----------
    folder : Path
        Where it stands.
    pages : list of Path
        Its pages, those that only say why they could not be made among them.
    sentences : list of str
        The headlines.
    remarks : list of str
        On how it was made.
    missing : dict of str to str
        Notebook (without ending) whose page could not be made, to the reason.
    """

    folder: Path
    pages: list[Path]
    sentences: list[str]
    remarks: list[str]
    missing: dict[str, str]


def run(
    notebooks: Path | Sequence[Path],
    parameters: Mapping[str, Literal],
    out: Path,
    about: str = "",
    sources: Mapping[str, object] = MappingProxyType({}),
    *,
    digests: Callable[[], Mapping[str, str]] | None = None,
    again: bool = True,
    for_client: bool = False,
    copies: bool = False,
    forks: Forks | None = None,
    tasks: Sequence[Task] = (),
    at_a_time: int = AT_A_TIME,
    rests_on: Mapping[str, Sequence[str]] = MappingProxyType({}),
    method_page: str = "",
    as_pdf: Sequence[str] = (),
    own_parameters: Mapping[str, Mapping[str, Literal]] = MappingProxyType({}),
) -> Report:
    """Run report notebooks strictly and put pages, findings and the record of their making in one folder.

    Parameters
    ----------
    notebooks : Path or sequence of Path
        One or several, each with exactly these parameters.
    parameters : mapping of str to literal
        Values by name.
    out : Path
        Folder of the report.
    about : str
        One line for the head of the pages.
    sources : mapping
        What else made_with.json shall hold, such as inputs (file name to digest) and account.
    digests : callable, optional
        Gives the digests of the inputs again after the run: records that changed meanwhile make no report.
    again : bool
        Make the report even if the one in its place was made from the same inputs, parameters, notebooks, program
        and libraries.
    for_client : bool
        The folder goes to a client: no message, no remark, no half notebook of a page that could not be made.
    copies : bool
        Keep each notebook as it ran, with its outputs, beside its page.
    forks : Forks, optional
        Where processes are forked from; one of its own without.
    tasks : sequence of Task
        What is done for the notebooks; an error of one ends the run.
    at_a_time : int
        How many processes run beside each other as long as there are tasks.
    rests_on : mapping of str to sequence of str
        Page (without ending) to what tasks must have made before its notebook starts; others wait for all tasks.
    method_page : str
        The page that says for all of them what measures mean and what made them; "" for each page its own.
    as_pdf : sequence of str
        Pages (without ending) that are made as PDF too.
    own_parameters : mapping of str to mapping
        Notebook (without ending) to parameters that it has beside those of all.

    Returns
    -------
    Report
        The folder holds <notebook>.html for each, made_with.json, findings.csv, findings.parquet and findings.xlsx when
        a notebook saved findings, and what notebooks put into `output_folder`. A page that could not be made says why
        in its place; of an unexpected error <notebook>.failed.ipynb holds what was made until then.

    Raises
    ------
    ReportError
        Before any cell runs, for parameters that a notebook does not declare; when not one page could be made; when
        the records changed meanwhile.
    SystemExit
        With 143 when the system asks the run to end.

    Notes
    -----
    Whole files or none: an earlier report stays as it was until the new one is complete.
    """
    started, clock = datetime.now().astimezone(), time.monotonic()
    paths = [notebooks] if isinstance(notebooks, Path) else list(notebooks)
    given = {path: {**parameters, **own_parameters.get(page_name(path), {})} for path in paths}
    shared = [path for path in paths if page_name(path) not in own_parameters]
    check_parameters(shared, parameters)
    for path in [path for path in paths if path not in shared]:
        check_parameters([path], given[path])
    made_from = publish.made_from(paths, [dict(one) for one in given.values()], [sources.get(key) for key in INPUTS])
    earlier = None if again else publish.unchanged(out, made_from)
    if earlier is not None:
        return _report(out, earlier, [publish.nothing_changed(out, earlier)])
    with contextlib.ExitStack() as stack:
        forks = forks or stack.enter_context(Forks())
        workshop = stack.enter_context(publish.workshop(out))
        forks.use(workshop)
        complete = workshop / "complete"
        complete.mkdir()
        basis: dict[str, Any] = {
            "made_at": started.isoformat(timespec="seconds"),
            "parameters": provenance.without_places(parameters),
            "versions": provenance.versions(),
        }
        pages = PageWriter(complete, about, {**basis, **sources}, given, for_client, copies, method_page, as_pdf)
        # disable=None: no bar where the error stream is no terminal.
        with tqdm(total=len(paths), unit="page", disable=None, leave=False) as bar:
            ended, outcomes, running = run_all(forks, workshop, given, bar, tasks, at_a_time, rests_on, pages.finished)
        saved = [outcome.results for outcome in outcomes if outcome.results]
        if saved and not for_client:
            running |= _begin_workbook(forks, outcomes, workshop, complete)
        if digests is not None and digests() != sources.get("inputs"):
            raise ReportError("the records changed while the report was made; run again")
        if saved and not for_client:
            results.write(all_findings.gather(saved), complete)
        ended |= _wait_for(forks, running)
        outcomes = [pages.complete(outcome, ended) for outcome in outcomes]
        missing = {page_name(o.path): reason(o) for o in outcomes if o.error}
        if len(missing) == len(outcomes):
            raise ReportError(_nothing_made(outcomes, missing, out, started, for_client))
        remarks = [f"{o.path.name}: {line}" for o in outcomes for line in o.printed_errors]
        record = basis | {
            # A page that failed for want of memory, say, is tried again.
            "made_from": made_from if not any(map(is_unexpected, outcomes)) else None,
            "platform": sys.platform,
            "commit": pages.commit,
            "sentences": list(dict.fromkeys(sentence for one in saved for sentence in one.sentences)),
            "missing": dict.fromkeys(missing, FOR_CLIENT) if for_client else missing,
            **sources,
        }
        record |= {} if for_client else {"remarks": remarks, "definitions": all_findings.meanings(saved)}
        remarks += [end.remark for name, end in ended.items() if name.endswith(PDF) and end.remark]
        record["files"] = {path.name: file_digest(path) for path in sorted(complete.iterdir())}
        record["seconds"] = round(time.monotonic() - clock, 1)
        if not for_client:
            record["processes"] = [
                {"name": name, "seconds": round(end.seconds, 2), "peak_mib": round(end.peak / 2**20)}
                for name, end in (ended | {page_name(o.path): o.ended for o in outcomes}).items()
            ]
        publish.publish(complete, out, record)
    return _report(out, record | {"missing": missing}, remarks)


def _report(out: Path, record: Mapping[str, Any], remarks: list[str]) -> Report:
    pages = [out / name for name in sorted(record["files"]) if name.endswith(".html")]
    return Report(out, pages, list(record["sentences"]), remarks, dict(record.get("missing", {})))


def _nothing_made(
    outcomes: Sequence[Outcome], missing: Mapping[str, str], out: Path, now: datetime, for_client: bool
) -> str:
    lines = [f"no page {name}: {why}" for name, why in missing.items()]
    if not for_client:
        out.mkdir(parents=True, exist_ok=True)
        lines += [f"what was made until then: {keep_failed(o, out)}" for o in outcomes if is_unexpected(o)]
    return "\n".join(filter(None, [*lines, publish.earlier_report(out, now)]))


def _begin_workbook(forks: Forks, outcomes: Sequence[Outcome], workshop: Path, complete: Path) -> dict[int, str]:
    """Begin to write findings.xlsx in a process of its own; number of the task to name."""
    titles = {str(workshop / page_name(o.path)): title(o.notebook) or page_name(o.path) for o in outcomes if o.results}
    arguments = {"titles": titles, "path": str(complete / WORKBOOK)}
    task = Task(WORKBOOK, "plantstats.reporting.all_findings:write_workbook", arguments, workshop / "log")
    return {forks.start(task): task.name}


def _wait_for(forks: Forks, running: Mapping[int, str]) -> dict[str, Ended]:
    """Wait until tasks have ended; how, by their names."""
    ended: dict[str, Ended] = {}
    while len(ended) < len(running):
        for number, end in forks.wait(1.0).items():
            if running[number] == WORKBOOK:
                end.reraise(WORKBOOK)
            ended[running[number]] = end
    return ended
