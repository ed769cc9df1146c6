"""Notebooks in processes of their own, two at a time: started, watched, ended; what became of each."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import nbformat
from nbformat import NotebookNode
from tqdm import tqdm

from plantstats.reporting.outputs import RESULTS_FOLDER, NotebookResults, load_results
from plantstats.reporting.parameters import Literal

AT_A_TIME = 2  # Notebooks; each holds the libraries in memory and mostly keeps one core busy.
NOTEBOOK_SECONDS = 7200  # A run ends, whatever a cell does.
GRACE_SECONDS = 5  # For a notebook that was asked to end, before it is ended.
POLL_SECONDS = 0.1
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS")
ADDED_BY_PAPERMILL = {"injected-parameters", "papermill-error-cell-tag"}

Prepare = Callable[[Callable[[str], None]], object]


@dataclass(frozen=True)
class Outcome:
    """What became of one notebook.

    Attributes
    ----------
    path : Path
        The notebook that was run.
    notebook : NotebookNode
        It with its outputs, as far as it came.
    results : NotebookResults or None
        What it saved.
    error : str
        Name of the error that ended it, such as "ModelError"; "" when every cell ran to its end.
    reason : str
        What the error says.
    cell : int
        Number of the cell that failed, counted in the notebook as it was given.
    """

    path: Path
    notebook: NotebookNode
    results: NotebookResults | None
    error: str = ""
    reason: str = ""
    cell: int = 0

    @property
    def printed_errors(self) -> list[str]:
        """First lines of what cells wrote on the error stream, warnings of libraries for the most part."""
        outputs = [output for cell in self.notebook.cells for output in cell.get("outputs", [])]
        return [o.text.strip().partition("\n")[0] for o in outputs if o.get("name") == "stderr" and o.text.strip()]


def run_notebooks(
    paths: Sequence[Path], parameters: Mapping[str, Literal], folder: Path, prepare: Prepare | None = None
) -> list[Outcome]:
    """Run notebooks, each from top to bottom in a fresh kernel of this very Python.

    Parameters
    ----------
    paths : sequence of Path
        Notebooks.
    parameters : mapping of str to literal
        Values for all of them (checked).
    folder : Path
        Where the runs may write; the caller removes it.
    prepare : callable, optional
        Called first, with a function that shows on the progress bar what is being computed.

    Returns
    -------
    list of Outcome
        In the order of `paths`; a notebook that fails does not stop the others.

    Raises
    ------
    SystemExit
        With 143 when the system asks the run to end. No process is left then, nor after KeyboardInterrupt.
    """
    _write_kernelspec(folder)
    waiting = list(paths)
    running: dict[Path, tuple[subprocess.Popen[bytes], float]] = {}
    late: set[Path] = set()
    # disable=None: no bar where the error stream is no terminal.
    with stopped_from_outside(), tqdm(total=len(paths), unit="page", disable=None, leave=False) as bar:
        try:
            if prepare is not None:
                prepare(bar.set_description_str)
            while waiting or running:
                while waiting and len(running) < AT_A_TIME:
                    path = waiting.pop(0)
                    running[path] = (_start(path, parameters, folder), time.monotonic())
                    bar.set_description_str(", ".join(one.stem.replace("_", " ") for one in running))
                for path, (process, started) in list(running.items()):
                    if time.monotonic() - started > NOTEBOOK_SECONDS:
                        late.add(path)
                    if path in late or process.poll() is not None:
                        _stop([process])
                        del running[path]
                        bar.update()
                time.sleep(POLL_SECONDS)
        finally:
            _stop([process for process, _ in running.values()])
    return [_outcome(path, folder / path.stem, path in late) for path in paths]


def _write_kernelspec(folder: Path) -> None:
    """A kernel of this Python, found before any other of its name, whatever the notebook names."""
    # -P: a file in the working folder that is named like a library is not taken for it.
    command = [sys.executable, "-P", "-m", "ipykernel", "-f", "{connection_file}"]
    spec = {"argv": command, "display_name": "plantstats", "language": "python"}
    place = folder / "kernels" / "plantstats"
    place.mkdir(parents=True)
    (place / "kernel.json").write_text(json.dumps(spec), encoding="utf-8")


def _start(path: Path, parameters: Mapping[str, Literal], folder: Path) -> subprocess.Popen[bytes]:
    own = folder / path.stem
    own.mkdir()
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONSTARTUP"}
    environment |= dict.fromkeys(THREADS, "1") | {
        RESULTS_FOLDER: str(own),
        "IPYTHONDIR": str(own / "profile"),  # None of the user's start-up files.
        "JUPYTER_PATH": str(folder),
        "JUPYTER_RUNTIME_DIR": str(own / "runtime"),
        "PYTHONHASHSEED": "0",
        "TQDM_DISABLE": "1",
    }
    program = str(Path(__file__).with_name("notebook.py"))
    target = str(own / path.name)
    with (own / "log.txt").open("wb") as log:
        return subprocess.Popen(
            [sys.executable, "-P", program, str(path), target, json.dumps(dict(parameters))],
            stdin=subprocess.PIPE,
            stdout=log,
            stderr=log,
            env=environment,
            start_new_session=True,
        )


def _stop(processes: Sequence[subprocess.Popen[bytes]]) -> None:
    """End processes: each ends its kernel when asked to; one that does not is ended with its group.

    Its standard input is closed last: closed before, it would take itself for left alone (see `notebook`).
    """
    for process in processes:
        process.terminate()
    for process in processes:
        try:
            process.wait(GRACE_SECONDS)
        except subprocess.TimeoutExpired:
            if sys.platform == "win32":
                process.kill()
            else:
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()
        process.stdin.close()  # type: ignore[union-attr]


def _outcome(path: Path, own: Path, late: bool) -> Outcome:
    ran = own / path.name
    # Without a kernel nothing was written.
    notebook = nbformat.read(ran if ran.exists() else path, as_version=4)
    # Where papermill read and wrote is nobody's business.
    for key in ("input_path", "output_path"):
        notebook.metadata.get("papermill", {}).pop(key, None)
    number = last = 0
    errors = []
    for cell in notebook.cells:
        number += not ADDED_BY_PAPERMILL & set(cell.metadata.get("tags", []))
        if cell.metadata.get("papermill", {}).get("start_time"):
            last = number
        errors += [(o.ename, o.evalue, number) for o in cell.get("outputs", []) if o.output_type == "error"]
    if late:
        why = f"ran for more than {NOTEBOOK_SECONDS // 60} minutes and was stopped"
        return Outcome(path, notebook, None, "TimeoutError", why, last)
    if errors:
        return Outcome(path, notebook, None, *errors[0])
    code = [cell for cell in notebook.cells if cell.cell_type == "code" and cell.source.strip()]
    if not code or any(cell.execution_count is None or _running(cell) for cell in code):
        log = (own / "log.txt").read_text(encoding="utf-8", errors="replace").strip().splitlines() or [""]
        error, _, why = log[-1].partition(": ")
        error = error.rpartition(".")[2] or "RuntimeError"
        if error == "DeadKernelError":
            why = "the kernel died (out of memory?)"
        return Outcome(path, notebook, None, error, why or "did not run to its end", last)
    return Outcome(path, notebook, load_results(own))


def _running(cell: NotebookNode) -> bool:
    return cell.metadata.get("papermill", {}).get("status") != "completed"


@contextlib.contextmanager
def stopped_from_outside() -> Iterator[None]:
    """Turn the system's request to end (time limit, shutdown) into SystemExit, so that all is cleared up.

    Yields
    ------
    None
    """

    def stop(number: int, _frame: object) -> None:
        raise SystemExit(128 + number)

    before = {}
    for number in [getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]:
        # Only the main thread may set handlers.
        with contextlib.suppress(ValueError):
            before[number] = signal.signal(number, stop)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
