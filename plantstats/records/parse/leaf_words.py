"""Words for counts of leaves, such as few or many: each stands for what its company says, from so many to so many."""

from __future__ import annotations

from plantstats.records.parse.context import Context, Parsed, strip_marker
from plantstats.records.parse.numbers import parse_numbers
from plantstats.schema.faults import Code, Fault
from plantstats.schema.text import clean_text, normalize_key

ASK = "; a word or a limit counts once [leaf_words] says from how many to how many leaves it means"


def parse_leaf_counts(texts: list[str], context: Context) -> Parsed:
    """Parse counts, some of which may be words.

    Parameters
    ----------
    texts : list of str
        Each once.
    context : Context

    Returns
    -------
    Parsed
        As of `parse_numbers`; `between` holds the least and most of a text that is a word. A word that means one
        number is that number.
    """
    known = context.settings.leaf_words
    meant = {
        n: known[word] for n, word in enumerate(normalize_key(strip_marker(text)) for text in texts) if word in known
    }
    parsed = parse_numbers(["" if n in meant else text for n, text in enumerate(texts)], context)
    for n, (least, most) in meant.items():
        if least == most:
            parsed.values[n] = least
            text = f"{clean_text(texts[n])!r} read as {least}, as [leaf_words] says"
        else:
            parsed.between[n] = (least, most)
            text = f"{clean_text(texts[n])!r} kept as a word: from {least} to {most} leaves, as [leaf_words] says"
        parsed.notes.append(("leaf word", [n], text))
    for n, fault in enumerate(parsed.faults):
        if fault is not None and fault.code in (Code.NOT_A_NUMBER, Code.ESTIMATE):
            parsed.faults[n] = Fault(Code.UNKNOWN_LEAF_WORD, fault.text + ASK)
    return parsed
