"""Run the invented company through its days: who comes, who is called on, what is replaced, what closes."""

from __future__ import annotations

import datetime as dt

import numpy as np

from plantstats.simulate.layout import Layout
from plantstats.simulate.life import ALIVE, DISCOVERED, EMPTY, SICK_DAYS, Life
from plantstats.simulate.log import Log
from plantstats.simulate.params import CompanyParams
from plantstats.simulate.rounds import visit

FAILURE_DAY = dt.date(2025, 12, 12)  # in the last complete calendar year and in the last four quarters


def _replace(life: Life, day: int) -> None:
    """Put in the plants that are due; the place of one that is not replaced stays empty."""
    rng, params = life.rng, life.params
    due = np.flatnonzero((life.state == DISCOVERED) & (life.due <= day))
    weights = np.array([s.lights for s in params.species])
    for p in due.tolist():
        record = life.log.plants[life.plant[p]]
        record["removed"] = day
        life.state[p] = EMPTY
        if not record["replace"]:
            continue
        record["replaced_by"] = len(life.log.plants)
        u = rng.random(2)
        if u[0] < 0.12:
            steps = np.cumsum(weights[:, life.light[p]])
            # A move may have taken the plant into light that no species is sold for: then the same comes again.
            if steps[-1] > 0:
                life.species[p] = int(np.searchsorted(steps, u[1] * steps[-1], side="right"))
        life.place(np.array([p]), day, np.array([day]))


def _close(life: Life, site: int, day: int) -> None:
    """The contract ends: living plants go back, losses that were still standing are written down."""
    for p in np.flatnonzero((life.site == site) & (life.state != EMPTY)).tolist():
        record = life.log.plants[life.plant[p]]
        if life.state[p] == ALIVE:
            life.end(p, day, "LEASE END", False)
        record.setdefault("found", day)
        record.update(removed=day, replace=False)
        life.state[p] = EMPTY


def _fail(life: Life, day: int, site: int) -> None:
    """The boiler fails over a weekend: a large share of the site's plants die of cold at once."""
    at = np.flatnonzero((life.site == site) & (life.state == ALIVE))
    life.log.failure = (day, site)
    for p in at[life.rng.random(len(at)) < life.params.failure_deaths].tolist():
        life.lose(p, day, "BOILER")


def _extra(life: Life, day: int, visited: np.ndarray) -> np.ndarray:
    """Failing plants that are inspected between planned visits (only where those are far apart)."""
    left = (life.limit - life.used) / life.hazard
    sick = (life.state == ALIVE) & life.warned & (left < SICK_DAYS) & (life.every > 7)
    sick[visited] = False
    at = np.flatnonzero(sick)
    return at[life.rng.random(len(at)) < life.params.extra_visits]


def live(layout: Layout, params: CompanyParams, rng: np.random.Generator) -> Log:
    """Run the company through all its days.

    Parameters
    ----------
    layout : Layout
        What stands where on the first day.
    params : CompanyParams
        Parameters of the simulation.
    rng : numpy.random.Generator
        Source of chance; the same state gives the same log.

    Returns
    -------
    Log
        What happened, day by day.
    """
    life = Life(layout, params, rng)
    failure_day = (FAILURE_DAY - layout.first).days if params.building_failure else -1
    order = np.argsort(layout.starts, kind="stable")
    starts = layout.starts[order]
    for day in range(layout.days):
        _close_quarter(life, day)
        life.age_a_day(day)
        # The day of coming is no day at risk.
        _open(life, day, order[np.searchsorted(starts, day) : np.searchsorted(starts, day, side="right")])
        for site in np.flatnonzero(layout.sites["closed"].to_numpy() == day).tolist():
            _close(life, site, day)
        if changes := layout.visit_changes.get(day):
            life.visit_days[list(changes)] = list(changes.values())
            life.group_rounds()
        if day == failure_day:
            _fail(life, day, _largest_site(life))
        has_moved = _call(life, day) if layout.weekday[day] < 5 else False
        _replace(life, day)
        if has_moved:
            life.group_rounds()
    life.count(np.flatnonzero(life.state == ALIVE))
    for p in np.flatnonzero(life.state == ALIVE).tolist():
        life.log.plants[life.plant[p]].update(at_risk=int(life.days_at_risk[p]), dry=int(life.days_dry[p]))
    return life.log


def _close_quarter(life: Life, day: int) -> None:
    """On the first day of a quarter, log what the last one holds."""
    if life.lay.quarter[day] != life.quarter:
        life.count(np.flatnonzero(life.state == ALIVE))
        life.quarter = int(life.lay.quarter[day])


def _open(life: Life, day: int, positions: np.ndarray) -> None:
    """Positions that come under the records today, unless their site has closed before."""
    closed = life.lay.sites["closed"].to_numpy()
    opening = np.sort(positions[closed[life.site[positions]] > day])
    if len(opening):
        life.place(opening, day, life.lay.planted[opening])


def _largest_site(life: Life) -> int:
    return int(np.argmax(np.bincount(life.site[life.state == ALIVE], minlength=len(life.lay.sites))))


def _call(life: Life, day: int) -> bool:
    """The day's round, and calls between rounds on plants that fail; whether a plant has moved to another site."""
    params, rng, sites = life.params, life.rng, life.lay.sites
    positions = np.sort(np.concatenate([r[day % v] for v, r in life.rounds.items()]))
    opened, closed = sites["opened"].to_numpy(), sites["closed"].to_numpy()
    called = np.unique(life.site[positions])
    called = called[(opened[called] <= day) & (closed[called] > day)]
    luck = rng.random(len(called))
    missed, barred = luck < params.missed_visits, luck > 1 - params.no_access
    watered_whole = (luck > 0.5) & (luck < 0.54)
    for status, which in (("missed", missed), ("no_access", barred), ("completed", watered_whole)):
        life.log.site_lines += [(day, int(site), status) for site in called[which]]
    is_served = np.zeros(len(sites), bool)
    is_served[called[~missed & ~barred]] = True
    state = life.state[positions]
    positions = positions[is_served[life.site[positions]] & (state != EMPTY) & (state != DISCOVERED)]
    has_moved = visit(life, day, positions, extra=False) if len(positions) else False
    extra = _extra(life, day, positions) if params.extra_visits > 0 else positions[:0]
    if len(extra):
        visit(life, day, extra, extra=True)
    return has_moved
