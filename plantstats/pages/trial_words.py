"""Words that the pages of a trial share."""

from __future__ import annotations

from plantstats.trials.outcomes import COST, DRY, LEAVES, LOSSES
from plantstats.trials.protocol import Protocol

OUTCOME = {
    DRY: "plants found dry, in 100 looks",
    LEAVES: "green leaves dropped, per 100 plants and day",
    LOSSES: "plants lost, per 100 plants and year",
    COST: "cost of care, per site",
}
SHORT = {DRY: "looks in 100 found dry", LEAVES: "leaves dropped", LOSSES: "losses"}


def dry_means(protocol: Protocol) -> str:
    """What counts as dry.

    Parameters
    ----------
    protocol : Protocol

    Returns
    -------
    str
    """
    if protocol.dry_depth is None:
        return "Dry means: the topsoil was noted as dry on arrival. Dry is not yet harmed: leaf drop says more of that."
    return f"Dry means: the soil was dry down to {protocol.dry_depth:g} cm or more, where a depth was noted."


def amount(protocol: Protocol, value: float, outcome: str | None = None) -> str:
    """So much of an outcome, in words.

    Parameters
    ----------
    protocol : Protocol
    value : float
        In the outcome's unit.
    outcome : str, optional
        Another than the protocol's.

    Returns
    -------
    str
    """
    return amount_of(outcome or protocol.outcome, value)


def amount_of(outcome: str, value: float) -> str:
    """So much of an outcome, in words.

    Parameters
    ----------
    outcome : str
        One of `outcomes.OUTCOMES`.
    value : float
        In its unit.

    Returns
    -------
    str
    """
    if outcome == DRY:
        return f"{value:.0f} looks in 100 that find a plant dry"
    return f"{value:.1f} {'leaves per 100 plants and day' if outcome == LEAVES else 'losses per 100 plants and year'}"
