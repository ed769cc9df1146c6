"""Chain ladder and Mack's standard error against the published worked example."""

from __future__ import annotations

import numpy as np
import pytest

from plantstats.stats.chain_ladder import TriangleError, mack

NAN = float("nan")
# Taylor and Ashe 1983, J. Econometrics 23:37, as Mack 1993, ASTIN Bulletin 23:213, uses it (values as in the open data
# set `genins` of the Python package chainladder 0.10.1).
TAYLOR_ASHE = (
    (357848, 1124788, 1735330, 2218270, 2745596, 3319994, 3466336, 3606286, 3833515, 3901463),
    (352118, 1236139, 2170033, 3353322, 3799067, 4120063, 4647867, 4914039, 5339085),
    (290507, 1292306, 2218525, 3235179, 3985995, 4132918, 4628910, 4909315),
    (310608, 1418858, 2195047, 3757447, 4029929, 4381982, 4588268),
    (443160, 1136350, 2128333, 2897821, 3402672, 3873311),
    (396132, 1333217, 2180715, 2985752, 3691712),
    (440832, 1288463, 2419861, 3483130),
    (359480, 1421128, 2864498),
    (376686, 1363294),
    (344014,),
)
# Mack 1993, table of standard errors by year, and the total (as several open-source packages quote them).
PUBLISHED_SE = (0, 75_535, 121_699, 133_549, 261_406, 411_010, 558_317, 875_328, 971_258, 1_363_155)
PUBLISHED_FACTORS = (3.491, 1.747, 1.457, 1.174, 1.104, 1.086, 1.054, 1.077, 1.018)


def filled(rows: tuple[tuple[int, ...], ...]) -> np.ndarray:
    return np.array([[*row, *[NAN] * (len(rows) - len(row))] for row in rows], dtype="float64")


def test_the_published_example_of_mack_1993_is_reproduced():
    fit = mack(filled(TAYLOR_ASHE))
    assert fit.factors.round(3).tolist() == list(PUBLISHED_FACTORS)
    assert round(fit.total) == 18_680_856
    assert round(fit.total_se) == 2_447_095
    assert np.rint(fit.se).tolist() == list(PUBLISHED_SE)


def test_a_triangle_worked_by_hand():
    # f0 = (20 + 30) / (10 + 12) = 50/22, f1 = 22/20. Row 2 ends at 30 x 1.1 = 33, row 3 at 14 x 50/22 x 1.1 = 35.
    # sigma0^2 = 10 (2 - 50/22)^2 + 12 (2.5 - 50/22)^2 = 10 x 9/121 + 12 x 25/484 = 0.743802 + 0.619835 = 1.363636,
    # over one degree of freedom; of the last step, with no second variance before it, the same.
    fit = mack([[10, 20, 22], [12, 30, NAN], [14, NAN, NAN]])
    assert fit.reserve == pytest.approx([0, 3, 21])
    assert fit.sigma2 == pytest.approx([15 / 11, 15 / 11])
    # Row 2: 33^2 x (15/11 / 1.1^2) x (1/30 + 1/20) = 1089 x 1.127 x 0.08333 = 102.27.
    assert fit.se[1] ** 2 == pytest.approx(102.2727, abs=1e-3)


def test_counts_vary_no_less_than_chance_in_their_number_makes():
    # Each row doubles, then grows by a tenth: no variance between rows at all. Counts that come by chance (Poisson)
    # have sigma^2 = f - 1: 1 and 0.1. Row 2: 22^2 x 0.1 / 1.1^2 x (1/20 + 1/20) = 4: its error 2; without the floor 0.
    table = [[10, 20, 22], [10, 20, NAN], [10, NAN, NAN]]
    assert mack(table).se.tolist() == [0, 0, 0]
    assert mack(table, unit=1).sigma2 == pytest.approx([1, 0.1])
    assert mack(table, unit=1).se[1] ** 2 == pytest.approx(484 * 0.1 / 1.21 * 0.1)


def test_limits_have_the_mean_and_error_of_the_reserve():
    # Log-normal: mean m, error s have sigma^2 = log(1 + (s/m)^2); limits have the geometric mean m / exp(sigma^2/2).
    fit = mack(filled(TAYLOR_ASHE))
    _, low, high = (float(value[0]) for value in fit.limits())
    sigma2 = np.log(1 + (2_447_095 / 18_680_856) ** 2)
    assert np.sqrt(low * high) == pytest.approx(18_680_856 / np.exp(sigma2 / 2), rel=1e-6)
    assert low < 18_680_856 < high


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ([[1, 2], [3, NAN]], "2 rows"),
        ([[1, 2, 3], [1, 2, 3], [1, NAN, NAN]], "empty below"),
        ([[1, 2, 3], [0, 2, NAN], [1, NAN, NAN]], "1 of 3 rows begin with nothing"),
        ([[1, 2, 3], [1, NAN, NAN]], "as many rows as columns"),
    ],
)
def test_what_is_no_triangle_is_refused(table, words):
    with pytest.raises(TriangleError, match=words):
        mack(table)
