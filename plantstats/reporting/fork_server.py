"""Processes forked from one that has imported the libraries, told line by line what to run.

    python -P fork_server.py MODULE... -- MODULE...

Started as a file by `forks` and never imported. Modules behind the dashes are imported while nothing is asked; with
":function" behind it, that of the module is called too. Lines of JSON come in on standard input: a task (id, call such
as "package.module:function", arguments, environment, log), the same without an id for what is to be
done here, once for all tasks that follow, {"stop": id}, or {"folder": where tasks may write}. Lines go out on standard
output: what a task is doing, what it has completed, the error that ended it, and its end (id, status, seconds of
processor time, peak in bytes). When standard input ends, every task ends with all that it started, and the folder goes:
a parent that lives takes its name back before. Where there is no fork, one task runs here.
"""

from __future__ import annotations

import contextlib
import gc
import importlib
import json
import os
import select
import shutil
import signal
import sys
import traceback
from collections.abc import Callable
from typing import Any

FORKS = hasattr(os, "fork")
POLL_SECONDS = 0.02  # Between looks for tasks that have ended.
PEAK_UNIT = 1 if sys.platform == "darwin" else 1024  # of ru_maxrss, in bytes


def serve(modules: list[str], later: list[str]) -> None:
    """Import the modules, then run what is asked for until standard input ends.

    Parameters
    ----------
    modules : list of str
        What the first tasks need.
    later : list of str
        What later ones need: imported, or called, in turn while nothing is asked.
    """
    channel = _own_channel()
    gc.disable()  # Nothing of the libraries goes, so nobody need look for it: not here, and not in forks.
    for module in modules:
        importlib.import_module(module)
    running: dict[int, int] = {}  # process id -> task
    folder, rest = "", b""
    while True:
        if later and not select.select([0], [], [], 0)[0]:
            module, _, function = later.pop(0).partition(":")
            imported = importlib.import_module(module)
            if function:
                getattr(imported, function)()
        if not FORKS or select.select([0], [], [], POLL_SECONDS if running or later else None)[0]:
            block = os.read(0, 1 << 16)
            *lines, rest = (rest + block).split(b"\n")
            for asked in map(json.loads, lines):
                folder = asked.get("folder", folder)
                _obey(asked, running, channel)
            if not block:
                break
        while running and (ended := _ended(running, channel)):
            del running[ended]
    for process in running:
        _kill(process)
        os.waitpid(process, 0)
    if folder:
        shutil.rmtree(folder, ignore_errors=True)


def _own_channel() -> int:
    """Standard output for messages alone: what libraries print goes to the error stream."""
    channel = os.dup(1)
    os.dup2(2, 1)
    return channel


def _obey(asked: dict[str, Any], running: dict[int, int], channel: int) -> None:
    if "call" not in asked:
        for process in [p for p, task in running.items() if task == asked.get("stop")]:
            _kill(process)
    elif "id" not in asked:
        # What cannot be done here each task does, or says why not.
        with contextlib.suppress(Exception):
            _call(asked)
    elif not FORKS:
        status = _run(asked, channel)
        _say(channel, id=asked["id"], status=status, seconds=0.0, peak=0)
    elif process := _fork():
        running[process] = asked["id"]
    else:
        status = 1
        gc.enable()
        try:
            os.setsid()
            status = _run(asked, channel)
        finally:
            os._exit(status)


def _fork() -> int:
    gc.freeze()
    return os.fork()


def _run(asked: dict[str, Any], channel: int) -> int:
    """Run one task in this process; 0, or 1 after an error."""
    log = os.open(asked["log"], os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    nothing = os.open(os.devnull, os.O_RDONLY)
    for source, target in ((nothing, 0), (log, 1), (log, 2)) if FORKS else ((log, 1), (log, 2)):
        os.dup2(source, target)
    os.environ.update(asked["environment"])

    def report(doing: str = "", *, completed: str = "") -> None:
        _say(channel, id=asked["id"], **({"completed": completed} if completed else {"doing": doing}))

    try:
        _call(asked, report)
    except BaseException as error:
        # Whatever it is, the parent is told.
        traceback.print_exc()
        kind = type(error)
        _say(channel, id=asked["id"], error=[f"{kind.__module__}:{kind.__qualname__}", str(error)])
        return 1
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
    return 0


def _call(asked: dict[str, Any], *first: object) -> None:
    module, _, name = asked["call"].partition(":")
    function: Callable[..., object] = getattr(importlib.import_module(module), name)
    function(*first, **asked["arguments"])


def _say(channel: int, **message: object) -> None:
    """One line, written at once: lines of several processes do not mix."""
    os.write(channel, json.dumps(message).encode() + b"\n")


def _ended(running: dict[int, int], channel: int) -> int:
    """A process that has ended, its end told; 0 when none has. What it left behind ends too."""
    process, status, used = os.wait4(-1, os.WNOHANG)
    if process:
        _kill(process)
        code = os.waitstatus_to_exitcode(status)
        seconds = used.ru_utime + used.ru_stime
        _say(channel, id=running[process], status=code, seconds=seconds, peak=used.ru_maxrss * PEAK_UNIT)
    return process


def _kill(process: int) -> None:
    """End a task with its process group."""
    try:
        os.killpg(process, signal.SIGKILL)
    except ProcessLookupError:
        return


if __name__ == "__main__":
    at = sys.argv.index("--")
    serve(sys.argv[1:at], sys.argv[at + 1 :])
    # Nothing of the libraries is worth a tidy end.
    sys.stderr.flush()
    os._exit(0)
