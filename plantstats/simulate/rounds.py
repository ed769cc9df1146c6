"""What happens when a technician comes by in the invented company."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from plantstats.simulate.life import ALIVE, DISCOVERED, LOST, SICK_DAYS, Life
from plantstats.simulate.log import VISIT_COLUMNS
from plantstats.simulate.params import DAYS_PER_100_YEARS, TRANSIENT_DAYS

DRY, MOIST, WET = 0, 1, 2


def _leaf_means(
    life: Life, at: np.ndarray, day: int, dry: np.ndarray, failing: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Expected green and yellow leaves a day, on the conditions at the visit."""
    params, group = life.params, life.effects.group[life.species[at]]
    # A drought shows in figs only after rewatering (Graves, abstract of the American Society for Horticultural
    # Science: most leaves fell within 24 hours after it); in others at once (common practice, no source).
    drought = np.where(group == 0, life.last_dry[at], dry)
    green = (
        np.log(params.leaf_base)
        + life.leaf_static[at]
        + life.lay.leaf_cycle[day]
        + life.effects.leaf_humidity[group] * life.effects.dry_air[day, life.site[at]]
        + life.effects.new_leaf[np.minimum(day - life.planted[at], TRANSIENT_DAYS + 1)]
        + life.effects.moved_leaf[np.minimum(day - life.moved[at], TRANSIENT_DAYS + 1)]
        + life.effects.repotted_leaf[np.minimum(day - life.repotted[at], TRANSIENT_DAYS + 1)]
        + params.leaf_dry * drought
        + params.leaf_before_loss * failing
    )
    yellow = np.log(params.yellow_base) + life.leaf_static[at] + params.yellow_dry * dry
    return np.exp(green), np.exp(yellow)


def _scores(life: Life, at: np.ndarray, failing: np.ndarray, left: np.ndarray, luck: np.ndarray) -> np.ndarray:
    """Condition scores: lower by chance now and then, falling ahead of a loss that gives warning."""
    score = life.base_condition[at] - (luck < 0.04) - (luck < 0.008)
    score = np.where(failing, np.minimum(score, 3), score)
    score = np.where(failing & (left < 25), 2, score)
    score = np.minimum(score, life.condition[at] + 1)  # only another plant jumps by more
    alive = life.state[at] == ALIVE
    score[~alive] = [2 if life.log.plants[i]["declined"] else 1 for i in life.plant[at[~alive]]]
    return score


class Inspection(NamedTuple):
    """What a technician sees and does at the plants of a round; arrays with one value per plant."""

    alive: np.ndarray
    dry: np.ndarray  # truly
    read_dry: np.ndarray
    early: np.ndarray  # watered though read as not dry
    watered: np.ndarray
    moving: np.ndarray
    repotting: np.ndarray
    condition: np.ndarray
    gap: np.ndarray  # days since the last visit


def visit(life: Life, day: int, at: np.ndarray, extra: bool) -> bool:
    """Look at the plants in these positions, water the dry ones, count leaves, find losses, move and repot.

    Parameters
    ----------
    life : Life
        State of all positions; changed in place, and its log with it.
    day : int
        Number of the day.
    at : numpy.ndarray of int
        Positions visited.
    extra : bool
        A call between planned visits: plants are looked at, not cared for.

    Returns
    -------
    bool
        Whether a plant has moved to another site.
    """
    lost = at[life.state[at] == LOST]
    stolen = lost[[life.log.plants[i]["code"] == "STOLEN" for i in life.plant[lost]]] if len(lost) else lost
    at = at[(life.state[at] <= LOST) & (life.state[at] >= ALIVE) & ~np.isin(at, stolen)]
    chance = life.rng.random((6, len(at)))
    inspection = _inspect(life, day, at, extra, chance)
    _care(life, day, at, extra, inspection)
    crossed = [_move(life, p, day) for p in at[inspection.moving].tolist()]
    for p in at[~inspection.alive & (chance[5] < life.params.found_at_visit)].tolist() + stolen.tolist():
        life.find(p, day)
    for p in at[inspection.alive & (life.other_on[at] <= day)].tolist() if not extra else []:
        _withdraw(life, p, day)
    return any(crossed)


