"""Strict runner: parameters, papermill, HTML pages, what made them; and what notebooks hand over and show.

In notebooks: `reports.keep(findings, sentences)` and `from plantstats.reports import show`.
In the command: `pack.review`, which calls `runner.run`.
"""

from plantstats.reports.errors import ReportError
from plantstats.reports.handover import keep, place_for_files
from plantstats.reports.names import safe_name
from plantstats.reports.runner import Report, run

__all__ = ["Report", "ReportError", "keep", "place_for_files", "run", "safe_name"]
