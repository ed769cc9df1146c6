"""Run one notebook with papermill, its cells in this process, which runs nothing else (see `fork_server`)."""

from __future__ import annotations

import base64
import io
import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import papermill
from IPython.core.displayhook import DisplayHook
from IPython.core.displaypub import DisplayPublisher
from IPython.core.history import HistoryManager
from IPython.core.interactiveshell import InteractiveShell
from nbformat import NotebookNode, v4
from papermill.engines import Engine, NotebookExecutionManager, papermill_engines

from plantstats.reporting import body
from plantstats.reporting.forks import environment
from plantstats.reporting.notebook_file import new_code_cell, new_markdown_cell, new_notebook
from plantstats.reporting.parameters import escape_path

ENGINE = "plantstats"
# One of each thing that pages show.
REHEARSED = """
from pandas import DataFrame
from plantstats.reporting import charts, display, drawing
figure, axes = charts.canvas(1)
axes.plot([0, 1], [0, 1])
display.join([drawing.figure(figure, "a line"), display.table(DataFrame({"number": [1]}), "a table")])
"""


def rehearse() -> None:
    """Make a small page and throw it away: what a first page compiles and reads, those of forks of this process find.

    Notes
    -----
    The shell is new again afterwards.
    """
    with tempfile.TemporaryDirectory(prefix="plantstats-") as own, environment({"IPYTHONDIR": own}):
        shell, cell = open_shell(), new_code_cell(REHEARSED)
        run_cell(shell, cell)
        body.of(new_notebook(cells=[new_markdown_cell("# A page"), cell]))
        shell.reset()


def run(report: Callable[[str], None], source: str, target: str, parameters: dict[str, Any]) -> None:
    """Run a notebook from top to bottom.

    Parameters
    ----------
    report : callable
        Not needed here: a notebook says nothing of what it is doing.
    source, target : str
        The notebook, and where it stands with its outputs, also when a cell fails; the body of its page stands beside
        it (.html) when none does.
    parameters : dict
        Values by name.
    """
    papermill_engines.register(ENGINE, InProcess)
    ran = papermill.execute_notebook(
        escape_path(source),
        escape_path(target),
        parameters=parameters,
        engine_name=ENGINE,
        kernel_name="plantstats",
        language="python",
        progress_bar=False,
    )
    Path(target).with_suffix(".html").write_text(body.of(ran), encoding="utf-8")


class InProcess(Engine):
    """Engine of papermill that runs cells in an IPython shell of this process: no kernel to start, none to wait for."""

    @classmethod
    def execute_managed_notebook(cls, nb_man: NotebookExecutionManager, kernel_name: str, **_: object) -> None:
        """Run the cells in turn up to the first that fails; see `papermill.engines.Engine`.

        Parameters
        ----------
        nb_man : papermill.engines.NotebookExecutionManager
            Holds the notebook, writes it as it goes.
        kernel_name : str
            Of no meaning here.
        **_
            What other engines need.
        """
        nb_man.nb.metadata["language_info"] = {"name": "python"}
        shell = open_shell()
        for index, cell in enumerate(nb_man.nb.cells):
            nb_man.cell_start(cell, index)
            try:
                fault = run_cell(shell, cell)
                if fault is not None:
                    nb_man.cell_exception(cell, cell_index=index, exception=fault)
                    break
            finally:
                nb_man.cell_complete(cell, cell_index=index)


class Cells(list[NotebookNode]):
    """Outputs of the cell that runs, in the form of nbformat."""

    def stream(self, name: str, text: str) -> None:
        """Add what was printed; text of one stream in a row is one output.

        Parameters
        ----------
        name : str
            "stdout" or "stderr".
        text : str
            What was printed.
        """
        if self and self[-1].output_type == "stream" and self[-1].name == name:
            self[-1].text += text
        else:
            self.append(v4.new_output("stream", name=name, text=text))


OUTPUTS = Cells()


class _Stream(io.TextIOBase):
    """A stream whose text becomes outputs of the cell."""

    encoding = "utf-8"

    def __init__(self, name: str) -> None:
        self.of = name

    def writable(self) -> bool:
        return True

    def write(self, text: str, /) -> int:
        if text:
            OUTPUTS.stream(self.of, text)
        return len(text)


class _Hook(DisplayHook):
    """Keeps the value of a cell's last line."""

    def write_output_prompt(self) -> None:
        """Nothing: there is no terminal."""

    def write_format_data(self, format_dict: dict[str, Any], md_dict: dict[str, Any] | None = None) -> None:
        """Add the value to the outputs."""
        output = {"data": _plain(format_dict), "metadata": md_dict or {}, "execution_count": self.prompt_count}
        OUTPUTS.append(v4.new_output("execute_result", **output))


class _Publisher(DisplayPublisher):
    """Keeps what a cell displays."""

    def publish(self, data: Any, metadata: Any = None, *_: Any, **__: Any) -> None:
        """Add it to the outputs."""
        OUTPUTS.append(v4.new_output("display_data", data=_plain(data), metadata=metadata or {}))

    def clear_output(self, wait: bool = False) -> None:
        """Forget what the cell gave so far."""
        OUTPUTS.clear()


class _Shell(InteractiveShell):
    """IPython without a terminal."""

    displayhook_class = _Hook
    display_pub_class = _Publisher

    def enable_gui(self, gui: object = None) -> None:
        """Nothing: there is no window system."""

    def init_history(self) -> None:
        """Nothing is kept on disk."""
        self.history_manager = HistoryManager(shell=self, parent=self, enabled=False)

    def _showtraceback(self, etype: type[BaseException], evalue: BaseException, stb: list[str]) -> None:
        OUTPUTS.append(v4.new_output("error", ename=etype.__name__, evalue=str(evalue), traceback=list(stb)))


def open_shell() -> InteractiveShell:
    """Open the IPython shell of this process: no profile, no history, no start-up file of the user.

    Returns
    -------
    IPython.core.interactiveshell.InteractiveShell
    """
    os.environ.setdefault("MPLBACKEND", "module://matplotlib_inline.backend_inline")  # as in JupyterLab
    shell: InteractiveShell = _Shell.instance()
    # Rich forms of a value, not the plain text of a terminal alone.
    assert shell.display_formatter is not None
    shell.display_formatter.active_types = shell.display_formatter.format_types
    return shell


def run_cell(shell: InteractiveShell, cell: NotebookNode) -> BaseException | None:
    """Run a cell and put its outputs into it.

    Parameters
    ----------
    shell : IPython.core.interactiveshell.InteractiveShell
        From `open_shell`.
    cell : NotebookNode
        Text is left as it is.

    Returns
    -------
    BaseException or None
        The error that ended it, if one did.
    """
    if cell.cell_type != "code" or not cell.source.strip():
        return None
    OUTPUTS.clear()
    before = sys.stdout, sys.stderr
    sys.stdout, sys.stderr = _Stream("stdout"), _Stream("stderr")
    cell.execution_count = shell.execution_count
    try:
        done = shell.run_cell(cell.source, store_history=True)
    finally:
        sys.stdout, sys.stderr = before
        cell.outputs = list(OUTPUTS)
    return done.error_before_exec or done.error_in_exec


def _plain(data: dict[str, Any]) -> dict[str, Any]:
    """Images in letters, as notebooks hold them."""
    return {k: base64.b64encode(v).decode() if isinstance(v, bytes) else v for k, v in data.items()}
