"""Running guarantees: which are in force, their expected cost, how it moved; margins; back-test."""

from datetime import date
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from plantstats import exposure, records
from plantstats.guarantee import accounts, back_test, back_test_findings, in_force, provision, roll_forward
from plantstats.guarantee.event_hazard import EventHazard
from plantstats.guarantee.hazards import Exits, LineHazards
from plantstats.guarantee.terms import Terms
from plantstats.guarantee.year_error import YearError
from plantstats.pages import guarantee_charts
from plantstats.pages import guarantee_sentences as texts
from plantstats.periods import quarter
from tests.builders.guarantee_records import SMALL, write

DEMO = Path(__file__).resolve().parents[2] / "data_demo"
Q3 = quarter("2026-Q3")


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    return write(tmp_path_factory.mktemp("small"), **SMALL)


@pytest.fixture(scope="module")
def small_time(small):
    return exposure.build(small, Q3.last_day)


def test_guarantees_in_force_are_those_of_living_plants_up_to_their_last_day(small, small_time):
    force = in_force.in_force(small, small_time, Q3.last_day)
    rows = force.plants.set_index("plant_id")
    # P2 ends on the day itself, P3 was replaced, P6 has no guarantee.
    assert list(rows.index) == ["P1", "P4", "P5"]
    assert rows["quantity"].tolist() == [1, 1, 3]
    # The last day counts: cover ends the day after; P5 ends with its client's contract.
    assert [str(day.date()) for day in rows["leave"]] == ["2026-11-01", "2027-05-21", "2027-01-01"]
    # Cost: plant + 20 minutes at 30.00 an hour = 10.00; P4 takes the species' median of 40.00; P5: 90.00 for three.
    assert rows["unit"].tolist() == [5000, 5000, 4000]
    assert rows["excluded"].tolist() == ["theft building_failure", "theft building_failure", "theft client_action"]
    assert force.own
    assert any("1 plants have no cost" in note for note in force.notes)
    assert any(note.endswith("carry no provision: 1") for note in force.notes)


class Flat:
    """A model of one constant hazard per plant-day, sites alike."""

    def for_lines(self, lines, n_samples, seed, unseen="group"):
        n = len(lines)
        return LineHazards(
            (90, 365, 730),
            np.full(n, 0.001),
            np.ones((5, 12)),
            np.full((n_samples, n), 0.001),
            np.ones((n_samples, 5, 12)),
            np.zeros(n_samples),
            np.full(len(lines), 9e9),
            ("",) * len(lines),
        )

    def site_history(self, sites, n_samples, seed):
        return np.zeros(len(sites)), np.zeros((n_samples, len(sites)))

    def site_air(self, sites):
        return np.ones(len(sites))

    notes = ()


FITS = SimpleNamespace(
    under=lambda covered, excluded: Flat(),
    exits=lambda covered, excluded: Exits(),
    event_hazard=lambda covered, excluded: EventHazard(0, 1000.0, 0, 0),
)


def test_a_provision_is_plants_times_chance_times_cost(small, small_time):
    # From 1 October: P1 31 days, P4 232 days (to 20 May 2027), P5 92 days (to 31 December), hazard 0.001 a day,
    # one replacement each: 5,000 x (1 - exp(-0.031)) + 5,000 x (1 - exp(-0.232)) + 3 x 4,000 x (1 - exp(-0.092)).
    force = in_force.in_force(small, small_time, Q3.last_day)
    valued = provision.value(force, FITS, Q3.end, provision.Method(n_samples=20))
    by_hand = [5000 * -np.expm1(-0.031), 5000 * -np.expm1(-0.232), 12000 * -np.expm1(-0.092)]
    assert valued.cost == pytest.approx(by_hand, rel=1e-9)
    assert valued.discounted == pytest.approx(by_hand, rel=1e-9)
    assert valued.number == pytest.approx([-np.expm1(-0.031), -np.expm1(-0.232), -3 * np.expm1(-0.092)])
    less = provision.value(force, FITS, Q3.end, provision.Method((10.0,), n_samples=20))
    assert (less.discounted < less.cost).all()
    # 232 days at 10% a year, lost about the middle: 1.1 ** -(116 / 365.25) = 0.970.
    assert less.discounted[1] / less.cost[1] == pytest.approx(0.970, abs=0.002)


