"""Every result of one set of records, one quarter and one client (or all), by name; each computed once and kept.

A result is made when it is first asked for, kept on disk beside the cache of the records under a key of input digests,
settings, program and arguments, and read from there by every page, every client page and every notebook.
"""

from __future__ import annotations

import copy
import functools
import inspect
from collections.abc import Callable
from contextvars import ContextVar
from dataclasses import replace
from datetime import date, timedelta
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any, Concatenate, ParamSpec, TypeVar

import pandas as pd

from plantstats import exposure, findings, periods
from plantstats.digests import file_digest, program_digest
from plantstats.errors import PlantstatsError
from plantstats.records import load, species_table
from plantstats.reporting import provenance
from plantstats.reporting.display import Named
from plantstats.schema.text import nearest
from plantstats.store import Store

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.guarantee.priced_quote import PricedQuote
    from plantstats.losses.common_cause import CommonCause
    from plantstats.losses.drivers import Drivers
    from plantstats.losses.model import LossModel
    from plantstats.records import Records
    from plantstats.watering.review import WateringReview

# By these a result says that the records do not carry it.
REFUSALS = (PlantstatsError,)
P = ParamSpec("P")
R = TypeVar("R")
RESULTS = "results"  # folder beside the caches of the records
# What has a name: kind, table, column of the code, column of the name (optional columns of the records).
NAMED = (
    ("site", "sites", "site_id", "site_name"),
    ("client", "sites", "client_id", "client_name"),
    ("species", "plants", "species", "common_name"),
)
LIKE = 0.9  # likeness of a species' name to a known one from which on it is taken for misspelt
SHARED = ("exposure", "common_cause", "ordinary_exposure")  # results of all clients, whoever's study asks
KEPT_PROGRAMS = 3  # sets of results, of other inputs or programs, that stay beside the present one


_SHARED: ContextVar[Study | None] = ContextVar("study shared by the pages of a run", default=None)


class StudyError(PlantstatsError, ValueError):
    """A study that cannot be made; the message says why and what to ask for instead."""


def kept(compute: Callable[Concatenate[Study, P], R]) -> Callable[Concatenate[Study, P], R]:
    """Make a method's result once: in memory, and on disk for others.

    Parameters
    ----------
    compute : callable
        A method of `Study`.

    Returns
    -------
    callable
    """
    return _once(compute, on_disk=True)


def in_memory(compute: Callable[Concatenate[Study, P], R]) -> Callable[Concatenate[Study, P], R]:
    """Make a method's result once, in memory alone: it holds a connection, or more than a page needs.

    Parameters
    ----------
    compute : callable
        A method of `Study`.

    Returns
    -------
    callable
    """
    return _once(compute, on_disk=False)


def _once(compute: Callable[Concatenate[Study, P], R], *, on_disk: bool) -> Callable[Concatenate[Study, P], R]:
    name = compute.__name__

    @functools.wraps(compute)
    def once(self: Study, *args: P.args, **kwargs: P.kwargs) -> R:
        bound = inspect.signature(compute).bind(self, *args, **kwargs)
        bound.apply_defaults()
        arguments = {k: _plain(v) for k, v in bound.arguments.items() if k != "self"}
        memory = (name, repr(sorted(arguments.items())))

        def make() -> R:
            self._report(name)
            return compute(self, *args, **kwargs)

        if memory not in self._memory:
            key = {**self.key, "result": name, "arguments": arguments}
            self._memory[memory] = self._store.get(name, key, make) if on_disk else make()
        value = self._memory[memory]
        return value.copy() if isinstance(value, pd.DataFrame) else value

    return once


def _plain(value: Any) -> Any:
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    return [_plain(v) for v in value] if isinstance(value, list | tuple) else value


