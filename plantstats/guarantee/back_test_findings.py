"""Findings of the back-test of last year's quotes."""

from __future__ import annotations

import pandas as pd

from plantstats import findings
from plantstats.guarantee.back_test import QUANTILES, BackTest
from plantstats.stats.intervals import CONF_LEVEL, binomial_limits

METHOD = "quote of a year ago for the plants then in place"


def findings_of(test: BackTest) -> pd.DataFrame:
    """Findings of the back-test.

    Parameters
    ----------
    test : BackTest
        As `back_test.back_test` gives it.

    Returns
    -------
    pandas.DataFrame
    """
    totals = test.totals.rename(columns={"plants": "n_plants"})
    span = f"{totals['period'].iloc[0]} to {totals['period'].iloc[-1]}"
    parts = []
    for quarter in totals["period"]:
        row = totals[totals["period"].eq(quarter)]
        mean, shared = row["expected"], {"period": quarter, "unit": "losses", "method": METHOD}
        low, high = row["low"].clip(upper=mean), row["high"].clip(lower=mean)
        expected = row[["n_plants"]].assign(estimate=mean, low=low, high=high)
        parts.append(findings.rows(expected, "back_test_expected", conf_level=CONF_LEVEL, **shared))
        observed = row[["n_plants", "losses"]].assign(estimate=row["losses"].astype("float64"))
        parts.append(findings.rows(observed, "back_test_observed", **shared))
    value, low, high = test.ratio()
    ratio = pd.DataFrame({"estimate": [value], "low": [low], "high": [high], "losses": [test.observed]})
    parts.append(
        findings.rows(
            ratio,
            "back_test_ratio",
            period=span,
            unit="ratio",
            method="exact Poisson limits of the losses",
            conf_level=CONF_LEVEL,
            note="" if test.expected else "not available: nothing was expected",
        )
    )
    points = covered_within(test)
    shared = {"period": span, "by": ["term"], "unit": "% of site-quarters"}
    notes = [f"{row.hits} of {row.n}; the quarters of one site are not independent" for row in points.itertuples()]
    binomial = "exact binomial limits (Clopper and Pearson 1934)"
    covered = points.assign(estimate=points["covered"], note=notes)
    parts.append(findings.rows(covered, "back_test_covered", method=binomial, conf_level=CONF_LEVEL, **shared))
    stated = points[["term"]].assign(estimate=points["stated"])
    parts.append(findings.rows(stated, "back_test_covered_expected", method=METHOD, **shared))
    return findings.table(pd.concat(parts, ignore_index=True))


def covered_within(test: BackTest) -> pd.DataFrame:
    """Site-quarters within each of `QUANTILES`: term, hits, n; in percent: covered, low, high, stated.

    Parameters
    ----------
    test : BackTest
        As `back_test.back_test` gives it.

    Returns
    -------
    pandas.DataFrame
        One row per quantile.
    """
    rows = []
    for q in QUANTILES:
        covered = test.site_quarters["losses"] <= test.site_quarters[f"point_{100 * q:.0f}"]
        low, high = binomial_limits(int(covered.sum()), len(covered))
        stated = test.site_quarters[f"chance_{100 * q:.0f}"].mean()
        shares = {"covered": covered.mean(), "low": low, "high": high, "stated": stated}
        percent = {name: 100 * float(share) for name, share in shares.items()}
        rows.append({"term": f"{100 * q:.0f}%", "hits": int(covered.sum()), "n": len(covered)} | percent)
    return pd.DataFrame(rows)
