"""The error of the room."""

from __future__ import annotations

from plantstats.errors import PlantstatsError


class TrialError(PlantstatsError, ValueError):
    """A trial that cannot be planned or read; the message says why, and what would do."""
