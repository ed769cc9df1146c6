"""Reports from notebooks: what notebooks show and save, the strict runner, the page, what made it.

In notebooks: `save_results(page)`. In the command: `plantstats.quarterly.review`, which calls `runner.run`. The runner
is not imported here: a notebook must not wait for papermill; nor, before it is asked for, what needs pandas: the
command starts the process that imports everything (`forks`) before it imports anything itself.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from plantstats.reporting.errors import ReportError
from plantstats.reporting.names import safe_name

if TYPE_CHECKING:
    from plantstats.reporting.outputs import output_folder, save_results

__all__ = ["ReportError", "output_folder", "safe_name", "save_results"]


def __getattr__(name: str) -> Any:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from plantstats.reporting import outputs  # noqa: PLC0415

    return getattr(outputs, name)
