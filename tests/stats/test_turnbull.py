"""Losses found at visits are placed between visits, and the difference is told."""

import numpy as np
import pandas as pd
import pytest

from plantstats.losses import lifetime_findings
from plantstats.losses.lifetime_findings import detection_delay_findings
from plantstats.stats import survival, turnbull
from plantstats.stats.survival_data import from_age
from plantstats.stats.turnbull import IntervalError, curve, fit_turnbull
from tests.builders.survival_data import at, channing, lifetimes
from tests.reference import data, published


def test_the_cosmesis_trial_gives_the_published_masses():
    # Finkelstein and Wolfe 1985, radiotherapy arm, 46 patients; masses as npsurv (three decimals from memory).
    arm, known = data("cosmesis_rt"), published("turnbull_rt")
    fit = fit_turnbull(arm["left"], arm["right"])
    found = {f"mass ({a:.0f},{b:.0f}]": m for a, b, m in zip(fit.left, fit.right, fit.mass, strict=True) if m > 1e-5}
    assert fit.log_likelihood == pytest.approx(known.pop("loglik"), abs=1e-5)
    assert found == {name: pytest.approx(value, abs=1e-5) for name, value in known.items()}
    assert fit.mass.sum() == pytest.approx(1)


def test_with_losses_known_to_the_day_and_late_entry_it_is_the_published_kaplan_meier_curve():
    # Channing house, women from 816 months on (KMsurv; R survival).
    women = from_age(channing(2), 816)
    lost = women["event"] == 1
    fit = fit_turnbull(women["exit_age"] - lost, women["exit_age"].where(lost, np.inf), women["entry_age"])
    for quantity, value in published("lt_channing_g2").items():
        age, start = (float(part) for part in quantity.split("(")[1].split(")")[0].split("|"))
        got = curve(fit, [age], start)
        # From another start the same fit is conditioned, as R's is fitted anew.
        assert got["estimate"][0] == pytest.approx(value, abs=2e-5)
        assert got["low"][0] <= got["estimate"][0] <= got["high"][0]


def test_a_loss_between_two_visits_is_spread_over_the_days_between():
    # Two plants lost in (0, 10], one in (10, 20], one alive at 20: 2/4 and 1/4; half of the first by day 5.
    fit = fit_turnbull([0, 0, 10, 20], [10, 10, 20, np.inf])
    got = curve(fit, [5, 10, 15, 20])
    assert list(got["estimate"]) == pytest.approx([0.75, 0.5, 0.375, 0.25])
    assert list(got["low"]) == pytest.approx([0.5, 0.5, 0.25, 0.25])
    assert list(got["high"]) == pytest.approx([1, 0.5, 0.5, 0.25])


def test_masses_that_vanish_are_left_out_without_a_trace(monkeypatch):
    rng = np.random.default_rng(3)
    entry = rng.integers(0, 300, 400)
    life = entry + rng.exponential(300, 400)
    seen = np.floor((life - entry) / 28) * 28 + entry
    right = np.where(rng.random(400) < 0.7, seen + 28, np.inf)
    got = fit_turnbull(seen, right, entry)
    assert (got.mass == 0).sum() > 20
    monkeypatch.setattr(turnbull, "VANISHED", 0.0)
    whole = fit_turnbull(seen, right, entry)
    assert (whole.mass == 0).sum() < 10
    assert got.log_likelihood == pytest.approx(whole.log_likelihood, rel=1e-12)
    assert got.mass == pytest.approx(whole.mass, rel=1e-10, abs=1e-14)


@pytest.mark.parametrize(
    ("left", "right", "entry"), [([5], [5], [0]), ([5], [9], [6]), ([1, np.nan], [2, 3], [0, 0]), ([0], [3], [-1])]
)
def test_intervals_that_cannot_be_are_refused(left, right, entry):
    with pytest.raises(IntervalError, match="last seen alive < found"):
        fit_turnbull(left, right, entry)


