"""The one error of the reports: a report cannot be made, and why."""

from __future__ import annotations

from plantstats.errors import PlantstatsError


class ReportError(PlantstatsError):
    """Raised when a report cannot be made; the message says where and what to do, one fault a line."""
