"""Who looked after each plant, under a pseudonym, and whether technicians can be told apart from their sites."""

from __future__ import annotations

from collections.abc import Iterable
from hashlib import sha256

import pandas as pd

from plantstats import exposure, findings
from plantstats.losses.expected import Expected

# Technicians are told apart from their sites only through sites that two or more of them look after.
FEWEST_SHARED = 5


def with_technicians(expected: Expected, visits: pd.DataFrame) -> tuple[Expected, pd.DataFrame]:
    """Put the technician who made most of its visits beside each plant, under a pseudonym.

    Parameters
    ----------
    expected : Expected
    visits : pandas.DataFrame
        The records' table (visited_on, plant_id, site_id, status, technician).

    Returns
    -------
    expected : Expected
        Its plants have a column technician ("technician A", ...; in an order of no meaning; plants that nobody visited
        in the quarter: "nobody").
    shared : pandas.DataFrame
        Findings: shared_sites, with a note when technicians cannot be told apart from their sites.
    """
    period, plants = expected.period, expected.plants
    day = visits["visited_on"]
    inside = (day >= pd.Timestamp(period.start)) & (day < pd.Timestamp(period.end)) & visits["technician"].notna()
    done = exposure.completed(visits[inside])
    home = plants.drop_duplicates("plant_id").set_index("plant_id")["site_id"]
    done = done.assign(site_id=done["site_id"].fillna(done["plant_id"].map(home)))
    code = plants["plant_id"].map(_most(done, "plant_id")).fillna(plants["site_id"].map(_most(done, "site_id")))
    named = plants.assign(technician=code.map(pseudonyms(code.dropna().unique())).fillna("nobody").astype("str"))
    per_site = done.groupby("site_id")["technician"].nunique()
    shared = int((per_site > 1).sum())
    note = (
        f"only {shared} of {len(per_site)} sites were looked after by two or more technicians: what looks like a "
        "technician's figure may be that of the sites"
    )
    row = pd.DataFrame({"estimate": [float(shared)], "note": ["" if shared >= FEWEST_SHARED else note]})
    rows = findings.rows(row, "shared_sites", period=period.name, unit="sites", method="count")
    return expected._replace(plants=named), findings.table(rows)


def pseudonyms(codes: Iterable[str]) -> dict[str, str]:
    """A name for each technician, in an order without meaning: no letter says who came first or lost most.

    Parameters
    ----------
    codes : iterable of str
        As in the visit log.

    Returns
    -------
    dict of str to str
        Code to pseudonym.

    Examples
    --------
    >>> sorted(pseudonyms(["T1", "T2"]).values())
    ['technician A', 'technician B']
    """
    ordered = sorted(codes, key=lambda code: sha256(str(code).encode()).hexdigest())
    return {code: f"technician {_letters(n)}" for n, code in enumerate(ordered)}


def _most(visits: pd.DataFrame, by: str) -> pd.Series:
    """The technician with most visits by plant or site; of equals the first in the alphabet."""
    counts = visits.groupby([by, "technician"], as_index=False).size()
    counts = counts.sort_values([by, "size", "technician"], ascending=[True, False, True])
    return counts.drop_duplicates(by).set_index(by)["technician"]


def _letters(n: int) -> str:
    return (_letters(n // 26 - 1) if n >= 26 else "") + chr(ord("A") + n % 26)