class Study:
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

    def __init__(self, records: Records, period: periods.Period, as_of: date, client: str = "") -> None:
        self.records, self.period, self.as_of, self.client = records, period, as_of, client
        self.small_group: int = records.settings.small_group
        self.key = {"quarter": period.name, "as_of": as_of.isoformat(), "client": client}
        made_from = {
            "inputs": dict(records.digests),
            "settings": repr(records.settings),
            "program": program_digest(),
            "versions": provenance.versions(),
        }
        self._store = Store(provenance.results_folder(records.cache.parent / RESULTS, made_from, KEPT_PROGRAMS))
        self._memory: dict[tuple[str, str], Any] = {}
        self.on_compute: Callable[[str], None] | None = None
        self._whole: Study | None = None

    def __repr__(self) -> str:
        """Records, quarter, client and last day."""
        whose = f"client {self.client}" if self.client else "all clients"
        return f"<Study of {self.records.folder.name}: {self.period.name}, {whose}, records until {self.as_of}>"

    def _report(self, name: str) -> None:
        if self.on_compute is not None:
            self.on_compute(name.replace("_", " ").strip())

    def of_client(self, client: str) -> Study:
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

    def whole(self) -> Study:
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

    def places_of(self, plant_ids: pd.Series) -> list[str]:
        """Room and position of plants: where they stand, or where they were first listed.

        Parameters
        ----------
        plant_ids : pandas.Series
            Ids of plants.

        Returns
        -------
        list of str
            One text per plant.
        """
        listed = self.records.table("plants").drop_duplicates("plant_id").set_index("plant_id")[["room", "position"]]
        now = self.standing().set_index("plant_id")[["room", "position"]]
        places = pd.concat([now, listed[~listed.index.isin(now.index)]]).reindex(plant_ids).fillna("")
        return [", ".join(filter(None, row)) for row in places.itertuples(index=False, name=None)]

    # What plants were exposed to.

    @in_memory
    def exposure(self, dated: str = "found", as_of: date | None = None) -> PlantTime:
        """Plant-time up to a day, in memory.

        Parameters
        ----------
        dated : {"found", "midpoint"}
            Losses on the day they were found, or half-way between last seen alive and found.
        as_of : datetime.date
            The last day that counts; None is that of the study.

        Returns
        -------
        PlantTime
        """
        return exposure.build(self.records, as_of or self.as_of, dated)

    @in_memory
    def common_cause(self) -> CommonCause:
        """Events on record that took several plants of a site at once (see `losses.common_cause.common_cause`).

        Returns
        -------
        CommonCause
        """
        from plantstats.losses.common_cause import common_cause  # noqa: PLC0415

        return common_cause(self.exposure())

    @in_memory
    def ordinary_exposure(self, dated: str = "found") -> PlantTime:
        """Plant-time without the losses of events, which every fit rests on.

        Parameters
        ----------
        dated : {"found", "midpoint"}
            As in `exposure`.

        Returns
        -------
        PlantTime
        """
        return self.exposure(dated).censored_at(self.common_cause().losses)

    @kept
    def exposure_table(
        self, by: list[str], start: date | None = None, end: date | None = None, dated: str = "found"
    ) -> pd.DataFrame:
        """Plant-days and exits of the quarter (or another window), added up by conditions.

        Parameters
        ----------
        by : list of str
            Conditions, such as ["species", "light"]; [] for one row of all.
        start, end : datetime.date
            Half-open window on whole months; None is the quarter's.
        dated : {"found", "midpoint"}
            As in `exposure`.

        Returns
        -------
        pandas.DataFrame
            One row per combination: the conditions, n_plants, plant_days, died, declined, losses, client_exits,
            withdrawn, rh_tenths, rh_readings.
        """
        where = {"client_id": self.client} if self.client else {}
        return self.exposure(dated).exposure_table(by, start or self.period.start, end or self.period.end, where)

    @kept
    def losses(self) -> pd.DataFrame:
        """The plants lost in the quarter, one row each, with site, place, cause, who pays and cost.

        Returns
        -------
        pandas.DataFrame
            As `PlantTime.losses`, of the quarter and the client.
        """
        from plantstats.losses import loss_rates  # noqa: PLC0415

        return loss_rates.lost_in(self.exposure(), self.period, self.client)

    def standing(self) -> pd.DataFrame:
        """The plants in place on the last day, of the client or all.

        Returns
        -------
        pandas.DataFrame
            As `exposure.standing.standing`.
        """
        return self._own(self.whole()._standing())

    @kept
    def _standing(self) -> pd.DataFrame:
        from plantstats.exposure.standing import standing  # noqa: PLC0415

        return standing(self.exposure())

    def service(self) -> pd.DataFrame:
        """Findings on what the client got: plants in place, their state, their air (see `losses.service.service`).

        Returns
        -------
        pandas.DataFrame
            Findings.
        """
        from plantstats.losses import service  # noqa: PLC0415

        air = self._own(self.whole().exposure_table(["client_id", "site_id", "rh_band"]))
        return service.service(self.standing(), air, self.period, self.as_of)

    def replaced(self) -> pd.DataFrame:
        """Plants replaced or taken away in the quarter, for whatever reason, one row each (see `PlantTime.exits`).

        Returns
        -------
        pandas.DataFrame
            Rows of `PlantTime.exits`.
        """
        return self._own(self.whole()._replaced())

    @kept
    def _replaced(self) -> pd.DataFrame:
        rows = self.exposure().exits
        inside = rows["replaced_on"].between(pd.Timestamp(self.period.start), pd.Timestamp(self.period.last_day))
        return rows[inside].reset_index(drop=True)

    def visits_made(self) -> pd.DataFrame:
        """Findings visits_completed and visits_planned by site, of the client's sites or all.

        Returns
        -------
        pandas.DataFrame
            Findings.
        """
        rows = self.whole()._visits_made()
        sites = self.records.table("sites")
        own = sites.loc[sites["client_id"].eq(self.client), "site_id"] if self.client else sites["site_id"]
        return rows[rows["site_id"].isin(own)].reset_index(drop=True)

    @in_memory
    def _visits_made(self) -> pd.DataFrame:
        measures = ("visits_completed", "visits_planned")
        return join(*(findings.pick(self.quality(), m, ["site_id"], self.period.name) for m in measures))

    @kept
    def account(self) -> pd.DataFrame:
        """What became of every plant row and every reported exit (see `PlantTime.account`).

        Returns
        -------
        pandas.DataFrame
        """
        return self.exposure().account

    # What was lost.

    @kept
    def loss_rates(self) -> pd.DataFrame:
        """Findings on loss rates, causes, costs and earlier quarters (see `losses.loss_rates.loss_rates`).

        Returns
        -------
        pandas.DataFrame
            Findings.
        """
        from plantstats.losses import loss_rates  # noqa: PLC0415

        return loss_rates.loss_rates(self.exposure(), self.records, self.period, self.client, self.common_cause())

    @kept
    def same_sites(self) -> pd.DataFrame:
        """Findings on last year's sites that left and those that stayed (see `losses.same_sites.same_sites`).

        Returns
        -------
        pandas.DataFrame
        """
        from plantstats.losses.same_sites import same_sites  # noqa: PLC0415

        return same_sites(self.exposure(), self.period, self.client)

    @kept
    def expected(self) -> pd.DataFrame:
        """Findings on losses against what such a quarter should lose (see `losses.as_expected.as_expected`).

        Returns
        -------
        pandas.DataFrame
            Findings.
        """
        from plantstats.losses import as_expected  # noqa: PLC0415

        return as_expected.as_expected(self.exposure(), self.records, self.period, self.client, self.common_cause())

    @kept
    def quarters(self) -> pd.DataFrame:
        """Findings on the last quarters side by side: expected losses, costs, events (see `losses.quarters`).

        Returns
        -------
        pandas.DataFrame
        """
        from plantstats.losses import quarters  # noqa: PLC0415

        expected = quarters.expected_by_quarter(self.ordinary_exposure(), self.period, species_table(), self.client)
        events = self.common_cause()
        return join(
            expected, quarters.costs_by_quarter(self.exposure(), self.records, self.period, events, self.client)
        )

    @in_memory
    def loss_model(self) -> LossModel:
        """Loss model of all records: `study.loss_model().rate(...)` gives adjusted rates.

        Returns
        -------
        LossModel

        Raises
        ------
        ModelError
            When the records do not carry one.
        """
        from plantstats import losses  # noqa: PLC0415
        from plantstats.losses import terms  # noqa: PLC0415

        exposure_table = self.ordinary_exposure("midpoint").exposure_table(
            list(losses.EXPOSURE_BY), end=terms.settled(self.as_of)
        )
        return losses.check_collinearity(exposure_table, species_table()).model

    @kept
    def effect_terms(self) -> pd.DataFrame:
        """Comparisons of the loss model: label (as findings name it), name, level, reference; none without a model.

        Returns
        -------
        pandas.DataFrame
            One row per comparison; none without a model.
        """
        from plantstats.losses.effects import contrasts  # noqa: PLC0415
        from plantstats.losses.terms import Term  # noqa: PLC0415

        try:
            terms = [c.of for c in contrasts(self.loss_model()) if isinstance(c.of, Term)]
        except PlantstatsError:
            terms = []
        rows = [(term.label, term.name, term.level, term.reference) for term in terms]
        return pd.DataFrame(rows, columns=["label", "name", "level", "reference"], dtype="str")

    @kept
    def drivers(self) -> Drivers:
        """What drives losses: effects, named profiles, survival, causes (see `losses.drivers.review`).

        Returns
        -------
        Drivers
        """
        from plantstats.losses import drivers  # noqa: PLC0415

        return drivers.review(self.records, self.as_of, self.client)

    @kept
    def watched(self) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Watch list, plant by plant, and its findings with the back-test on the last four quarters.

        Returns
        -------
        plants, findings : pandas.DataFrame
        """
        from plantstats.losses import watch_findings, watch_list  # noqa: PLC0415

        memory = watch_list.Memory(self.ordinary_exposure())
        tested = watch_findings.back_test(self.records, self.period, self.ordinary_exposure(), species_table(), memory)
        now = watch_list.watch(self.records, self.as_of, species_table(), memory)
        if self.client:
            now = now._replace(plants=now.plants[now.plants["client_id"].eq(self.client)].reset_index(drop=True))
        ahead = f"90 days from {self.as_of + timedelta(days=1)}"
        return now.plants, watch_findings.watch_findings(now, tested, ahead)

    def watch_list(self) -> pd.DataFrame:
        """Plants in place with their chance of being found lost within 90 days, highest first.

        Returns
        -------
        pandas.DataFrame
            As `losses.watch_list.Watch.plants`, with position, cost, installed_on and guarantee_until.
        """
        more = ["plant_id", "position", "cost", "installed_on", "guarantee_until"]
        return self.watched()[0].merge(self.standing()[more], on="plant_id", how="inner")

    def watch_findings(self) -> pd.DataFrame:
        """Findings on the watch list and how earlier ones did (see `losses.watch_findings`).

        Returns
        -------
        pandas.DataFrame
        """
        return self.watched()[1]

    # Leaves, watering, quality.

    @kept
    def visit_log(self) -> pd.DataFrame:
        """What kind of log the visits are, in all and lately (see `quality.visit_log.visit_log`).

        Returns
        -------
        pandas.DataFrame
        """
        from plantstats.quality.visit_log import visit_log  # noqa: PLC0415

        return visit_log(self.whole().exposure())

    def _check_visit_log(self) -> None:
        """Refuse what a log that leaves out plants looked at would get wrong."""
        from plantstats.quality.visit_log import withheld  # noqa: PLC0415

        if reason := withheld(self.visit_log()):
            raise StudyError(reason)

    @kept
    def leaf_loss(self) -> tuple[pd.DataFrame, tuple[str, ...], pd.DataFrame, pd.DataFrame]:
        """Leaf loss: findings, notes, the account of visit rows, the profile of the humidity limit.

        Returns
        -------
        findings, notes, account, humidity_limits : DataFrame, tuple of str, DataFrame, DataFrame
        """
        from plantstats import leaves  # noqa: PLC0415

        self._check_visit_log()

        loss = leaves.leaf_loss(self.exposure(), self.records, self.period, self.client)
        return loss.findings, loss.notes, loss.account, loss.humidity_limits

    @in_memory
    def visit_advice(self) -> WateringReview:
        """Drying, advised visit intervals and what became of the last advice (see `watering.review`).

        Returns
        -------
        WateringReview
        """
        from plantstats import watering  # noqa: PLC0415

        self._check_visit_log()
        return watering.review(self.records, self.period, self.as_of, self.client, time=self.exposure())

    @kept
    def drying_check(self) -> pd.DataFrame:
        """How well the drying distribution fits.

        Returns
        -------
        pandas.DataFrame
            Shares dry by day, as fitted and without any distribution: see `watering.sensitivity.against_turnbull`.
        """
        from plantstats.watering import sensitivity  # noqa: PLC0415

        return sensitivity.against_turnbull(self.visit_advice().model)

    @kept
    def visit_results(self) -> pd.DataFrame:
        """Findings on drying and visit intervals.

        Returns
        -------
        pandas.DataFrame
        """
        return self.visit_advice().findings

    @kept
    def site_advice(self) -> pd.DataFrame:
        """One row per site with its present and advised visit interval.

        Returns
        -------
        pandas.DataFrame
            As `watering.advise` gives of sites, and over_limit: whether waterings find a plant too dry more often than
            the settings allow.
        """
        sites = self.visit_advice().advice.sites
        return sites.assign(over_limit=sites["too_dry_now"].gt(self.records.settings.watering.max_too_dry_share))

    @kept
    def ways_out(self) -> pd.DataFrame:
        """Plants that break the limit on dryness or bar a longer interval, and each way out with its price.

        Returns
        -------
        pandas.DataFrame
            As `binding_plants` gives them.
        """
        return self.visit_advice().advice.ways_out

    @kept
    def technicians_left_out(self) -> pd.DataFrame:
        """Technicians, under pseudonyms, whose notes on topsoil cannot be used: technician, n_lines, reason.

        Returns
        -------
        pandas.DataFrame
        """
        return self.visit_advice().model.left_out

    @kept
    def topsoil_methods(self) -> pd.DataFrame:
        """How topsoil was noted: method, n (dry-downs), first_on, last_on, used (only one is), most first.

        Returns
        -------
        pandas.DataFrame
        """
        review = self.visit_advice()
        rows = review.model.dry_downs.sql("""
            select method, count(*) as n, min(date '1970-01-01' + "at"::int)::varchar as first_on,
                   max(date '1970-01-01' + "at"::int)::varchar as last_on
            from dry_downs where exclusion_reason is null group by all order by n desc, method""")
        return rows.assign(used=rows["method"].eq(review.model.method))

    @kept
    def advice_followed(self) -> pd.DataFrame:
        """What became of the advice of a quarter ago: group, sites, plant_days, losses.

        Returns
        -------
        pandas.DataFrame
        """
        return self.visit_advice().followed

    @kept
    def drying_by_species(self) -> pd.DataFrame:
        """Days to dryness of each species in its most usual pot and light, fastest first.

        Returns
        -------
        pandas.DataFrame
            species, light, pot, planter, dry_half, dry_80 (days), dry_downs (of that kind).
        """
        review = self.visit_advice()
        rows = review.profiles
        season = "heating season" if review.advice.heating else "rest of the year"
        rows = rows[rows["season"].eq(season)].sort_values("dry_downs", ascending=False).drop_duplicates("species")
        columns = ["species", "light", "pot", "planter", "dry_half", "dry_80", "dry_downs"]
        return rows.sort_values("dry_half")[columns].reset_index(drop=True)

    def write_care_sheet(self, folder: Path, marks: pd.Series | None = None) -> None:
        """Put intervals.csv, ways_out.csv, drying.csv and care_sheet.xlsx into a folder.

        Parameters
        ----------
        folder : pathlib.Path
            Made when absent.
        marks : pandas.Series of str, optional
            Why a plant is to be watched, by plant_id.
        """
        from plantstats.watering import care_sheet  # noqa: PLC0415

        plants = self.standing().drop_duplicates("plant_id").set_index("plant_id")[["room", "watered_on", "seen_on"]]
        listed = self.records.table("plants").drop_duplicates("plant_id").set_index("plant_id")
        plants = plants.join(listed["common_name"])
        plants["mark"] = "" if marks is None else marks.reindex(plants.index).fillna("")
        sites = self.records.table("sites").set_index("site_id")[["site_name", "address", "access_note"]]
        care_sheet.write(self.care_sheet(), folder, self.small_group, care_sheet.Known(plants, sites))

    @kept
    def care_sheet(self) -> WateringReview:
        """What the care sheet is made from: the review of visits without the model behind it.

        Returns
        -------
        WateringReview
        """
        return replace(self.visit_advice(), model=None)  # type: ignore[arg-type]

    # Money.

    @kept
    def account_margins(self) -> pd.DataFrame:
        """Findings on what accounts pay, cost and leave over four quarters (see `guarantee.accounts`).

        Returns
        -------
        pandas.DataFrame

        Raises
        ------
        StudyError
            For records without contracts.
        """
        from plantstats.guarantee import accounts  # noqa: PLC0415

        margins = accounts.account_margins(self.records, self.period)
        if margins.empty:
            raise StudyError("the records hold no contract, so accounts have no fee")
        return accounts.findings_of(margins, self.period, self.records.settings.currency)

    @kept
    def provision(self) -> pd.DataFrame:
        """Findings on running guarantees: provision by client, and how it moved over the quarter.

        Returns
        -------
        pandas.DataFrame
        """
        from plantstats.guarantee import roll_forward  # noqa: PLC0415

        moved, closing = roll_forward.roll_forward(self.records, self.period)
        return roll_forward.findings_of(closing, moved, self.period, self.records.settings.currency)

    def quote(self, listed: str | Path, terms: str | Path) -> PricedQuote:
        """Price the replacement guarantee of a plant list from these records (see `guarantee.priced_quote`).

        Parameters
        ----------
        listed, terms : str or pathlib.Path
            The plant list (CSV or workbook) and the terms (TOML).

        Returns
        -------
        PricedQuote

        Raises
        ------
        RecordError, TermsError, QuoteError, ModelError
            For a list with faults, faulty terms, a quote that cannot be made, records too thin for a model.
        """
        files = [Path(listed).resolve(), Path(terms).resolve()]
        contents = [file_digest(file) if file.is_file() else "" for file in files]
        return self._quote(str(files[0]), str(files[1]), contents)

    @kept
    def _quote(self, listed: str, terms: str, contents: list[str]) -> PricedQuote:
        from plantstats.guarantee import priced_quote  # noqa: PLC0415

        return priced_quote.priced_quote(Path(listed), self.records, Path(terms), self.as_of)

    @kept
    def faults(self) -> pd.DataFrame:
        """Faults of the records (see `quality.check`).

        Returns
        -------
        pandas.DataFrame
            As `quality.check` gives them.
        """
        from plantstats import quality  # noqa: PLC0415

        return quality.check(self.records, self.as_of)

    @kept
    def quality(self) -> pd.DataFrame:
        """Findings on completeness, rounding and doubt (see `quality.completeness.quality`).

        Returns
        -------
        pandas.DataFrame
        """
        from plantstats.quality import completeness  # noqa: PLC0415

        return completeness.quality(self.records, self.exposure(), self.faults(), self.period)


def open_study(records: str | Path | Records, quarter: str = "", client: str = "", as_of: str | date = "") -> Study:
    """Open a study of a folder, or of records that are loaded already; see `plantstats.study`.

    Parameters
    ----------
    records : str or Path or Records
        A folder, or what `records.load` gives.
    quarter : str, default ''
        Such as "2026-Q3"; "" is the latest complete one.
    client : str, default ''
        Id of a client; "" is all.
    as_of : str or date, default ''
        Last day that counts, such as "2026-09-30"; "" is the quarter's last day.

    Returns
    -------
    Study

    Raises
    ------
    StudyError
        As `plantstats.study`.
    """
    shared = _SHARED.get()
    if shared is not None and (str(records), quarter, str(as_of)) == (
        str(shared.records.folder),
        shared.period.name,
        shared.as_of.isoformat(),
    ):
        return shared.of_client(client)
    records = load(Path(records)) if isinstance(records, str | Path) else records
    check_client(records, client)
    day = date.fromisoformat(as_of) if isinstance(as_of, str) and as_of else as_of or None
    period = choose_quarter(records, quarter, day)  # type: ignore[arg-type]
    return Study(records, period, last_day(period, day), client)  # type: ignore[arg-type]


def share(study: Study) -> None:
    """Answer `open_study` for its folder, quarter and day from this study, in this process, from now on.

    For a run that makes the pages of many clients from records which it holds to be the same from beginning to end:
    each page then opens a study as its notebook says, and no file is read again.

    Parameters
    ----------
    study : Study
        Of all clients.
    """
    _SHARED.set(study)


def choose_quarter(records: Records, name: str = "", as_of: date | None = None) -> periods.Period:
    """The quarter to study.

    Parameters
    ----------
    records : Records
        Typed records.
    name : str
        "2026-Q3", or "" for the latest complete quarter.
    as_of : datetime.date
        The day up to which the user says the records are complete (None: the last day on which they still run).

    Returns
    -------
    Period

    Raises
    ------
    StudyError
        When the records hold no visit or replacement, or the quarter is not complete in them.
    PeriodError
        For a name that is no quarter.
    """
    starts = records.settings.fiscal_year_starts
    last = exposure.last_day(records)
    if last is None:
        raise StudyError("the records hold no completed visit and no replacement: there is nothing to review")
    latest = periods.latest_complete_quarter(as_of or last, starts)
    asked = periods.quarter(name, starts) if name else latest
    if asked.end > latest.end:
        raise StudyError(
            f"{asked.name} is not complete: it ends on {asked.last_day}, the records on {as_of or last}. Ask for "
            f"{latest.name} or earlier, or say with --as-of {asked.last_day} that nothing is missing up to that day."
        )
    return asked


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


def last_day(period: periods.Period, as_of: date | None = None) -> date:
    """Last day that counts: the given one, else the quarter's last.

    Parameters
    ----------
    period : periods.Period
        The quarter, half-open.
    as_of : date, optional
        Last day that counts; that of the quarter unless given.

    Returns
    -------
    date

    Raises
    ------
    StudyError
        For a day before the quarter's end.
    """
    cut = as_of or period.last_day
    if cut < period.last_day:
        raise StudyError(f"as_of {cut} lies before the end of {period.name} ({period.last_day})")
    return cut


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
