"""The error of the reports, and which errors tell the reader of a page why there is none."""

from __future__ import annotations

import importlib
import pkgutil
from functools import cache

import plantstats
from plantstats.errors import PlantstatsError


class ReportError(PlantstatsError):
    """A report cannot be made; the message says where and what to do, one fault a line."""


@cache
def is_reason(name: str) -> bool:
    """Whether an error of this name is one that a user can put right: its message is the reason.

    Any other is a fault of the program. Asked by name, as a notebook that has run keeps no more of an error; slow, as
    every module is imported, and called only when a page could not be made.
    """
    for module in pkgutil.walk_packages(plantstats.__path__, "plantstats."):
        importlib.import_module(module.name)
    errors = [PlantstatsError]
    for error in errors:
        errors += error.__subclasses__()
    return name in {error.__name__ for error in errors}
