"""Small groups are drawn towards the rest, as far as the data say and no further."""

import numpy as np
import pytest

from plantstats.stats.empirical_bayes import ShrinkError, fit_prior, shrink
from tests.reference import data, published


def test_lip_cancer_in_56_districts_gives_the_maximum_likelihood_prior_and_shrunk_ratios():
    # Data: Clayton and Kaldor 1987, Biometrics 43:671; values equal R's MASS::glm.nb(O ~ 1 + offset(log E)).
    districts, known = data("lip_cancer"), published("eb_lip")
    prior = fit_prior(districts["O"], districts["E"])
    assert prior.shape == pytest.approx(known["shape a"], rel=1e-4)
    assert prior.rate == pytest.approx(known["rate b"], rel=1e-4)
    assert prior.mean == pytest.approx(known["prior mean"], rel=1e-4)
    assert prior.minus_log_likelihood == pytest.approx(known["-loglik"], rel=1e-7)
    shrunk = shrink(districts["O"], districts["E"])
    for number in (1, 2, 49, 55, 56):
        assert shrunk.estimate[number - 1] == pytest.approx(known[f"EB d{number}"], rel=1e-4)


def test_ten_pumps_give_the_maximum_likelihood_shrunk_rates():
    # Gaver and O'Muircheartaigh 1987; failures per thousand hours.
    pumps, known = data("pumps"), published("eb_pump")
    prior = fit_prior(pumps["failures"], pumps["time"])
    assert (prior.shape, prior.rate) == pytest.approx((known["a"], known["b"]), rel=1e-4)
    shrunk = shrink(pumps["failures"], pumps["time"]).estimate
    assert list(shrunk) == pytest.approx([known[f"EB pump {n}"] for n in range(1, 11)], rel=1e-4)


def test_a_group_without_losses_is_neither_at_zero_nor_without_limits():
    shrunk = shrink([0, 5, 9, 12, 20], [1.0, 4, 10, 10, 30])
    assert 0 < shrunk.low[0] < shrunk.estimate[0] < shrunk.high[0]


def test_groups_that_differ_less_than_chance_are_drawn_onto_the_common_ratio():
    # Eight groups, each with exactly the expected 10: no spread at all; 80 / 80 = 1.
    shrunk = shrink([10] * 8, [10.0] * 8)
    assert shrunk.estimate == pytest.approx(np.ones(8), abs=1e-4)
    assert np.all((shrunk.low > 0.5) & (shrunk.low < 1) & (shrunk.high > 1) & (shrunk.high < 2))


def test_the_smaller_of_two_groups_with_one_raw_ratio_is_drawn_further():
    losses, exposure = np.array([2, 20, 10, 10, 10, 3]), np.array([1.0, 10, 10, 10, 10, 10])
    shrunk = shrink(losses, exposure)
    assert shrunk.estimate[0] < shrunk.estimate[1] < 2
    assert shrunk.high[0] - shrunk.low[0] > shrunk.high[1] - shrunk.low[1]


@pytest.mark.parametrize(
    ("losses", "exposure", "said"),
    [
        ([1, 2], [1.0, 0.0], "above 0"),
        ([0, 0], [1.0, 2.0], "at least one loss"),
        ([3], [1.0], "two groups"),
        ([1, -1], [1.0, 1.0], "0 or more"),
        ([1, 2], [1.0], "one length"),
        ([1, np.nan], [1.0, 1.0], "0 or more"),
    ],
)
def test_counts_that_tell_nothing_of_the_spread_are_refused(losses, exposure, said):
    with pytest.raises(ShrinkError, match=said):
        shrink(losses, exposure)


@pytest.mark.parametrize("squared_spread", [0.0, 0.1, 0.5])
def test_on_invented_groups_the_limits_cover_the_true_ratios(squared_spread):
    # 12 groups of uneven size, their true ratios gamma with mean 1; 60 companies each; seed fixed. With 720
    # ratios, a true coverage of 95% gives 93.4 to 96.6% in 95 of 100 runs; with no spread at all the limits
    # are cautious.
    rng = np.random.default_rng(20261125)
    covered = []
    for _ in range(60):
        exposure = rng.gamma(1.5, 3, 12)
        true = rng.gamma(1 / squared_spread, squared_spread, 12) if squared_spread else np.ones(12)
        losses = rng.poisson(true * exposure)
        if losses.sum() == 0:
            continue
        got = shrink(losses, exposure)
        covered += list((got.low <= true) & (true <= got.high))
    assert 0.92 <= np.mean(covered) <= (0.98 if squared_spread else 1.0)
