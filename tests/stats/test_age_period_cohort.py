"""Deviations of age, period and cohort: what no straight line can change, and what a second route gives."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf

from plantstats.stats.age_period_cohort import AgePeriodCohortError, deviations


def triangle(
    rng: np.random.Generator, log_ratio=lambda cells: 0.0 * cells["cohort"], size: float = 30.0
) -> pd.DataFrame:
    cells = pd.DataFrame([(c, p) for c in range(8) for p in range(c, 10)], columns=["cohort", "period"])
    cells["expected"] = size
    return cells.assign(losses=rng.poisson(size * np.exp(log_ratio(cells))).astype("float64"))


def of(table: pd.DataFrame, axis: str) -> pd.DataFrame:
    return table[table["axis"].eq(axis)].reset_index(drop=True)


def test_no_straight_line_changes_a_deviation():
    # Clayton and Schifflers 1987, section 2: a line a x age - a x period + a x cohort adds nothing to the fit; a line
    # in cohort alone (here 30% a step, put into the expectation) is drift, and leaves what is curved as it was.
    cells = triangle(np.random.default_rng(1))
    drifting = cells.assign(expected=cells["expected"] * np.exp(0.3 * cells["cohort"]))
    one, other = of(deviations(cells), "cohort"), of(deviations(drifting), "cohort")
    # The weights of the lines are the expected losses, which differ: the curvature, second differences, does not.
    bends = [np.diff(np.log(table["estimate"]), 2) for table in (one, other)]
    assert bends[0] == pytest.approx(bends[1], abs=1e-6)


def test_second_differences_are_those_of_a_model_fitted_with_treatment_contrasts():
    # Any way of leaving out one column gives the same second differences (Holford 1983): here statsmodels' formula,
    # with its own contrasts and the last cohort left out too.
    cells = triangle(np.random.default_rng(2), lambda c: 0.5 * c["cohort"].eq(3))
    cells = cells.assign(age=cells["period"] - cells["cohort"])
    free = cells.assign(other=cells["cohort"].where(cells["cohort"] < 7, 0))
    fit = smf.poisson("losses ~ C(age) + C(period) + C(other)", free, offset=np.log(free["expected"])).fit(disp=0)
    effect = [0.0, *(fit.params[f"C(other)[T.{n}]"] for n in range(1, 7)), 0.0]
    ours = np.log(of(deviations(cells), "cohort")["estimate"])
    assert np.diff(ours, 2) == pytest.approx(np.diff(effect, 2), abs=1e-4)


def test_a_bad_cohort_and_a_bad_period_are_each_called_by_their_own_name():
    bad = triangle(np.random.default_rng(3), lambda c: 0.9 * c["cohort"].eq(3) + 0.7 * c["period"].eq(6), size=60.0)
    table = deviations(bad)
    assert int(of(table, "cohort")["low"].idxmax()) == 3
    assert of(table, "cohort").loc[3, "low"] > 1
    assert int(of(table, "period")["low"].idxmax()) == 6
    assert (of(table, "age")["low"] < 1).all()


def test_neighbours_are_joined_until_each_expects_five_and_keep_all_losses():
    # 0.4 a cell and 52 cells: 20.8 in all, so no axis has more than four levels of five.
    cells = triangle(np.random.default_rng(4), size=0.4)
    table = deviations(cells)
    assert (table["expected"] >= 5).all()
    assert (table.groupby("axis")["losses"].sum() == cells["losses"].sum()).all()


def test_too_few_losses_are_refused():
    with pytest.raises(AgePeriodCohortError, match="too few"):
        deviations(triangle(np.random.default_rng(5), size=0.1))
