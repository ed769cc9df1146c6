"""From lines of plants and their hazards to chances of replacement, for each draw of site effect and
model."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from plantstats.guarantee import renewal
from plantstats.guarantee.grid import Array, Grid, days_at_risk

ROWS = 3_000_000  # numbers held at a time


@dataclass(frozen=True)
class Plants:
    """Lines of like plants under one guarantee. All arrays have one entry per line.

    planted: day of planting, in days since the grid's start (NaN: unknown); enter, leave: days between which
    the line is covered; site: number of its site.
    """

    planted: Array
    enter: Array
    leave: Array
    site: npt.NDArray[np.int64]


@dataclass(frozen=True)
class Promise:
    """How replacements go on: lead time in days, most paid per position, what follows an uncovered loss."""

    lead_days: float = 0.0
    cap: int | None = None
    after_uncovered: str = "replaced"

    @property
    def once(self) -> bool:
        """Whether only the plant in place counts, and none that follows it."""
        return self.cap == 1 and self.after_uncovered == "ends"


@dataclass(frozen=True)
class Drawn:
    """What is not known for sure, one entry per draw.

    hazard: draws x lines x (age bands, the last: unknown) x 12 months: losses per plant-day at a mean site;
    effect: draws x sites, times the hazard; covered: draws, share of losses that the guarantee pays; client,
    withdrawn: other exits per plant-day. After an exit through the client a plant comes or not, as after an
    uncovered loss; a plant taken out alive ends the position.
    """

    age_cuts: tuple[int, ...]
    hazard: Array
    effect: Array
    covered: Array
    client: float = 0.0
    withdrawn: float = 0.0

    def part(self, draws: slice, lines: npt.NDArray[np.int64], site: npt.NDArray[np.int64]) -> Drawn:
        """Some draws of some lines; the effects one per line."""
        effect = self.effect[draws][:, site[lines]]
        return replace(self, hazard=self.hazard[draws][:, lines], effect=effect, covered=self.covered[draws])


@dataclass(frozen=True)
class Outlook:
    """chance: draws x lines x (n + 1): 0 to n replacements of one position; by_step: draws x lines x
    steps."""

    chance: Array
    by_step: Array


def look_ahead(cut: Grid, plants: Plants, promise: Promise, drawn: Drawn) -> Outlook:
    """Replacements of one position of each line, given each draw.

    Takes:  cut; plants; promise; drawn.
    Gives:  Outlook.
    """
    draws, lines = drawn.hazard.shape[:2]
    if not cut.steps:
        return Outlook(np.ones((draws, lines, 1)), np.zeros((draws, lines, 0)))
    leaves = np.minimum(plants.leave, cut.edges[-1])
    made: list[tuple[npt.NDArray[np.int64], Outlook]] = []
    # Lines whose cover ends on the same day share the days at risk of their successors.
    for leave in np.unique(leaves):
        at = np.flatnonzero(leaves == leave)
        first = days_at_risk(cut, plants.planted[at], drawn.age_cuts, plants.enter[at], leaves[at])
        starts = _middles(cut, leave) + promise.lead_days
        alone = starts[:0] if promise.once else starts
        later = days_at_risk(cut, alone, drawn.age_cuts, None, np.full(len(alone), leave))
        block = max(1, ROWS // (len(at) * cut.steps**2))
        parts = [
            _of_one_end(first, later, promise, drawn.part(slice(begin, begin + block), at, plants.site))
            for begin in range(0, draws, block)
        ]
        longest = max(part.chance.shape[-1] for part in parts)
        chance = np.concatenate([_padded(part.chance, longest) for part in parts])
        made.append((at, Outlook(chance, np.concatenate([part.by_step for part in parts]))))
    longest = max((each.chance.shape[-1] for _, each in made), default=1)
    chance, by_step = np.zeros((draws, lines, longest)), np.zeros((draws, lines, cut.steps))
    for at, each in made:
        chance[:, at], by_step[:, at] = _padded(each.chance, longest), each.by_step
    return Outlook(chance, by_step)


def _padded(chance: Array, longest: int) -> Array:
    return np.pad(chance, ((0, 0), (0, 0), (0, longest - chance.shape[-1])))


def _middles(cut: Grid, leave: float) -> Array:
    """Middles of the steps, those beyond `leave` cut off there."""
    return (np.minimum(cut.edges[1:], leave) + np.minimum(cut.edges[:-1], leave)) / 2


def _of_one_end(first: Array, later: Array, promise: Promise, drawn: Drawn) -> Outlook:
    """Outlook of lines that end on one day; first: lines x steps x bands x 12 days, later: steps x the
    same."""
    draws, lines, steps = *drawn.hazard.shape[:2], first.shape[1]
    hazard = drawn.hazard.reshape(draws, lines, -1) * drawn.effect[..., None]
    if promise.once:
        return _first_only(first.reshape(lines, steps, -1), promise, drawn, hazard)
    first, later = first.reshape(lines, steps, -1), later.reshape(steps * steps, -1)
    lost = np.einsum("dlh,lsh->dls", hazard, first, optimize=True)
    again = (hazard @ later.T).reshape(draws, lines, steps, steps)
    share = drawn.covered[:, None, None]
    first_days, later_days = first.sum(axis=-1), later.sum(axis=-1).reshape(steps, steps)
    begun = _chances(promise, drawn, lost, share, first_days)
    follow = _chances(promise, drawn, again, share[..., None], later_days)
    other = (begun[1], follow[1]) if begun[1].any() or follow[1].any() else (None, None)
    numbers = renewal.count(renewal.Chances(begun[0], follow[0], *other), promise.cap)
    return Outlook(numbers.chance, numbers.by_step)


def _first_only(first: Array, promise: Promise, drawn: Drawn, hazard: Array) -> Outlook:
    """At most one replacement, and nothing after it: one minus survival, without successors."""
    lost = np.einsum("dlh,lsh->dls", hazard, first, optimize=True)
    by_step, _ = _chances(promise, drawn, lost, drawn.covered[:, None, None], first.sum(axis=-1))
    paid = by_step.sum(axis=-1)
    return Outlook(np.stack([1 - paid, paid], axis=-1), by_step)


def _chances(promise: Promise, drawn: Drawn, lost: Array, share: Array, days: Array) -> tuple[Array, Array]:
    """Chances of a covered loss, and of one that is not covered and followed by another plant."""
    covered, other, gone = lost * share, lost * (1 - share) + drawn.client * days, drawn.withdrawn * days
    if promise.after_uncovered == "ends":
        return renewal.chances(covered, 0.0, other + gone)
    return renewal.chances(covered, other, gone)
