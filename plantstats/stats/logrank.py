"""Whether groups of plants live differently: the log-rank test with delayed entry, within strata."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from plantstats import findings
from plantstats.stats.lifetimes import at_risk, check_lives, in_groups

findings.define(
    survival_alike_p="Chance of differences in survival at least as large as these between groups that are "
    "alike (log-rank test).",
    losses_to_alike="Losses of a group divided by those it would have had if all groups lived alike (1 = alike).",
)


class LogRank(NamedTuple):
    """Log-rank comparison: `groups` has one row per group with n_plants, losses, expected."""

    chi2: float
    freedom: int
    p: float
    groups: pd.DataFrame
    left_out: list[str]


def log_rank(lives: pd.DataFrame, by: list[str], within: list[str] | None = None) -> LogRank:
    """Compare the survival of groups.

    Takes:  lives: one row per plant: plant_id, entry_age, exit_age, event, the `by` columns, and those of
            `within`: strata inside which alone plants are compared (such as site_id).
    Gives:  LogRank: chi2, its degrees of freedom, p (missing where nothing can be compared), per group the
            losses and the losses expected if all lived alike, and the groups left out because no loss fell
            while they stood beside another group.
    Raises: LivesError for impossible lives.
    Source: Mantel 1966; variance hypergeometric, summed over strata. Ties at one age count as one draw. Own
            code because statsmodels' survdiff takes entry or strata but not both (0.15: wrong shapes), and
            fails on groups without losses; it agrees with it where that can answer.
    """
    good = _apart(check_lives(lives), within or [])
    if good.empty:
        return LogRank(np.nan, 0, np.nan, pd.DataFrame(columns=[*by, "n_plants", "losses", "expected"]), [])
    groups = list(in_groups(good, by))
    names = [tuple(values.values()) for values, _ in groups]
    gap, expected, variance = _gaps([group for _, group in groups])
    counts = pd.DataFrame(
        [
            {**values, "n_plants": group["plant_id"].nunique(), "losses": int(group["event"].sum())}
            for values, group in groups
        ]
    )
    counts["expected"] = expected
    compared = np.diag(variance) > 0
    left_out = [" / ".join(map(str, name)) for name, used in zip(names, compared, strict=True) if not used]
    # The gaps add up to zero within each set of groups that met: the rank says how many are free.
    freedom = int(np.linalg.matrix_rank(variance, hermitian=True)) if compared.any() else 0
    if freedom == 0:
        return LogRank(np.nan, 0, np.nan, counts, left_out)
    chi2 = float(gap @ np.linalg.pinv(variance, hermitian=True) @ gap)
    return LogRank(chi2, freedom, float(stats.chi2.sf(chi2, freedom)), counts, left_out)


def as_findings(test: LogRank, by: list[str], period: str, within: list[str] | None = None) -> pd.DataFrame:
    """Put a comparison into findings.

    Takes:  what `log_rank` gave; by and within as given to it; period: the name of the records' span.
    Gives:  findings: survival_alike_p for all, losses_to_alike per group (missing where none were expected).
    """
    stratified = f", within {', '.join(within)}" if within else ""
    method = f"log-rank with delayed entry{stratified}"
    counts = test.groups
    if test.freedom == 0:
        note = "not possible: no losses while two groups stood beside each other"
    else:
        note = f"by {', '.join(by)}: chi-square {test.chi2:.2f} on {test.freedom}"
        if test.left_out:
            note += f"; left out, nothing to compare: {', '.join(test.left_out)}"
    rows = [
        findings.finding(
            "survival_alike_p",
            period,
            test.p,
            unit="probability",
            method=method,
            note=note,
            n_plants=int(counts["n_plants"].sum()),
            losses=int(counts["losses"].sum()),
        )
    ]
    for group in counts.to_dict("records"):
        known = group["expected"] > 0
        rows.append(
            findings.finding(
                "losses_to_alike",
                period,
                group["losses"] / group["expected"] if known else np.nan,
                unit="ratio",
                method=method,
                n_plants=group["n_plants"],
                losses=group["losses"],
                note="" if known else "not available: nothing to compare with",
                **{column: group[column] for column in by},
            )
        )
    return findings.table(rows)


def _apart(lives: pd.DataFrame, within: list[str]) -> pd.DataFrame:
    """Move each stratum to ages of its own, so that no plant is at risk beside one of another stratum."""
    if not within:
        return lives
    stratum = lives.groupby(within, dropna=False).ngroup() * (lives["exit_age"].max() + 1)
    return lives.assign(entry_age=lives["entry_age"] + stratum, exit_age=lives["exit_age"] + stratum)


def _gaps(
    groups: list[pd.DataFrame],
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Observed minus expected losses of each group, the expected ones, and the covariance of the first."""
    lost = [group.loc[group["event"] == 1, "exit_age"].to_numpy(float) for group in groups]
    ages = np.unique(np.concatenate(lost))
    n = np.array([at_risk(group, ages) for group in groups], dtype="float64")
    d = np.array([np.bincount(np.searchsorted(ages, at), minlength=len(ages)) for at in lost], dtype=float)
    total, losses = n.sum(axis=0), d.sum(axis=0)
    share = n / total
    expected = share * losses
    spread = np.where(total > 1, losses * (total - losses) / np.maximum(total - 1, 1), 0)
    covariance = np.diag((share * spread).sum(axis=1)) - (share * spread) @ share.T
    # One group alone compares with nobody: what is left there is rounding.
    covariance[np.abs(covariance) < 1e-10 * max(1.0, spread.sum())] = 0
    return (d - expected).sum(axis=1), expected.sum(axis=1), covariance
