"""Checks across the tables: every impossible history and every doubtful record has a name and is counted.

Nothing is repaired here. Impossible means that the rows cannot all be true; suspected means that someone should
look.
"""

from plantstats.quality.catalogue import CATALOGUE, Entry
from plantstats.quality.check import COLUMNS, check
from plantstats.quality.console import check_folder, print_check
from plantstats.quality.export import SET_ASIDE_BEGINS, neutral, not_allowed, write_set_aside

__all__ = [
    "CATALOGUE",
    "COLUMNS",
    "SET_ASIDE_BEGINS",
    "Entry",
    "check",
    "check_folder",
    "neutral",
    "not_allowed",
    "print_check",
    "write_set_aside",
]
