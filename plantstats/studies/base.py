"""What a study is: records, quarter, client and last day; names of sites, clients and species."""

from __future__ import annotations

import copy
import functools
from collections.abc import Callable
from datetime import date
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any, Self, TypeVar

import pandas as pd

from plantstats import findings, periods
from plantstats.digests import program_digest
from plantstats.errors import PlantstatsError
from plantstats.records import species_table
from plantstats.reporting import provenance
from plantstats.reporting.display import Named
from plantstats.schema.text import nearest
from plantstats.store import Store

if TYPE_CHECKING:
    from plantstats.records import Records

T = TypeVar("T")
U = TypeVar("U")
# By these a result says that the records do not carry it.
REFUSALS = (PlantstatsError,)
RESULTS = "results"  # folder beside the caches of the records
# What has a name: kind, table, column of the code, column of the name (optional columns of the records).
NAMED = (
    ("site", "sites", "site_id", "site_name"),
    ("client", "sites", "client_id", "client_name"),
    ("species", "plants", "species", "common_name"),
)
LIKE = 0.9  # likeness of a species' name to a known one from which on it is taken for misspelt
# Results of all clients, whoever's study asks.
SHARED = ("exposure", "common_cause", "ordinary_exposure", "past_models", "effects_model")
KEPT_PROGRAMS = 3  # sets of results, of other inputs or programs, that stay beside the present one


class StudyError(PlantstatsError, ValueError):
    """A study that cannot be made; the message says why and what to ask for instead."""


class StudyBase:
    """One set of records, one quarter, one client or all.

    Attributes
    ----------
    records : Records
        The typed records and the account of every row.
    period : Period
        The quarter.
    as_of : datetime.date
        The last day that counts.
    client : str
        Whose plants results are about; "" for all.
    small_group : int
        Groups with fewer plants keep their counts, not their estimates.

    See Also
    --------
    plantstats.study : Opens one.
    """

    def __init__(
        self, records: Records, period: periods.Period, as_of: date, client: str = "", store: Store | None = None
    ) -> None:
        self.records, self.period, self.as_of, self.client = records, period, as_of, client
        self.small_group: int = records.settings.small_group
        self.key = {"quarter": period.name, "as_of": as_of.isoformat(), "client": client}
        self._store = store or store_of(records)
        self._memory: dict[tuple[str, str], Any] = {}
        self.on_compute: Callable[[str], None] | None = None
        self._whole: Self | None = None

    def __repr__(self) -> str:
        """Records, quarter, client and last day."""
        whose = f"client {self.client}" if self.client else "all clients"
        return f"<Study of {self.records.folder.name}: {self.period.name}, {whose}, records until {self.as_of}>"

    def _report(self, name: str) -> None:
        if self.on_compute is not None:
            self.on_compute(name.replace("_", " ").strip())

    def of_client(self, client: str) -> Self:
        """The same quarter for one client ("" for all); records, plant-time and results of all clients are shared.

        Parameters
        ----------
        client : str
            Its id.

        Returns
        -------
        Study
        """
        if client == self.client:
            return self
        whole = self.whole()
        if not client:
            return whole
        check_client(self.records, client)
        study = copy.copy(whole)
        study.client, study.key, study._whole = client, {**whole.key, "client": client}, whole
        study._memory = {k: v for k, v in whole._memory.items() if k[0] in SHARED}
        return study

    def whole(self) -> Self:
        """Study of all clients: itself, or one that shares its records and plant-time.

        Returns
        -------
        Study
        """
        if not self.client:
            return self
        if self._whole is None:
            whole = copy.copy(self)
            whole.client, whole.key = "", {**self.key, "client": ""}
            whole._memory = {k: v for k, v in self._memory.items() if k[0] in SHARED}
            self._whole = whole
        return self._whole

    def settings(self) -> dict[str, Any]:
        """Settings by which results were made, as plain values: what a later review is compared by.

        Returns
        -------
        dict of str to object
            Key to text, numbers, lists and dicts of such.
        """
        # Values stand in their final form, which is not always the one that the model declares.
        return self.records.settings.model_dump(mode="json", warnings=False)

    def _own(self, rows: pd.DataFrame) -> pd.DataFrame:
        """Of rows of all clients, the client's."""
        return rows[rows["client_id"].eq(self.client)].reset_index(drop=True) if self.client else rows

    @functools.cached_property
    def _names(self) -> dict[str, dict[str, str]]:
        """Names that the records give to codes: kind to code to name; empty where they give none."""
        names: dict[str, dict[str, str]] = {}
        for kind, table, key, column in NAMED:
            frame = self.records.table(table)
            if column in frame:
                given = frame[[key, column]].dropna().drop_duplicates(key)
                names.setdefault(kind, {}).update(zip(given[key], given[column], strict=True))
        # A species of nearly a known name is told with a mark wherever it is named.
        known = species_table()["name"].tolist()
        for species in self.records.table("plants")["species"].dropna().unique():
            if species not in known and (near := nearest(species, known, LIKE)) is not None:
                named = names.setdefault("species", {})
                named[species] = f"{named.get(near, near)}, misspelt?"
        return names

    def name_of(self, kind: str, code: str) -> Named:
        """The name of a site, client or species with its code, or the code where the records hold no name.

        Parameters
        ----------
        kind : {"site", "client", "species", ...}
            What the code is of.
        code : str
            As in the records.

        Returns
        -------
        Named
            The text "Larch House (S0013)", or "S0013"; its ``name`` alone is "Larch House".
        """
        return Named(self._names.get(kind, {}).get(code, ""), code)


