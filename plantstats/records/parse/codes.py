"""Closed lists: flags, words, light bands and causes; and free text."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from plantstats.records.parse.context import MISSING, Context, Parsed, own_codes, strip_marker
from plantstats.schema.causes import map_cause
from plantstats.schema.faults import Ambiguity, Code
from plantstats.schema.light import BANDS, band_of_word
from plantstats.schema.text import clean_text, normalize_header, normalize_key

FLAGS_TRUE = {"y", "yes", "true", "t", "1", "1.0", "x", "on", "✓", "✔", "☑"}
FLAGS_FALSE = {"n", "no", "false", "f", "0", "0.0", "off", "-", "✗", "☐"}
# Yes and no in other languages, used only when the settings declare the language.
FLAG_WORDS: dict[str, tuple[set[str], set[str]]] = {
    "de": ({"ja", "j", "wahr"}, {"nein", "falsch"}),
    "fr": ({"oui", "o", "vrai"}, {"non", "faux"}),
    "es": ({"si", "s", "verdadero"}, {"no", "falso"}),
    "it": ({"si", "s", "vero"}, {"no", "falso"}),
    "pt": ({"sim", "s", "verdadeiro"}, {"nao", "falso"}),
    "nl": ({"ja", "j", "waar"}, {"nee", "onwaar"}),
    "sv": ({"ja", "j"}, {"nej"}),
    "da": ({"ja", "j"}, {"nej"}),
    "nb": ({"ja", "j"}, {"nei"}),
    "pl": ({"tak", "t"}, {"nie"}),
    "fi": ({"kylla", "k"}, {"ei", "e"}),
}


def parse_text(texts: list[str], context: Context) -> Parsed:
    """Parse free text: kept letter for letter.

    Parameters
    ----------
    texts : list of str
        Distinct texts of a column.
    context : Context
        What is known of the column.

    Returns
    -------
    Parsed
    """
    return Parsed([text if text.strip() else None for text in map(strip_marker, texts)], [None] * len(texts))


def parse_flags(texts: list[str], context: Context) -> Parsed:
    """Parse yes and no, in English and the declared languages, and the user's codes for them.

    Parameters
    ----------
    texts : list of str
        Distinct texts of a column.
    context : Context
        What is known of the column.

    Returns
    -------
    Parsed
    """
    yes, no = set(FLAGS_TRUE), set(FLAGS_FALSE)
    for language in context.table.languages:
        more_yes, more_no = FLAG_WORDS.get(language, (set(), set()))
        yes, no = yes | more_yes, no | more_no
    known = dict.fromkeys(no, False) | dict.fromkeys(yes, True)
    known |= {raw: normalize_key(word) in ("true", "yes") for raw, word in own_codes(context).items()}
    return _parse_known(texts, known, "neither yes nor no; map it under codes, or declare its language")


def parse_words(texts: list[str], context: Context) -> Parsed:
    """Parse words of a closed list, their aliases, and the user's codes for them.

    Parameters
    ----------
    texts : list of str
        Distinct texts of a column.
    context : Context
        What is known of the column.

    Returns
    -------
    Parsed
    """
    known: dict[str, str] = {}
    for word, aliases in context.column.words:
        known.update({normalize_key(alias): word for alias in (word, word.replace("_", " "), *aliases)})
    allowed = [word for word, _ in context.column.words]
    own = own_codes(context)
    parsed = _parse_known(texts, known | own, _not_one_of(allowed))
    parsed.ambiguities = [
        Ambiguity("codes", f"codes.{context.column.name}: {word!r} is not one of {', '.join(allowed)}")
        for word in sorted(set(own.values()) - set(allowed))
    ]
    return parsed


def parse_light(texts: list[str], context: Context) -> Parsed:
    """Parse light bands, their aliases, and the user's codes for them.

    Parameters
    ----------
    texts : list of str
        Distinct texts of a column.
    context : Context
        What is known of the column.

    Returns
    -------
    Parsed
    """
    own = own_codes(context)
    known = {}
    for key in {normalize_key(strip_marker(text)) for text in texts}:
        word = own.get(key, key)
        band = None if normalize_key(word) in MISSING else band_of_word(word)
        if band is not None or (key in own and normalize_key(word) in MISSING):
            known[key] = band
    return _parse_known(texts, known, _not_one_of(BANDS))


def _not_one_of(words: Collection[str]) -> str:
    return f"not one of {', '.join(words)}; map it under codes"


def _parse_known(texts: list[str], known: Mapping[str, object], otherwise: str) -> Parsed:
    """Parse by a table of normalised texts; what is neither in it nor missing is a fault."""
    parsed = Parsed.blank(len(texts))
    for n, text in enumerate(texts):
        key = normalize_key(strip_marker(text))
        if key in known:
            parsed.values[n] = known[key]
        elif key not in MISSING:
            parsed.refuse(n, Code.UNKNOWN_CODE, otherwise)
    return parsed


def parse_causes(texts: list[str], context: Context) -> Parsed:
    """Parse causes into (cause, outcome); what is not mapped is unknown, and noted.

    Parameters
    ----------
    texts : list of str
        Distinct texts of a column.
    context : Context
        What is known of the column.

    Returns
    -------
    Parsed
    """
    own: dict[str, Any] = dict(context.settings.causes)
    parsed = Parsed.blank(len(texts))
    may_be_blank = context.column.name == "removal_reason"
    for n, text in enumerate(map(strip_marker, texts)):
        mapped = map_cause(text, own)
        if mapped is None and (normalize_header(text) or not may_be_blank):
            mapped = map_cause("unknown", own)
            what = f"{clean_text(text)!r} is not mapped" if clean_text(text) else "a blank cause"
            counted = f"cause unknown, counted as {mapped[1] if mapped else ''}; map it under [causes]"
            parsed.notes.append(("unknown cause", [n], f"{what}: {counted}"))
        parsed.values[n] = mapped
    return parsed
