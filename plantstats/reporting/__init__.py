"""Reports from notebooks: what notebooks show and save, the strict runner, the page, what made it.

In notebooks: `save_results(page)`. In the command: `plantstats.quarterly.review`, which calls `runner.run`. The runner
is not imported here: a notebook must not wait for papermill.
"""

from plantstats.reporting.errors import ReportError
from plantstats.reporting.names import safe_name
from plantstats.reporting.outputs import output_folder, save_results

__all__ = ["ReportError", "output_folder", "safe_name", "save_results"]
