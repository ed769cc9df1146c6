"""Words for counts of leaves, such as few or many: each stands for what its company says, from so many to so many."""

from __future__ import annotations

from typing import Any

from plantstats.records import measures
from plantstats.records.cells import Context, Parsed, plain
from plantstats.records.settings_tables import Keys
from plantstats.schema.words import fold, tidy

# More leaves than this between two visits are counted or weighed, not put into a word (rule of thumb). It also bounds
# the work of the leaf model, which sums over every whole number that a word may stand for.
MOST = 1000
ASK = "; a word or a limit counts once [leaf_words] says from how many to how many leaves it means"


def leaf_words(top: Keys) -> dict[str, tuple[int, int]]:
    """The setting [leaf_words]: word -> least and most leaves that it may mean."""
    found: dict[str, tuple[int, int]] = {}
    for word, given in top.take("leaf_words", dict, {}).items():
        key = f'leaf_words."{word}"'
        pair = given if isinstance(given, list) else []
        whole = len(pair) == 2 and all(isinstance(n, int) and not isinstance(n, bool) for n in pair)
        if not whole or not 0 <= pair[0] <= pair[1] <= MOST:
            top.fault(key, f"wants [least, most], whole numbers from 0 to {MOST:,}, such as [1, 5]; has {given!r}")
        elif not fold(word) or tidy(word).isdigit():
            top.fault(key, "is no word: a number means itself")
        elif fold(word) in found:
            top.fault(key, "is given twice: words are the same in capitals and small letters")
        else:
            found[fold(word)] = (pair[0], pair[1])
    return found


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
    for n, reason in enumerate(out.reasons):
        if reason in measures.NOT_ONE_NUMBER:
            out.reasons[n] = reason + ASK
    return out


def limits(parsed: Parsed, size: int) -> dict[str, list[Any]]:
    """The least and the most of every text, missing where it is no word."""
    return {
        name: [parsed.between[n][place] if n in parsed.between else None for n in range(size)]
        for place, name in enumerate(("least", "most"))
    }
