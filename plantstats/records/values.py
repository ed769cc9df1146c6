"""Text to typed values: each different text of a column is read once, the whole column being the evidence."""

from __future__ import annotations

from typing import Any

from plantstats.records import dates, measures
from plantstats.records.causes import map_cause
from plantstats.records.cells import MISSING, NO_VALUE, NUMBER_CELL, Context, Parsed
from plantstats.records.light import BANDS, band_of_word
from plantstats.records.species import accepted_names, propose
from plantstats.records.words import fold, fold_head, tidy

FLAGS_TRUE = {"y", "yes", "true", "t", "1", "1.0", "x", "on", "✓", "✔", "☑"}
FLAGS_FALSE = {"n", "no", "false", "f", "0", "0.0", "off", "-", "✗", "☐"}
# Yes and no in other languages, used only when the settings declare the language.
FLAG_WORDS: dict[str, tuple[set[str], set[str]]] = {
    "de": ({"ja", "j", "wahr"}, {"nein", "falsch"}), "fr": ({"oui", "o", "vrai"}, {"non", "faux"}),
    "es": ({"si", "s", "verdadero"}, {"no", "falso"}), "it": ({"si", "s", "vero"}, {"no", "falso"}),
    "pt": ({"sim", "s", "verdadeiro"}, {"nao", "falso"}), "nl": ({"ja", "j", "waar"}, {"nee", "onwaar"}),
    "sv": ({"ja", "j"}, {"nej"}), "da": ({"ja", "j"}, {"nej"}), "nb": ({"ja", "j"}, {"nei"}),
    "pl": ({"tak", "t"}, {"nie"}), "fi": ({"kylla", "k"}, {"ei", "e"}),
}
ERROR_CELLS = {"#REF!", "#DIV/0!", "#VALUE!", "#NAME?", "#NULL!", "#NUM!", "#N/A", "#SPILL!", "#CALC!", NO_VALUE}


def parse(texts: list[str], context: Context) -> Parsed:
    """Read the different texts of one column.

    Takes:  texts (each once; NUMBER_CELL before those that the file holds as numbers); context.
    Gives:  Parsed, of the same length.
    """
    kind = context.column.kind
    if kind in ("date", "stamp"):
        return _errors_first(texts, context, dates.parse)
    if kind in ("measure", "count"):
        return _errors_first(texts, context, measures.parse)
    return _errors_first(texts, context, READERS[kind])


def _errors_first(texts: list[str], context: Context, reader: Any) -> Parsed:
    bad = {n for n, text in enumerate(texts) if text in ERROR_CELLS and not (
        text == "#N/A" and context.column.kind not in ("id", "label", "text", "species", "cause"))}
    if not bad:
        return reader(texts, context)
    parsed = reader(["" if n in bad else text for n, text in enumerate(texts)], context)
    for n in bad:
        parsed.values[n], parsed.reasons[n] = None, (
            "a formula without a stored value: open the file in the spreadsheet program and save it"
            if texts[n] == NO_VALUE else f"the cell holds the spreadsheet error {texts[n]}")
    return parsed


def _plain(texts: list[str], context: Context) -> list[str]:
    return [text.removeprefix(NUMBER_CELL) for text in texts]


def _ids(texts: list[str], context: Context) -> Parsed:
    values, reasons = [], []
    for text in texts:
        shown = tidy(text.removeprefix(NUMBER_CELL))
        long = text.startswith(NUMBER_CELL) and len(shown.lstrip("-0").replace(".", "")) > 15
        fraction = text.startswith(NUMBER_CELL) and ("." in shown or "e" in shown)
        if long:
            reasons.append(f"a number cell of {len(shown)} digits in an id column: spreadsheets keep 15; make it text")
        elif fraction:
            reasons.append("a number with a fraction in an id column; make the cell text")
        else:
            reasons.append(None)
        values.append(None if reasons[-1] or not shown else shown)
    parsed = Parsed(values, reasons)
    changed = [n for n, text in enumerate(texts) if values[n] and values[n] != text.removeprefix(NUMBER_CELL)]
    if changed:
        shown = ", ".join(f"{texts[n]!r} as {values[n]!r}" for n in changed[:5])
        parsed.notes.append(("tidied", changed, f"outer spaces and letter forms made one: {shown}"))
    _note_look_alikes(parsed, context, "kept apart")
    return parsed


def _note_look_alikes(parsed: Parsed, context: Context, what: str) -> None:
    groups: dict[str, set[str]] = {}
    for value in parsed.values:
        if value is not None:
            groups.setdefault(fold(value), set()).add(value)
    for names in groups.values():
        if len(names) > 1:
            shown = ", ".join(repr(n) for n in sorted(names))
            parsed.notes.append(("look-alikes", [], f"{shown} differ only in case or accents and are {what}"))