def test_a_provision_allows_for_years_that_turn_out_otherwise(small, small_time):
    # One lasting factor of 1.2 and a year's variance of 0.04: by hand, the mean over the gamma distribution of the
    # year's factor of plants x (1 - exp(-0.001 days x 1.2 Y)) x cost; the points lie further out, the mean of a hazard
    # is what the factor says and not more.
    error = YearError(pd.DataFrame(), 0.1, np.array([1.2]), np.array([0.04]), np.array([1.0]))
    force = in_force.in_force(small, small_time, Q3.last_day)
    method = provision.Method(n_samples=400)
    valued = provision.value(force, FITS, Q3.end, method, error)
    year = stats.gamma.ppf((np.arange(4000) + 0.5) / 4000, 25, scale=0.04)
    chance = [-np.expm1(-0.0012 * days * year).mean() for days in (31, 232, 92)]
    assert valued.cost == pytest.approx([5000 * chance[0], 5000 * chance[1], 12000 * chance[2]], rel=2e-3)
    known, stray = (provision.provision(force, FITS, Q3.last_day, method, one) for one in (None, error))
    assert known.year_error is None and stray.year_error is error
    assert stray.undiscounted > known.undiscounted
    assert stray.cost.quantile(0.95) >= known.cost.quantile(0.95)


@pytest.fixture(scope="module")
def demo():
    return records.load(DEMO)


@pytest.fixture(scope="module")
def rolled(demo):
    return roll_forward.roll_forward(demo, Q3, provision.Method((3.0,), n_samples=40))


def test_the_roll_forward_balances_to_the_cent_and_clients_add_up(rolled):
    moved, closing = rolled
    assert moved.closing == moved.opening + moved.charged - moved.used + moved.adjusted
    assert moved.closing == closing.undiscounted == closing.by_client["undiscounted"].sum()
    assert closing.discounted < closing.undiscounted
    assert closing.by_client["plants"].sum() == closing.plants
    table = moved.table().set_index("Line")["Cents"]
    assert table["Opening"] + table.iloc[1] + table.iloc[2] + table["Adjusted"] == table["Closing"]
    # The distribution's mean is the expected cost, but for the rounding of each client.
    assert closing.cost.mean == pytest.approx(closing.undiscounted, abs=len(closing.by_client))


def test_used_is_what_the_file_says_was_replaced_under_guarantee(demo, rolled):
    # Read straight from the file, apart from the package: 24.00 an hour.
    rows = pd.read_csv(DEMO / "replacements.csv")
    rows = rows[rows["covered"].eq("guaranteed") & rows["replaced_on"].between("2026-07-01", "2026-09-30")]
    cost = (rows["plant_cost"].fillna(0) + rows["labour_minutes"].fillna(0) * 24 / 60).sum()
    assert rolled[0].used == round(100 * cost)


def test_findings_of_running_guarantees_hold_the_house_rules(demo, rolled):
    moved, closing = rolled
    margins = accounts.account_margins(demo, Q3)
    parts = [roll_forward.findings_of(closing, moved, Q3, "EUR"), accounts.findings_of(margins, Q3, "EUR")]
    table = pd.concat(parts, ignore_index=True)
    assert {"provision", "provision_move", "account_margin"} <= set(table["measure"])
    whole = table[table["measure"].eq("provision") & table["client_id"].isna()].iloc[0]
    assert whole["n_plants"] == closing.plants
    assert all(note[1:] in whole["note"] for note in closing.notes)


