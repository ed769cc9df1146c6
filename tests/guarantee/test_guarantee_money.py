"""Money of the guarantee: whole cents, one rounding rule, present values."""

import numpy as np
import pytest

from plantstats.guarantee import money
from plantstats.guarantee.time_grid import DAYS_PER_YEAR, discount_factors

PRICES = [("33.335", 1), ("33.335", 1), ("33.335", 1), ("2.675", 1), ("0.10", 3), ("-5.00", 1)]


@pytest.mark.parametrize("rule", ["half-up", "half-even"])
def test_the_total_is_the_sum_of_the_lines_shown(rule):
    # By hand, half-up: 33.34 three times (100.02), 2.68, 0.30, -5.00 = 98.00. Half-even gives the same:
    # 33.335 goes to the even 33.34 and 2.675 to the even 2.68.
    lines = [money.cents(price, rule) * quantity for price, quantity in PRICES]
    assert [money.show(line) for line in lines] == ["33.34", "33.34", "33.34", "2.68", "0.30", "-5.00"]
    assert money.show(sum(lines), "EUR") == "EUR 98.00"


def test_a_binary_number_rounds_by_its_decimal_form():
    # round(2.675, 2) is 2.67 in binary arithmetic.
    assert money.cents(2.675) == 268
    assert money.cents(33.335) == 3334
    assert money.cents(1.005) == 101


def test_half_cents_of_either_sign_follow_the_rule_and_zero_has_no_sign():
    assert money.cents("-0.005") == -1
    assert money.cents("-0.005", "half-even") == 0
    assert money.show(money.cents("-0.004")) == "0.00"
    assert money.whole(-0.4) == 0


@pytest.mark.parametrize("text", ["", "free", "1,5", "nan", "inf"])
def test_what_is_no_amount_is_refused(text):
    with pytest.raises(money.MoneyError, match="amount of money"):
        money.cents(text)


def test_an_unknown_rounding_rule_is_refused():
    with pytest.raises(money.MoneyError, match="half-even"):
        money.cents("1.00", "down")


def test_the_published_provision_example_comes_out():
    # Published example of a provision under IAS 37 (annualreporting.info): sales of 1,000,000; 6% minor
    # faults at 30% of the price, 4% major ones at 70%; paid 60, 30 and 10% over three years; 6, 7 and 7% a
    # year. 1,000,000 x (0.06 x 0.3 + 0.04 x 0.7) = 46,000; 27,600/1.06 + 13,800/1.07^2 + 4,600/1.07^3 =
    # 41,846.
    expected = 1_000_000 * (0.06 * 0.3 + 0.04 * 0.7)
    assert expected == pytest.approx(46_000)
    worth = discount_factors(DAYS_PER_YEAR * np.array([1.0, 2.0, 3.0]), (6.0, 7.0, 7.0))
    assert round(float(expected * np.array([0.6, 0.3, 0.1]) @ worth)) == 41_846
