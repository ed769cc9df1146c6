"""The strict runner: notebooks and parameters in, one complete report or a clear refusal out."""

from __future__ import annotations

import contextlib
import json
import shutil
import signal
import sys
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import FIRST_EXCEPTION, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import FrameType, MappingProxyType

import nbformat
import pandas as pd
from nbformat import NotebookNode

from plantstats import findings as results
from plantstats.reporting import files, provenance, template
from plantstats.reporting.errors import ReportError
from plantstats.reporting.outputs import Handover, collect

AT_A_TIME = 2  # Kernels; each holds the libraries in memory and mostly keeps one core busy.


@dataclass(frozen=True)
class Report:
    """A report in its place: its folder, its pages, the headline sentences, remarks on how it was made."""

    folder: Path
    pages: list[Path]
    sentences: list[str]
    remarks: list[str]


def run(
    notebooks: Path | Sequence[Path],
    parameters: Mapping[str, template.Literal],
    out: Path,
    about: str = "",
    sources: Mapping[str, object] | None = None,
    *,
    again: bool = True,
    may_refuse: Mapping[str, Sequence[str]] = MappingProxyType({}),
) -> Report:
    """Run report notebooks strictly and put pages, findings and the record of their making in one folder.

    Takes:  notebooks: one or several, each with exactly these parameters; out: folder of the report;
            about: one line for the head of the pages; sources: what else made_with.json shall hold, such as
            inputs (file name to digest) and account; again: make the report even if the one in its place was made
            from the same inputs, parameters, notebooks, program and libraries; may_refuse: notebook (without ending)
            to the errors by which it says that the records do not carry its page: the rest is published without it,
            and a remark says why.
    Gives:  Report. The folder holds <notebook>.html for each, made_with.json, findings.csv and
            findings.parquet when a notebook kept findings, and what notebooks put into `place_for_files`.
    Keeps:  whole files or none: an earlier report stays as it was until the new one is complete.
    Raises: ReportError, before any cell runs, for a notebook or parameters that may not be run; also for a
            cell that failed or a kernel that died, leaving <notebook>.failed.ipynb. SystemExit(143) when the
            system asks the run to end.
    """
    started, clock = datetime.now().astimezone(), time.monotonic()
    templates = _checked([notebooks] if isinstance(notebooks, Path) else list(notebooks), parameters)
    versions = provenance.versions()
    remarks = [
        f"{t.path.name} names the kernel {t.kernel}; it ran in this program's own Python {versions['python']}"
        for t in templates
        if t.kernel not in ("", "python3")
    ]
    made_from = {
        "parameters": dict(parameters),
        "inputs": (sources or {}).get("inputs"),
        "notebooks": {t.path.name: files.digest(t.path) for t in templates},
        "versions": versions,
        "program": provenance.program(),
    }
    earlier = None if again else files.unchanged(out, made_from)
    if earlier is not None:
        remarks.append(f"nothing has changed since {out} was made on {earlier['made_at']}: same inputs, same program")
        names = sorted(name for name in dict(earlier["files"]) if name.endswith(".html"))  # type: ignore[call-overload]
        return Report(out, [out / name for name in names], list(earlier["sentences"]), remarks)  # type: ignore[call-overload]
    with files.making(out) as workshop:
        done, refused = _run_all(templates, parameters, workshop, out, started, may_refuse)
        remarks += refused
        record: dict[str, object] = {
            "made_at": started.isoformat(timespec="seconds"),
            "parameters": dict(parameters),
            "notebooks": made_from["notebooks"],
            "versions": versions,
            "made_from": made_from,
            "platform": sys.platform,
            "commit": provenance.commit(),
            "remarks": remarks,
            **(sources or {}),
        }
        complete = workshop / "complete"
        complete.mkdir()
        _write_pages(done, record, about, complete)
        kept = [handover for _, _, handover in done if handover]
        if kept:
            results.write(pd.concat([handover.findings for handover in kept], ignore_index=True), complete)
        for handover in kept:
            for file in handover.files:
                shutil.copy(file, complete / file.name)
        record["files"] = {path.name: files.digest(path) for path in sorted(complete.iterdir())}
        sentences = [sentence for handover in kept for sentence in handover.sentences]
        record["sentences"] = sentences
        record["seconds"] = round(time.monotonic() - clock, 1)
        (complete / files.MADE_WITH).write_text(
            json.dumps(record, indent=1, ensure_ascii=False, default=str) + "\n", encoding="utf-8"
        )
        written = files.publish(complete, out)
    return Report(out, [path for path in written if path.suffix == ".html"], sentences, remarks)


