"""Fold text for comparison, keep text for showing, and find the nearest known word."""

from __future__ import annotations

import difflib
import unicodedata

SPACES = dict.fromkeys(map(ord, "\u00a0\u2007\u202f\u2009\u200a\u2002\u2003\t\n\r\x0b\x0c"), " ") | dict.fromkeys(
    map(ord, "\ufeff\u200b\u200e\u200f\u2060"), None
)


def clean_text(text: str) -> str:
    r"""Text in composed letters (NFC), outer spaces off, inner runs of any space made one.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> clean_text("  Ficus \u00a0 lyrata ")
    'Ficus lyrata'
    """
    if text.isascii():
        return text if text.isalnum() else " ".join(text.split())
    return " ".join(unicodedata.normalize("NFC", text).translate(SPACES).split())


def normalize_key(text: str) -> str:
    r"""What look-alike labels have in common: letters without case, accents or doubled spaces.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> normalize_key("Caf\u00e9  Noir")
    'cafe noir'
    """
    plain = clean_text(text).casefold()
    if plain.isascii():
        return plain
    return "".join(letter for letter in unicodedata.normalize("NFKD", plain) if not unicodedata.combining(letter))


def normalize_header(text: str) -> str:
    """Head of a column for comparison: as `normalize_key`, with spaces, dots and dashes as underscores.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> normalize_header("Plant-ID")
    'plant_id'
    """
    kept = "".join(letter if letter.isalnum() else "_" for letter in normalize_key(text))
    return "_".join(part for part in kept.split("_") if part)


def nearest(word: str, known: list[str], cutoff: float = 0.6) -> str | None:
    """Known word nearest in spelling.

    Parameters
    ----------
    word : str
    known : list of str
        Words to choose from.
    cutoff : float, default 0.6
        Similarity below which none is near, 0 to 1.

    Returns
    -------
    str or None
        None where none is near.

    Examples
    --------
    >>> nearest("Ficus lyratta", ["Ficus lyrata", "Ficus elastica"], 0.8)
    'Ficus lyrata'
    """
    matches = difflib.get_close_matches(normalize_key(word), [normalize_key(k) for k in known], n=1, cutoff=cutoff)
    return next((k for k in known if normalize_key(k) == matches[0]), None) if matches else None
