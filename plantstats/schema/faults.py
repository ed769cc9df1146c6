"""What can be wrong with a row or cell, each kind with its code; and what a file leaves open."""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple


class Code(StrEnum):
    """What is wrong with a row or cell set aside; the rest stands in `plantstats.quality.catalogue`."""

    RAGGED_ROW = "ragged_row"
    LOST_QUOTE = "lost_quote"
    MISSING_VALUE = "missing_value"
    REPEATED_HEADER = "repeated_header"
    TOTALS_ROW = "totals_row"
    UNREADABLE_DATE = "unreadable_date"
    PLACEHOLDER_DATE = "placeholder_date"
    NOT_A_NUMBER = "not_a_number"
    ESTIMATE = "estimate"
    UNKNOWN_LEAF_WORD = "unknown_leaf_word"
    OTHER_DECIMAL_MARK = "other_decimal_mark"
    FRACTION = "fraction"
    NUMBER_TURNED_DATE = "number_turned_date"
    BEYOND_LIMITS = "beyond_limits"
    UNCLEAR_UNIT = "unclear_unit"
    UNKNOWN_UNIT = "unknown_unit"
    OTHER_CURRENCY = "other_currency"
    UNKNOWN_CODE = "unknown_code"
    SPREADSHEET_ERROR = "spreadsheet_error"
    DOUBTFUL_ID = "doubtful_id"
    DUPLICATE_KEY = "duplicate_key"
    SAME_LINE_TWICE = "same_line_twice"
    SENT_TWICE = "sent_twice"


class Fault(NamedTuple):
    """Why a row or cell cannot be used: its code, and the reason in words."""

    code: Code
    text: str


class Ambiguity(NamedTuple):
    """What a file does not prove and the user has to settle: the setting that does, and the question in words."""

    setting: str
    text: str
