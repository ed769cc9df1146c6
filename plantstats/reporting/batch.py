"""One notebook for many clients: pages made in a few processes that stay warm, each opening the records once."""

from __future__ import annotations

import contextlib
import functools
import os
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from datetime import datetime
from multiprocessing import get_context
from pathlib import Path

from tqdm import tqdm

from plantstats import THREADS
from plantstats.digests import file_digest
from plantstats.errors import PlantstatsError
from plantstats.reporting import body, page, pdf, provenance, publish
from plantstats.reporting.errors import ReportError
from plantstats.reporting.forks import AT_A_TIME, environment, stopped_from_outside
from plantstats.reporting.notebook_file import NotebookNode
from plantstats.reporting.outputs import RESULTS_FOLDER
from plantstats.reporting.parameters import Literal, check_parameters, escape_path
from plantstats.reporting.runner import Report

Begin = Callable[[], object]
INDEX = "index.html"
MOST_NAMED = 20  # reasons that a refusal lists


class CellError(RuntimeError):
    """A cell that failed; the message says which, and what the error says."""


@dataclass(frozen=True)
class PageJob:
    """One page to be made.

    Attributes
    ----------
    name : str
        Of its files, without ending.
    parameters : mapping of str to literal
        What the notebook is asked.
    about : str
        One line for the head of the page.
    """

    name: str
    parameters: Mapping[str, Literal]
    about: str


@dataclass(frozen=True)
class PageMade:
    """What became of one page.

    Attributes
    ----------
    name : str
        As in the job.
    reason : str
        Why it could not be made; "" when it stands.
    remark : str
        Why there is no PDF of it, or what cells wrote on the error stream.
    """

    name: str
    reason: str = ""
    remark: str = ""


@dataclass(frozen=True)
class Written:
    """What was put into a folder of pages.

    Attributes
    ----------
    sentences : list of str
        What the command prints.
    missing : dict of str to str
        Whose page could not be made, to the reason.
    remarks : list of str
        On how they were made.
    """

    sentences: list[str]
    missing: dict[str, str]
    remarks: list[str]


def publish_pages(
    notebook: Path,
    jobs: Sequence[PageJob],
    out: Path,
    write: Callable[[Path], Written],
    inputs: Mapping[str, str],
    *,
    digests: Callable[[], Mapping[str, str]],
    again: bool,
) -> Report:
    """Put a folder of pages in its place, whole or not at all, with the record of their making.

    Parameters
    ----------
    notebook : Path
        The template of the pages.
    jobs : sequence of PageJob
        What is asked of it.
    out : Path
        Folder of the report.
    write : callable
        Writes all pages into an empty folder.
    inputs : mapping of str to str
        File name to digest.
    digests : callable
        Gives the digests again after the run: records that changed meanwhile make no report.
    again : bool
        Make the pages even if those in their place were made from the same inputs, program and libraries.

    Returns
    -------
    Report

    Raises
    ------
    ReportError
        For parameters that the notebook does not declare; when there is no page to make, or not one could be made;
        when the records changed meanwhile.
    """
    started, clock = datetime.now().astimezone(), time.monotonic()
    if not jobs:
        raise ReportError("the records name no client, so there is no page to make")
    check_parameters([notebook], jobs[0].parameters)
    made_from = publish.made_from([notebook], [dict(job.parameters) for job in jobs], inputs)
    earlier = None if again else publish.unchanged(out, made_from)
    if earlier is not None:
        return Report(out, [out / INDEX], list(earlier["sentences"]), [publish.nothing_changed(out, earlier)], {})
    with publish.workshop(out) as workshop:
        complete = workshop / "complete"
        complete.mkdir()
        written = write(complete)
        if digests() != inputs:
            raise ReportError("the records changed while the pages were made; run again")
        if len(written.missing) == len(jobs):
            lines = [f"no page of {whose}: {why}" for whose, why in list(written.missing.items())[:MOST_NAMED]]
            raise ReportError("\n".join(filter(None, [*lines, publish.earlier_report(out, started)])))
        record = {
            "made_at": started.isoformat(timespec="seconds"),
            "made_from": None if written.missing else made_from,
            "versions": provenance.versions(),
            "commit": provenance.commit(),
            "sentences": written.sentences,
            "missing": written.missing,
            "inputs": dict(inputs),
            "remarks": written.remarks,
            "files": {path.name: file_digest(path) for path in sorted(complete.iterdir())},
            "seconds": round(time.monotonic() - clock, 1),
        }
        publish.publish(complete, out, record)
    return Report(out, [out / INDEX], written.sentences, written.remarks, written.missing)