def test_an_account_margin_is_fee_less_visits_travel_and_replacements(small):
    # Four quarters to 30 September 2026. C1: 12 x 100.00; two visit lines of 6 minutes at 30.00 = 6.00; one site-day at
    # 15.00 for both; one replacement of 40.00 + 10.00. C2: 12 x 50.00; 6 minutes; two site-days; no replacement.
    made = accounts.account_margins(small, Q3).set_index("client_id")
    columns = ["fee", "labour", "travel", "replacements", "margin", "lost", "visits", "no_minutes"]
    assert made.loc["C1", columns].tolist() == [120000, 600, 1500, 5000, 112900, 1, 1, 0]
    assert made.loc["C2", columns].tolist() == [60000, 300, 3000, 0, 56700, 0, 2, 1]
    # One event of 50.00: exact Poisson limits of 1 are 0.0253 and 5.572 (Garwood 1936), times 50.00.
    assert made.loc["C1", "margin"] + 5000 - made.loc["C1", "low"] == pytest.approx(5.572 * 5000, rel=1e-3)
    assert made.loc["C1", "margin"] + 5000 - made.loc["C1", "high"] == pytest.approx(0.0253 * 5000, rel=1e-2)
    # No replacement is not no risk: 3.69 (exact limit of none) at the mean cost of one.
    assert made.loc["C2", "margin"] - made.loc["C2", "low"] == pytest.approx(3.689 * 5000, rel=1e-3)


def test_a_contract_in_another_currency_is_never_added_and_says_so(tmp_path):
    contracts = (
        "client_id,site_id,starts_on,monthly_fee,currency\nC1,S1,2025-01-01,100.00,EUR\nC2,,2025-01-01,50.00,USD\n"
    )
    loaded = write(tmp_path, **SMALL | {"contracts": contracts})
    margins = accounts.account_margins(loaded, Q3)
    made = margins.set_index("client_id")
    assert made.loc["C1", "fee"] == 120000
    assert made.loc["C2", ["fee", "margin", "low", "high"]].isna().all()
    rows = accounts.findings_of(margins, Q3, "EUR").set_index(["measure", "client_id"])
    assert np.isnan(rows.loc[("account_margin", "C2"), "estimate"])
    assert "a contract in USD, and amounts are never converted" in rows.loc[("account_margin", "C2"), "note"]
    # The whole is that of C1 alone, and says that one account is left out.
    whole = rows[rows.index.get_level_values("client_id").isna()]
    assert whole.loc["account_fee", "estimate"].tolist() == [1200.0]
    assert "without 1 accounts" in whole.loc["account_fee", "note"].iloc[0]


def test_a_contract_line_that_stands_twice_is_counted_once_and_named(tmp_path):
    line = "C1,S1,2025-01-01,,100.00\n"
    contracts = "client_id,site_id,starts_on,ends_on,monthly_fee\n" + line + "C2,,2025-01-01,,50.00\n" + line
    made = accounts.account_margins(write(tmp_path, **SMALL | {"contracts": contracts}), Q3).set_index("client_id")
    assert made.loc["C1", "fee"] == 120000
    assert "contracts.csv, line 4: the same contract stands before; counted once" in made.loc["C1", "note"]
    assert made.loc["C2", "note"] == ""


def test_the_loss_of_a_moved_plant_belongs_to_the_client_who_held_it(tmp_path):
    # P3 stood at S1 of C1, moved to S2 of C2 in March and was lost there in May.
    tables = SMALL | {"moves": "plant_id,moved_on,to_site_id\nP3,2026-03-02,S2\n"}
    made = accounts.account_margins(write(tmp_path, **tables), Q3).set_index("client_id")
    assert made["lost"].to_dict() == {"C1": 0, "C2": 1}
    assert made["replacements"].to_dict() == {"C1": 0, "C2": 5000}


def test_an_amount_below_zero_is_a_fault_of_the_records(tmp_path):
    # "Replacing them cost EUR -23" was printed of such a cell.
    loaded = write(tmp_path, **SMALL | {"replacements": SMALL["replacements"].replace("40.00", "-23.00")})
    fault = loaded.set_aside.iloc[0]
    assert (fault["table"], fault["column"], fault["text"]) == ("replacements", "plant_cost", "-23.00")
    # The row is used, its labour of 20 minutes at 30.00 counts: 10.00.
    made = accounts.account_margins(loaded, Q3).set_index("client_id")
    assert made.loc["C1", "replacements"] == 1000


