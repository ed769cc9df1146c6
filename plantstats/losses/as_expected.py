"""The quarter against what one like it should lose: findings for the loss-rate page."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats import findings, records
from plantstats.losses import ModelError, expected
from plantstats.periods import Period

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.losses.expected import Expected
    from plantstats.records import Records


def as_expected(
    time: PlantTime, loaded: Records, period: Period, client: str = "", largest_event: int = 0
) -> pd.DataFrame:
    """Observed against expected losses of the company (or one client), its sites, species and technicians.

    Takes:  time with losses dated "found"; records; period; client: one client's plants, or "" for all; the losses
            of the largest single event of the period.
    Gives:  findings of `loss_model.expected_findings`, expected_losses also by site (of an average site), and
            shared_sites, and those of `loss_model.expected.without_earlier_event`. A client's findings hold no
            technicians, no other client and no event elsewhere. Where the earlier quarters carry no model:
            expected_losses alone, not available, with the reason.
    """
    species = records.species_table()
    try:
        made = expected.expect(time, period, species)
    except ModelError as fault:
        return findings.table(
            [
                findings.finding(
                    "expected_losses",
                    period.name,
                    np.nan,
                    unit="losses expected",
                    method="loss model",
                    note=f"not available: {fault}",
                )
            ]
        )
    parts = []
    if client:
        made = _of_client(made, client)
        if made.plants.empty:
            return findings.table([])
    elif loaded.table("visits")["technician"].notna().any():
        made, told = expected.with_technicians(made, loaded.table("visits"))
        parts.append(told)
    found = expected.expected_findings(made, largest_event)
    if client:
        found = found.drop(columns="client_id", errors="ignore")
        found = found[
            ~found.duplicated(["measure", *findings.groupings(found), "period", "unit", "method"], keep="first")
        ]
    sites = expected.groups(made, ["site_id"], own_past=False)
    parts += [
        found,
        _without_earlier_event(time, period, species, client),
        findings.table(
            [
                findings.finding(
                    "expected_losses",
                    period.name,
                    row.expected,
                    unit="losses expected",
                    method="loss model, an average site",
                    site_id=row.site_id,
                    n_plants=int(row.n_plants),
                    plant_days=row.plant_days,
                    losses=int(row.losses),
                )
                for row in sites.itertuples()
            ]
        ),
    ]
    return findings.table(pd.concat(parts, ignore_index=True))


def _of_client(made: Expected, client: str) -> Expected:
    """The plants of one client, under the model of all."""
    mine = made.plants["client_id"].eq(client)
    return made._replace(
        plants=made.plants[mine].reset_index(drop=True), gradient=made.gradient[mine].reset_index(drop=True)
    )


def _without_earlier_event(time: PlantTime, period: Period, species: pd.DataFrame, client: str) -> pd.DataFrame:
    try:
        quiet = expected.expect(time, period, species, without_largest_event=True)
    except ModelError:
        # Hardly anything but the event was lost before: the expectation with it stands alone.
        return findings.table([])
    told = expected.without_earlier_event(_of_client(quiet, client) if client else quiet)
    hidden = client and quiet.event is not None and not quiet.event["client_id"].eq(client).all()
    return findings.table(told[told["measure"].ne("earlier_event_share")]) if hidden else told