def _labels(texts: list[str], context: Context) -> Parsed:
    plain = [tidy(t) for t in _plain(texts, context)]
    best: dict[str, tuple[int, str]] = {}
    for n, text in enumerate(plain):
        if text:
            count = int(context.counts[n]) if context.counts is not None else 1
            key = fold(text)
            best[key] = max(best.get(key, (0, "")), (count, text))
    parsed = Parsed([best[fold(t)][1] if t else None for t in plain], [None] * len(plain))
    joined: dict[str, set[str]] = {}
    for raw, text in zip(_plain(texts, context), plain, strict=True):
        if text and raw != best[fold(text)][1]:
            joined.setdefault(best[fold(text)][1], set()).add(raw)
    for shown, raws in joined.items():
        names = ", ".join(repr(r) for r in sorted(raws))
        parsed.notes.append(("joined", [], f"{names} read as {shown!r}: only case, spaces or accents differ"))
    return parsed


def _texts(texts: list[str], context: Context) -> Parsed:
    return Parsed([t if t.strip() else None for t in _plain(texts, context)], [None] * len(texts))


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
    values: list[bool | None] = []
    reasons: list[str | None] = []
    for text in _plain(texts, context):
        word = fold(text)
        if not word or word in MISSING - no:
            values.append(None)
            reasons.append(None)
        else:
            values.append(True if word in yes else False if word in no else None)
            known = word in yes or word in no
            reasons.append(None if known else "neither yes nor no; map it under codes, or declare its language")
    return Parsed(values, reasons)


def _words(texts: list[str], context: Context) -> Parsed:
    known: dict[str, str] = {}
    for word, aliases in context.column.words:
        known.update({fold(alias): word for alias in (word, word.replace("_", " "), *aliases)})
    allowed = [word for word, _ in context.column.words]
    own = own_codes(context)
    questions = [f"codes.{context.column.name}: {word!r} is not one of {', '.join(allowed)}"
                 for word in sorted(set(own.values()) - set(allowed))]
    known.update(own)
    values: list[str | None] = []
    reasons: list[str | None] = []
    for text in _plain(texts, context):
        word = fold(text)
        values.append(known.get(word))
        missing = not word or word in MISSING or word in known
        reasons.append(None if missing else f"not one of {', '.join(allowed)}; map it under codes")
    return Parsed(values, reasons, questions=questions)


def _species(texts: list[str], context: Context) -> Parsed:
    own = context.settings.species | context.table.codes.get(context.column.name, {})
    known = accepted_names(own)
    parsed = _labels(texts, context)
    for n, name in enumerate(parsed.values):
        if name is None:
            continue
        accepted = known.get(fold(name))
        if accepted is None:
            near = propose(name, known)
            hint = f"; did you mean {near}? (add it under [species] if so)" if near else ""
            parsed.notes.append(("unknown species", [n], f"{name!r} is not in the species table, kept as written{hint}"))
        elif accepted != name:
            parsed.values[n] = accepted
            parsed.notes.append(("accepted name", [n], f"{name!r} read as {accepted!r}"))
    return parsed


def _light(texts: list[str], context: Context) -> Parsed:
    own = own_codes(context)
    values: list[str | None] = []
    reasons: list[str | None] = []
    for text in _plain(texts, context):
        word = own.get(fold(text), text)
        band = band_of_word(word) if fold(word) not in MISSING else None
        values.append(band)
        blank = not fold(text) or fold(word) in MISSING
        reasons.append(None if blank or band else f"not one of {', '.join(BANDS)}; map it under codes")
    return Parsed(values, reasons)


def _causes(texts: list[str], context: Context) -> Parsed:
    own = dict(context.settings.causes)
    parsed = Parsed([None] * len(texts), [None] * len(texts))
    removal = context.column.name == "removal_reason"
    for n, text in enumerate(_plain(texts, context)):
        found = map_cause(text, own)
        if found is None and (fold_head(text) or not removal):
            found = map_cause("unknown", own)
            shown = f"{tidy(text)!r} is not mapped" if tidy(text) else "a blank cause"
            parsed.notes.append((
                "unknown cause", [n],
                f"{shown}: cause unknown, counted as {found[1] if found else ''}; map it under [causes]",
            ))
        parsed.values[n] = found
    return parsed


READERS = {
    "id": _ids, "label": _labels, "text": _texts, "flag": _flags, "word": _words, "species": _species,
    "light": _light, "cause": _causes,
}
