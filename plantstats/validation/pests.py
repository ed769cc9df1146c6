"""Whether a pest that goes round is told from one that does not, on companies of which it is known."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats.findings import pick
from plantstats.pests.inspections import PestError, inspections
from plantstats.pests.pest_findings import goes_round, neighbours
from plantstats.pests.transmission import cases
from plantstats.validation.rows import alarms, intervals, refusal

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.simulate import CompanyParams


def validate(time: PlantTime, params: CompanyParams) -> list[pd.DataFrame]:
    """Hold what is said of the spread of pests against the truth.

    Parameters
    ----------
    time : PlantTime
        Of the company's records.
    params : CompanyParams
        Its parameters.

    Returns
    -------
    list of pandas.DataFrame
        Rows of the proof: pest_said_to_go_round where none is passed on, pest_seen_to_go_round where it is; and
        pest_neighbours_alone, the limits of the plain ratio where nothing is passed on, whose truth is 1.
    """
    kind = "pest_seen_to_go_round" if params.pest_transmission > 0 else "pest_said_to_go_round"
    try:
        rows = neighbours(cases(inspections(time)), "", "all")
    except PestError as fault:
        return [refusal(kind, fault)]
    ratio, chance = (pick(rows, name) for name in ("pest_neighbours", "pest_neighbours_by_chance"))
    if ratio.empty or chance.empty or pd.isna(ratio["estimate"].iloc[0]):
        return [refusal(kind, "too few findings")]
    called = goes_round(ratio.iloc[0], chance.iloc[0])
    parts = [alarms(kind, pd.Series(["company"]), [called])]
    if params.pest_transmission == 0:
        parts.append(intervals("pest_neighbours_alone", ratio, pd.Series(["company"]), np.ones(1)))
    return parts
