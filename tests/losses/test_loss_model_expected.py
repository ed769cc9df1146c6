"""Expected losses: only earlier quarters teach, this quarter's plant-days are judged, and the limits say enough."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from plantstats import exposure, periods, simulate
from plantstats.losses import ModelError, as_expected, drivers, expected
from plantstats.losses.technicians import with_technicians
from plantstats.pages import losses as losses_page
from plantstats.stats import smr
from plantstats.stats.intervals import Interval
from tests.builders.invented_records import InventedRecords

QUARTER = periods.quarter("2026-Q3")
LAST = date(2026, 9, 30)
PARAMS = replace(simulate.CompanyParams(), building_failure=False)


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> InventedRecords:
    return InventedRecords(tmp_path_factory.mktemp("company"), 500, 5, PARAMS)


@pytest.fixture(scope="module")
def time(made):
    return exposure.build(made, LAST, "found")


@pytest.fixture(scope="module")
def quarter(made, time) -> expected.Expected:
    return expected.expect(time, QUARTER, made.species)


def test_the_model_is_fitted_on_quarters_strictly_before_the_one_it_judges(quarter, time):
    before = time.exposure_table([], end=QUARTER.start).iloc[0]
    assert quarter.model.losses == before["losses"]
    assert quarter.model.plant_days == before["plant_days"]
    assert quarter.model.patterns["losses"].sum() < time.exposure_table([]).iloc[0]["losses"]


def test_observed_losses_and_plant_days_are_those_of_the_quarter(quarter, time):
    now = time.exposure_table([], QUARTER.start, QUARTER.end).iloc[0]
    left_out = quarter.excluded
    assert quarter.plants["losses"].sum() + left_out["losses"].sum() == now["losses"]
    assert quarter.plants["plant_days"].sum() + left_out["plant_days"].sum() == now["plant_days"]


def test_losses_dated_otherwise_are_refused(made):
    with pytest.raises(ModelError, match="dated 'found'"):
        expected.expect(exposure.build(made, LAST, "midpoint"), QUARTER)


def test_nothing_before_the_quarter_is_refused_by_name(time):
    with pytest.raises(ModelError, match="no plant was followed before 2020-01-01"):
        expected.expect(time, periods.quarter("2020-Q1"))


def test_the_groups_of_every_split_add_up_to_the_same_expectation(quarter):
    whole = expected.groups(quarter, [])["expected"].iloc[0]
    for by in (["client_id"], ["site_id"], ["species"]):
        assert expected.groups(quarter, by)["expected"].sum() == pytest.approx(whole, rel=1e-9)
    assert expected.groups(quarter, ["site_id"], own_past=False)["expected"].sum() == pytest.approx(whole, rel=1e-9)


def test_a_one_rate_model_expects_the_earlier_rate_times_these_plant_days():
    # Indirect standardisation in one stratum: 30 losses in 30,000 plant-days before; 9,000 plant-days now: 9
    # expected. The variance of its logarithm is 1 / 30 (delta method of a Poisson rate).
    class Time:
        dated = "found"

        def exposure_table(self, by, start=None, end=None, **_):
            row = {
                "site_id": "S1",
                "species": "Ficus lyrata",
                "light": "medium",
                "pot": "15-24 cm",
                "planter": "direct",
                "age_band": "days 91-365",
                "heating": False,
                "repotted": "never",
                "moved": "never",
                "rh_band": "missing",
                "rh_tenths": 0,
                "rh_readings": 0,
                "client_id": "C1",
                "plant_id": "P1",
                "n_plants": 100,
            }
            before = {"month": pd.Timestamp("2025-07-01"), "plant_days": 30_000, "losses": 30}
            now = {"month": pd.Timestamp("2026-07-01"), "plant_days": 9000, "losses": 14}
            return pd.DataFrame([row | of for of in (before, now) if start is None or of is now])

    judged = expected.expect(Time(), QUARTER)
    row = expected.groups(judged, []).iloc[0]
    # A site alone has no effect to share: its spread is 0.
    assert judged.model.frailty_variance == 0
    assert row["expected"] == pytest.approx(9, rel=1e-6)
    assert row["variance"] == pytest.approx(1 / 30, rel=1e-6)
    found = as_expected.expected_findings(judged)
    ratio = found[
        found["measure"].eq("observed_expected")
        & found["species"].isna()
        & found["site_id"].isna()
        & found["client_id"].isna()
    ].iloc[0]
    assert ratio["estimate"] == pytest.approx(14 / 9, rel=1e-6)
    exact = smr.observed_expected([14], [9.0])
    assert ratio["low"] < exact.low[0] and ratio["high"] > exact.high[0]


def test_limits_join_the_two_uncertainties_as_root_of_the_sum_of_squares(quarter):
    # Without uncertainty of the expected nothing changes; with log reach r on top of log distance d: sqrt(d^2 + r^2).
    raw = Interval(np.array([2.0, 0.0]), np.array([1.0, 0.0]), np.array([4.0, 3.0]))
    same = expected.widen(raw, np.zeros(2), quarter.model)
    assert np.allclose(same.low, raw.low) and np.allclose(same.high, raw.high)
    reach = 0.3
    variance = np.full(2, (reach / quarter.model.quantile()) ** 2)
    wide = expected.widen(raw, variance, quarter.model)
    assert wide.low == pytest.approx([2 * np.exp(-np.hypot(np.log(2), reach)), 0])
    assert wide.high == pytest.approx([2 * np.exp(np.hypot(np.log(2), reach)), 3 * np.exp(reach)])


def test_technicians_are_pseudonyms_in_an_order_without_meaning(quarter, made):
    named, shared = with_technicians(quarter, made.table("visits"))
    codes = set(made.table("visits")["technician"].dropna())
    names = set(named.plants["technician"])
    assert not names & codes
    assert all(name == "nobody" or name.startswith("technician ") for name in names)
    assert expected.groups(named, ["technician"])["losses"].sum() == quarter.plants["losses"].sum()
    assert shared["measure"].tolist() == ["shared_sites"]


def test_one_technician_per_site_cannot_be_told_apart_from_it(quarter, made):
    visits = made.table("visits")
    sites = quarter.plants.drop_duplicates("plant_id").set_index("plant_id")["site_id"]
    alone = visits.assign(technician=visits["site_id"].fillna(visits["plant_id"].map(sites)).map(lambda s: f"T{s}"))
    _, shared = with_technicians(quarter, alone)
    assert shared["estimate"].iloc[0] == 0
    assert "only 0 of" in shared["note"].iloc[0]


def test_a_quiet_quarter_is_seldom_called_worse_and_a_bad_one_often(quarter):
    # Losses drawn from the truth of the model's own laws: 400 quarters. At 95% about 2.5 in 100 lie above; 400
    # draws of a 5% chance at most: 33 or more would happen once in a thousand. Three times the losses are seen
    # nearly always.
    rng = np.random.default_rng(8)
    row = expected.groups(quarter, []).iloc[0]
    mean = row["expected"] * np.exp(rng.normal(0, np.sqrt(row["variance"]), 400))
    for times, at_least, at_most in ((1, 0, 32), (3, 300, 400)):
        lost = rng.poisson(mean * times)
        raw = smr.observed_expected(lost, np.full(400, row["expected"]))
        limits = expected.widen(raw, np.full(400, row["variance"]), quarter.model)
        assert at_least <= int((limits.low > 1).sum()) <= at_most


def test_every_row_is_a_finding_with_losses_and_days(quarter):
    found = as_expected.expected_findings(quarter)
    rows = found[found["measure"].eq("observed_expected")]
    assert rows[["n_plants", "plant_days", "losses", "conf_level"]].notna().all(axis=None)


def test_conditions_never_seen_before_are_left_out_of_both_sides_and_said(made, time):
    class NewLight:
        dated = "found"

        def exposure_table(self, by, start=None, end=None, **_):
            found = time.exposure_table(by, start, end)
            if "plant_id" in by:
                now = found["month"].ge(pd.Timestamp(QUARTER.start))
                found.loc[now & found["plant_id"].eq(found.loc[now, "plant_id"].iloc[0]), "light"] = "lamp"
            return found

    judged = expected.expect(NewLight(), QUARTER, made.species)
    assert len(judged.excluded) > 0
    assert judged.excluded["plant_id"].iloc[0] not in set(judged.plants["plant_id"])
    note = as_expected.expected_findings(judged).set_index("measure").loc["expected_losses", "note"]
    assert "conditions that earlier quarters never saw" in note


def test_a_season_that_earlier_quarters_do_not_hold_is_refused_by_the_names_of_its_months(tmp_path):
    # One quarter of records before: April to June says nothing of July to September.
    young = InventedRecords(tmp_path, 300, 6, replace(PARAMS, base_rate=30.0), years=0.5)
    with pytest.raises(ModelError, match="no July and no August and no September before 2026-Q3 is on record"):
        expected.expect(exposure.build(young, LAST, "found"), QUARTER, young.species)


def _judged(quarter, losses: np.ndarray) -> pd.Series:
    made = as_expected.expected_findings(quarter._replace(plants=quarter.plants.assign(losses=losses)))
    whole = made[made["measure"].eq("observed_expected") & made[["client_id", "site_id", "species"]].isna().all(axis=1)]
    return whole.iloc[0]


def test_a_quarter_that_is_worse_at_every_site_alike_does_not_hide_itself(quarter):
    # The company's plants at eight large sites, five times as many of each, and twice the expected losses at all of
    # them. The sites differ by chance alone; dispersion measured about "as expected" would take the worsening itself
    # for differences between sites and widen the limits until hardly any is seen.
    plants = quarter.plants
    eight = plants["site_id"].map({site: f"S{n % 8}" for n, site in enumerate(sorted(plants["site_id"].unique()))})
    many = plants.assign(site_id=eight, alone=5 * plants["alone"], expected=5 * plants["expected"])
    large = quarter._replace(plants=many, gradient=5 * quarter.gradient)
    rng = np.random.default_rng(11)
    seen = [_judged(large, rng.poisson(2 * many["expected"]))["low"] > 1 for _ in range(20)]
    assert np.mean(seen) >= 0.9


def test_losses_heaped_at_a_few_sites_widen_the_limits_of_the_whole(quarter):
    # The same number of losses, spread as expected or all at every fifth site.
    plants = quarter.plants
    total = 4 * len(plants["site_id"].unique())
    share = plants["expected"] / plants["expected"].sum()
    every_fifth = plants["site_id"].isin(sorted(plants["site_id"].unique())[::5])
    rng = np.random.default_rng(12)
    even = _judged(quarter, rng.multinomial(total, share))
    heaped = _judged(quarter, rng.multinomial(total, share.where(every_fifth, 0) / share[every_fifth].sum()))
    assert even["estimate"] == pytest.approx(heaped["estimate"])
    assert np.log(heaped["high"] / heaped["low"]) > 1.2 * np.log(even["high"] / even["low"])


def test_a_site_is_held_against_an_average_site_and_others_against_their_own_past(quarter):
    # A site that always lost three times as much goes on so: against an average site that is much, against its past
    # nothing. Its effect is put at 3, its losses at what that leads to expect.
    plants = quarter.plants
    site = plants.groupby("site_id")["alone"].sum().idxmax()
    here = plants["site_id"].eq(site)
    effect = np.where(here, 3.0, 1.0)
    expectation = 10 * plants["alone"] * effect
    bad = quarter._replace(
        plants=plants.assign(
            alone=10 * plants["alone"], effect=effect, expected=expectation, losses=expectation.round()
        ),
        gradient=10 * quarter.gradient,
    )
    found = as_expected.expected_findings(bad)
    whole = found[found["measure"].eq("observed_expected")]
    against_average = whole[whole["site_id"].eq(site)].iloc[0]
    assert against_average["estimate"] > 1.8
    client = plants.loc[here, "client_id"].iloc[0]
    against_past = whole[whole["client_id"].eq(client)].iloc[0]
    assert against_past["estimate"] == pytest.approx(1, abs=0.2)


def test_no_group_is_said_to_stand_out_whose_own_limits_hold_1(quarter):
    # Losses heaped on one site, in a model so unsure that its limits reach far to both sides of 1.
    plants = quarter.plants
    first = plants["site_id"].eq(plants["site_id"].iloc[0])
    heaped = plants.assign(losses=np.where(first, 10 * np.ceil(plants["expected"]), plants["losses"]))
    out = "stands out, at a false discovery rate of 10%"
    sure = as_expected.by_groups(quarter._replace(plants=heaped), [["site_id"]])[0]
    assert sure["note"].eq(out).any()
    unsure = quarter._replace(plants=heaped, gradient=100 * quarter.gradient)
    wide = as_expected.by_groups(unsure, [["site_id"]])[0]
    rows = wide[wide["measure"].eq("observed_expected")]
    assert rows["low"].le(1).all() and not rows["note"].eq(out).any()


def test_the_share_of_false_discoveries_is_that_of_all_ways_of_grouping_together(quarter):
    # One species loses so much that it stands out among the species; beside all sites and clients, which lose as
    # expected, it is one of many. Benjamini and Hochberg 1995: the k-th smallest of m p-values against k / m x 10%.
    many = 1000 * quarter.plants["alone"]
    plants = quarter.plants.assign(
        alone=many, expected=many, effect=1.0, effect_variance=0.0, losses=many.round().astype(int)
    )
    judged = quarter._replace(plants=plants, gradient=0 * quarter.gradient)
    ways = [["species"], ["site_id"], ["client_id"]]
    species = expected.groups(judged, ["species"])
    number, sites = len(species), plants["site_id"].nunique() + plants["client_id"].nunique()
    row = species.loc[species["expected"].idxmax()]
    # The number of losses whose p-value lies between 10% / all groups and 10% / all species.
    lost = np.arange(round(row["expected"]), round(1.5 * row["expected"]))
    p = smr.p_value(lost, row["expected"])
    between = lost[(p < 0.1 / number) & (p > 0.1 / (number + sites))]
    times = np.where(plants["species"].eq(row["species"]), np.median(between) / row["expected"], 1)
    bad = judged._replace(plants=plants.assign(losses=(many * times).round().astype(int)))
    alone, together = as_expected.by_groups(bad, ways[:1])[0], pd.concat(as_expected.by_groups(bad, ways))
    assert alone.loc[alone["measure"].eq("flagged"), "species"].tolist() == [row["species"]]
    assert not together["measure"].eq("flagged").any()


def test_the_losses_from_which_a_quarter_is_called_worse_are_those_of_the_exact_limits() -> None:
    # 10 expected, known for sure: Garwood's lower limit of 17 losses is 9.90, of 18 is 10.67 (Ulm 1990), so 18; a
    # Poisson count of mean 15 reaches 18 with chance 1 - 0.7489 = 0.2511 (tables).
    sure = SimpleNamespace(model=SimpleNamespace(quantile=lambda *_: 1.96), period=periods.quarter("2026-Q3"))
    rows = as_expected._called_worse(sure, 10.0, 0.0, 1.0).set_index("measure")["estimate"]
    assert rows["losses_called_worse"] == 18
    assert rows["worse_quarter_power"] == pytest.approx(25.11, abs=0.01)
    # What is unsure about the expectation, and sites that differ, make it harder to see.
    unsure = as_expected._called_worse(sure, 10.0, 0.04, 1.5).set_index("measure")["estimate"]
    assert unsure["losses_called_worse"] > 18
    assert unsure["worse_quarter_power"] < 25


def test_a_quarter_without_a_sign_says_in_the_same_sentence_what_would_have_been_one() -> None:
    ratio = pd.Series({"raw_low": 0.7, "raw_high": 1.6})
    told = losses_page._verdict(ratio, pd.Series({"raw_estimate": 25.1}))
    assert told == "no sign it was worse; half as bad again shows in 25 of 100 quarters"
    assert losses_page._verdict(ratio, pd.Series({"raw_estimate": 0.2})).endswith("in fewer than 1 of 100 quarters")
    assert losses_page._verdict(ratio, pd.Series()).endswith("nor could these records show one")
    assert losses_page._verdict(ratio.replace(0.7, 1.1), pd.Series()).startswith("worse")


def test_no_effect_is_named_from_fewer_sites_than_the_page_asks_for() -> None:
    few = SimpleNamespace(sites=[f"S{n}" for n in range(9)])
    with pytest.raises(ModelError, match="9 sites on record, at least 10 are needed to name an effect"):
        drivers.of_enough_sites(few)
    enough = SimpleNamespace(sites=[*few.sites, "S9"])
    assert drivers.of_enough_sites(enough) is enough
