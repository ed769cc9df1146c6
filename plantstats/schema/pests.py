"""Words for pests in a visit log: which pest, or none seen where somebody looked, or what is taken for one and is none.

Reddish dots on the newest leaves of Ficus lyrata are edema, no pest (common practice, no source).
"""

from __future__ import annotations

from plantstats.schema.text import normalize_header

NONE, OTHER = "none", "other"
PESTS = ("mites", "mealybug", "scale", OTHER)
# Parts of words, the first that fits (common practice, no source); none of them is part of another pest's name.
WORDS = (
    (NONE, ("edema", "oedema", "reddish_dot", "red_dot", "no_pest", "not_seen")),
    ("mites", ("mite", "spinnmilbe", "acari", "webbing")),
    ("mealybug", ("mealy", "wolllaus", "wollaeuse")),
    ("scale", ("scale", "schildlaus", "schildlaeuse")),
)
NOTHING = ("", "none", "no", "n", "0", "nil", "ok", "clear", "clean", "keine", "nothing", "false", "_", "-")


def pest_of(text: str) -> str:
    """The pest that a note names.

    Parameters
    ----------
    text : str
        What the technician wrote in the column of pests; a blank cell is no note and is not asked about.

    Returns
    -------
    str
        One of `PESTS`, or "none": somebody looked and saw none.

    Examples
    --------
    >>> [pest_of(text) for text in ("Spider mites", "mealybugs", "none", "Edema", "thrips")]
    ['mites', 'mealybug', 'none', 'none', 'other']
    """
    word = normalize_header(text)
    if word in NOTHING:
        return NONE
    return next((pest for pest, parts in WORDS if any(part in word for part in parts)), OTHER)
