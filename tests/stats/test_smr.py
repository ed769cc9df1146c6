"""Groups are compared with what was expected of them, and chance is given its due."""

import numpy as np
import pandas as pd
import pytest

from plantstats.losses.smr_findings import smr_findings
from plantstats.stats import smr
from plantstats.stats.intervals import poisson_limits
from plantstats.stats.smr import SmrError
from tests.reference import data, published


def test_indirect_standardisation_gives_the_published_ratio():
    # Selvin 2004: deaths of 1940 against the rates of 1960: 71,058 observed, 85,556.89 expected, ratio 0.83
    # (0.82 to 0.84). The value computed in R has the normal limits of the logarithm; they agree to 2e-5 here.
    table, known = data("selvin_smr"), published("selvin_smr")
    expected = (table["std_deaths"] / table["std_pop"] * table["obs_pop"]).sum()
    observed = table["obs_deaths"].sum()
    assert (observed, expected) == pytest.approx((known["observed"], known["expected"]), rel=1e-6)
    ratio = smr.observed_expected(observed, expected)
    assert ratio.estimate[0] == pytest.approx(known["SMR"], rel=1e-6)
    assert (ratio.low[0], ratio.high[0]) == pytest.approx((known["lo"], known["hi"]), abs=2e-5)


def test_without_over_dispersion_the_limits_are_the_exact_ones():
    ratio = smr.observed_expected([0, 10], [2.0, 4.0])
    exact = poisson_limits([0, 10])
    assert list(ratio.high) == pytest.approx([exact.high[0] / 2, exact.high[1] / 4])
    assert list(ratio.low) == pytest.approx([0, exact.low[1] / 4])


def test_over_dispersion_widens_large_counts_by_its_root_and_leaves_the_estimate():
    plain, wide = (smr.observed_expected(10_000, 10_000.0, d) for d in (1.0, 4.0))
    assert wide.estimate[0] == plain.estimate[0] == 1
    assert (wide.high[0] - wide.low[0]) / (plain.high[0] - plain.low[0]) == pytest.approx(2, rel=5e-3)
    # No loss: 3.6889 independent ones are ruled out, each worth 4.
    assert smr.observed_expected(0, 2.0, 4.0).high[0] == pytest.approx(3.688879454 * 4 / 2)


def test_nothing_expected_gives_no_ratio():
    ratio = smr.observed_expected([0, 1], [0.0, 1.0])
    assert np.isnan(ratio.estimate[0]) and np.isnan(ratio.high[0]) and ratio.estimate[1] == 1
    assert np.isnan(smr.p_value([0], [0.0])[0])
    with pytest.raises(SmrError, match="below zero"):
        smr.observed_expected(-1, 1.0)


def test_over_dispersion_is_the_mean_square_deviation_with_the_outer_tenth_drawn_in():
    # Ten groups expecting 100 each, 1,000 lost in all; z = (O - 100) / 10 = -3 -2 -2 -1 -1 -1 0 0 1 and 9.
    # Winsorised by one on each side: the 9 becomes 1, the -3 becomes -2.
    # Squares 4 4 4 1 1 1 0 0 1 1 = 17, mean 1.7; one degree of freedom goes to the groups' own
    # total: 1.7 x 10 / 9 = 1.88889.
    # Winsorising by 10% leaves this of a normal's mean square: 2 x 0.1 x 1.28155^2 + 0.8 - 2 x 1.28155 x
    # 0.175498 = 0.32848 + 0.8 - 0.44982 = 0.67866. 1.88889 / 0.67866 = 2.78326.
    observed = [70, 80, 80, 90, 90, 90, 100, 100, 110, 190]
    assert smr.over_dispersion(observed, 100.0) == pytest.approx(2.78326, abs=5e-5)
    # Plainly: (9 + 4 + 4 + 1 + 1 + 1 + 0 + 0 + 1 + 81) / 9.
    assert smr.over_dispersion(observed, 100.0, winsor=0) == pytest.approx(102 / 9)


def test_what_is_worse_for_all_groups_alike_is_no_over_dispersion():
    # Twice the expected 10 at each of eight sites: they do not differ at all.
    assert smr.over_dispersion([20] * 8, 10.0) == 1


def test_over_dispersion_is_not_claimed_below_one_nor_of_a_handful_of_groups():
    assert smr.over_dispersion([10, 10, 10, 10, 10], 10.0) == 1
    assert smr.over_dispersion([0, 50, 0, 50], 10.0) == 1
    assert smr.over_dispersion([0, 50, 0, 50, 0], [10.0, 10, 10, 10, 0]) == 1