Done = tuple[template.Template, NotebookNode, Handover | None]


def _checked(paths: list[Path], parameters: Mapping[str, template.Literal]) -> list[template.Template]:
    templates, faults = [], []
    for path in paths:
        try:
            one = template.read(path)
            template.check_parameters(one, parameters)
            templates.append(one)
        except ReportError as fault:
            faults.append(str(fault))
    if faults:
        raise ReportError("\n".join(faults))
    return templates


def _run_all(
    templates: list[template.Template],
    parameters: Mapping[str, template.Literal],
    workshop: Path,
    out: Path,
    started: datetime,
    may_refuse: Mapping[str, Sequence[str]],
) -> tuple[list[Done], list[str]]:
    # Here, not above: a notebook that imports reports for what it shows must not wait for papermill.
    from plantstats.reporting import kernel  # noqa: PLC0415

    kernels = kernel.Kernels()
    progress = sys.stderr.isatty()

    def one(chosen: template.Template) -> Done | str:
        folder = workshop / chosen.path.stem
        folder.mkdir()
        try:
            notebook = kernel.execute(chosen, parameters, folder, kernels, progress)
        except kernel.CellError as error:
            why = _refusal(error.notebook, may_refuse.get(chosen.path.stem, ()))
            if why is None:
                raise
            return f"no page {chosen.path.stem}: {why}"
        return chosen, notebook, collect(folder)

    pool = ThreadPoolExecutor(AT_A_TIME)
    with _stopped_from_outside():
        try:
            futures: list[Future[Done | str]] = [pool.submit(one, chosen) for chosen in templates]
            wait(futures, return_when=FIRST_EXCEPTION)
            # The error that came first: those of the others, which are stopped below, say nothing new.
            broken = [f for f in futures if f.done() and f.exception() is not None]
            if broken:
                broken[0].result()
            ended = [future.result() for future in futures]
            return [one for one in ended if not isinstance(one, str)], [one for one in ended if isinstance(one, str)]
        except kernel.CellError as error:
            kept = _keep_failed(error.notebook, str(error).partition(":")[0], out)
            earlier = files.earlier_report(out, started)
            lines = [str(error), f"what was made until then: {kept}", earlier]
            raise ReportError("\n".join(filter(None, lines))) from None
        finally:
            kernels.stop()
            pool.shutdown(cancel_futures=True)


def _refusal(notebook: NotebookNode, errors: Sequence[str]) -> str | None:
    """What the failed cell said, if it ended in one of these errors."""
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", []) if output.output_type == "error"]
    return next((output.evalue for output in outputs if output.ename in errors), None)


def _write_pages(done: list[Done], record: Mapping[str, object], about: str, folder: Path) -> None:
    from plantstats.reporting import page  # noqa: PLC0415 (nbconvert is slow to import; see above)

    rows = provenance.rows(record)
    for chosen, notebook, handover in done:
        meanings = handover.definitions if handover else {}
        html = page.make(notebook, chosen.path.name, about, meanings, rows)
        (folder / f"{chosen.path.stem}.html").write_text(html, encoding="utf-8")


def _keep_failed(notebook: NotebookNode, name: str, out: Path) -> Path:
    # papermill notes its whole input here; the cells say it already.
    notebook.metadata.get("papermill", {}).pop("input_path", None)
    out.mkdir(parents=True, exist_ok=True)
    path = out / f"{Path(name).stem}.failed.ipynb"
    nbformat.write(notebook, path)
    return path


@contextlib.contextmanager
def _stopped_from_outside() -> Iterator[None]:
    """Turn the system's request to end (time limit, shutdown) into SystemExit, so that all is cleared up."""

    def stop(number: int, _frame: FrameType | None) -> None:
        raise SystemExit(128 + number)

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    wanted = [getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {number: signal.signal(number, stop) for number in wanted}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