def test_sites_of_an_account_add_up_and_a_fee_for_several_sites_is_no_sites_fee(small):
    # S1 is C1's one site and has its own contract: the numbers of C1 above. C2's contract names no site: what S2 pays
    # is not known; its visits are: 6 minutes, two site-days.
    made = accounts.account_margins(small, Q3, accounts.SITES).set_index(["client_id", "site_id"])
    assert list(made.index) == [("C1", "S1"), ("C2", "S2")]
    of_client = accounts.account_margins(small, Q3).set_index("client_id")
    columns = ["fee", "labour", "travel", "replacements", "margin", "low", "high", "n_plants"]
    assert made.loc[("C1", "S1"), columns].tolist() == of_client.loc["C1", columns].tolist()
    assert made.loc[("C2", "S2"), ["labour", "travel", "replacements"]].tolist() == [300, 3000, 0]
    assert made.loc[("C2", "S2"), ["fee", "margin", "low", "high"]].isna().all()
    assert "several sites" in made.loc[("C2", "S2"), "note"]
    rows = accounts.findings_of(made.reset_index(), Q3, "EUR", accounts.SITES)
    assert set(rows["site_id"]) == {"S1", "S2"}  # no row of the whole: that is the clients'


def test_the_sites_of_the_demo_add_up_to_its_accounts(demo):
    by_site = accounts.account_margins(demo, Q3, accounts.SITES)
    parts = ["fee", "labour", "travel", "replacements", "margin", "lost", "visits"]
    of_clients = accounts.account_margins(demo, Q3).set_index("client_id")[parts].astype("float64")
    pd.testing.assert_frame_equal(by_site.groupby("client_id")[parts].sum().astype("float64"), of_clients)


def test_accounts_say_how_many_plants_they_rest_on(small):
    # P2 to P4 stood at C1 (P1 too), P5 (three plants) and P6 at C2.
    rows = accounts.findings_of(accounts.account_margins(small, Q3), Q3, "EUR")
    margins = rows[rows["measure"].eq("account_margin")].set_index("client_id")
    assert margins.loc[["C1", "C2"], "n_plants"].tolist() == [4, 4]


def test_accounts_without_any_contract_are_refused(tmp_path):
    without = {name: text for name, text in SMALL.items() if name != "contracts"}
    margins = accounts.account_margins(write(tmp_path, **without), Q3)
    with pytest.raises(in_force.GuaranteeError, match="no contract"):
        accounts.findings_of(margins, Q3, "EUR")


def test_guarantees_that_all_ended_before_the_quarter_are_refused_in_words(tmp_path):
    head = "client_id,site_id,starts_on,ends_on,monthly_fee\n"
    ended = head + "C1,S1,2025-01-01,2026-05-31,100.00\nC2,,2025-01-01,2026-05-31,50.00\n"
    loaded = write(tmp_path, **SMALL | {"contracts": ended})
    with pytest.raises(in_force.GuaranteeError, match="no guarantee runs in 2026-Q3"):
        roll_forward.roll_forward(loaded, Q3)


def test_what_ended_before_the_first_day_promises_nothing(small, small_time):
    force = in_force.in_force(small, small_time, Q3.last_day)
    ended = force.truncated_at(date(2026, 8, 1))
    valued = provision.value(ended, FITS, Q3.end, provision.Method(n_samples=20))
    assert not valued.cost.any()


def test_a_provision_looks_five_years_ahead_and_says_so(tmp_path):
    plants = SMALL["plants"].replace("2027-05-20", "2199-12-31")
    loaded = write(tmp_path, **SMALL | {"plants": plants})
    force = in_force.in_force(loaded, exposure.build(loaded, Q3.last_day), Q3.last_day)
    assert force.plants.set_index("plant_id")["leave"]["P4"] == pd.Timestamp("2031-09-30")
    assert any("guarantees of 1 plants run beyond 2031-09-30" in note for note in force.notes)
    valued = provision.value(force, FITS, Q3.end, provision.Method(n_samples=20))
    # P4 over 1,825 days (to 29 September 2031) at 0.001 a day, replaced once: 50.00 x (1 - exp(-1.825)).
    assert valued.cost[list(force.plants["plant_id"]).index("P4")] == pytest.approx(5000 * -np.expm1(-1.825), rel=1e-3)


def test_a_fee_counts_by_days_where_a_contract_begins_or_ends_within_a_month(tmp_path):
    tables = SMALL | {"contracts": "client_id,site_id,starts_on,ends_on,monthly_fee\nC1,S1,2026-09-16,,300.00\n"}
    # 16 to 30 September: 15 of 30 days.
    assert accounts.account_margins(write(tmp_path, **tables), Q3)["fee"].tolist() == [15000]