def visited(rng, number, every, days=600):
    """Exponential lives (mean 700 days), some entering late, seen every so many days from a random first visit."""
    entry = np.where(rng.random(2 * number) < 0.3, rng.integers(1, 400, 2 * number), 0)
    life = np.ceil(rng.exponential(700, 2 * number))
    there = life > entry
    entry, life = entry[there][:number], life[there][:number]
    first = entry + rng.integers(1, every + 1, number)
    calls = np.maximum(np.ceil((life - first) / every), 0)
    found, before = first + calls * every, np.maximum(first + (calls - 1) * every, entry)
    last_call = first + (entry + days - first) // every * every
    lost = found <= last_call
    return lifetimes(
        entry,
        np.where(lost, found, last_call),
        lost.astype(int),
        seen_age=np.where(lost, np.where(calls > 0, before, entry), last_call),
    )


def test_on_invented_plants_visited_every_four_weeks_it_recovers_the_truth_that_the_found_days_miss():
    # 20,000 plants; truth exp(-age / 700). Found days lag by 14 days on average: about 1.8 points at day 90.
    plants = visited(np.random.default_rng(20261125), 20_000, 28)
    made = detection_delay_findings(plants, [], ages=[90, 365], period="all records").set_index(
        ["measure", "age_days"]
    )["estimate"]
    for age in ("90", "365"):
        truth = 100 * np.exp(-int(age) / 700)
        between = made["survival_between_visits", age]
        assert between == pytest.approx(truth, abs=1.0)
        assert made["detection_delay_shift", age] > 0.5
        on_found = 100 * at(survival.curves(plants, []), float(age))["estimate"]
        assert made["detection_delay_shift", age] == pytest.approx(on_found - between)
        assert abs(on_found - truth) > abs(between - truth)
    assert made["detection_delay_shift", "90"] == pytest.approx(100 * np.exp(-90 / 700) * 14 / 700, abs=0.5)


def test_what_fewer_than_ten_at_risk_would_tell_is_not_quoted():
    few = visited(np.random.default_rng(1), 30, 14).assign(site_id="S1")
    made = detection_delay_findings(few, ["site_id"], ages=[30, 2000], period="all records")
    late = made[made["age_days"] == "2000"]
    assert late["estimate"].isna().all() and late["note"].str.startswith("not quoted").all()
    assert made.loc[made["age_days"] == "30", "estimate"].notna().all()


def test_a_fit_without_anyone_to_watch_at_the_start_asks_for_a_later_start(monkeypatch):
    # The men of Channing house: two, then one at risk at the first deaths; from 816 months on it can be told.
    men = channing(1).assign(seen_age=lambda m: m["exit_age"])
    monkeypatch.setattr(turnbull, "MAX_ROUNDS", 2000)
    monkeypatch.setattr(lifetime_findings, "quotable_to", lambda drawn: 1100.0)
    refused = detection_delay_findings(men, [], ages=[1000], period="all records")
    assert refused["estimate"].isna().all()
    # The page gets the reason; what to call next is for who asks for the fit.
    assert (
        refused["note"]
        .isin(
            [
                "not available: too few plants watched at the first losses",
                "not available: the estimate did not settle in 2000 rounds",
            ]
        )
        .all()
    )
    made = detection_delay_findings(men, [], ages=[1000], period="all records", start_age=816)
    assert abs(made.loc[made["measure"] == "detection_delay_shift", "estimate"].iloc[0]) < 0.5


def test_a_curve_that_dates_do_not_move_is_said_to_move_by_nothing():
    # Seen the day before it was found: nothing is left to the days between; the fit's last digits are no shift.
    n = 40
    men = pd.DataFrame(
        {"plant_id": [f"P{i}" for i in range(n)], "entry_age": 0, "exit_age": range(10, 10 + n), "event": 1}
    )
    made = detection_delay_findings(men.assign(seen_age=men["exit_age"] - 1), [], ages=[20, 30], period="all")
    assert made.loc[made["measure"].eq("detection_delay_shift"), "estimate"].tolist() == [0.0, 0.0]
