"""The error of the reports, and which errors tell the reader of a page why there is none."""

from __future__ import annotations

import re
from pathlib import Path

import plantstats
from plantstats.errors import PlantstatsError

CLASS = re.compile(r"^class (\w+)\((.*)\):", re.MULTILINE)


class ReportError(PlantstatsError):
    """A report cannot be made; the message says where and what to do, one fault a line."""


def is_reason(name: str) -> bool:
    """Whether an error of this name is one that a user can put right: its message is the reason.

    Any other is a fault of the program. Read from the program's text, by name: a notebook that has run keeps no more of
    an error, and the rooms that raise it are not loaded here.

    Parameters
    ----------
    name : str
        Of the error's class.

    Returns
    -------
    bool
    """
    home = Path(plantstats.__file__).parent
    bases = dict(one for path in home.rglob("*.py") for one in CLASS.findall(path.read_text(encoding="utf-8")))
    return name == PlantstatsError.__name__ or any(is_reason(base) for base in bases.get(name, "").split(", ") if base)
