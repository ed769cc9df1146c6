"""Text to typed values: each different text of a column is read once, the whole column being the evidence."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from plantstats.records import dates, labels, leaf_words, measures
from plantstats.records.cells import MISSING, NO_VALUE, Context, Parsed, plain
from plantstats.schema.causes import map_cause
from plantstats.schema.faults import Code, Fault, Question
from plantstats.schema.light import BANDS, band_of_word
from plantstats.schema.words import fold, fold_head, tidy

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
ERROR_CELLS = {"#REF!", "#DIV/0!", "#VALUE!", "#NAME?", "#NULL!", "#NUM!", "#N/A", "#SPILL!", "#CALC!", NO_VALUE}


def parse(texts: list[str], context: Context) -> Parsed:
    """Read the different texts of one column.

    Takes:  texts (each once, with the marks of `cells` before numbers and dates of a workbook); context.
    Gives:  Parsed, of the same length.
    """
    kind = context.column.kind
    own = own_codes(context)
    if own and kind not in ("flag", "word", "light", "species"):
        texts = [own.get(fold(plain(text)), text) for text in texts]
    if kind in ("date", "stamp"):
        return _errors_first(texts, context, dates.parse)
    if context.column.between:
        return _errors_first(texts, context, leaf_words.parse)
    if kind in ("measure", "count"):
        return _errors_first(texts, context, measures.parse)
    return _errors_first(texts, context, READERS[kind])


def _errors_first(texts: list[str], context: Context, reader: Any) -> Parsed:
    bad = {
        n
        for n, text in enumerate(texts)
        if text in ERROR_CELLS
        and not (text == "#N/A" and context.column.kind not in ("id", "label", "text", "species", "cause"))
    }
    if not bad:
        return reader(texts, context)
    parsed = reader(["" if n in bad else text for n, text in enumerate(texts)], context)
    for n in bad:
        no_value = "a formula without a stored value: open the file in the spreadsheet program and save it"
        why = no_value if texts[n] == NO_VALUE else f"the cell holds the spreadsheet error {texts[n]}"
        parsed.values[n], parsed.faults[n] = None, Fault(Code.SPREADSHEET_ERROR, why)
    return parsed


def _texts(texts: list[str], context: Context) -> Parsed:
    return Parsed([t if t.strip() else None for t in map(plain, texts)], [None] * len(texts))


def own_codes(context: Context) -> dict[str, str]:
    """The user's codes of this column, folded."""
    return {fold(raw): word for raw, word in context.table.codes.get(context.column.name, {}).items()}


def _flags(texts: list[str], context: Context) -> Parsed:
    yes, no = set(FLAGS_TRUE), set(FLAGS_FALSE)
    for language in context.table.languages:
        more_yes, more_no = FLAG_WORDS.get(language, (set(), set()))
        yes, no = yes | more_yes, no | more_no
    for raw, word in own_codes(context).items():
        (yes if fold(word) in ("true", "yes") else no).add(raw)
        (no if fold(word) in ("true", "yes") else yes).discard(raw)
    strange = "neither yes nor no; map it under codes, or declare its language"
    values: list[bool | None] = []
    faults: list[Fault | None] = []
    for text in map(plain, texts):
        word = fold(text)
        if not word or word in MISSING - no:
            values.append(None)
            faults.append(None)
        else:
            values.append(True if word in yes else False if word in no else None)
            known = word in yes or word in no
            faults.append(None if known else Fault(Code.UNKNOWN_CODE, strange))
    return Parsed(values, faults)


def _words(texts: list[str], context: Context) -> Parsed:
    known: dict[str, str] = {}
    for word, aliases in context.column.words:
        known.update({fold(alias): word for alias in (word, word.replace("_", " "), *aliases)})
    allowed = [word for word, _ in context.column.words]
    own = own_codes(context)
    questions = [
        Question("codes", f"codes.{context.column.name}: {word!r} is not one of {', '.join(allowed)}")
        for word in sorted(set(own.values()) - set(allowed))
    ]
    known.update(own)
    values: list[str | None] = []
    faults: list[Fault | None] = []
    for text in map(plain, texts):
        word = fold(text)
        values.append(known.get(word))
        missing = not word or word in MISSING or word in known
        faults.append(None if missing else _not_one_of(allowed))
    return Parsed(values, faults, questions=questions)


def _not_one_of(words: Sequence[str]) -> Fault:
    return Fault(Code.UNKNOWN_CODE, f"not one of {', '.join(words)}; map it under codes")


def _light(texts: list[str], context: Context) -> Parsed:
    own = own_codes(context)
    values: list[str | None] = []
    faults: list[Fault | None] = []
    for text in map(plain, texts):
        word = own.get(fold(text), text)
        band = band_of_word(word) if fold(word) not in MISSING else None
        values.append(band)
        blank = not fold(text) or fold(word) in MISSING
        faults.append(None if blank or band else _not_one_of(BANDS))
    return Parsed(values, faults)


def _causes(texts: list[str], context: Context) -> Parsed:
    own = dict(context.settings.causes)
    parsed = Parsed([None] * len(texts), [None] * len(texts))
    removal = context.column.name == "removal_reason"
    for n, text in enumerate(map(plain, texts)):
        found = map_cause(text, own)
        if found is None and (fold_head(text) or not removal):
            found = map_cause("unknown", own)
            shown = f"{tidy(text)!r} is not mapped" if tidy(text) else "a blank cause"
            parsed.notes.append(
                (
                    "unknown cause",
                    [n],
                    f"{shown}: cause unknown, counted as {found[1] if found else ''}; map it under [causes]",
                )
            )
        parsed.values[n] = found
    return parsed


READERS = {
    "id": labels.ids,
    "label": labels.labels,
    "text": _texts,
    "flag": _flags,
    "word": _words,
    "species": labels.species,
    "light": _light,
    "cause": _causes,
}
