"""Letters that the font of the charts does not have: another font that has them, else the code, else one sign."""

from __future__ import annotations

import re
from functools import lru_cache

from matplotlib import font_manager
from matplotlib.ft2font import FT2Font
from matplotlib.text import Text
from matplotlib.ticker import FixedFormatter

NAMED = re.compile(r"(?P<name>.*) \((?P<code>[^()]+)\)", re.DOTALL)  # a name with its code, as in "Lantern House (S01)"
NO_GLYPH = "\N{REPLACEMENT CHARACTER}"


def set_glyphs(texts: list[Text], formatters: list[object]) -> None:
    """Give texts of a figure fonts that have their letters, and take letters out that no font of the machine has.

    Parameters
    ----------
    texts : list of matplotlib.text.Text
        Everything written on a figure, labels of ticks among it.
    formatters : list of matplotlib.ticker.Formatter
        Those of its axes: fixed labels of ticks are written from them.

    Notes
    -----
    Without this matplotlib draws a box for such a letter and warns.
    """
    labels = [f for f in formatters if isinstance(f, FixedFormatter)]
    written = "".join([t.get_text() for t in texts] + [str(label) for f in labels for label in f.seq])
    missing = {letter for letter in written if letter.isprintable() and not _has(_default(), letter)}
    if not missing:
        return
    others = {letter: font for letter in sorted(missing) if (font := _font_with(letter))}
    families = [*_families(), *dict.fromkeys(font.name for font in others.values())]
    lost = missing - others.keys()
    for text in texts:
        text.set_fontfamily(families)
        text.set_text(drawable(text.get_text(), lost))
    for formatter in labels:
        formatter.seq = [drawable(str(label), lost) for label in formatter.seq]


def drawable(text: str, lost: set[str]) -> str:
    """Text without letters that cannot be drawn: the code in its place where the text names one.

    Parameters
    ----------
    text : str
        As it should stand on a chart.
    lost : set of str
        Letters that no font has.

    Returns
    -------
    str

    Examples
    --------
    >>> drawable("\u4e2d\u6587 (S01)", {"\u4e2d", "\u6587"})
    'S01'
    >>> drawable("Ficus \u4e2d", {"\u4e2d"})
    'Ficus \ufffd'
    """
    if not lost & set(text):
        return text
    match = NAMED.fullmatch(text)
    if match and not lost & set(match["code"]):
        return match["code"]
    return "".join(NO_GLYPH if letter in lost else letter for letter in text)


def _families() -> list[str]:
    return list(font_manager.FontProperties().get_family())


@lru_cache(maxsize=1)
def _default() -> FT2Font:
    return font_manager.get_font(font_manager.findfont(font_manager.FontProperties()))


def _has(font: FT2Font, letter: str) -> bool:
    return font.get_char_index(ord(letter)) != 0


@lru_cache(maxsize=1024)
def _font_with(letter: str) -> font_manager.FontEntry | None:
    """First font of the machine that has a letter."""
    for entry in font_manager.fontManager.ttflist:
        try:
            if _has(font_manager.get_font(entry.fname), letter):
                return entry
        except (OSError, RuntimeError):
            continue  # a font that is listed and cannot be read
    return None
