"""Strict runner: parameters, papermill, HTML pages, what made them; and what notebooks hand over and show.

In notebooks: `reports.keep(findings, sentences)` and `from plantstats.reporting import display`.
In the command: `pack.review`, which calls `runner.run`.
"""

from plantstats.reporting.errors import ReportError
from plantstats.reporting.names import safe_name
from plantstats.reporting.outputs import keep, place_for_files
from plantstats.reporting.runner import Report, run

__all__ = ["Report", "ReportError", "keep", "place_for_files", "run", "safe_name"]