def make_pages(notebook: Path, jobs: Sequence[PageJob], folder: Path, begin: Begin) -> list[PageMade]:
    """Make one page, HTML and PDF, for each job.

    Parameters
    ----------
    notebook : Path
        The template of all of them.
    jobs : sequence of PageJob
        What each is asked (parameters checked).
    folder : Path
        Where <name>.html and <name>.pdf are put.
    begin : callable
        Called once in each process, before its first page; can be pickled.

    Returns
    -------
    list of PageMade
        In the order of the jobs; one that fails does not stop the others.

    Raises
    ------
    SystemExit
        With 143 when the system asks the run to end.
    """
    pages: dict[str, PageMade] = {}
    pool = ProcessPoolExecutor(AT_A_TIME, get_context("spawn"), initializer=begin)
    # disable=None: no bar where the error stream is no terminal.
    with (
        stopped_from_outside(),
        _environment(folder.parent),
        tqdm(total=len(jobs), unit="client", disable=None, leave=False) as bar,
    ):
        try:
            running = {pool.submit(_make_page, notebook, job, folder): job.name for job in jobs}
            for future in as_completed(running):
                name = running[future]
                # Whatever ends one page is its reason; a process that dies takes with it the pages that wait.
                error = future.exception()
                pages[name] = PageMade(name, f"{type(error).__name__}: {error}") if error else future.result()
                if pages[name].reason:
                    for path in folder.glob(f"{name}.*"):
                        path.unlink()
                bar.update()
        finally:
            pool.shutdown(cancel_futures=True)
    return [pages[job.name] for job in jobs]


def _environment(workshop: Path) -> contextlib.AbstractContextManager[None]:
    """Environment of the processes: one thread of linear algebra, sets in the same order, nobody's start-up files."""
    return environment(
        dict.fromkeys(THREADS, "1")
        | {"IPYTHONDIR": str(workshop / "profile"), "MPLBACKEND": "agg", "PYTHONHASHSEED": "0", "TQDM_DISABLE": "1"}
    )


@functools.cache
def _template(notebook: Path) -> NotebookNode:
    from papermill.iorw import load_notebook_node  # noqa: PLC0415 (slow to import)

    return load_notebook_node(escape_path(notebook))


def _make_page(notebook: Path, job: PageJob, folder: Path) -> PageMade:
    html = folder / f"{job.name}.html"
    try:
        ran, written = execute(_template(notebook), job.parameters)
    except PlantstatsError as fault:
        return PageMade(job.name, str(fault))
    html.write_text(page.render(ran, body.of(ran), job.name, job.about, []), encoding="utf-8")
    return PageMade(job.name, "", pdf.write(html, html.with_suffix(".pdf")) or written)


def execute(notebook: NotebookNode, parameters: Mapping[str, Literal]) -> tuple[NotebookNode, str]:
    """Run a notebook in this process, parameters put in as papermill puts them, nothing left of the one before.

    Parameters
    ----------
    notebook : NotebookNode
        With one cell tagged `parameters`.
    parameters : mapping of str to literal
        Values by name.

    Returns
    -------
    notebook : NotebookNode
        With its outputs.
    str
        First line of what its cells wrote on the error stream.

    Raises
    ------
    PlantstatsError
        What a cell raised, when a user can put it right.
    CellError
        For any other error of a cell.
    """
    from papermill.parameterize import parameterize_notebook  # noqa: PLC0415 (slow to import)

    from plantstats.reporting.notebook import open_shell, run_cell  # noqa: PLC0415

    shell = open_shell()
    shell.reset(new_session=False)
    ran = parameterize_notebook(notebook, dict(parameters), kernel_name="python3", language="python")
    written = ""
    with tempfile.TemporaryDirectory(prefix="plantstats-") as results:
        os.environ[RESULTS_FOLDER] = results
        try:
            for number, cell in enumerate((c for c in ran.cells if c.cell_type == "code"), 1):
                error = run_cell(shell, cell)
                if isinstance(error, PlantstatsError):
                    raise error
                if error is not None:
                    raise CellError(f"cell {number}: {type(error).__name__}: {error}") from error
                texts = [output.text for output in cell.get("outputs", []) if output.get("name") == "stderr"]
                written = written or "".join(texts).strip().partition("\n")[0]
        finally:
            del os.environ[RESULTS_FOLDER]
    return ran, written
