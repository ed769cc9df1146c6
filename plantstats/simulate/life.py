"""Live through the invented company's years, one day at a time, all plants at once."""

from __future__ import annotations

import numpy as np

from plantstats.periods import quarter
from plantstats.simulate.causes import code_for, loss_cause
from plantstats.simulate.effects import Effects
from plantstats.simulate.layout import Layout
from plantstats.simulate.log import Log
from plantstats.simulate.params import DAYS_PER_100_YEARS, TRANSIENT_DAYS, CompanyParams

EMPTY, ALIVE, LOST, DISCOVERED = 0, 1, 2, 3  # LOST: nobody has seen it yet; DISCOVERED: its replacement is ordered
LONG_AGO = -100_000
SICK_DAYS = 60  # before a loss that gives warning
CLIENT_CAUSES, WITHDRAWN_CAUSES = ("theft", "client_action"), ("upgrade", "outgrown", "removed", "rotation")


class Life:
    """State of every position on the current day, and the log of what has happened."""

    def __init__(self, layout: Layout, params: CompanyParams, rng: np.random.Generator) -> None:
        """Every position empty, on the day before the first."""
        self.lay, self.params, self.rng, self.log = layout, params, rng, Log()
        n = len(layout.site)
        self.site, self.species = layout.site.copy(), layout.species.copy()
        self.light, self.pot, self.planter = layout.light.copy(), layout.pot, layout.planter
        self.label = np.empty(n, dtype=object)
        self.labels_used = np.zeros(len(layout.sites), dtype=int)
        for p in range(n):
            self.label[p] = self.new_label(self.site[p])
        self.state, self.plant = np.zeros(n, np.int8), np.full(n, -1)
        self.planted, self.moved, self.repotted = (np.full(n, LONG_AGO) for _ in range(3))
        self.limit, self.used = np.full(n, np.inf), np.zeros(n)
        self.hazard = np.full(n, 1e-6)
        self.static, self.dry_static, self.leaf_static = np.zeros(n), np.zeros(n), np.zeros(n)
        self.watered, self.dry_on = np.zeros(n), np.full(n, np.inf)
        self.last_visit, self.last_dry, self.last_early = np.zeros(n), np.zeros(n, bool), np.zeros(n, bool)
        self.dry_days = np.zeros(n)
        self.crown, self.full_crown = np.zeros(n), np.zeros(n)
        self.other_on, self.due = np.full(n, np.inf), np.full(n, np.inf)
        self.warned, self.base_condition, self.condition = np.zeros(n, bool), np.full(n, 5), np.full(n, 5)
        self.days_at_risk, self.days_dry, self.hazard_sum = np.zeros(n), np.zeros(n), np.zeros(n)
        self.counted = np.zeros((3, n))  # of these three, what is already in the log
        self.quarter = int(layout.quarter[0])
        self.effects = Effects(layout, params)
        bad = quarter(params.bad_delivery_quarter)
        self.bad_days = (bad.start - layout.first).days, (bad.last_day - layout.first).days
        self.visit_days = layout.sites["visit_days"].to_numpy().copy()
        # Drawn only where wanted: a company without bad places is as it always was.
        is_bad = rng.random(n) < params.bad_place_share if params.bad_place_share else np.zeros(n, bool)
        self.bad_place = params.bad_place * is_bad
        self.group_rounds()

    def group_rounds(self) -> None:
        """Positions by visit interval and the day of the round, for the day's call."""
        sites = self.lay.sites
        first = (sites["weekday"] - self.lay.weekday[0]) % 7 + 7 * sites["week"]
        every, phase = self.visit_days[self.site], first.to_numpy()[self.site]
        self.rounds = {
            int(v): [np.flatnonzero((every == v) & (phase % v == p)) for p in range(int(v))]
            for v in np.unique(self.visit_days)
        }
        self.every = every

    def new_label(self, site: int) -> str:
        """A place in the site that has never been named before: floor and number.

        Parameters
        ----------
        site : int
            Number of the site.

        Returns
        -------
        str
        """
        self.labels_used[site] += 1
        number = self.labels_used[site] - 1
        return f"{number // 20 + 1}-{number % 20 + 1:02d}"

    # -- plants come ---------------------------------------------------------------------------------

    def place(self, at: np.ndarray, day: int, planted: np.ndarray) -> None:
        """Put a plant in each of these empty positions; it was planted on `planted`, is known from `day`.

        Parameters
        ----------
        at : numpy.ndarray
            Positions.
        day : int
            Number of the day, from 0.
        planted : numpy.ndarray
            Day of planting of each, which may lie before the records.
        """
        rng, n = self.rng, len(at)
        first = len(self.log.plants)
        limit, warned, base = rng.exponential(size=n), rng.random(n) < self.params.warned_share, rng.random(n)
        for i, p in enumerate(at.tolist()):
            record = {"position": self.label[p], "planted": int(planted[i]), "known": day, "site": int(self.site[p])}
            record |= {"species": int(self.species[p]), "light": int(self.light[p]), "pot": int(self.pot[p])}
            record["bad_place"] = bool(self.bad_place[p])
            record |= {"pot_cm": int(self.lay.pot_cm[p]), "planter": int(self.planter[p])}
            self.log.plants.append(record)
        self.plant[at] = np.arange(first, first + n)
        self.state[at], self.planted[at], self.limit[at], self.used[at] = ALIVE, planted, limit, 0.0
        self.warned[at], self.base_condition[at] = warned, 4 + (base < 0.6)
        self.condition[at] = 5
        self.moved[at], self.repotted[at] = LONG_AGO, LONG_AGO
        self.last_visit[at], self.last_dry[at], self.last_early[at], self.dry_days[at] = day, False, False, 0
        self.days_at_risk[at], self.days_dry[at], self.hazard_sum[at], self.counted[:, at] = 0, 0, 0, 0
        self.full_crown[at] = np.maximum(
            6, self.effects.leaves[self.species[at]] * (0.6 + 0.4 * self.pot[at]) * rng.uniform(0.8, 1.2, n)
        )
        self.crown[at] = self.full_crown[at]
        self.other_on[at] = day + 1 + rng.exponential(size=n) / self.other_rate(at)
        self.settle(at)
        self.water(at, day)

    def other_rate(self, at: np.ndarray) -> np.ndarray:
        """Rate per day of ends other than losses: client's acts and withdrawals, constant over time.

        Parameters
        ----------
        at : numpy.ndarray
            Positions.

        Returns
        -------
        numpy.ndarray
            One rate per position, per plant-day.
        """
        client = (
            self.params.client_rate * np.array([1.0, 2.0, 0.5])[self.lay.sites["setting"].to_numpy()[self.site[at]]]
        )
        return (client + self.params.withdrawn_rate + 1e-12) / DAYS_PER_100_YEARS

    def settle(self, at: np.ndarray) -> None:
        """Set what depends on species and place, after planting or a move.

        Parameters
        ----------
        at : numpy.ndarray
            Positions.
        """
        s, light, pot = self.species[at], self.light[at], self.pot[at]
        self.static[at] = self.effects.species_loss[s] + self.effects.light_loss[light] + self.effects.pot_loss[pot]
        self.dry_static[at] = (
            self.effects.species_dry[s]
            + self.effects.light_dry[light]
            + self.effects.pot_dry[pot]
            + self.effects.planter_dry[self.planter[at]]
        )
        self.leaf_static[at] = self.effects.species_leaf[s] + self.effects.light_leaf[light]

    def water(self, at: np.ndarray, day: int) -> None:
        """Start a drying: the time to dry topsoil is Weibull, on the conditions of the day.

        Parameters
        ----------
        at : numpy.ndarray
            Positions.
        day : int
            Number of the day, from 0.
        """
        ratio = self.rng.weibull(self.params.dry_shape, len(at))
        self.watered[at] = day
        self.dry_on[at] = day + np.exp(self.dry_static[at] + self.effects.site_dry[day, self.site[at]]) * ratio

    def count(self, at: np.ndarray) -> None:
        """Log the days and the true expected losses since the last count, under the place they were in.

        Parameters
        ----------
        at : numpy.ndarray
            Positions.
        """
        now = np.array([self.days_at_risk[at], self.days_dry[at], self.hazard_sum[at]])
        days, dry, expected = now - self.counted[:, at]
        quarter = np.full(len(at), self.quarter)
        self.log.risk.append((self.plant[at], quarter, self.site[at], self.light[at], days, dry, expected))
        self.counted[:, at] = now

    # -- one day -------------------------------------------------------------------------------------

    def age_a_day(self, day: int) -> None:
        """Add the day's hazard; plants whose limit is passed are lost today.

        Parameters
        ----------
        day : int
            Number of the day, from 0.
        """
        alive = self.state == ALIVE
        age = day - self.planted
        dry = self.dry_on <= day - 0.5  # dry for most of the day that ends now
        rate = (
            self.static
            + self.effects.site_loss[day][self.site]
            + self.effects.age_loss[np.minimum(age, len(self.effects.age_loss) - 1)]
        )
        rate += self.effects.moved_loss[np.minimum(day - self.moved, TRANSIENT_DAYS + 1)]
        rate += self.effects.repotted_loss[np.minimum(day - self.repotted, TRANSIENT_DAYS + 1)]
        rate += self.params.over_dry * dry
        rate += self.bad_place
        if self.params.bad_delivery:
            first, last = self.bad_days
            rate += self.params.bad_delivery * ((self.planted >= first) & (self.planted <= last))
        if self.params.ageing_shape != 1:
            rate += (self.params.ageing_shape - 1) * np.log((np.maximum(age, 0) + 0.5) / 365.25)
        self.hazard = np.exp(rate)
        self.used += self.hazard * alive
        self.hazard_sum += self.hazard * alive
        self.days_at_risk += alive
        self.days_dry += alive & dry
        self.dry_days += dry
        lost = np.flatnonzero(alive & (self.used >= self.limit))
        for p in lost.tolist():
            self.lose(p, day, None)
        for p in np.flatnonzero((self.state == ALIVE) & (self.other_on <= day)).tolist():
            if "other" not in self.log.plants[self.plant[p]]:
                self.start_other_end(p, day)

    def end(self, p: int, day: int, code: str, declined: bool) -> dict:
        """Write down the true end of the plant in this position; nobody has seen it yet.

        Parameters
        ----------
        p : int
            Position.
        day : int
            Number of the day, from 0.
        code : str
            One of `causes.CODES`.
        declined : bool
            Alive, below specification; else dead.

        Returns
        -------
        dict
            The plant's line of the log.
        """
        self.count(np.array([p]))
        record = self.log.plants[self.plant[p]]
        record.update(
            lost=day, code=code, declined=declined, at_risk=int(self.days_at_risk[p]), dry=int(self.days_dry[p])
        )
        self.state[p] = LOST
        return record

    def lose(self, p: int, day: int, code: str | None) -> None:
        """Lose a plant; without a code its kind and cause are drawn by the circumstances.

        Parameters
        ----------
        p : int
            Position.
        day : int
            Number of the day, from 0.
        code : str, optional
            One of `causes.CODES`.
        """
        declined = False
        if code is None:
            site = self.site[p]
            declined = bool(self.rng.random() < self.params.declined_share)
            cause = loss_cause(
                self.rng.random(),
                age_days=int(day - self.planted[p]),
                over_dry=float(self.dry_days[p]),
                early=bool(self.last_early[p]),
                low_light=bool(self.light[p] == 0),
                dry_air=float(self.effects.dry_air[day, site]),
                heated=bool(self.lay.heated[day]),
                moved=bool(day - self.moved[p] <= TRANSIENT_DAYS),
            )
            code = code_for(cause, declined)
        self.end(p, day, code, declined)
        if not self.params.found_late:
            self.find(p, day)

    def start_other_end(self, p: int, day: int) -> None:
        """Start an end other than a loss: a client's act ends the plant now, a withdrawal waits for the next visit.

        Parameters
        ----------
        p : int
            Position.
        day : int
            Number of the day, from 0.
        """
        record, rng = self.log.plants[self.plant[p]], self.rng
        rate = float(self.other_rate(np.array([p]))[0]) * DAYS_PER_100_YEARS
        if rng.random() * rate < rate - self.params.withdrawn_rate:
            cause = CLIENT_CAUSES[int(rng.random() < 0.4)]
            record["other"] = cause
            self.end(p, day, {"theft": "STOLEN", "client_action": "CLIENT"}[cause], False)
            if not self.params.found_late:
                self.find(p, day)
        else:
            record["other"] = WITHDRAWN_CAUSES[int(np.searchsorted((0.45, 0.7, 0.85), rng.random()))]

    def find(self, p: int, day: int) -> None:
        """Find an ended plant: order its successor, or leave the place empty.

        Parameters
        ----------
        p : int
            Position.
        day : int
            Number of the day, from 0.
        """
        record, rng = self.log.plants[self.plant[p]], self.rng
        if rng.random() < self.params.unrecorded_swaps:
            record["silent"] = record.get("silent", 0) + 1
            for key in ("lost", "code", "declined", "other"):
                record.pop(key, None)
            self.revive(p, day)
            return
        record["found"] = day
        self.state[p] = DISCOVERED
        wait = 0 if rng.random() < 0.2 else int(rng.integers(3, 21))
        due = day + wait
        due += (7 - self.lay.weekday[due]) if due < self.lay.days and self.lay.weekday[due] > 4 else 0
        record["replace"] = bool(rng.random() >= 0.05)
        self.due[p] = due

    def revive(self, p: int, day: int) -> None:
        """Swap a plant without writing it down: another plant, the same label.

        Parameters
        ----------
        p : int
            Position.
        day : int
            Number of the day, from 0.
        """
        at = np.array([p])
        self.state[p], self.planted[p], self.used[p] = ALIVE, day, 0.0
        self.limit[p] = self.rng.exponential()
        self.crown[p], self.condition[p] = self.full_crown[p], 5
        self.other_on[p] = day + 1 + self.rng.exponential() / self.other_rate(at)[0]
        self.water(at, day)
