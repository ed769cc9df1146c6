"""Make an invented company: draw it, live through its years, write up its tables. No files."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
import pyarrow as pa

from plantstats.simulate import layout, pests, run, tables, true_tables, visits
from plantstats.simulate.errors import DemoError
from plantstats.simulate.params import CompanyParams

Changes = Sequence[tuple[date, str, int]]


@dataclass(frozen=True)
class Company:
    """The tables of an invented company and its truth. `visits` is Arrow, the rest pandas."""

    tables: dict[str, pd.DataFrame]
    visits: pa.Table
    true_plants: pd.DataFrame
    true_sites: pd.DataFrame
    true_quarters: pd.DataFrame
    failure: tuple[str, str] | None  # date, site

    def frames(self) -> dict[str, pd.DataFrame]:
        """All tables and the truth as frames, typed.

        Returns
        -------
        dict of str to pandas.DataFrame
            As `company` gives them.
        """
        kinds = {
            pa.bool_(): pd.BooleanDtype(),
            pa.int64(): pd.Int64Dtype(),
            pa.string(): pd.StringDtype(na_value=np.nan),
        }
        log = self.visits.to_pandas(types_mapper=kinds.get, date_as_object=False)
        log["visited_on"] = log["visited_on"].astype("datetime64[us]")
        true = {n: getattr(self, n) for n in ("true_plants", "true_sites", "true_quarters")}
        return {**self.tables, "visits": log, **true}


def build(plants: int, years: float, seed: int, params: CompanyParams, visit_changes: Changes = ()) -> Company:
    """Invent one company, let it live through its years, and write up its tables.

    Parameters
    ----------
    plants : int
        Positions kept filled.
    years : float
        Of records before 1 October 2026 (five days more follow).
    seed : int
        Seed of the random numbers; the same seed gives the same result.
    params : CompanyParams
        Parameters of the simulation, all known.
    visit_changes : sequence of (date, str, int)
        From which day on a site is visited every so many days, as a trial has it; the plan of the sites' table stays.

    Returns
    -------
    Company
        The same arguments give the same tables.

    Raises
    ------
    DemoError
        For fewer than 2 plants or less than a quarter.
    """
    if plants < 2 or years < 0.25:
        raise DemoError(f"an invented company needs at least 2 plants and 0.25 years, not {plants} and {years}")
    streams = [np.random.Generator(np.random.PCG64(s)) for s in np.random.SeedSequence(seed).spawn(4)]
    lay = layout.draw(streams[0], plants, years, params)
    number = {site: i for i, site in enumerate(lay.sites["site_id"])}
    for on, site, days in visit_changes:
        lay.visit_changes.setdefault((on - lay.first).days, {})[number[site]] = days
    log = run.live(lay, params, streams[1])
    rng = streams[2]
    end = tables.ends(log)
    terms = tables.contracts(lay, rng)
    plant = tables.plants(lay, params, end, terms, rng)
    frames = {
        "sites": tables.sites(lay),
        "plants": plant,
        "replacements": tables.replacements(lay, end, plant, rng),
        "contracts": terms,
        "moves": tables.moves(lay, log),
        "readings": tables.readings(lay, rng),
    }
    infested = pests.infest(lay, params, log, streams[3])
    failure = (
        None
        if log.failure is None
        else (lay.date(log.failure[0]).isoformat(), str(lay.sites["site_id"].iloc[log.failure[1]]))
    )
    return Company(
        frames,
        visits.visits(lay, params, log, infested, rng),
        true_tables.true_plants(lay, params, end),
        true_tables.true_sites(lay),
        true_tables.true_quarters(lay, params, log),
        failure,
    )


def company(
    plants: int = 2000,
    years: float = 3,
    seed: int = 1,
    params: CompanyParams | None = None,
    visit_changes: Changes = (),
) -> dict[str, pd.DataFrame]:
    """Tables of an invented company, typed, for tests and validation.

    Parameters
    ----------
    plants : int, default 2000
        Positions kept filled.
    years : float, default 3
        Of records before 1 October 2026 (five days more follow).
    seed : int, default 1
        Seed of the random numbers; the same seed gives the same result.
    params : CompanyParams, optional
        `CompanyParams()` unless given.
    visit_changes : sequence of (date, str, int)
        As in `build`.

    Returns
    -------
    dict of str to pandas.DataFrame
        sites, plants, visits, replacements, contracts, moves, readings (canonical columns and types; replacements
        have `cause`, `cause_text` and `outcome`; `removal_reason` is the raw code), and the truth: `true_plants`
        (one row per plant), `true_sites`, `true_quarters` (true risk by plant and quarter).

    Raises
    ------
    DemoError
        For fewer than 2 plants or less than a quarter.

    Examples
    --------
    >>> tables = company(plants=20, years=0.5, seed=1)
    >>> sorted(set(tables) - {"true_plants", "true_sites", "true_quarters"})
    ['contracts', 'moves', 'plants', 'readings', 'replacements', 'sites', 'visits']
    """
    return build(plants, years, seed, params or CompanyParams(), visit_changes).frames()
