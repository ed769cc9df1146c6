"""Run one notebook in one fresh kernel of the tool's own Python."""

from __future__ import annotations

import logging
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import papermill
import zmq
import zmq.asyncio
from ipykernel.kernelspec import get_kernel_dict
from jupyter_client.kernelspec import KernelSpec
from jupyter_client.manager import AsyncKernelManager
from jupyter_core.utils import ensure_event_loop
from nbclient.exceptions import CellTimeoutError, DeadKernelError
from nbformat import NotebookNode
from papermill.clientwrap import PapermillNotebookClient
from papermill.engines import NBClientEngine, papermill_engines
from papermill.exceptions import PapermillExecutionError

from plantstats.reporting.errors import ReportError
from plantstats.reporting.outputs import FOLDER
from plantstats.reporting.template import Literal, Template

CELL_SECONDS = 1800  # A run ends, whatever a cell does.
LONGEST_SOCKET_FOLDER = 80  # Bytes; a socket's path may have 107 on Linux and 103 on macOS (unix(7)).
ENGINE = "plantstats"
PUT_IN = {"injected-parameters", "papermill-error-cell-tag"}

# What the libraries say while running is said again, in our words, by the errors raised here.
_log = logging.getLogger(__name__)
_log.addHandler(logging.NullHandler())
_log.propagate = False


class CellError(ReportError):
    """A notebook that did not reach its end; `notebook` is what was made until then."""

    def __init__(self, message: str, notebook: NotebookNode) -> None:
        """Keep the message and the half notebook."""
        self.notebook = notebook
        super().__init__(message)


class Kernels:
    """The kernels of one run, so that all of them can be ended when the run is stopped from outside."""

    def __init__(self) -> None:
        """Begin with none."""
        self._processes: set[subprocess.Popen[bytes]] = set()
        self._lock = threading.Lock()
        self.stopped = False

    def add(self, process: subprocess.Popen[bytes]) -> None:
        """Take note of a kernel; one that comes up after the stop is ended at once."""
        with self._lock:
            self._processes.add(process)
            stopped = self.stopped
        if stopped:
            _end(process)

    def stop(self) -> None:
        """End every kernel with what it started."""
        with self._lock:
            self.stopped = True
            processes = list(self._processes)
        for process in processes:
            _end(process)


class OwnPython(AsyncKernelManager):
    """A kernel of the Python that runs this tool, whatever the notebook names and whatever is installed."""

    def __init__(self, folder: Path, kernels: Kernels) -> None:
        """Prepare a kernel whose connection file, log and profile stay in `folder`."""
        # Files rather than ports where the system has such sockets: faster, and closed to other users.
        local = sys.platform != "win32" and len(os.fsencode(folder)) < LONGEST_SOCKET_FOLDER
        super().__init__(
            transport="ipc" if local else "tcp",
            transport_encryption="auto" if not local and zmq.has("curve") else "disabled",
        )
        self._folder = folder
        self._kernels = kernels
        self.connection_file = str(folder / "kernel.json")

    def _context_default(self) -> zmq.asyncio.Context:
        context = super()._context_default()
        # No limit on what waits to be read: a cell that prints much must not lose its end.
        context.rcvhwm = 0
        return context

    @property
    def kernel_spec(self) -> KernelSpec:
        """How the kernel is started: this Python, no look-up among the installed kernels."""
        # -P: a file in the working folder that is named like a library is not taken for it.
        program = str(Path(__file__).with_name("own_kernel.py"))
        command = [sys.executable, "-P", program, "-f", "{connection_file}"]
        return KernelSpec(**get_kernel_dict() | {"argv": command})

    async def start_kernel(self, **kw: Any) -> None:  # type: ignore[override]
        """Start with a clean profile (no start-up files of the user) and with the folder for what is kept."""
        given = {name: value for name, value in os.environ.items() if name != "PYTHONSTARTUP"}
        ours = {
            FOLDER: str(self._folder),
            "IPYTHONDIR": str(self._folder / "profile"),
            "PYTHONHASHSEED": "0",
            "TQDM_DISABLE": "1",
        }
        with (self._folder / "kernel.log").open("wb") as log:
            await self._async_start_kernel(env=given | ours, stdout=log, stderr=log, **kw)
        process = getattr(self.provisioner, "process", None)
        if process is not None:
            self._kernels.add(process)


