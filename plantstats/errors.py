"""The one kind of error that a user can put right: its message says what is wrong, where, and what to do."""

from __future__ import annotations


class PlantstatsError(Exception):
    """Base of every error that the command line prints as it is, without a traceback."""
