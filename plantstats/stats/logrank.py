"""Whether groups differ in survival: the log-rank test with delayed entry, within strata."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from plantstats.stats.survival_data import at_risk, check_lifetimes, in_groups


class LogRank(NamedTuple):
    """Log-rank comparison: `groups` has one row per group with n_plants, losses, expected."""

    chi2: float
    freedom: int
    p: float
    groups: pd.DataFrame
    left_out: list[str]


def log_rank(lifetimes: pd.DataFrame, by: list[str], within: list[str] | None = None) -> LogRank:
    """Compare the survival of groups.

    Parameters
    ----------
    lifetimes : pandas.DataFrame
        One row per subject: plant_id, entry_age, exit_age, event, the `by` columns, and those of `within`.
    by : list of str
        Columns that make the groups.
    within : list of str, optional
        Columns of the strata inside which alone subjects are compared (such as site_id).

    Returns
    -------
    LogRank
        chi2, its degrees of freedom, p (missing where nothing can be compared), per group the events and the events
        expected if all lived alike, and the groups left out because no event fell while they stood beside another.

    Raises
    ------
    SurvivalDataError
        For impossible lifetimes.

    Notes
    -----
    Variance hypergeometric, summed over strata; ties at one age count as one draw. Own code because statsmodels'
    survdiff takes entry or strata but not both (0.15: wrong shapes), and fails on groups without events; it agrees
    with it where that can answer.

    References
    ----------
    Mantel 1966, Cancer Chemotherapy Reports 50:163.

    Examples
    --------
    >>> six = pd.DataFrame({"plant_id": list("ABCDEF"), "entry_age": 0, "exit_age": range(1, 7), "event": 1})
    >>> six["light"] = list("lllhhh")
    >>> test = log_rank(six, ["light"])
    >>> test.freedom, round(test.p, 3)
    (1, 0.025)
    """
    good = _difference(check_lifetimes(lifetimes), within or [])
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


def _difference(lifetimes: pd.DataFrame, within: list[str]) -> pd.DataFrame:
    """Move each stratum to ages of its own, so that no subject is at risk beside one of another stratum."""
    if not within:
        return lifetimes
    stratum = lifetimes.groupby(within, dropna=False).ngroup() * (lifetimes["exit_age"].max() + 1)
    return lifetimes.assign(entry_age=lifetimes["entry_age"] + stratum, exit_age=lifetimes["exit_age"] + stratum)


def _gaps(
    groups: list[pd.DataFrame],
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Observed minus expected events of each group, the expected ones, and the covariance of the first."""
    lost = [group.loc[group["event"] == 1, "exit_age"].to_numpy(float) for group in groups]
    ages = np.unique(np.concatenate(lost))
    n = np.array([at_risk(group, ages) for group in groups], dtype="float64")
    d = np.array([np.bincount(np.searchsorted(ages, at), minlength=len(ages)) for at in lost], dtype=float)
    total, losses = n.sum(axis=0), d.sum(axis=0)
    share = n / total
    expected = share * losses
    hypergeometric = np.where(total > 1, losses * (total - losses) / np.maximum(total - 1, 1), 0)
    covariance = np.diag((share * hypergeometric).sum(axis=1)) - (share * hypergeometric) @ share.T
    # One group alone compares with nobody: what is left there is rounding.
    covariance[np.abs(covariance) < 1e-10 * max(1.0, hypergeometric.sum())] = 0
    return (d - expected).sum(axis=1), expected.sum(axis=1), covariance
