"""A result of a study is computed once: kept in memory, and on disk for pages and notebooks of other processes."""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable
from datetime import date
from typing import TYPE_CHECKING, Any, Concatenate, ParamSpec, TypeVar

import pandas as pd

from plantstats.errors import PlantstatsError, Refusal
from plantstats.studies import progress

if TYPE_CHECKING:
    from plantstats.studies.base import StudyBase

P = ParamSpec("P")
R = TypeVar("R")
S = TypeVar("S", bound="StudyBase")


def kept(compute: Callable[Concatenate[S, P], R]) -> Callable[Concatenate[S, P], R]:
    """Make a method's result once: in memory, and on disk for others.

    Parameters
    ----------
    compute : callable
        A method of `Study`.

    Returns
    -------
    callable
    """
    return _once(compute, on_disk=True)


def in_memory(compute: Callable[Concatenate[S, P], R]) -> Callable[Concatenate[S, P], R]:
    """Make a method's result once, in memory alone: it holds a connection, or more than a page needs.

    Parameters
    ----------
    compute : callable
        A method of `Study`.

    Returns
    -------
    callable
    """
    return _once(compute, on_disk=False)


def _once(compute: Callable[Concatenate[S, P], R], *, on_disk: bool) -> Callable[Concatenate[S, P], R]:
    name = compute.__name__

    @functools.wraps(compute)
    def once(self: S, *args: P.args, **kwargs: P.kwargs) -> R:
        bound = inspect.signature(compute).bind(self, *args, **kwargs)
        bound.apply_defaults()
        arguments = {k: _plain(v) for k, v in bound.arguments.items() if k != "self"}
        memory = (name, repr(sorted(arguments.items())))

        def make() -> R | Refusal:
            self._report(name)
            try:
                with progress.named(name.replace("_", " ").strip()):
                    return compute(self, *args, **kwargs)
            except PlantstatsError as error:  # what records do not carry is found out once, too
                return Refusal.of(error)

        if memory not in self._memory:
            key = {**self.key, "result": name, "arguments": arguments}
            self._memory[memory] = self._store.get(name, key, make) if on_disk else make()
        value = self._memory[memory]
        if isinstance(value, Refusal):
            raise value.error() or RuntimeError(value.text)
        return value.copy() if isinstance(value, pd.DataFrame) else value

    return once


def _plain(value: Any) -> Any:
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    return [_plain(v) for v in value] if isinstance(value, list | tuple) else value
