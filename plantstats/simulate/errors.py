"""The error of the invented company."""

from __future__ import annotations

from plantstats.errors import PlantstatsError


class DemoError(PlantstatsError, ValueError):
    """A company too small to be made, or to hold the faults."""
