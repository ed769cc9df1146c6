"""Words for counts of leaves, such as few or many: each stands for what its company says, from so many to so many."""

from __future__ import annotations

from typing import Any

from plantstats.records import measures
from plantstats.records.cells import Context, Parsed, plain
from plantstats.schema.faults import Code, Fault
from plantstats.schema.words import fold, tidy

ASK = "; a word or a limit counts once [leaf_words] says from how many to how many leaves it means"


def parse(texts: list[str], context: Context) -> Parsed:
    """Read counts, some of which may be words.

    Takes:  texts, each once; context.
    Gives:  Parsed as of `measures.parse`; `between` holds the least and most of a text that is a word. A word that
            means one number is that number.
    """
    known = context.settings.leaf_words
    meant = {n: known[word] for n, word in enumerate(fold(plain(text)) for text in texts) if word in known}
    out = measures.parse(["" if n in meant else text for n, text in enumerate(texts)], context)
    for n, (least, most) in meant.items():
        if least == most:
            out.values[n] = least
            said = f"{tidy(texts[n])!r} read as {least}, as [leaf_words] says"
        else:
            out.between[n] = (least, most)
            said = f"{tidy(texts[n])!r} kept as a word: from {least} to {most} leaves, as [leaf_words] says"
        out.notes.append(("leaf word", [n], said))
    for n, fault in enumerate(out.faults):
        if fault is not None and fault.code in (Code.NOT_A_NUMBER, Code.ESTIMATE):
            out.faults[n] = Fault(Code.UNKNOWN_LEAF_WORD, fault.text + ASK)
    return out


def limits(parsed: Parsed, size: int) -> dict[str, list[Any]]:
    """The least and the most of every text, missing where it is no word."""
    return {
        name: [parsed.between[n][place] if n in parsed.between else None for n in range(size)]
        for place, name in enumerate(("least", "most"))
    }
