"""Checks across the tables: every impossible history and every doubtful record has a name and is counted.

Nothing is repaired here. Impossible means that the rows cannot all be true; suspected means that someone should
look.
"""

from plantstats.checks.check import COLUMNS, check
from plantstats.checks.export import neutral, write_set_aside
from plantstats.checks.kinds import KINDS, Kind
from plantstats.checks.show import check_folder, print_check

__all__ = ["COLUMNS", "KINDS", "Kind", "check", "check_folder", "neutral", "print_check", "write_set_aside"]