def test_invented_groups_with_known_over_dispersion_give_it_back():
    # 400 groups of about 40 expected losses. Variance = phi x expectation through gamma-mixed Poisson counts.
    rng = np.random.default_rng(20261125)
    expected = rng.uniform(20, 60, 400)
    alone = rng.poisson(expected)
    mixed = rng.poisson(rng.gamma(expected / 1.0, 1.0))
    assert smr.over_dispersion(alone, expected, winsor=0) == pytest.approx(1, abs=0.15)
    assert smr.over_dispersion(alone, expected) == pytest.approx(1, abs=0.2)
    assert smr.over_dispersion(mixed, expected, winsor=0) == pytest.approx(2, abs=0.3)
    assert smr.over_dispersion(mixed, expected) == pytest.approx(2, abs=0.35)


@pytest.mark.parametrize("dispersion", [1.0, 2.5])
def test_p_is_below_five_percent_exactly_where_the_limits_leave_out_one(dispersion):
    observed = np.arange(0, 40)
    for expected in (0.5, 3.0, 11.0, 25.0):
        ratio = smr.observed_expected(observed, expected, dispersion)
        p = smr.p_value(observed, expected, dispersion)
        assert list(p < 0.05) == list((ratio.low > 1) | (ratio.high < 1))
    # Poisson(3): P(X >= 7) = 0.033509, doubled.
    assert smr.p_value([7], [3.0])[0] == pytest.approx(2 * 0.0335085, abs=1e-6)


def test_the_false_discovery_rule_gives_the_published_worked_example():
    # Benjamini and Hochberg 1995, section 4: 15 p-values, rate 5%: the first four are rejected (from memory).
    p = [
        0.0001,
        0.0004,
        0.0019,
        0.0095,
        0.0201,
        0.0278,
        0.0298,
        0.0344,
        0.0459,
        0.3240,
        0.4262,
        0.5719,
        0.6528,
        0.7590,
        1.0,
    ]
    assert list(smr.flagged(p, 0.05)) == [True] * 4 + [False] * 11
    assert list(smr.flagged([np.nan, 0.0001, np.nan])) == [False, True, False]
    assert list(smr.flagged([np.nan])) == [False]


def groups(**columns):
    return pd.DataFrame(
        {
            "site_id": [f"S{n}" for n in range(8)],
            "n_plants": 50,
            "plant_days": 4600,
            "losses": [3, 2, 4, 3, 1, 3, 30, 0],
            "expected": [3.0, 2.5, 3.5, 3.0, 2.0, 3.0, 6.0, 0.0],
        }
        | columns
    )


def test_the_one_site_far_out_stands_out_and_no_other_and_the_order_stays():
    compared = smr.compare(groups())
    assert list(compared["site_id"][compared["flagged"]]) == ["S6"]
    assert list(compared["site_id"]) == list(groups()["site_id"])
    made = smr_findings(compared, ["site_id"], "2026-Q3")
    raw = made[made["measure"] == "observed_expected"].set_index("site_id")
    assert raw.loc["S6", "estimate"] == 5
    assert list(made.loc[made["measure"].eq("flagged"), "site_id"]) == ["S6"]
    assert raw.loc["S6", "note"] == "stands out, at a false discovery rate of 10%"
    assert raw.loc["S7", "note"] == "nothing was expected" and np.isnan(raw.loc["S7", "estimate"])
    drawn = made[made["measure"] == "shrunk_ratio"].set_index("site_id")
    assert 1 < drawn.loc["S6", "estimate"] < 5
    assert drawn.loc["S0", "low"] < drawn.loc["S0", "estimate"] < drawn.loc["S0", "high"]


def test_a_quarter_without_any_loss_is_compared_without_shrinkage():
    made = smr_findings(smr.compare(groups(losses=[0] * 8)), ["site_id"], "2026-Q3")
    assert set(made.loc[made["measure"] == "shrunk_ratio", "note"]) == {
        "too little to learn from",
        "nothing was expected",
    }
    # None lost of 6 expected: p = 2 exp(-6) = 0.005, seventh part of 10% = 0.014. Of 3.5: 0.060 against 0.029.
    assert set(made["site_id"][made["note"].str.contains("stands out")]) == {"S6"}


def test_losses_where_none_could_be_expected_are_refused():
    with pytest.raises(SmrError, match="no plant-days in the model"):
        smr.compare(groups(losses=[1] * 8))


def test_among_alike_sites_hardly_a_company_in_ten_has_one_that_stands_out():
    # 200 invented companies of 30 sites that all deserve their expectation: with no true difference, a false
    # discovery rate of 10% lets at most about 10 in 100 companies show any. Seed fixed.
    rng = np.random.default_rng(7)
    shown = 0
    for _ in range(200):
        expected = rng.uniform(0.5, 12, 30)
        observed = rng.poisson(expected)
        p = smr.p_value(observed, expected, smr.over_dispersion(observed, expected))
        shown += smr.flagged(p).any()
    assert shown <= 25
