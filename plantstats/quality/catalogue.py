"""The one catalogue of faults: by code, the title, how bad it is, and what to do about it."""

from __future__ import annotations

from typing import NamedTuple

from plantstats.schema.faults import Code


class Entry(NamedTuple):
    """What the catalogue says of a fault.

    Attributes
    ----------
    title : str
        Plain name.
    severity : str
        "impossible" (the rows cannot all be true, or cannot be read) or "suspected" (someone should look).
    remedy : str
        What to do.
    expected : bool
        Whether sound records have it too, so that nothing need be done.
    """

    title: str
    severity: str
    remedy: str
    expected: bool = False


def _impossible(title: str, remedy: str) -> Entry:
    return Entry(title, "impossible", remedy)


def _suspected(title: str, remedy: str, expected: bool = False) -> Entry:
    return Entry(title, "suspected", remedy, expected)


CATALOGUE: dict[str, Entry] = {
    # Rows and cells that could not be read.
    Code.RAGGED_ROW: _impossible("row with too many or too few fields", "quote the cell that holds the delimiter"),
    Code.LOST_QUOTE: _impossible("quote mark that is not closed", "close or remove the quote mark"),
    Code.MISSING_VALUE: _impossible("required value missing", "fill the cell"),
    Code.REPEATED_HEADER: _impossible("heads in the middle of the rows", "remove the repeated heads"),
    Code.TOTALS_ROW: _impossible("row of totals among the records", "remove the row of totals"),
    Code.UNREADABLE_DATE: _impossible("date that cannot be read", "correct the date, or declare its order or language"),
    Code.PLACEHOLDER_DATE: _impossible(
        "placeholder in place of a date", "leave the cell empty where the day is unknown"
    ),
    Code.BEYOND_LIMITS: _impossible(
        "value beyond what can be meant", "correct the value, or declare its unit under units"
    ),
    Code.UNCLEAR_UNIT: _impossible("unit that is not clear", "declare the unit in the settings"),
    Code.UNKNOWN_UNIT: _impossible("unit that is not known", "write the number in a unit of the table"),
    Code.OTHER_CURRENCY: _impossible("amount in another currency", "enter the amount in the currency of the settings"),
    Code.NOT_A_NUMBER: _impossible("number that cannot be read", "write one plain number"),
    Code.ESTIMATE: _impossible("limit or estimate in place of a number", "write one plain number, or leave it empty"),
    Code.UNKNOWN_LEAF_WORD: _impossible(
        "word in place of a count of leaves", "say under leaf_words what it means, or write one whole number"
    ),
    Code.OTHER_DECIMAL_MARK: _impossible(
        "number with another decimal mark than its column", "write every number of the column with one mark"
    ),
    Code.FRACTION: _impossible("fraction in place of a whole number", "write a whole number"),
    Code.NUMBER_TURNED_DATE: _impossible(
        "number that a spreadsheet turned into a date", "format the column as a number and enter the value again"
    ),
    Code.UNKNOWN_CODE: _impossible("code that is not known", "map the code under codes in the settings"),
    Code.SPREADSHEET_ERROR: _impossible("spreadsheet error in a cell", "repair the formula and save again"),
    Code.DOUBTFUL_ID: _impossible("number cell in place of an id", "format the column as text and enter the id again"),
    Code.DUPLICATE_KEY: _impossible("id that stands twice", "give each plant and site one row, the right one"),
    # Impossible histories.
    "replaced_before_installed": _impossible("replaced before it was installed", "correct installed_on or replaced_on"),
    "found_after_replaced": _impossible("found after it was replaced", "correct found_on or replaced_on"),
    "entered_before_found": _impossible("entered before it was found", "correct entered_on or found_on"),
    "removed_before_installed": _impossible("removed before it was installed", "correct installed_on or removed_on"),
    "guarantee_before_installed": _impossible("guarantee ends before installation", "correct guarantee_until"),
    "contract_ends_before_start": _impossible("contract ends before it starts", "correct starts_on or ends_on"),
    "two_in_one_position": _impossible("two plants in one position", "correct the position, or enter the removal"),
    "chain_circle": _impossible("circle of replacements", "correct replaced_by"),
    "chain_self": _impossible("plant that replaces itself", "correct replaced_by; give the new plant its own id"),
    "chain_unknown": _impossible(
        "replaced by a plant that is not listed", "add the new plant to plants, or correct it"
    ),
    "chain_shared": _impossible("one plant replaces several", "correct replaced_by"),
    "chain_jump": _suspected("replaced by a plant elsewhere", "check replaced_by and the new plant's position"),
    "chain_gap": _suspected("gap between a plant and the one that replaces it", "check the dates of the chain"),
    "replaced_twice": _impossible("plant replaced twice", "give the second plant its own id; the first event counts"),
    "more_lost_than_there": _impossible("more plants lost than the line holds", "correct quantity"),
    "visit_before_installed": _impossible("visit before the plant was installed", "correct the date or the plant id"),
    "visit_after_removal": _impossible("visit after the plant was removed", "correct removed_on or the plant id"),
    "still_visited": _impossible("replaced but still visited", "give the new plant its own id, or correct the visits"),
    "orphan_plant": _impossible("plant id that is not in plants", "add the plant, or correct the id"),
    "orphan_site": _impossible("site id that is not in sites", "add the site, or correct the id"),
    "orphan_client": _impossible("client id that is not in sites", "correct the client id"),
    Code.SAME_LINE_TWICE: _impossible("the same line more than once", "remove the second copy of the export"),
    Code.SENT_TWICE: _impossible("the same line again some minutes later", "remove it, if one look was sent twice"),
    "far_future": _impossible("date far in the future", "correct the year"),
    # Suspected.
    "after_the_cut": _suspected("after the cut", "nothing, if the export is newer than the report", expected=True),
    "second_visit": _suspected(
        "second visit to a plant on one day", "nothing, if there were two rounds", expected=True
    ),
    "removed_and_replaced": _suspected("removed and replaced on different days", "make the two dates agree"),
    "visit_elsewhere": _suspected("visit at another site than the plant's", "enter the move, or correct the id"),
    "silent_swap": _suspected("silent swap: from poor to perfect between two visits", "enter the replacement, if so"),
    "missed_visits": _suspected("visits missing against the plan", "enter missed visits with status missed"),
    "heaped_readings": _suspected("readings rounded to fives and tens", "read the instrument to its last digit"),
    "never_visited": _suspected("plants that no visit names", "visit them, or enter that they are gone"),
    "late_entry": _suspected("newest weeks not complete", "wait for the late entries before reading the newest weeks"),
    "unusual_value": _suspected("unusual value", "check the reading and its unit"),
    "moved_mean": _suspected("mean that the values set aside would move", "declare the unit, if they are in another"),
    "old_plant": _suspected("plant installed long before all others", "check the year, above all a two-digit one"),
    "records_begin_late": _suspected("plants older than the site's records", "set observed_from for the site"),
    "unknown_cause": _suspected("cause that is not mapped", "map it under causes in the settings"),
    "unknown_species": _suspected("species that is not in the table", "add the name under species in the settings"),
}
