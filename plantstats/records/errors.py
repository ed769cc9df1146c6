"""The one error of the intake: a table cannot be used, and why."""

from __future__ import annotations

from plantstats.errors import PlantstatsError


class RecordError(PlantstatsError):
    """Raised when a table cannot be used.

    Parameters
    ----------
    faults : list of str
        Every fault found in the load, each a line of the message.
    """

    def __init__(self, faults: list[str]) -> None:
        self.faults = list(faults)
        super().__init__("\n".join(self.faults))