def store_of(records: Records) -> Store:
    """Where results of these records, by this program, are kept.

    Parameters
    ----------
    records : Records
        The company's records, as `records.load` gives them.

    Returns
    -------
    Store
    """
    made_from = {
        "inputs": dict(records.digests),
        "settings": repr(records.settings),
        "program": program_digest(),
        "versions": provenance.versions(),
    }
    return Store(provenance.results_folder(records.cache.parent / RESULTS, made_from, KEPT_PROGRAMS))


def check_client(records: Records, client: str) -> None:
    """Refuse a client whom the records do not know, with the nearest names.

    Parameters
    ----------
    records : Records
        The company's records, as `records.load` gives them.
    client : str
        An id.

    Raises
    ------
    StudyError
        For a client whom the records do not know.
    """
    known = sorted(records.table("sites")["client_id"].dropna().unique())
    if client and client not in known:
        near = get_close_matches(client, known, n=3) or known[:5]
        raise StudyError(f"no client '{client}' in sites ({len(known)} clients; nearest: {', '.join(near)})")


def join(*tables: pd.DataFrame) -> pd.DataFrame:
    """Join findings tables.

    Parameters
    ----------
    *tables : pandas.DataFrame
        Findings.

    Returns
    -------
    pandas.DataFrame
    """
    return findings.table(pd.concat(tables, ignore_index=True))


def unless_refused(compute: Callable[[], T], otherwise: U) -> T | U:
    """A result, or something in its place where the records do not carry it.

    Parameters
    ----------
    compute : callable
        Without arguments.
    otherwise : object
        What stands in its place.

    Returns
    -------
    object
    """
    try:
        return compute()
    except REFUSALS:
        return otherwise


def of_all_clients(study: StudyBase, *results: Callable[[], pd.DataFrame]) -> pd.DataFrame:
    """Join findings that are of all clients.

    Parameters
    ----------
    study : Study
        One quarter of a company.
    *results : callable
        Methods of the study that give findings.

    Returns
    -------
    pandas.DataFrame
        Findings: none for one client's study, or where the records do not carry them.
    """
    nothing = findings.table([])
    return nothing if study.client else unless_refused(lambda: join(*(compute() for compute in results)), nothing)
