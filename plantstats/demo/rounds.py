"""What happens at the invented company's visits, replacements and site ends, and the run through the days."""

from __future__ import annotations

import datetime as dt

import numpy as np

from plantstats.demo.layout import Layout
from plantstats.demo.life import ALIVE, EMPTY, FOUND, LOST, SICK_DAYS, Life
from plantstats.demo.log import Log
from plantstats.demo.truth import DAYS_PER_100_YEARS, TRANSIENT_DAYS, Truth

FAILURE_DAY = dt.date(2025, 12, 12)  # in the last complete calendar year and in the last four quarters
DRY, MOIST, WET = 0, 1, 2


def _leaf_means(
    life: Life, at: np.ndarray, day: int, dry: np.ndarray, failing: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Expected green and yellow leaves a day, on the conditions at the visit."""
    truth, group = life.truth, life.effects.group[life.species[at]]
    # A drought shows in figs only after they are watered again (trade brief: Graves); in others at once.
    drought = np.where(group == 0, life.last_dry[at], dry)
    green = (
        np.log(truth.leaf_base)
        + life.leaf_static[at]
        + life.lay.leaf_cycle[day]
        + life.effects.leaf_humidity[group] * life.effects.dry_air[day, life.site[at]]
        + life.effects.new_leaf[np.minimum(day - life.planted[at], TRANSIENT_DAYS + 1)]
        + life.effects.moved_leaf[np.minimum(day - life.moved[at], TRANSIENT_DAYS + 1)]
        + life.effects.repotted_leaf[np.minimum(day - life.repotted[at], TRANSIENT_DAYS + 1)]
        + truth.leaf_dry * drought
        + truth.leaf_before_loss * failing
    )
    yellow = np.log(truth.yellow_base) + life.leaf_static[at] + truth.yellow_dry * dry
    return np.exp(green), np.exp(yellow)


def visit(life: Life, day: int, at: np.ndarray, extra: bool) -> bool:
    """Look at the plants in these positions, water the dry ones, count leaves, find losses, move and repot.

    Gives:  whether a plant has moved to another site.
    """
    truth, rng = life.truth, life.rng
    state = life.state[at]
    gone = np.array(
        [life.log.plants[i].get("code") == "STOLEN" for i in life.plant[at[state == LOST]]], dtype=bool
    )
    stolen = at[state == LOST][gone] if gone.size else at[:0]
    at = at[((state == ALIVE) | (state == LOST)) & ~np.isin(at, stolen)]
    n, alive = len(at), life.state[at] == ALIVE
    chance = rng.random((6, n))
    dry = life.dry_on[at] <= day
    read_dry = dry ^ (chance[0] < truth.misread)
    early = alive & ~read_dry & (chance[1] < truth.water_early) & (not extra)
    watered = alive & (read_dry | early) & (not extra)
    fresh = (day - life.watered[at]) < 0.25 * (life.dry_on[at] - life.watered[at])
    topsoil = np.where(read_dry, DRY, np.where(fresh, WET, MOIST))
    dry_days = np.maximum(0.0, day - life.dry_on[at])

    left = (life.limit[at] - life.used[at]) / life.hazard[at]
    failing = ~alive | (life.warned[at] & (left < SICK_DAYS))
    gap = (day - life.last_visit[at]).astype(int)
    green, yellow = _leaf_means(life, at, day, dry, failing)
    size = truth.leaf_size
    dropped = rng.poisson(green * gap * rng.gamma(size, 1 / size, n))
    yellowed = rng.poisson(yellow * gap)
    refills = life.effects.refills[life.species[at]]
    grown = np.where(refills, 0.12, 0.0) * (life.full_crown[at] - life.crown[at]) * gap / 28
    life.crown[at] = np.maximum(4, life.crown[at] + grown - dropped - yellowed)

    condition = life.base_condition[at] - (chance[2] < 0.04) - (chance[2] < 0.008)
    condition = np.where(failing, np.minimum(condition, 3), condition)
    condition = np.where(failing & (left < 25), 2, condition)
    condition = np.minimum(condition, life.condition[at] + 1)  # only another plant jumps by more
    dead = np.array(
        [not r["declined"] for r in map(life.log.plants.__getitem__, life.plant[at[~alive]])], dtype=bool
    )
    condition[~alive] = np.where(dead, 1, 2) if dead.size else condition[~alive]

    moving = alive & (chance[3] < truth.move_rate / DAYS_PER_100_YEARS * gap) & (not extra)
    spring = 2.0 if life.lay.month[day] in (3, 4, 5) else 2 / 3
    repotting = (
        alive & ~moving & (chance[4] < spring * truth.repot_rate / DAYS_PER_100_YEARS * gap) & (not extra)
    )
    life.log.visits.append(
        (
            np.full(n, day, np.int32),
            life.plant[at].astype(np.int32),
            life.site[at].astype(np.int32),
            topsoil.astype(np.int8),
            watered,
            early,
            dry_days,
            gap.astype(np.int32),
            dropped.astype(np.int32),
            yellowed.astype(np.int32),
            np.rint(life.crown[at]).astype(np.int32),
            condition.astype(np.int8),
            moving,
            repotting,
            np.full(n, extra),
        )
    )

    life.last_visit[at], life.condition[at] = day, condition
    if not extra:
        life.last_dry[at], life.last_early[at] = dry & watered, np.where(watered, early, life.last_early[at])
    life.spell_dry[at[watered]] = 0
    life.water(at[watered], day)
    life.repotted[at[repotting]] = day
    crossed = [_move(life, p, day) for p in at[moving].tolist()]
    for p in at[~alive & (chance[5] < truth.found_at_visit)].tolist() + stolen.tolist():
        life.find(p, day)
    for p in at[alive & (life.other_on[at] <= day)].tolist() if not extra else []:
        _withdraw(life, p, day)
    return any(crossed)


def _move(life: Life, p: int, day: int) -> bool:
    """Move a plant within its site or to another of the client's; the light may change by one band."""
    sites, rng = life.lay.sites, life.rng
    site = int(life.site[p])
    life.count(np.array([p]))
    u = rng.random(3)
    client = sites["client"].to_numpy()
    others = np.flatnonzero(
        (client == client[site])
        & (sites["opened"].to_numpy() <= day)
        & (sites["closed"].to_numpy() > day)
        & (np.arange(len(sites)) != site)
    )
    target = int(others[int(u[0] * len(others))]) if len(others) and u[1] < 0.35 else site
    if u[2] < 0.4:
        life.light[p] = min(3, max(0, int(life.light[p]) + (1 if u[2] < 0.2 else -1)))
    life.site[p], life.label[p], life.moved[p] = target, life.new_label(target), day
    life.settle(np.array([p]))
    life.log.moves.append(
        (int(life.plant[p]), day, target, life.label[p], int(life.light[p]), target != site)
    )
    return target != site


def _withdraw(life: Life, p: int, day: int) -> None:
    cause = life.log.plants[life.plant[p]]["other"]
    code = {"upgrade": "UPGRADE", "outgrown": "TOO BIG", "removed": "TAKEN OUT", "rotation": "ROTATION"}[
        cause
    ]
    record = life.end(p, day, code, False)
    record.update(found=day, replace=cause != "removed")
    life.state[p], life.due[p] = FOUND, day


def _replace(life: Life, day: int) -> None:
    """Put in the plants that are due; the place of one that is not replaced stays empty."""
    rng, truth = life.rng, life.truth
    due = np.flatnonzero((life.state == FOUND) & (life.due <= day))
    weights = np.array([s.lights for s in truth.species])
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
    for p in at[life.rng.random(len(at)) < life.truth.failure_deaths].tolist():
        life.lose(p, day, "BOILER")


def _extra(life: Life, day: int, seen: np.ndarray) -> np.ndarray:
    """Failing plants that get a look between planned visits (only where those are far apart)."""
    left = (life.limit - life.used) / life.hazard
    sick = (life.state == ALIVE) & life.warned & (left < SICK_DAYS) & (life.every > 7)
    sick[seen] = False
    at = np.flatnonzero(sick)
    return at[life.rng.random(len(at)) < life.truth.extra_visits]


def live(layout: Layout, truth: Truth, rng: np.random.Generator) -> Log:
    """Run all days and give the log."""
    life = Life(layout, truth, rng)
    opened, closed = layout.sites["opened"].to_numpy(), layout.sites["closed"].to_numpy()
    failure_day = (FAILURE_DAY - layout.first).days if truth.building_failure else -1
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
            missed, barred = luck < truth.missed_visits, luck > 1 - truth.no_access
            life.log.site_lines += [(day, int(s), "missed") for s in sites[missed]]
            life.log.site_lines += [(day, int(s), "no_access") for s in sites[barred]]
            life.log.site_lines += [(day, int(s), "completed") for s in sites[(luck > 0.5) & (luck < 0.54)]]
            served = np.zeros(len(opened), bool)
            served[sites[~missed & ~barred]] = True
            called = called[
                served[life.site[called]] & (life.state[called] != EMPTY) & (life.state[called] != FOUND)
            ]
            if len(called):
                crossed = visit(life, day, called, extra=False)
            extra = _extra(life, day, called) if truth.extra_visits > 0 else called[:0]
            if len(extra):
                visit(life, day, extra, extra=True)
        _replace(life, day)
        if crossed:
            life.group_rounds()
    life.count(np.flatnonzero(life.state == ALIVE))
    for p in np.flatnonzero(life.state == ALIVE).tolist():
        life.log.plants[life.plant[p]].update(at_risk=int(life.days_at_risk[p]), dry=int(life.days_dry[p]))
    return life.log
