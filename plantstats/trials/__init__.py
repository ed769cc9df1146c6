"""A fair trial of two visit intervals: planned from the records, fixed before its start, read from later records."""

from plantstats.trials.errors import TrialError

__all__ = ["TrialError"]
