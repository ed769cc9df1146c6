"""Accepted plant names: the shipped table of names and aliases, and how a user's names are matched to it."""

from __future__ import annotations

from functools import cache
from importlib import resources

import pandas as pd

from plantstats.schema.text import nearest, normalize_key


@cache
def _shipped() -> pd.DataFrame:
    with resources.files("plantstats.records").joinpath("species.csv").open(encoding="utf-8") as file:
        table = pd.read_csv(file, dtype="str", keep_default_na=False)
    table["aliases"] = table["aliases"].str.split("|")
    table["leaning"] = table["leaning"] == "yes"
    table["refills"] = table["refills"] == "yes"
    table["min_c"] = table["min_c"].astype("float64")
    return table


def species_table() -> pd.DataFrame:
    """The shipped species.

    Returns
    -------
    pandas.DataFrame
        One row per accepted name: name, group (for shrinking rare species towards their kin), aliases (list), leaning
        (turns to the light, so the pot is turned), refills (lost leaves are replaced at the same place), min_c
        (degrees Celsius where harm starts), dryness (how it stands dry topsoil: "wilts", "ordinary" or "stands
        drought"; common practice, no source), source.

    Notes
    -----
    Facts whose `source` is empty are common practice, no source.
    """
    return _shipped().copy()


def accepted_names(own: dict[str, str]) -> dict[str, str]:
    """Folded name or alias -> accepted name, the user's own aliases last and so the stronger.

    Parameters
    ----------
    own : dict of str to str
        The user's aliases.

    Returns
    -------
    dict of str to str
        Normalised name or alias to accepted name; the user's own aliases are the stronger.
    """
    known: dict[str, str] = {}
    for row in _shipped().itertuples():
        for alias in (row.name, *row.aliases):
            known[normalize_key(str(alias))] = str(row.name)
    known.update({normalize_key(alias): name for alias, name in own.items()})
    known.update({normalize_key(name): name for name in own.values()})
    return known


def propose(name: str, known: dict[str, str]) -> str | None:
    """Accepted name that an unknown name may be a misspelling of; never applied by itself.

    Parameters
    ----------
    name : str
        As written.
    known : dict of str to str
        As `accepted_names` gives them.

    Returns
    -------
    str or None
        None where none is near.
    """
    near = nearest(name, list(known), cutoff=0.85)
    return known[near] if near else None
