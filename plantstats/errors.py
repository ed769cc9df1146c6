"""The one kind of error that a user can put right: its message says what is wrong, where, and what to do."""

from __future__ import annotations

import importlib
from dataclasses import dataclass
from typing import Self


class PlantstatsError(Exception):
    """Base of every error that the command line prints as it is, without a traceback."""


@dataclass(frozen=True)
class Refusal:
    """Such an error as plain text: it can be kept, or sent to another process, and raised there.

    Attributes
    ----------
    kind : str
        Its class, "package.module:name".
    text : str
        Its message.

    Examples
    --------
    >>> refusal = Refusal.of(PlantstatsError("no plant stands on that day"))
    >>> refusal.error()
    PlantstatsError('no plant stands on that day')
    """

    kind: str
    text: str

    @classmethod
    def of(cls, error: BaseException) -> Self:
        """Class and message of an error.

        Parameters
        ----------
        error : BaseException

        Returns
        -------
        Refusal
        """
        return cls(f"{type(error).__module__}:{type(error).__qualname__}", str(error))

    def error(self) -> PlantstatsError | None:
        """The error, to be raised.

        Returns
        -------
        PlantstatsError or None
            None for a class that is none of this package's.
        """
        module, _, name = self.kind.partition(":")
        kind = getattr(importlib.import_module(module), name, None) if module.split(".")[0] == "plantstats" else None
        if not (isinstance(kind, type) and issubclass(kind, PlantstatsError)):
            return None
        # Its text is made already: what else its class is made from stayed where it arose.
        return kind.__new__(kind, self.text)
