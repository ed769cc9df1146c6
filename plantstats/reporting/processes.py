"""Tasks and notebooks in processes of their own, two at a time; what became of each notebook."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

from tqdm import tqdm

from plantstats.reporting.forks import AT_A_TIME, Ended, Forks, Task
from plantstats.reporting.names import page_name
from plantstats.reporting.notebook_file import NotebookNode, nbformat
from plantstats.reporting.outputs import RESULTS_FOLDER, NotebookResults, load_results
from plantstats.reporting.parameters import Literal

NOTEBOOK_SECONDS = 7200  # A run ends, whatever a cell does.
POLL_SECONDS = 1.0  # Between looks at the clock.
AFTER_LAST = -1  # cell of a notebook that ran to its end
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
        Number of the cell that failed, counted in the notebook as it was given; AFTER_LAST for its files.
    body : str
        The body of its page, where every cell ran to its end.
    """

    path: Path
    notebook: NotebookNode
    results: NotebookResults | None
    ended: Ended
    error: str = ""
    reason: str = ""
    cell: int = 0
    body: str = ""

    @property
    def printed_errors(self) -> list[str]:
        """First lines of what cells wrote on the error stream, warnings of libraries for the most part."""
        outputs = [output for cell in self.notebook.cells for output in cell.get("outputs", [])]
        return [o.text.strip().partition("\n")[0] for o in outputs if o.get("name") == "stderr" and o.text.strip()]


def run_all(
    forks: Forks,
    folder: Path,
    parameters: Mapping[Path, Mapping[str, Literal]],
    bar: tqdm,
    tasks: Sequence[Task] = (),
    at_a_time: int = AT_A_TIME,
    rests_on: Mapping[str, Sequence[str]] = MappingProxyType({}),
    finished: Callable[[Outcome], Sequence[Task]] = lambda _: (),
) -> tuple[dict[str, Ended], list[Outcome], dict[int, str]]:
    """Run tasks and notebooks, each notebook from top to bottom in a process of its own of this very Python.

    Parameters
    ----------
    forks : Forks
        Runs them.
    folder : Path
        Where notebooks may write; the caller removes it.
    parameters : mapping of Path to mapping
        Notebooks, with values for each of them (checked).
    bar : tqdm
        Shows what is being done, and how many notebooks are done.
    tasks : sequence of Task
        What is done for the notebooks, in this order.
    at_a_time : int
        How many processes run beside each other as long as there are tasks.
    rests_on : mapping of str to sequence of str
        Notebook (without ending) to what tasks must have made before it starts: one that is not named waits for
        all tasks.
    finished : callable
        Is told of each notebook as soon as it has ended, while others run; gives tasks that follow from it, which are
        started when nothing else can be.

    Returns
    -------
    ended : dict of str to Ended
        Of tasks by their names.
    outcomes : list of Outcome
        In the order of `parameters`; a notebook that fails does not stop the others.
    running : dict of int to str
        Number to name of tasks that followed and have not ended yet.

    Raises
    ------
    PlantstatsError, RuntimeError
        The first error that ends one of `tasks`; what runs beside it goes on until `forks` is left.
    """
    queue = _Queue(forks, folder, dict(parameters), bar, list(tasks), at_a_time, rests_on)
    outcomes: dict[Path, Outcome] = {}
    while queue.goes_on():
        queue.start()
        notebooks = queue.collect()
        queue.start()  # before what is made here of those that have ended
        for path, end in notebooks.items():
            outcomes[path] = _outcome(path, folder / page_name(path), end, path in queue.late)
            queue.following += finished(outcomes[path])
    queue.start_following()
    names = [task.name for task in tasks]
    ended = {name: queue.ended[name] for name in (*names, *queue.ended)}
    return ended, [outcomes[path] for path in parameters], {n: one.name for n, one in queue.running.items()}


class _Queue:
    """Tasks and notebooks that wait, run or have ended."""

    def __init__(
        self,
        forks: Forks,
        folder: Path,
        parameters: dict[Path, Mapping[str, Literal]],
        bar: tqdm,
        tasks: list[Task],
        at_a_time: int,
        rests_on: Mapping[str, Sequence[str]],
    ) -> None:
        self.forks, self.folder, self.parameters, self.bar = forks, folder, parameters, bar
        self.tasks, self.at_a_time = tasks, at_a_time
        self.following: list[Task] = []
        self.left = {task.name for task in tasks}
        self.ended: dict[str, Ended] = {}
        self.waiting = {path: rests_on.get(page_name(path)) for path in parameters}
        self.running: dict[int, Task | Path] = {}
        self.started: dict[int, float] = {}
        self.late: set[Path] = set()

    def goes_on(self) -> bool:
        """Whether a task or a notebook waits or runs, but for those that followed."""
        return bool(self.left or self.waiting or any(isinstance(one, Path) for one in self.running.values()))

    def start(self) -> None:
        """Start what may run now: tasks first, then notebooks whose results have been made, then what followed."""
        while (one := self._next()) is not None:
            self._start(one)
            names = [page_name(one).replace("_", " ") for one in self.running.values() if isinstance(one, Path)]
            if names:
                self.bar.set_description_str(", ".join(names))

    def start_following(self) -> None:
        """Start all that followed and waits still."""
        while self.following:
            self._start(self.following.pop(0))

    def _start(self, one: Task | Path) -> None:
        task = one if isinstance(one, Task) else _task(one, self.parameters[one], self.folder)
        number = self.forks.start(task)
        self.running[number], self.started[number] = one, time.monotonic()

    def _next(self) -> Task | Path | None:
        if len(self.running) >= (self.at_a_time if self.left else AT_A_TIME):
            return None
        if self.tasks:
            return self.tasks.pop(0)
        completed = self.forks.completed
        ready = (
            p
            for p, names in self.waiting.items()
            if not self.left or (names is not None and completed.issuperset(names))
        )
        path = next(ready, None)
        if path is None:
            return self.following.pop(0) if self.following else None
        del self.waiting[path]
        return path

    def collect(self) -> dict[Path, Ended]:
        """Wait a little; notebooks that have ended. What runs too long is ended."""
        notebooks = {}
        for number, end in self.forks.wait(POLL_SECONDS, self.bar.set_description_str).items():
            one = self.running.pop(number)
            if isinstance(one, Task):
                if one.name in self.left:
                    end.reraise(one.name)
                self.ended[one.name] = end
                self.left.discard(one.name)
            else:
                notebooks[one] = end
                self.bar.update()
        for number, one in self.running.items():
            late = time.monotonic() - self.started[number] > NOTEBOOK_SECONDS
            if late and isinstance(one, Path) and one not in self.late:
                self.late.add(one)
                self.forks.stop(number)
        return notebooks


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
        name, why = ended.fault or ("ProcessError", "")
        return Outcome(path, notebook, None, ended, name.rpartition(":")[2], why or "did not run to its end", last)
    body = ran.with_suffix(".html").read_text(encoding="utf-8")
    return Outcome(path, notebook, load_results(own), ended, body=body)


def _running(cell: NotebookNode) -> bool:
    return cell.metadata.get("papermill", {}).get("status") != "completed"
