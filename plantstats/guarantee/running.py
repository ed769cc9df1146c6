"""Findings of running guarantees: provision by client, its roll-forward, account margins."""

from __future__ import annotations

from typing import Any

import pandas as pd

from plantstats import findings
from plantstats.guarantee.margin import margin_findings
from plantstats.guarantee.money import units
from plantstats.guarantee.provision import Provision, RollForward
from plantstats.periods import Period

METHOD = "expected value over site effects and models, management estimate"

findings.define(
    provision="Expected cost of replacements under the guarantees running on the last day of the period, until they "
    "end, in the currency named; a management estimate.",
    provision_discounted="The provision with each payment discounted to the last day of the period.",
    provision_point="Amount that the cost of the running guarantees stays within with the chance named in `term`.",
    provision_move="Line of the roll-forward named in `term`: closing = opening + charged - used + adjusted.",
)


def findings_of(
    closing: Provision, rolled: RollForward, margins: pd.DataFrame, period: Period, currency: str
) -> pd.DataFrame:
    """All results about running guarantees.

    Takes:  closing provision, roll-forward, margins, period, currency.
    Gives:  findings: provision, provision_discounted, provision_point (in all and by client), provision_move,
            account_margin.
    """
    rows = [
        _amount("provision", closing.undiscounted, closing.plants, period, currency),
        _amount("provision_discounted", closing.discounted, closing.plants, period, currency),
    ]
    rows += [
        _amount("provision_point", closing.total.point(share), closing.plants, period, currency, term=name)
        for share, name in ((0.80, "80%"), (0.95, "95%"))
    ]
    for row in closing.by_client.to_dict("records"):
        for measure, column, term in (
            ("provision", "undiscounted", None),
            ("provision_discounted", "discounted", None),
            ("provision_point", "point_80", "80%"),
            ("provision_point", "point_95", "95%"),
        ):
            groups = {"client_id": row["client_id"]} | ({"term": term} if term else {})
            rows.append(_amount(measure, row[column], row["plants"], period, currency, **groups))
    moves = {
        "opening": rolled.opening,
        "charged": rolled.charged,
        "used": -rolled.used,
        "adjusted": rolled.adjusted,
        "closing": rolled.closing,
    }
    rows += [_amount("provision_move", amount, None, period, currency, term=name) for name, amount in moves.items()]
    made = findings.table(rows)
    return findings.table(pd.concat([made, margin_findings(margins, period, currency)], ignore_index=True))


def _amount(
    measure: str, amount: int, plants: int | None, period: Period, currency: str, **groups: Any
) -> dict[str, object]:
    return findings.finding(
        measure, period.name, units(amount), unit=currency, method=METHOD, n_plants=plants, **groups
    )
