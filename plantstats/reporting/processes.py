"""Notebooks in processes of their own, two at a time; what became of each."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from tqdm import tqdm

from plantstats.reporting.forks import AT_A_TIME, Ended, Forks, Task
from plantstats.reporting.names import page_name
from plantstats.reporting.notebook_file import NotebookNode, nbformat
from plantstats.reporting.outputs import RESULTS_FOLDER, NotebookResults, load_results
from plantstats.reporting.parameters import Literal

NOTEBOOK_SECONDS = 7200  # A run ends, whatever a cell does.
POLL_SECONDS = 1.0  # Between looks at the clock.
ADDED_BY_PAPERMILL = {"injected-parameters", "papermill-error-cell-tag"}


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
    ended : Ended
        How its process ended.
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
    ended: Ended
    error: str = ""
    reason: str = ""
    cell: int = 0

    @property
    def printed_errors(self) -> list[str]:
        """First lines of what cells wrote on the error stream, warnings of libraries for the most part."""
        outputs = [output for cell in self.notebook.cells for output in cell.get("outputs", [])]
        return [o.text.strip().partition("\n")[0] for o in outputs if o.get("name") == "stderr" and o.text.strip()]


def run_notebooks(
    forks: Forks, folder: Path, paths: Sequence[Path], parameters: Mapping[Path, Mapping[str, Literal]], bar: tqdm
) -> list[Outcome]:
    """Run notebooks, each from top to bottom in a process of its own of this very Python.

    Parameters
    ----------
    forks : Forks
        Runs them.
    folder : Path
        Where they may write; the caller removes it.
    paths : sequence of Path
        Notebooks.
    parameters : mapping of Path to mapping
        Values for each of them (checked).
    bar : tqdm
        Shows which notebooks run, and how many are done.

    Returns
    -------
    list of Outcome
        In the order of `paths`; a notebook that fails does not stop the others.
    """
    waiting = list(paths)
    running: dict[int, tuple[Path, float]] = {}
    late: set[Path] = set()
    ended: dict[Path, Ended] = {}
    while waiting or running:
        while waiting and len(running) < AT_A_TIME:
            path = waiting.pop(0)
            running[forks.start(_task(path, parameters[path], folder))] = (path, time.monotonic())
            bar.set_description_str(", ".join(page_name(one).replace("_", " ") for one, _ in running.values()))
        for number, end in forks.wait(POLL_SECONDS).items():
            ended[running.pop(number)[0]] = end
            bar.update()
        for number, (path, started) in running.items():
            if time.monotonic() - started > NOTEBOOK_SECONDS and path not in late:
                late.add(path)
                forks.stop(number)
    return [_outcome(path, folder / page_name(path), ended[path], path in late) for path in paths]


def _task(path: Path, parameters: Mapping[str, Literal], folder: Path) -> Task:
    own = folder / page_name(path)
    own.mkdir()
    # IPython: none of the user's start-up files.
    environment = {RESULTS_FOLDER: str(own), "IPYTHONDIR": str(own / "profile")}
    arguments = {"source": str(path), "target": str(own / path.name), "parameters": dict(parameters)}
    call = "plantstats.reporting.notebook:run"
    return Task(page_name(path), call, arguments, own / "log.txt", environment)


def _outcome(path: Path, own: Path, ended: Ended, late: bool) -> Outcome:
    ran = own / path.name
    # A process that was ended before the first cell has written nothing.
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
        return Outcome(path, notebook, None, ended, "TimeoutError", why, last)
    if errors:
        return Outcome(path, notebook, None, ended, *errors[0])
    code = [cell for cell in notebook.cells if cell.cell_type == "code" and cell.source.strip()]
    # A process that dies in the last cell may leave a notebook that looks whole.
    if ended.status or not code or any(cell.execution_count is None or _running(cell) for cell in code):
        name, why = ended.error or ("ProcessError", "its process was ended (out of memory?)")
        return Outcome(path, notebook, None, ended, name.rpartition(":")[2], why or "did not run to its end", last)
    return Outcome(path, notebook, load_results(own), ended)


def _running(cell: NotebookNode) -> bool:
    return cell.metadata.get("papermill", {}).get("status") != "completed"
