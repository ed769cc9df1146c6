"""Rows of many companies as shares: how often intervals held the truth, how often alarms went off, with their error."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from plantstats.stats.clusters import correction
from plantstats.stats.intervals import CONF_LEVEL, binomial_limits
from plantstats.validation.kinds import AS_MODELLED, BY_MEAN, IN_POINTS, KINDS, NO_TARGET, TARGET

COLUMNS = [
    "kind",
    "situation",
    "of",
    "companies",
    "refused",
    "cases",
    "share",
    "low",
    "high",
    "target_low",
    "target_high",
    "verdict",
    "bias",
    "bias_error",
    "bias_unit",
    "stated",
]


def covered(rows: pd.DataFrame) -> pd.Series:
    """Whether each interval held its truth (a missing end has no bound), or each alarm went off.

    Parameters
    ----------
    rows : pandas.DataFrame
        Rows of `companies.validate_company`.

    Returns
    -------
    pandas.Series of float
        1 or 0; of costs the estimate.
    """
    tolerance = 1e-9 * rows["true_value"].abs()
    low = rows["low"].isna() | (rows["low"] <= rows["true_value"] + tolerance)
    high = rows["high"].isna() | (rows["high"] >= rows["true_value"] - tolerance)
    return (low & high).astype("float64").where(rows["sort"].eq("interval"), rows["estimate"])


def table(rows: pd.DataFrame) -> pd.DataFrame:
    """Shares by kind and situation, effects also by term; in companies as modelled also what is seen by size.

    Parameters
    ----------
    rows : pandas.DataFrame
        Of all companies, as `companies.validate_company` gives them.

    Returns
    -------
    pandas.DataFrame
        One row per kind, situation and `of` ("all", or a term): companies, refused (companies whose page printed
        nothing), cases, share covered or called, low and high (95% limits of the share, by companies), target_low,
        target_high, verdict, bias (estimate against truth, in `bias_unit`) with its standard error, stated (mean
        chance that counts so small hold by arithmetic, or that a quote itself states).
    """
    marked = rows.assign(covered=covered(rows), bias=_bias(rows))
    parts = [_one(group, kind, situation, "all") for (kind, situation), group in marked.groupby(["kind", "situation"])]
    sized = marked[marked["kind"].eq("worse_quarter_seen") & marked["situation"].eq(AS_MODELLED)]
    parts += [
        _one(group, "worse_quarter_seen", AS_MODELLED, f"{plants} plants") for plants, group in sized.groupby("plants")
    ]
    by_term = marked[marked["kind"].isin(["effect_on_losses", "leaf_ratio"]) & marked["sort"].ne("refusal")]
    parts += [
        _one(group, kind, situation, of)
        for (kind, situation, of), group in by_term.groupby(["kind", "situation", "of"])
    ]
    return pd.DataFrame([part for part in parts if part["cases"]], columns=COLUMNS).sort_values(
        ["kind", "situation", "of"], key=_in_order, ignore_index=True
    )


def share_with_error(by_company: pd.DataFrame) -> tuple[float, float, float]:
    """Share over companies whose cases go together.

    Parameters
    ----------
    by_company : pandas.DataFrame
        One row per company: sum (covered), size (cases).

    Returns
    -------
    share, low, high : float
        The share and its 95% limits; missing where a single company has no counts.

    Notes
    -----
    Ratio of sums with its linearised variance by company, Student's t; exact binomial limits on companies where every
    case is alike, and on cases where all companies have the same share.

    References
    ----------
    Clopper and Pearson 1934, Biometrika 26:404.
    """
    hits, sizes, n = by_company["sum"].to_numpy(), by_company["size"].to_numpy(), len(by_company)
    share = float(hits.sum() / sizes.sum())
    # Costs over the best possible are no counts: they may lie outside 0 and 1.
    counted = bool(((hits >= 0) & (hits <= sizes) & (hits == np.round(hits))).all())
    if counted and (n < 2 or share in (0.0, 1.0)):
        return share, *binomial_limits(round(share * n), n, CONF_LEVEL)
    if counted and np.ptp(hits / sizes) == 0:  # no sign that cases of a company go together
        return share, *binomial_limits(int(hits.sum()), int(sizes.sum()), CONF_LEVEL)
    if n < 2:
        return share, np.nan, np.nan
    error = np.sqrt(np.sum((hits - share * sizes) ** 2) * correction(n)) / sizes.sum()
    half_width = float(stats.t.ppf((1 + CONF_LEVEL) / 2, n - 1) * error)
    low, high = share - half_width, share + half_width
    return (share, max(0.0, low), min(1.0, high)) if counted else (share, low, high)


def _one(group: pd.DataFrame, kind: str, situation: str, of: str) -> dict[str, object]:
    refused = group[group["sort"].eq("refusal")]
    used = group[group["sort"].ne("refusal")]
    target = KINDS.get(kind, ("", TARGET))[1]
    row: dict[str, object] = {
        "kind": kind,
        "situation": situation,
        "of": of,
        "companies": used["company"].nunique(),
        "refused": refused["company"].nunique(),
        "cases": len(used),
        "target_low": target[0],
        "target_high": target[1],
    }
    if used.empty:
        return row
    share, low, high = share_with_error(used.groupby("company")["covered"].agg(["sum", "size"]))
    by_company = used.groupby("company")
    biases = by_company["bias"].mean().dropna()
    if kind in BY_MEAN:
        sums = by_company[["estimate", "true_value"]].sum()
        biases = sums["estimate"] / sums["true_value"] - 1
    error = float(biases.std(ddof=1) / np.sqrt(len(biases))) if len(biases) > 1 else np.nan
    mean, unit = float(biases.mean()) if len(biases) else np.nan, "points"
    if kind in BY_MEAN:
        mean, error, unit = 100 * mean, 100 * error, "%"
    elif kind not in IN_POINTS:
        mean, error, unit = 100 * np.expm1(mean), 100 * np.exp(mean) * error, "%"
    alarm = used["sort"].ne("interval").all()
    return row | {
        "share": share,
        "low": low,
        "high": high,
        # A point or an alarm is held to what it states of itself; that exact limits of small counts hold too often by
        # arithmetic is told beside the target and excuses nothing.
        "verdict": _verdict(low, high, target, float(used["stated"].mean()) if alarm else np.nan),
        "bias": mean,
        "bias_error": error,
        "bias_unit": "" if alarm else unit,
        "stated": float(used["stated"].mean()),
    }


def _verdict(low: float, high: float, target: tuple[float, float], stated: float = np.nan) -> str:
    """What the interval of a share says of its target, or of what a quote states of itself."""
    if target == NO_TARGET:
        return "no target"
    if np.isnan(low):
        return "one company: not told"
    least, most = target if np.isnan(stated) else (stated, stated)
    if high < least:
        return "not held: too seldom"
    return "not held: too often" if low > most else "holds"


def _bias(rows: pd.DataFrame) -> pd.Series:
    """Distance of each estimate from its truth: log ratio, or points where both are percentages."""
    points = rows["kind"].isin(IN_POINTS)
    whole = rows["sort"].eq("interval")
    both = whole & (rows["estimate"] > 0) & (rows["true_value"] > 0)
    ratio = np.log(rows["estimate"].where(both) / rows["true_value"].where(both))
    return ratio.mask(points, (rows["estimate"] - rows["true_value"]).where(whole))


def _in_order(column: pd.Series) -> pd.Series:
    """Kinds as KINDS lists them, all before parts, companies as modelled first."""
    first = {"situation": {AS_MODELLED: -1}, "of": {"all": -1}}.get(str(column.name), {})
    if column.name == "kind":
        return column.map({kind: n for n, kind in enumerate(KINDS)}).fillna(len(KINDS))
    names = {name: n for n, name in enumerate(sorted(column.unique()))}
    return column.map(names | first)
