"""Names of the months in the languages that the settings can declare."""

from __future__ import annotations

from functools import lru_cache

from plantstats.schema.text import normalize_key

MONTHS: dict[str, str] = {
    "en": "january february march april may june july august september october november december",
    "de": "januar februar marz april mai juni juli august september oktober november dezember",
    "fr": "janvier fevrier mars avril mai juin juillet aout septembre octobre novembre decembre",
    "es": "enero febrero marzo abril mayo junio julio agosto septiembre octubre noviembre diciembre",
    "it": "gennaio febbraio marzo aprile maggio giugno luglio agosto settembre ottobre novembre dicembre",
    "pt": "janeiro fevereiro marco abril maio junho julho agosto setembro outubro novembro dezembro",
    "nl": "januari februari maart april mei juni juli augustus september oktober november december",
    "sv": "januari februari mars april maj juni juli augusti september oktober november december",
    "da": "januar februar marts april maj juni juli august september oktober november december",
    "nb": "januar februar mars april mai juni juli august september oktober november desember",
}
# Languages that the settings can declare: of month names, and of words for yes and no.
LANGUAGES = (*MONTHS, "pl", "fi")
EXTRA = {
    "de": {"jan": 1, "janner": 1, "feb": 2, "mrz": 3, "sept": 9},
    "fr": {"sept": 9},
    "en": {"sept": 9},
    "nl": {"mrt": 3},
}


@lru_cache(maxsize=64)
def month_names(languages: tuple[str, ...]) -> dict[str, int]:
    """Month names and their abbreviations of three letters and more, English always, others as declared.

    Parameters
    ----------
    languages : tuple of str
        Declared beside English.

    Returns
    -------
    dict of str to int
        Name without capitals and accents to number, 1 to 12.
    """
    names: dict[str, int] = {}
    for language in ("en", *languages):
        numbers: dict[str, set[int]] = {}
        for number, name in enumerate(MONTHS.get(language, "").split(), start=1):
            for length in range(3, len(name) + 1):
                numbers.setdefault(name[:length], set()).add(number)
        names.update({name: next(iter(candidates)) for name, candidates in numbers.items() if len(candidates) == 1})
        names.update(EXTRA.get(language, {}))
    return names


def month_of(name: str, languages: tuple[str, ...]) -> int | None:
    """Number of a month by its name; accents count unless a language that uses them is declared.

    Parameters
    ----------
    name : str
        In any case.
    languages : tuple of str
        Declared beside English.

    Returns
    -------
    int or None
        1 to 12; None for a text that is no month.

    Examples
    --------
    >>> month_of("Sept", ()), month_of("Smarch", ())
    (9, None)
    """
    names = month_names(languages)
    return names.get(normalize_key(name) if languages else name.casefold())
