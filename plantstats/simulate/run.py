"""Run the invented company through its days: who comes, who is called on, what is replaced, what closes."""

from __future__ import annotations

import datetime as dt

import numpy as np

from plantstats.simulate.layout import Layout
from plantstats.simulate.life import ALIVE, EMPTY, FOUND, SICK_DAYS, Life
from plantstats.simulate.log import Log
from plantstats.simulate.params import CompanyParams
from plantstats.simulate.rounds import visit

FAILURE_DAY = dt.date(2025, 12, 12)  # in the last complete calendar year and in the last four quarters


def _replace(life: Life, day: int) -> None:
    """Put in the plants that are due; the place of one that is not replaced stays empty."""
    rng, params = life.rng, life.params
    due = np.flatnonzero((life.state == FOUND) & (life.due <= day))
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


def _extra(life: Life, day: int, seen: np.ndarray) -> np.ndarray:
    """Failing plants that get a look between planned visits (only where those are far apart)."""
    left = (life.limit - life.used) / life.hazard
    sick = (life.state == ALIVE) & life.warned & (left < SICK_DAYS) & (life.every > 7)
    sick[seen] = False
    at = np.flatnonzero(sick)
    return at[life.rng.random(len(at)) < life.params.extra_visits]


def live(layout: Layout, params: CompanyParams, rng: np.random.Generator) -> Log:
    """Run all days and give the log."""
    life = Life(layout, params, rng)
    opened, closed = layout.sites["opened"].to_numpy(), layout.sites["closed"].to_numpy()
    failure_day = (FAILURE_DAY - layout.first).days if params.building_failure else -1
    order = np.argsort(layout.starts, kind="stable")
    starts = layout.starts[order]
    for day in range(layout.days):
        if layout.quarter[day] != life.quarter:
            life.count(np.flatnonzero(life.state == ALIVE))
            life.quarter = int(layout.quarter[day])
        life.age_a_day(day)
        # The day of coming is no day at risk.
        new = order[np.searchsorted(starts, day) : np.searchsorted(starts, day, side="right")]
        new = np.sort(new[closed[life.site[new]] > day])
        if len(new):
            life.place(new, day, layout.planted[new])
        for site in np.flatnonzero(closed == day).tolist():
            _close(life, site, day)
        if day == failure_day:
            standing = np.bincount(life.site[life.state == ALIVE], minlength=len(opened))
            _fail(life, day, int(np.argmax(standing)))  # the largest site
        crossed = False
        if layout.weekday[day] < 5:
            called = np.sort(np.concatenate([r[day % v] for v, r in life.rounds.items()]))
            sites = np.unique(life.site[called])
            sites = sites[(opened[sites] <= day) & (closed[sites] > day)]
            luck = rng.random(len(sites))
            missed, barred = luck < params.missed_visits, luck > 1 - params.no_access
            life.log.site_lines += [(day, int(s), "missed") for s in sites[missed]]
            life.log.site_lines += [(day, int(s), "no_access") for s in sites[barred]]
            life.log.site_lines += [(day, int(s), "completed") for s in sites[(luck > 0.5) & (luck < 0.54)]]
            served = np.zeros(len(opened), bool)
            served[sites[~missed & ~barred]] = True
            called = called[served[life.site[called]] & (life.state[called] != EMPTY) & (life.state[called] != FOUND)]
            if len(called):
                crossed = visit(life, day, called, extra=False)
            extra = _extra(life, day, called) if params.extra_visits > 0 else called[:0]
            if len(extra):
                visit(life, day, extra, extra=True)
        _replace(life, day)
        if crossed:
            life.group_rounds()
    life.count(np.flatnonzero(life.state == ALIVE))
    for p in np.flatnonzero(life.state == ALIVE).tolist():
        life.log.plants[life.plant[p]].update(at_risk=int(life.days_at_risk[p]), dry=int(life.days_dry[p]))
    return life.log