def _inspect(life: Life, day: int, at: np.ndarray, extra: bool, chance: np.ndarray) -> Inspection:
    """Read topsoil, count leaves, score, decide what is done; the line of the visit log is written."""
    params, alive = life.params, life.state[at] == ALIVE
    dry = life.dry_on[at] <= day
    read_dry = dry ^ (chance[0] < params.misclassification)
    early = alive & ~read_dry & (chance[1] < params.water_early) & (not extra)
    left = (life.limit[at] - life.used[at]) / life.hazard[at]
    failing = ~alive | (life.warned[at] & (left < SICK_DAYS))
    gap = (day - life.last_visit[at]).astype(int)
    dropped, yellowed = _count_leaves(life, day, at, gap, dry, failing)
    moving = alive & (chance[3] < params.move_rate / DAYS_PER_100_YEARS * gap) & (not extra)
    spring = 2.0 if life.lay.month[day] in (3, 4, 5) else 2 / 3
    repotting = alive & ~moving & (chance[4] < spring * params.repot_rate / DAYS_PER_100_YEARS * gap) & (not extra)
    inspection = Inspection(
        alive=alive,
        dry=dry,
        read_dry=read_dry,
        early=early,
        watered=alive & (read_dry | early) & (not extra),
        moving=moving,
        repotting=repotting,
        condition=_scores(life, at, failing, left, chance[2]),
        gap=gap,
    )
    _log_lines(life, day, at, extra, inspection, dropped, yellowed)
    return inspection


def _count_leaves(
    life: Life, day: int, at: np.ndarray, gap: np.ndarray, dry: np.ndarray, failing: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Green leaves dropped and leaves yellowed since the last visit; the crown grows back a little meanwhile."""
    green, yellow = _leaf_means(life, at, day, dry, failing)
    size = life.params.leaf_size
    dropped = life.rng.poisson(green * gap * life.rng.gamma(size, 1 / size, len(at)))
    yellowed = life.rng.poisson(yellow * gap)
    refills = life.effects.refills[life.species[at]]
    grown = np.where(refills, 0.12, 0.0) * (life.full_crown[at] - life.crown[at]) * gap / 28
    life.crown[at] = np.maximum(4, life.crown[at] + grown - dropped - yellowed)
    return dropped, yellowed


def _log_lines(
    life: Life, day: int, at: np.ndarray, extra: bool, inspection: Inspection, dropped: np.ndarray, yellowed: np.ndarray
) -> None:
    """One line of the visit log per plant, in the order of VISIT_COLUMNS."""
    n = len(at)
    fresh = (day - life.watered[at]) < 0.25 * (life.dry_on[at] - life.watered[at])
    topsoil = np.where(inspection.read_dry, DRY, np.where(fresh, WET, MOIST))
    line = {
        "day": np.full(n, day, np.int32),
        "plant": life.plant[at].astype(np.int32),
        "site": life.site[at].astype(np.int32),
        "topsoil": topsoil.astype(np.int8),
        "watered": inspection.watered,
        "early": inspection.early,
        "dry_days": np.maximum(0.0, day - life.dry_on[at]),
        "gap": inspection.gap.astype(np.int32),
        "dropped": dropped.astype(np.int32),
        "yellow": yellowed.astype(np.int32),
        "leaf_count": np.rint(life.crown[at]).astype(np.int32),
        "condition": inspection.condition.astype(np.int8),
        "moved": inspection.moving,
        "repotted": inspection.repotting,
        "extra": np.full(n, extra),
    }
    life.log.visits.append(tuple(line[name] for name in VISIT_COLUMNS))


def _care(life: Life, day: int, at: np.ndarray, extra: bool, inspection: Inspection) -> None:
    """Water and repot, and remember the visit."""
    life.last_visit[at], life.condition[at] = day, inspection.condition
    if not extra:
        life.last_dry[at] = inspection.dry & inspection.watered
        life.last_early[at] = np.where(inspection.watered, inspection.early, life.last_early[at])
    life.dry_days[at[inspection.watered]] = 0
    life.water(at[inspection.watered], day)
    life.repotted[at[inspection.repotting]] = day


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
    life.log.moves.append((int(life.plant[p]), day, target, life.label[p], int(life.light[p]), target != site))
    return target != site


def _withdraw(life: Life, p: int, day: int) -> None:
    cause = life.log.plants[life.plant[p]]["other"]
    code = {"upgrade": "UPGRADE", "outgrown": "TOO BIG", "removed": "TAKEN OUT", "rotation": "ROTATION"}[cause]
    record = life.end(p, day, code, False)
    record.update(found=day, replace=cause != "removed")
    life.state[p], life.due[p] = DISCOVERED, day
