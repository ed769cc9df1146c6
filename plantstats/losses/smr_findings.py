"""Findings of observed against expected losses of groups."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.stats.empirical_bayes import METHOD as SHRINKAGE
from plantstats.stats.intervals import CONF_LEVEL
from plantstats.stats.smr import EXACT, FALSE_DISCOVERY


def smr_findings(compared: pd.DataFrame, by: list[str], period: str, conf_level: float = CONF_LEVEL) -> pd.DataFrame:
    """A comparison of groups with what was expected of them.

    Parameters
    ----------
    compared : pandas.DataFrame
        What `smr.compare` gives, with n_plants and plant_days.
    by : list of str
        Columns that name a group.
    period : str
    conf_level : float
        The level that was used.

    Returns
    -------
    pandas.DataFrame
        Findings: observed_expected and shrunk_ratio per group (a flagged group says so in its note), flagged for the
        flagged groups alone, and over_dispersion for all.
    """
    out = f"stands out, at a false discovery rate of {FALSE_DISCOVERY:.0%}"
    counts = compared[[*by, "n_plants", "plant_days", "losses"]]
    lacking = np.where(compared["expected"] > 0, "too little to learn from", "nothing was expected")
    ratio_note = np.where(compared["flagged"], out, np.where(compared["ratio"].isna(), lacking, ""))
    shrunk_note = np.where(compared["shrunk"].isna(), lacking, "")
    parts = [
        findings.rows(
            counts.assign(note=note),
            measure,
            period=period,
            unit="ratio",
            method=method,
            by=by,
            **{name: compared[column] for name, column in zip(("estimate", "low", "high"), columns, strict=True)},
        ).assign(conf_level=conf_level)
        for measure, method, note, columns in (
            ("observed_expected", EXACT, ratio_note, ("ratio", "low", "high")),
            ("shrunk_ratio", SHRINKAGE, shrunk_note, ("shrunk", "shrunk_low", "shrunk_high")),
        )
    ]
    flagged = compared[compared["flagged"]]
    if len(flagged):
        counts = flagged[[*by, "n_plants", "plant_days", "losses"]].assign(estimate=flagged["ratio"], note=out)
        parts.append(findings.rows(counts, "flagged", period=period, unit="ratio", method=EXACT, by=by))
    dispersion = findings.finding(
        "over_dispersion",
        period,
        float(compared["dispersion"].iloc[0]) if len(compared) else 1.0,
        unit="ratio",
        method="winsorised mean square (Spiegelhalter 2005)",
        losses=int(compared["losses"].sum()),
        note=f"between {len(compared)} groups by {', '.join(by)}",
    )
    return findings.table(pd.concat([*parts, pd.DataFrame([dispersion])], ignore_index=True))