def test_gamma_limits_of_equal_amounts_are_the_exact_poisson_limits():
    # Fay and Feuer 1997: with equal weights the method is Garwood's; limits of 10 events: 4.795 and 18.390.
    assert accounts.gamma_limits(np.full(10, 7.0)) == pytest.approx((4.7954 * 7, 18.3904 * 7), rel=1e-4)


# --- back-test ---------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def tested(demo):
    return back_test.back_test(demo, Q3, Terms(Q3.start, 12, draws=40))


def test_sites_of_a_back_test_add_up_to_the_whole(tested):
    sums = tested.site_quarters.groupby("period")[["expected", "losses", "plants"]].sum()
    totals = tested.totals.set_index("period")
    assert list(totals.index) == ["2025-Q4", "2026-Q1", "2026-Q2", "2026-Q3"]
    assert sums["expected"].to_numpy() == pytest.approx(totals["expected"].to_numpy(), rel=1e-6)
    assert sums["losses"].tolist() == totals["losses"].tolist()
    assert sums["plants"].tolist() == totals["plants"].tolist()
    # Each quarter counts its own days: the seasons of these plants differ by less than twice, four quarters added up
    # would be nearly four times one.
    assert totals["expected"].max() < 2 * totals["expected"].min()


def test_losses_of_a_back_test_are_losses_of_the_records_and_exclude_what_is_not_covered(tested, demo):
    time = exposure.build(demo, Q3.last_day)
    inside = time.losses[time.losses["lost_on"] >= "2025-10-01"]
    covered = inside.loc[~inside["cause"].isin(["theft", "client_action", "building_failure"]), "quantity"].sum()
    counted = tested.totals["losses"].sum()
    # Losses of plants at positions that came later are left out; most plants were there a year ago.
    assert 0.8 * covered <= counted <= covered


def test_a_back_test_says_what_was_stated_and_what_held(tested):
    table = back_test_findings.findings_of(tested)
    held = table[table["measure"].eq("back_test_covered")].set_index("term")
    own = (tested.site_quarters["losses"] <= tested.site_quarters["point_80"]).mean()
    assert held.loc["80%", "estimate"] == pytest.approx(100 * own)
    stated = table[table["measure"].eq("back_test_covered_expected")].set_index("term")
    assert stated.loc["80%", "estimate"] >= 80
    assert "Back-test: a year ago" in texts.back_test_sentence(tested)
    # Exact limits of a Poisson count over the same expectation.
    value, low, high = tested.ratio()
    assert f"({value:.2f} times, 95% interval {low:.2f} to {high:.2f})" in texts.back_test_sentence(tested)
    lost, expected = tested.totals["losses"].sum(), tested.totals["expected"].sum()
    assert stats.poisson.sf(lost - 1, low * expected) == pytest.approx(0.025)
    assert stats.poisson.cdf(lost, high * expected) == pytest.approx(0.025)
    words = guarantee_charts.BackTestChart(tested).words(table, 0)
    assert f"2025-Q4: {tested.totals['losses'].iloc[0]} came" in words


def test_the_quotes_of_a_year_ago_knew_the_error_of_the_years_before_them(tested, demo):
    # From 2024-10 to 2025-09 fewer were lost than expected: what was quoted then for the year after goes down a little.
    terms = Terms(Q3.start, 12, draws=40)
    newest, before = back_test.back_tests(demo, Q3, terms)[:2]
    assert before.totals["period"].tolist() == ["2024-Q4", "2025-Q1", "2025-Q2", "2025-Q3"]
    assert before.observed < before.expected_samples.mean()
    assert newest.expected < newest.expected_samples.mean()
    assert newest.expected_samples.mean() == pytest.approx(tested.expected_samples.mean())
    assert newest.observed == tested.observed


def test_records_too_thin_for_a_model_have_no_back_test_and_say_so(small):
    assert back_test.back_test(small, Q3, Terms(Q3.start, 12)) is None
    assert texts.back_test_sentence(None).startswith("No back-test")
