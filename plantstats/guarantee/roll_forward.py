"""How the provision for running guarantees moved over a quarter, and its findings.

A management estimate. What is booked, and how, is for an accountant to decide.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from plantstats import findings
from plantstats.guarantee.back_test import back_tests, learn_from
from plantstats.guarantee.hazard_fits import HazardFits
from plantstats.guarantee.in_force import GuaranteeError, InForce, begun, in_force
from plantstats.guarantee.money import cents, units, whole
from plantstats.guarantee.provision import Method, Provision, amounts, provision, value
from plantstats.guarantee.quote_findings import year_findings
from plantstats.guarantee.terms import Terms
from plantstats.guarantee.year_error import YearError
from plantstats.periods import Period, previous_quarters

if TYPE_CHECKING:
    from plantstats.records import Records

METHOD = "expected value over site effects and models, management estimate"


@dataclass(frozen=True)
class RollForward:
    """How the provision moved over a quarter, whole cents: closing = opening + charged - used + adjusted.

    Parameters
    ----------
    opening, closing : int
    charged : int
        Expected cost of the guarantees that began in the quarter, as seen when it opened.
    used : int
        Recorded cost of replacements done under guarantee in the quarter.
    adjusted : int
        What is left, of which `chance` (expected use of the quarter less actual use) and the rest through changed
        rates, exits and corrections.
    chance : int
    """

    opening: int
    charged: int
    used: int
    adjusted: int
    closing: int
    chance: int

    def table(self) -> pd.DataFrame:
        """Line, Cents: in the order of the sum.

        Returns
        -------
        pandas.DataFrame
            Line, Cents: in the order of the sum.
        """
        lines = {
            "Opening": self.opening,
            "Charged: guarantees begun in the quarter": self.charged,
            "Used: replacements under guarantee": -self.used,
            "Adjusted": self.adjusted,
            "of which chance: expected use less actual use": self.chance,
            "of which changed rates, exits, corrections": self.adjusted - self.chance,
            "Closing": self.closing,
        }
        return pd.DataFrame({"Line": list(lines), "Cents": list(lines.values())})


def roll_forward(
    records: Records, period: Period, method: Method | None = None, fits_now: HazardFits | None = None
) -> tuple[RollForward, Provision]:
    """How the provision moved from the end of the quarter before to the end of this one.

    Parameters
    ----------
    records : Records
    period : Period
    method : Method, optional
    fits_now : HazardFits, optional
        On the records up to the end of the period, if at hand.

    Returns
    -------
    tuple of RollForward and Provision
        The provision is the closing one. Each end is worked out with the records known on that day. Both allow for the
        year-to-year error that is known at the end of the quarter (see `year_error.learn`, from losses of all causes),
        so that they move by what happened to the guarantees.

    Raises
    ------
    GuaranteeError
        When no guarantee runs: neither at the end of the quarter before, nor begun in this one, nor at its end.
    """
    method = method or Method()
    before = previous_quarters(period, 1)[0]
    fits, fits_now = HazardFits.of(records, before.last_day), fits_now or HazardFits.of(records, period.last_day)
    running, new = in_force(records, fits.time, before.last_day), begun(records, fits_now.time, period)
    running_now = in_force(records, fits_now.time, period.last_day)
    if not any((one.plants["leave"] > pd.Timestamp(period.start)).any() for one in (running, new, running_now)):
        raise GuaranteeError(
            f"no guarantee runs in {period.name}: on its first day every guarantee_until or contract (ends_on) has "
            "ended, and none began in it; there is nothing to provide for"
        )
    error = _year_error(records, fits_now, period, method)
    opened = value(running, fits, period.start, method, error, with_pmf=False)
    opening = int(amounts(opened, method)["undiscounted"].sum())
    closing = provision(running_now, fits_now, period.last_day, method, error)

    def opening_value(guarantees: InForce) -> float:
        return float(value(guarantees, fits, period.start, method, error, with_pmf=False).cost.sum())

    charged = whole(opening_value(new), method.rounding)
    used = used_in(records, period)
    adjusted = closing.undiscounted - opening - charged + used
    within = sum(opening_value(one.truncated_at(period.end)) for one in (running, new))
    chance = whole(within, method.rounding) - used
    return RollForward(opening, charged, used, adjusted, closing.undiscounted, chance), closing


def _year_error(records: Records, fits: HazardFits, period: Period, method: Method) -> YearError:
    """Year-to-year error as it is known at the end of a period."""
    terms = Terms(period.end, draws=method.n_samples, seed=method.seed)
    after = fits.time.censored_at(fits.common.losses)
    return learn_from(
        back_tests(records, period, terms, after, with_distributions=False), fits.under(terms.covered, terms.excluded)
    )


def used_in(records: Records, period: Period) -> int:
    """Recorded cost of the replacements done under guarantee in a period, plants and labour, in whole cents.

    Parameters
    ----------
    records : Records
        The company's records, as `records.load` gives them.
    period : Period
        The quarter, half-open.

    Returns
    -------
    int
    """
    done = records.table("replacements")
    inside = done["replaced_on"].between(pd.Timestamp(period.start), pd.Timestamp(period.last_day))
    return int(cost_of(done[inside & done["covered"].eq("guaranteed")], records.settings.wage_per_hour).sum())


def cost_of(replacements: pd.DataFrame, wage_per_hour: float) -> pd.Series:
    """Recorded cost of each replacement, plant and labour, in whole cents.

    Parameters
    ----------
    replacements : pandas.DataFrame
        Rows of the canonical table.
    wage_per_hour : float

    Returns
    -------
    pandas.Series of int
        Cents.

    Examples
    --------
    >>> cost_of(pd.DataFrame({"plant_cost": [40.0, None], "labour_minutes": [20, 10]}), wage_per_hour=30.0).tolist()
    [5000, 500]
    """
    labour = replacements["labour_minutes"].fillna(0).astype("float64") / 60 * wage_per_hour
    plant = replacements["plant_cost"].fillna(0)
    amounts = [cents(p) + whole(100 * work) for p, work in zip(plant, labour, strict=True)]
    return pd.Series(amounts, index=replacements.index, dtype="int64")


def findings_of(closing: Provision, rolled: RollForward, period: Period, currency: str) -> pd.DataFrame:
    """Findings about the provision.

    Parameters
    ----------
    closing : Provision
        At the end of the period.
    rolled : RollForward
        How it moved.
    period : Period
        The quarter, half-open.
    currency : str
        Such as "EUR".

    Returns
    -------
    pandas.DataFrame
        Findings: provision, provision_discounted, provision_point (in all, with what was decided as a note, and by
        client), provision_move, and those of `quote_findings.year_findings`.
    """
    total = {"undiscounted": closing.undiscounted, "discounted": closing.discounted, "plants": closing.plants}
    points = {"point_80": closing.cost.quantile(0.80), "point_95": closing.cost.quantile(0.95)}
    rows = pd.concat([pd.DataFrame([total | points]), closing.by_client], ignore_index=True)
    decided = ". ".join(note[:1].upper() + note[1:] for note in closing.notes)
    rows = rows.rename(columns={"plants": "n_plants"}).assign(note=[decided, *[""] * len(closing.by_client)])
    shared: dict[str, Any] = {"period": period.name, "unit": currency, "method": METHOD}
    parts = [
        findings.rows(rows, measure, by=["client_id"], estimate=rows[column] / 100, **shared)
        for measure, column in (("provision", "undiscounted"), ("provision_discounted", "discounted"))
    ]
    parts += [
        findings.rows(rows, "provision_point", by=["client_id"], estimate=rows[column] / 100, term=name, **shared)
        for name, column in (("80%", "point_80"), ("95%", "point_95"))
    ]
    moves = {
        "opening": rolled.opening,
        "charged": rolled.charged,
        "used": -rolled.used,
        "adjusted": rolled.adjusted,
        "closing": rolled.closing,
    }
    if closing.year_error is not None:
        parts.append(year_findings(closing.year_error, period.name))
    moved = pd.DataFrame({"term": list(moves), "estimate": [units(amount) for amount in moves.values()]})
    parts.append(findings.rows(moved, "provision_move", by=["term"], **shared))
    return findings.table(pd.concat(parts, ignore_index=True))