class OwnPythonClient(PapermillNotebookClient):
    """papermill's client with a kernel of our own."""

    def __init__(self, nb_man: Any, folder: Path, kernels: Kernels, **kw: Any) -> None:
        """Take note of the folder and the kernels of the run."""
        super().__init__(nb_man, **kw)
        self._folder = folder
        self._kernels = kernels

    def create_kernel_manager(self) -> OwnPython:
        """The one kernel of this run."""
        self.km = OwnPython(self._folder, self._kernels)
        return self.km


class OwnPythonEngine(NBClientEngine):
    """papermill's engine, handing out the notebook that it fills, so that a failed run can be shown."""

    @classmethod
    def execute_managed_notebook(cls, nb_man: Any, kernel_name: str, **kw: Any) -> Any:
        """Run the cells; the list `made` receives the notebook."""
        kw["made"].append(nb_man.nb)
        return OwnPythonClient(
            nb_man,
            folder=kw["folder"],
            kernels=kw["kernels"],
            kernel_name=kernel_name,
            log=_log,
            timeout=CELL_SECONDS,
            iopub_timeout=60,
        ).execute()


papermill_engines.register(ENGINE, OwnPythonEngine)


def execute(
    template: Template, parameters: Mapping[str, Literal], folder: Path, kernels: Kernels, progress: bool
) -> NotebookNode:
    """Run a notebook from top to bottom in a fresh kernel.

    Takes:  template; parameters (checked); folder for this run alone; kernels: where to note the kernel;
            progress: whether to draw a bar.
    Gives:  the notebook with its outputs.
    Keeps:  nothing on disk outside `folder`, no kernel alive.
    Raises: CellError with the error of the failing cell, or the cell in which the kernel died.
    """
    name = template.path.name
    made: list[NotebookNode] = []
    try:
        return papermill.execute_notebook(
            template.notebook,
            None,
            parameters=dict(parameters),
            engine_name=ENGINE,
            kernel_name="python3",
            language="python",
            progress_bar={"desc": name, "leave": False} if progress else False,
            made=made,
            folder=folder,
            kernels=kernels,
        )
    except PapermillExecutionError as error:
        raise CellError(f"{name}: {_where(made[0])}: {error.ename}: {error.evalue}", made[0]) from None
    except CellTimeoutError as error:
        what = f"ran for more than {CELL_SECONDS} seconds and was stopped"
        if "IOPub" in str(error):
            what = "printed faster than it could be read, and its end was lost; print less"
        raise CellError(f"{name}: {_where(made[0])} {what}", made[0]) from None
    except DeadKernelError:
        message = f"{name}: the kernel died in {_where(made[0])} (out of memory?){_tail(folder)}"
        raise CellError(message, made[0]) from None
    except RuntimeError as error:
        # What jupyter_client raises for a kernel that does not come up.
        raise CellError(f"{name}: no kernel could be started: {error}{_tail(folder)}", made[0]) from error
    finally:
        # Made by jupyter_client for this thread, and closed by nobody else.
        ensure_event_loop().close()


def _where(notebook: NotebookNode) -> str:
    """The cell that began last, counted as in the template: without those that papermill put in."""
    number, last = 0, "no cell"
    for cell in notebook.cells:
        if not PUT_IN & set(cell.metadata.get("tags", [])):
            number += 1
        if cell.metadata.get("papermill", {}).get("start_time"):
            last = f"cell {number}"
    return last


def _tail(folder: Path) -> str:
    log = folder / "kernel.log"
    lines = log.read_text(encoding="utf-8", errors="replace").strip().splitlines() if log.exists() else []
    return "; its last words: " + lines[-1] if lines else ""


def _end(process: subprocess.Popen[bytes]) -> None:
    if process.poll() is not None:
        return
    if sys.platform == "win32":
        process.kill()
    else:
        # A kernel leads its own process group: what its cells started ends with it.
        os.killpg(process.pid, signal.SIGKILL)
