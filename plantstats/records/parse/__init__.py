"""Text to typed values: each different text of a column is read once, the whole column being the evidence."""

from __future__ import annotations

from collections.abc import Callable

from plantstats.records.parse.codes import parse_causes, parse_flags, parse_light, parse_text, parse_words
from plantstats.records.parse.context import NO_VALUE, Context, Parsed, own_codes, strip_marker
from plantstats.records.parse.dates import parse_dates
from plantstats.records.parse.labels import parse_ids, parse_labels, parse_species
from plantstats.records.parse.leaf_words import parse_leaf_counts
from plantstats.records.parse.numbers import parse_numbers
from plantstats.schema.faults import Code, Fault
from plantstats.schema.text import normalize_key

__all__ = ["Context", "Parsed", "parse_column", "strip_marker"]

ERROR_CELLS = {"#REF!", "#DIV/0!", "#VALUE!", "#NAME?", "#NULL!", "#NUM!", "#N/A", "#SPILL!", "#CALC!", NO_VALUE}
# In these, "#N/A" stands for an error of the spreadsheet; elsewhere it stands for no value.
NAMES = ("id", "label", "text", "species", "cause")
# In these, the user's codes stand for values of the column's own; elsewhere for another text of the file.
CODED = ("flag", "word", "light", "species")
PARSERS: dict[str, Callable[[list[str], Context], Parsed]] = {
    "id": parse_ids,
    "label": parse_labels,
    "text": parse_text,
    "flag": parse_flags,
    "word": parse_words,
    "species": parse_species,
    "light": parse_light,
    "cause": parse_causes,
    "date": parse_dates,
    "stamp": parse_dates,
    "measure": parse_numbers,
    "count": parse_numbers,
}


def parse_column(texts: list[str], context: Context) -> Parsed:
    """Parse the different texts of one column.

    Parameters
    ----------
    texts : list of str
        Each once, with the marks of `context` before numbers and dates of a workbook.
    context : Context

    Returns
    -------
    Parsed
        Aligned with `texts`.
    """
    column = context.column
    own = own_codes(context)
    if own and column.kind not in CODED:
        texts = [own.get(normalize_key(strip_marker(text)), text) for text in texts]
    parser = parse_leaf_counts if column.between else PARSERS[column.kind]
    errors = ERROR_CELLS if column.kind in NAMES else ERROR_CELLS - {"#N/A"}
    parsed = parser(["" if text in errors else text for text in texts], context)
    for n, text in enumerate(texts):
        if text in errors:
            no_value = "a formula without a stored value: open the file in the spreadsheet program and save it"
            why = no_value if text == NO_VALUE else f"the cell holds the spreadsheet error {text}"
            parsed.values[n], parsed.faults[n] = None, Fault(Code.SPREADSHEET_ERROR, why)
    return parsed
