"""Every result of one set of records, one quarter and one client (or all), by name; each computed once and kept.

A result is made when it is first asked for, kept on disk beside the cache of the records under a key of input digests,
settings, program and arguments, and read from there by every page, every client page and every notebook.
"""

from plantstats.studies.base import (
    KEPT_PROGRAMS,
    REFUSALS,
    StudyError,
    check_client,
    join,
    of_all_clients,
    unless_refused,
)
from plantstats.studies.opening import choose_quarter, last_day, open_study, share
from plantstats.studies.study import Study

__all__ = [
    "KEPT_PROGRAMS",
    "REFUSALS",
    "Study",
    "StudyError",
    "check_client",
    "choose_quarter",
    "join",
    "last_day",
    "of_all_clients",
    "open_study",
    "share",
    "unless_refused",
]
