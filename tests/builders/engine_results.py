"""All that engines are compared by: what plant-time, count intervals and dry-downs give, by name."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

import pandas as pd

from plantstats import exposure
from plantstats.exposure.standing import standing
from plantstats.leaves import build as count_intervals
from plantstats.records import Records
from plantstats.watering import dry_down_table

CELLS = ["species", "light", "pot", "planter", "age_band", "month", "heating", "repotted", "moved", "rh_band"]


def results(records: Records, as_of: date, *, by_site: bool = True) -> Iterator[tuple[str, pd.DataFrame]]:
    """Name and table of each result, made on the engine that is set, one after the other.

    Without `by_site` cells and counts do not grow with the number of sites.
    """
    time = exposure.build(records, as_of)
    yield "cells", time.exposure_table([*CELLS, *(["client_id", "site_id"] if by_site else [])])
    yield "totals", time.exposure_table([])
    yield "losses", time.losses
    yield "losses dated half-way", time.lost_when("midpoint")
    yield "exits", time.exits
    yield "lifetimes", time.lifetimes
    yield "account", time.account
    yield "plants without install date", time.without_install_date
    some = time.losses.head(max(len(time.losses) // 4, 1))
    yield "cells with losses censored", time.censored_at(some).exposure_table(["species", "month"])
    yield "standing plants", standing(time)
    leaves = count_intervals(time)
    yield "leaf table", leaves.frequency_table
    if by_site:
        yield "leaf sums by site", leaves.sums_by("site_id", "green_lower")
    yield "leaf account", leaves.account
    dry_downs = dry_down_table.build(records, as_of)
    yield "dry-down table", dry_downs.distinct(("site_id",) if by_site else ())
    yield "dry-down account", dry_downs.account


def differences(one: pd.DataFrame, other: pd.DataFrame) -> str:
    """What is not the same, to the unit; empty where nothing is. Engines may differ in how wide a number is kept."""
    try:
        pd.testing.assert_frame_equal(one, other, check_exact=True, check_dtype=False)
    except AssertionError as error:
        return str(error)
    return ""
