"""Tasks in processes of their own, forked from one that holds the libraries already; started, watched, ended."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from plantstats import QUERY_THREADS, THREADS
from plantstats.errors import Refusal

# What notebooks need; nbformat before whatever imports it otherwise.
NBFORMAT, RUNS_NOTEBOOKS = "plantstats.reporting.notebook_file", "plantstats.reporting.notebook:rehearse"
AT_A_TIME = 2  # Tasks and notebooks; each mostly keeps one core busy.
GRACE_SECONDS = 5  # For the server to end its tasks, before it is ended.


@dataclass(frozen=True)
class Task:
    """What a process is to do.

    Attributes
    ----------
    name : str
        Of the task, in messages.
    call : str
        "package.module:function", which takes a function that tells what is being done, then the arguments.
    arguments : dict
        Plain values.
    log : Path
        Where it prints.
    environment : dict of str to str
        Variables of its own.
    makes : tuple of str
        Names of what it makes, which others may wait for.
    """

    name: str
    call: str
    arguments: Mapping[str, Any]
    log: Path
    environment: Mapping[str, str] = field(default_factory=dict)
    makes: tuple[str, ...] = ()


@dataclass
class Ended:
    """How a task ended.

    Attributes
    ----------
    status : int
        0 done, 1 an error, below 0 the signal that ended it.
    seconds : float
        Processor time.
    peak : int
        Largest memory, in bytes.
    error : tuple of str
        Class ("package.module:name") and text of the error that ended it; () without one.
    remark : str
        The last that it told.
    """

    status: int
    seconds: float
    peak: int
    error: tuple[str, ...] = ()
    remark: str = ""

    @property
    def fault(self) -> tuple[str, ...]:
        """Class and text of the error that ended it, or what is known of a process that was ended; () for neither."""
        return self.error or (("ProcessError", "its process was ended (out of memory?)") if self.status else ())

    def reraise(self, name: str) -> None:
        """Raise the error that ended a task, where one did.

        Parameters
        ----------
        name : str
            Of the task.

        Raises
        ------
        PlantstatsError
            What a user can put right, as what it is.
        RuntimeError
            Any other error; and when the process was ended.
        """
        if self.fault:
            kind, text = self.fault
            if (refused := Refusal(kind, text).error()) is not None:
                raise refused
            raise RuntimeError(f"{name}: {kind.partition(':')[2]}: {text}" if self.error else f"{name}: {text}")


class Forks:
    """Runs tasks, each in a process of its own.

    Parameters
    ----------
    modules : sequence of str
        What the first tasks need, imported once before them.
    later : sequence of str
        What later ones need, imported once beside them ("module:function" is called); what notebooks need comes by
        itself.

    Attributes
    ----------
    completed : set of str
        What tasks have completed so far.

    Notes
    -----
    A process of Python that has imported everything is one process copied: tasks start in hundredths of a second
    instead of seconds. Where the system knows no fork each task imports for itself. While tasks may run, a request of
    the system to end (time limit, shutdown) is SystemExit, so that all is cleared up.
    """

    def __init__(self, modules: Sequence[str] = (), later: Sequence[str] = ()) -> None:
        self.modules = (*modules, "--", NBFORMAT, *later, RUNS_NOTEBOOKS)
        self.completed: set[str] = set()
        self._servers: list[subprocess.Popen[bytes]] = []
        self._of: dict[int, subprocess.Popen[bytes]] = {}
        self._tasks: dict[int, Task] = {}
        self._messages: queue.Queue[dict[str, Any] | None] = queue.Queue()
        self._ended: dict[int, Ended] = {}
        self._errors: dict[int, tuple[str, ...]] = {}
        self._remarks: dict[int, str] = {}
        self._signals = contextlib.ExitStack()

    def __enter__(self) -> Self:
        """Start importing."""
        self._signals.enter_context(stopped_from_outside())
        self._start_server()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        """End all tasks, with all that they started."""
        with self._signals:
            for server in self._servers:
                self._send(server, folder="")
                with contextlib.suppress(BrokenPipeError):
                    server.stdin.close()  # type: ignore[union-attr]
                if len(self._ended) == len(self._tasks):
                    server.kill()
            for server in self._servers:
                try:
                    server.wait(GRACE_SECONDS)
                except subprocess.TimeoutExpired:
                    server.kill()
                    server.wait()

    def use(self, folder: Path) -> None:
        """Name the folder where tasks may write: it goes when this process dies.

        Parameters
        ----------
        folder : Path
            Made by the caller, and removed by it when all goes well.
        """
        self._send(self._servers[-1], folder=str(folder))

    def begin(self, call: str, arguments: Mapping[str, Any]) -> None:
        """Do something once for all tasks that are started from now on, where they are forked from.

        Parameters
        ----------
        call : str
            "package.module:function". Where it raises an error, tasks go on without it.
        arguments : mapping of str to Any
            Plain values.
        """
        self._send(self._servers[-1], call=call, arguments=dict(arguments))

    def start(self, task: Task) -> int:
        """Start a task.

        Parameters
        ----------
        task : Task
            What to do.

        Returns
        -------
        int
            Its number.
        """
        number = len(self._tasks)
        if number and not hasattr(os, "fork"):
            self._start_server()
        self._tasks[number], self._of[number] = task, self._servers[-1]
        asked = {"call": task.call, "arguments": dict(task.arguments), "environment": dict(task.environment)}
        self._send(self._servers[-1], id=number, log=str(task.log), **asked)
        return number

    def stop(self, number: int) -> None:
        """End a task with all that it started.

        Parameters
        ----------
        number : int
            Of the task.
        """
        if hasattr(os, "fork"):
            self._send(self._of[number], stop=number)
        else:
            self._of[number].kill()

    def wait(self, seconds: float, show: Callable[[str], None] = lambda _: None) -> dict[int, Ended]:
        """Tasks that ended since the last call, by number; none when one made something, or some seconds have passed.

        Parameters
        ----------
        seconds : float
            How long to wait.
        show : callable
            Is told what tasks are doing.

        Returns
        -------
        dict of int to Ended
        """
        ended: dict[int, Ended] = {}
        with contextlib.suppress(queue.Empty):
            while not ended:
                message = self._messages.get(timeout=seconds)
                if message is None:
                    ended = self._lost()
                elif "doing" in message:
                    self._remarks[message["id"]] = message["doing"]
                    show(message["doing"])
                elif "completed" in message:
                    self.completed.add(message["completed"])
                    break
                elif "error" in message:
                    self._errors[message["id"]] = tuple(message["error"])
                else:
                    number = message.pop("id")
                    error, remark = self._errors.get(number, ()), self._remarks.get(number, "")
                    ended[number] = Ended(**message, error=error, remark=remark)
        self._ended |= ended
        for number in ended:
            self.completed.update(self._tasks[number].makes)
        return ended

    def _lost(self) -> dict[int, Ended]:
        """The tasks of servers that are gone."""
        return {n: Ended(-1, 0.0, 0) for n, s in self._of.items() if n not in self._ended and s.poll() is not None}

    @staticmethod
    def _send(server: subprocess.Popen[bytes], **message: object) -> None:
        assert server.stdin is not None
        with contextlib.suppress(BrokenPipeError):  # told by the end of its messages
            server.stdin.write(json.dumps(message).encode() + b"\n")
            server.stdin.flush()

    def _start_server(self) -> None:
        environment = {name: value for name, value in os.environ.items() if name != "PYTHONSTARTUP"}
        environment |= dict.fromkeys(THREADS, "1") | {"PYTHONHASHSEED": "0", "TQDM_DISABLE": "1"}
        environment.setdefault(QUERY_THREADS, str(max(1, (os.cpu_count() or 1) // AT_A_TIME)))
        program = str(Path(__file__).with_name("fork_server.py"))
        # -P: a file in the working folder that is named like a library is not taken for it.
        server = subprocess.Popen(
            [sys.executable, "-P", program, *self.modules],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=environment,
            start_new_session=True,
        )
        self._servers.append(server)
        threading.Thread(target=self._read, args=(server,), daemon=True).start()

    def _read(self, server: subprocess.Popen[bytes]) -> None:
        assert server.stdout is not None
        with server.stdout as lines:
            for line in lines:
                self._messages.put(json.loads(line))
        server.wait()
        self._messages.put(None)


@contextlib.contextmanager
def environment(values: Mapping[str, str]) -> Iterator[None]:
    """Environment variables for as long as a block runs, and for the processes that it begins.

    Parameters
    ----------
    values : mapping of str to str
        Name to value.

    Yields
    ------
    None

    Examples
    --------
    >>> with environment({"PLANTSTATS_EXAMPLE": "1"}):
    ...     os.environ["PLANTSTATS_EXAMPLE"]
    '1'
    >>> "PLANTSTATS_EXAMPLE" in os.environ
    False
    """
    before = {name: os.environ.get(name) for name in values}
    os.environ.update(values)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


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
