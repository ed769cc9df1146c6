"""Fold text for comparison, keep text for showing, and find the nearest known word."""

from __future__ import annotations

import difflib
import unicodedata

SPACES = dict.fromkeys(map(ord, "\u00a0\u2007\u202f\u2009\u200a\u2002\u2003\t\n\r\x0b\x0c"), " ") | dict.fromkeys(
    map(ord, "\ufeff\u200b\u200e\u200f\u2060"), None
)


def clean_text(text: str) -> str:
    """Text in composed letters (NFC), outer spaces off, inner runs of any space made one."""
    if text.isascii():
        return text if text.isalnum() else " ".join(text.split())
    return " ".join(unicodedata.normalize("NFC", text).translate(SPACES).split())


def normalize_key(text: str) -> str:
    """What look-alike labels have in common: letters without case, accents or doubled spaces."""
    plain = unicodedata.normalize("NFKD", clean_text(text).casefold())
    return "".join(letter for letter in plain if not unicodedata.combining(letter))


def normalize_header(text: str) -> str:
    """A column head for comparison: as `fold`, with spaces, dots and dashes as underscores."""
    kept = "".join(letter if letter.isalnum() else "_" for letter in normalize_key(text))
    return "_".join(part for part in kept.split("_") if part)


def nearest(word: str, known: list[str], cutoff: float = 0.6) -> str | None:
    """The known word nearest in spelling, or None."""
    found = difflib.get_close_matches(normalize_key(word), [normalize_key(k) for k in known], n=1, cutoff=cutoff)
    return next((k for k in known if normalize_key(k) == found[0]), None) if found else None
