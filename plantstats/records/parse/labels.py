"""Ids, names and species: text that stays text, joined or kept apart by stated rules."""

from __future__ import annotations

import re

from plantstats.records.parse.context import DATE_CELL, NUMBER_CELL, Context, Parsed, strip_marker
from plantstats.records.species import accepted_names, propose
from plantstats.schema.faults import Code, Fault
from plantstats.schema.months import month_of
from plantstats.schema.text import clean_text, normalize_key

MOST_DIGITS = 15  # a spreadsheet's numbers hold no more
# 02-Jan, Jan-02, 02-Jan-25, 02/01/2025, 2025-01-02.
DAY_FOR_CODE = re.compile(
    r"(?:\d{1,2}[-. ][^\W\d_]{3,9}(?:[-. ]\d{2,4})?|[^\W\d_]{3,9}[-. ]\d{2}|\d{1,2}[/.]\d{1,2}[/.]\d{4}"
    r"|(?:19|20)\d\d-\d\d-\d\d)(?: 00:00(?::00)?)?$"
)
SCIENTIFIC = re.compile(r"\d(?:[.,]\d+)?[eE]\+\d{1,3}$")
MOST_SHOWN = 5


def parse_ids(texts: list[str], context: Context) -> Parsed:
    """Ids: kept letter for letter but for outer spaces and letter forms; case counts; number cells are suspect.

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
    faults = [_doubtful(text) for text in texts]
    values = [
        None if fault else clean_text(strip_marker(text)) or None for text, fault in zip(texts, faults, strict=True)
    ]
    parsed = Parsed(values, faults)
    _refuse_dates(texts, context, parsed)
    changed = [n for n, text in enumerate(texts) if values[n] and values[n] != strip_marker(text)]
    if changed:
        shown = ", ".join(f"{strip_marker(texts[n])!r} as {values[n]!r}" for n in changed[:MOST_SHOWN])
        parsed.notes.append(("tidied", changed, f"outer spaces and letter forms made one: {shown}"))
    short = [n for n, text in enumerate(texts) if SCIENTIFIC.match(text)]
    if short:
        shown = ", ".join(texts[n] for n in short[:MOST_SHOWN])
        parsed.notes.append(("shortened ids", short, f"{shown} may be long ids that a spreadsheet has shortened"))
    _note_look_alikes(parsed)
    _note_wrong_letters(texts, parsed)
    return parsed


def _doubtful(text: str) -> Fault | None:
    shown = strip_marker(text)
    why = None
    if text.startswith(DATE_CELL):
        why = "a date cell in an id column: spreadsheets turn entries such as 1-02 into dates; make it text"
    elif not text.startswith(NUMBER_CELL):
        return None
    elif len(shown.lstrip("-0").replace(".", "")) > MOST_DIGITS:
        why = f"a number cell of {len(shown)} digits in an id column: spreadsheets keep {MOST_DIGITS}; make it text"
    elif "." in shown or "e" in shown:
        why = "a number with a fraction in an id column; make the cell text"
    return Fault(Code.DOUBTFUL_ID, why) if why else None


def _refuse_dates(texts: list[str], context: Context, parsed: Parsed) -> None:
    """Set aside codes that a spreadsheet turned into days (1-2 into 02-Jan), where most of the column are no days."""
    days = [n for n, value in enumerate(parsed.values) if value and DAY_FOR_CODE.match(value) and _month_in(value)]
    if not days or 2 * len(days) > sum(value is not None for value in parsed.values):
        return
    if context.column.required:
        shown = ", ".join(repr(parsed.values[n]) for n in days[:MOST_SHOWN])
        parsed.notes.append(("ids like days", days, f"{shown} may be ids that a spreadsheet turned into days"))
        return
    for n in days:
        parsed.refuse(n, Code.DOUBTFUL_ID, "a day among codes: spreadsheets turn codes such as 1-2 into days")


def _month_in(text: str) -> bool:
    """Whether a text names a month in letters, or is a whole date in digits."""
    names = re.findall(r"[^\W\d_]+", text)
    return all(month_of(name, ()) is not None for name in names)


def _note_look_alikes(parsed: Parsed) -> None:
    groups: dict[str, set[str]] = {}
    for value in parsed.values:
        if value is not None:
            groups.setdefault(normalize_key(value), set()).add(value)
    for names in groups.values():
        if len(names) > 1:
            shown = ", ".join(repr(n) for n in sorted(names))
            parsed.notes.append(("look-alikes", [], f"{shown} differ only in case or accents and are kept apart"))


def _note_wrong_letters(texts: list[str], parsed: Parsed) -> None:
    """Say where text looks like UTF-8 that was once read as Windows-1252 and saved; it is never changed."""
    wrong = {n: meant for n, text in enumerate(texts) if (meant := twice_encoded(text)) is not None}
    if wrong:
        shown = ", ".join(f"{texts[n]!r} (meant {meant!r}?)" for n, meant in list(wrong.items())[:MOST_SHOWN])
        parsed.notes.append(("wrong letters", list(wrong), f"{shown}: saved in a wrong encoding once; kept as written"))


def twice_encoded(text: str) -> str | None:
    """Text as it was before UTF-8 was read as Windows-1252.

    Parameters
    ----------
    text : str

    Returns
    -------
    str or None
        None where it does not look like that.
    """
    if text.isascii():
        return None
    try:
        meant = text.encode("cp1252").decode("utf-8")
    except UnicodeError:
        return None
    return meant if len(meant) < len(text) else None


def parse_labels(texts: list[str], context: Context) -> Parsed:
    """Names: look-alikes (case, spaces, accents) are joined under the spelling used most, with a note.

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
    tidied = [clean_text(strip_marker(text)) for text in texts]
    best: dict[str, tuple[int, str]] = {}
    for n, text in enumerate(tidied):
        if text:
            best[normalize_key(text)] = max(best.get(normalize_key(text), (0, "")), (context.rows([n]), text))
    parsed = Parsed([best[normalize_key(t)][1] if t else None for t in tidied], [None] * len(tidied))
    joined: dict[str, set[str]] = {}
    for raw, value in zip(texts, parsed.values, strict=True):
        if value is not None and strip_marker(raw) != value:
            joined.setdefault(value, set()).add(strip_marker(raw))
    for shown, raws in joined.items():
        names = ", ".join(repr(r) for r in sorted(raws))
        parsed.notes.append(("joined", [], f"{names} read as {shown!r}: only case, spaces or accents differ"))
    _note_wrong_letters(texts, parsed)
    return parsed


def parse_species(texts: list[str], context: Context) -> Parsed:
    """Species by accepted name; unknown ones stay as written, a likely misspelling is only proposed.

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
    own = context.settings.species | context.table.codes.get(context.column.name, {})
    known = accepted_names(own)
    parsed = parse_labels(texts, context)
    for n, name in enumerate(parsed.values):
        if name is None:
            continue
        accepted = known.get(normalize_key(name))
        if accepted is None:
            near = propose(name, known)
            hint = f"; did you mean {near}? (add it under [species] if so)" if near else ""
            parsed.notes.append(
                ("unknown species", [n], f"{name!r} is not in the species table, kept as written{hint}")
            )
        elif accepted != name:
            parsed.values[n] = accepted
            parsed.notes.append(("accepted name", [n], f"{name!r} read as {accepted!r}"))
    return parsed
