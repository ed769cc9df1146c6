"""Ratios of dry topsoil when some readings are wrong: by hand, by simulation, and on the page."""

from dataclasses import replace

import numpy as np
import pytest

from plantstats.findings import pick
from plantstats.leaves import effects, misclassification
from plantstats.leaves.model import fit_leaves
from tests.builders.leaf_records import STEADY, company

DRY = "topsoil at this visit: dry, other species instead of not dry"


def test_a_ratio_of_two_seen_through_one_wrong_reading_in_ten_is_worked_by_hand():
    # 20 of 100 plants are dry. Read dry: 18 of them and 8 of the 80 others, 26 in all. Leaves of those read dry:
    # (18 x 2 + 8) / 26 = 44 / 26; of those read not dry: (2 x 2 + 72) / 74 = 76 / 74.
    seen = (44 / 26) / (76 / 74)
    assert misclassification.written_ratio(2.0, true_share=0.20, wrong=0.10) == pytest.approx(seen)
    assert misclassification.true_ratio(seen, share=0.26, wrong=0.10) == pytest.approx(2.0)
    # What follows watering: the 2 dry plants that were read as not dry were not watered, so nothing followed there.
    after = 44 / 26
    assert misclassification.written_ratio(2.0, true_share=0.20, wrong=0.10, watered=True) == pytest.approx(after)
    assert misclassification.true_ratio(after, share=0.26, wrong=0.10, watered=True) == pytest.approx(2.0)


@pytest.mark.parametrize(("share", "wrong"), [(0.05, 0.10), (0.95, 0.10)])
def test_more_wrong_readings_than_dry_ones_cannot_be(share, wrong):
    assert np.isnan(misclassification.true_ratio(2.0, share, wrong))


def test_a_ratio_that_no_truth_would_show_is_not_corrected():
    # However many leaves dry plants drop, those read dry are not seen to drop more than q1 / q0 times as many.
    q1, q0 = 0.2 * 0.9 / 0.26, 0.2 * 0.1 / 0.74
    assert np.isnan(misclassification.true_ratio(1.01 * q1 / q0, share=0.26, wrong=0.10))
    assert misclassification.true_ratio(0.99 * q1 / q0, share=0.26, wrong=0.10) > 100


def test_readings_that_are_wrong_by_lot_are_corrected_to_the_truth():
    rng = np.random.default_rng(5)
    n, true, wrong = 200_000, 0.25, 0.08
    dry = rng.random(n) < true
    written = dry ^ (rng.random(n) < wrong)
    leaves = rng.poisson(np.where(dry, 3.0, 1.5))
    seen = leaves[written].mean() / leaves[~written].mean()
    assert seen < 1.9
    assert misclassification.true_ratio(seen, written.mean(), wrong) == pytest.approx(2.0, rel=0.02)


@pytest.fixture(scope="module")
def misread_company(tmp_path_factory):
    params = replace(STEADY, misclassification=0.05)
    return company(tmp_path_factory.mktemp("misread"), params, 900, 11)[2], params


def test_corrected_ratios_find_the_truth_at_the_true_share_of_wrong_readings(misread_company):
    time, params = misread_company
    rows = effects.model_findings(fit_leaves(time, "green"), "all")
    ratio = pick(rows, "green_leaf_ratio", ["term"]).set_index("term")["estimate"]
    corrected = pick(rows, "green_leaf_ratio_if_misclassified", ["term"]).set_index("term")
    at_truth = corrected.loc[DRY + misclassification.if_wrong(0.05)]
    assert ratio[DRY] < 0.95 * np.exp(params.leaf_dry)
    assert abs(np.log(at_truth["estimate"]) - params.leaf_dry) < 0.06
    assert at_truth["low"] < at_truth["estimate"] < at_truth["high"]
    # The more readings are thought wrong, the further from 1.
    shares = misclassification.WRONG_SHARES
    by_share = [corrected.loc[DRY + misclassification.if_wrong(wrong), "estimate"] for wrong in shares]
    assert by_share == sorted(by_share)
    assert len(corrected) == 4 * len(shares)
