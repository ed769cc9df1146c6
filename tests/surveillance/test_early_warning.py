"""Early warning: what falls due at visits, events that count once, alarms where losses rose and none where not."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

import plantstats
from plantstats import cli, records
from plantstats.findings import pick
from plantstats.pages import early_warning as page
from plantstats.settings import SettingsError, settings_from
from plantstats.stats import cusum
from plantstats.surveillance import charts, losses_by_week, recent_alarms
from plantstats.surveillance.weeks import Weekly, due_by_week, mondays, week_name
from plantstats.validation import weekly_charts
from plantstats.validation.kinds import KINDS
from tests.builders.rising_losses import quiet_company, with_more_losses

WEEKS = mondays(date(2023, 1, 2), date(2026, 1, 4))


@pytest.fixture(scope="module")
def quiet(tmp_path_factory: pytest.TempPathFactory) -> plantstats.Study:
    """A company of 200 plants that lose 60 a year, all alike."""
    return plantstats.study(quiet_company(tmp_path_factory.mktemp("quiet") / "records"))


@pytest.fixture(scope="module")
def rising(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The same with 25 more losses at visits of its last ten weeks, and where its page goes."""
    folder = tmp_path_factory.mktemp("rising")
    with_more_losses(quiet_company(folder / "records"), n=25, weeks=10)
    return folder / "records", folder / "reports"


def weekly(counts: np.ndarray, expected: np.ndarray) -> Weekly:
    """Weeks of one site and species, of which the last 52 are judged."""
    index = pd.MultiIndex.from_tuples([("S1", "Ficus")], names=["site_id", "species"])
    columns = WEEKS[: len(counts)]
    group = pd.DataFrame({"n_plants": [400], "variance": [0.0]}, index=[""])
    tables = (pd.DataFrame([row], index, columns) for row in (counts, expected))
    return Weekly(*tables, columns[-52:], {"": group}, pd.Series({"S1": "north"}))


def test_what_is_expected_falls_due_at_the_visits_and_nothing_twice() -> None:
    # Two losses a day from January to March 2025 (90 days, 180 losses); visits on 15 January and 1 March (Wednesday,
    # Saturday). By hand: week of 13 January 15 days, week of 24 February the 45 days from 16 January to 1 March.
    months = pd.date_range("2025-01-01", "2025-03-01", freq="MS", unit="us")
    index = pd.MultiIndex.from_tuples([("S1", "Ficus")], names=["site_id", "species"])
    monthly = pd.DataFrame([2.0 * months.days_in_month.to_numpy()], index, months)
    visits = pd.DataFrame({"site_id": "S1", "visited_on": pd.to_datetime(["2025-01-15", "2025-03-01"])})
    due = due_by_week(monthly, visits, mondays(date(2025, 1, 6), date(2025, 3, 31)), date(2025, 3, 31)).iloc[0]
    assert due[due > 0].to_dict() == {pd.Timestamp("2025-01-13"): 30.0, pd.Timestamp("2025-02-24"): 90.0}


def test_a_site_that_nobody_visits_falls_due_after_eight_weeks() -> None:
    # 31 losses in January, one a day; no visit: what is 56 days old falls due. The week to 2 March brings 1 to 5
    # January: 56 days before 2 March is 5 January.
    months = pd.date_range("2025-01-01", "2025-03-01", freq="MS", unit="us")
    index = pd.MultiIndex.from_tuples([("S1", "Ficus")], names=["site_id", "species"])
    monthly = pd.DataFrame([[31.0, 0.0, 0.0]], index, months)
    nobody = pd.DataFrame({"site_id": ["S2"], "visited_on": pd.to_datetime(["2025-01-15"])})
    due = due_by_week(monthly, nobody, mondays(date(2025, 2, 24), date(2025, 3, 31)), date(2025, 3, 31)).iloc[0]
    assert due.iloc[0] + 0.0 == pytest.approx(5.0)
    assert due.sum() == pytest.approx(31.0)


def test_weeks_are_those_of_iso_8601() -> None:
    # ISO 8601: 29 December 2025 begins week 1 of 2026; 2026 has 53 weeks.
    assert [week_name(date(2025, 12, 29)), week_name(date(2026, 12, 31))] == ["2026-W01", "2026-W53"]


def test_the_dispersion_of_chance_is_one_and_that_of_clusters_is_more() -> None:
    rng = np.random.Generator(np.random.PCG64(3))
    single = rng.poisson(5.0, 104)
    by_chance = charts.dispersion(pd.DataFrame({"counts": single, "expected": 5.0}))
    threefold = charts.dispersion(pd.DataFrame({"counts": 3 * rng.poisson(5 / 3, 104), "expected": 5.0}))
    # Variance of counts in threes: 9 x 5/3 = 15, three times the mean; standard errors of some 20%.
    assert by_chance < 1.5
    assert threefold == pytest.approx(3.0, rel=0.4)


def test_false_alarms_are_shared_out_so_that_they_add_up_to_what_the_owner_set() -> None:
    parts = ["", "leaves", "groups"]
    rates = [1 / charts.weeks_of_share(5, part, parts, n) for part, n in (("", 1), ("leaves", 1), ("groups", 8))]
    assert (rates[0] + rates[1] + 8 * rates[2]) * 5 * charts.WEEKS_PER_YEAR == pytest.approx(1.0)


def test_a_chart_set_to_one_false_alarm_in_five_years_gives_so_many_and_sees_a_doubling_when_it_says() -> None:
    # 400 companies by 8 years of weekly counts, expectation 2 to 4 over the year, variance 1.3 times the mean; from a
    # seed that nothing was tuned on. By arithmetic 400 x 8 / 5 = 640 alarms.
    mean = 3 + np.cos(2 * np.pi * np.arange(52) / 52)
    pattern = charts.year_pattern(mean)
    design = charts.design(pattern, 1.3, 0.0, 5 * charts.WEEKS_PER_YEAR, only_doubled=False)
    rng = np.random.Generator(np.random.PCG64(20261126))
    quiet, rising, alarms, seen = np.zeros(400), np.zeros(400), 0, np.zeros(400)
    for week in range(8 * 52):
        usual, raised = (cusum.CountDistribution(one * float(mean[week % 52]), 1.3) for one in (1.0, design.ratio))
        scores = cusum.log_likelihood_ratio(usual.sample(400, rng), usual, raised)
        quiet = np.maximum(quiet + scores, 0)
        alarms += int((quiet >= design.threshold).sum())
        quiet[quiet >= design.threshold] = 0
        doubled = cusum.CountDistribution(2 * usual.mean, 1.3).sample(400, rng)
        rising = np.maximum(rising + cusum.log_likelihood_ratio(doubled, usual, raised), 0)
        seen[(seen == 0) & (rising >= design.threshold)] = week + 1
    assert alarms == pytest.approx(640, rel=0.15)
    assert seen.mean() == pytest.approx(design.weeks_to_doubled, rel=0.1)


def test_a_rise_in_the_last_weeks_is_an_alarm_and_names_its_weeks() -> None:
    counts = np.full(150, 4.0)
    counts[-6:] = 10.0
    series = weekly(counts, np.full(150, 4.0))
    design = charts.design(np.full(52, 4.0), 1.0, 0.0, 260, only_doubled=False)
    ((week, inside),) = charts.chart(series, "", "", design).alarms()[:1]
    assert inside[0] == series.judged[-6]
    assert inside[-1] == week


def test_a_quiet_company_too_small_for_weekly_alarms_is_told_so_and_sent_to_the_quarter(
    quiet: plantstats.Study,
) -> None:
    results = quiet.early_warning()
    assert page.too_small(results)
    assert "Too few losses for a weekly alarm" in page.verdict(quiet, results)
    assert "quarterly review" in page.sentences(quiet, results)[0]
    assert pick(results, "alarm").empty
    delay = pick(results, "weeks_until_seen", ["term"]).set_index("term")["estimate"]
    assert delay["1.5 times"] > delay["2 times"] > charts.QUARTER_WEEKS
    assert recent_alarms(results)["measure"].ne("alarm").all()


def test_losses_of_the_weeks_add_up_to_those_on_record(quiet: plantstats.Study) -> None:
    results = quiet.early_warning()
    rows = pick(results, "weekly_counts")
    first = pd.Timestamp.fromisocalendar(int(rows["period"].min()[:4]), int(rows["period"].min()[-2:]), 1)
    last = pd.Timestamp.fromisocalendar(int(rows["period"].max()[:4]), int(rows["period"].max()[-2:]), 7)
    lost = quiet.ordinary_exposure().losses
    assert rows["estimate"].sum() == lost[lost["found_on"].between(first, last)]["quantity"].sum()
    # The expectation of quarters that brought nothing new lies near what came.
    expected = pick(results, "weekly_expected")["estimate"].sum()
    assert expected == pytest.approx(rows["estimate"].sum(), rel=0.3)


def test_an_event_counts_as_one_loss(quiet: plantstats.Study) -> None:
    past, starts = quiet.past_models(), 1
    region = quiet.records.table("sites").set_index("site_id")["region"]
    lost = past.time.losses
    chosen = lost[lost["found_on"].gt(lost["found_on"].max() - pd.Timedelta(weeks=20))].head(4)
    none = SimpleNamespace(losses=lost.head(0).assign(event=0))
    without = losses_by_week.losses_by_week(past, none, region, starts)  # type: ignore[arg-type]
    event = SimpleNamespace(losses=chosen.assign(event=1))
    apart = losses_by_week.losses_by_week(past, event, region, starts)  # type: ignore[arg-type]
    # Here the four stand among the single losses too: the event adds one, in the week of the first.
    assert float((apart.counts - without.counts).to_numpy().sum()) == 1.0


def test_the_proving_ground_asks_of_each_company_whether_it_rang_in_vain_and_saw_a_doubling(
    quiet: plantstats.Study,
) -> None:
    false, seen = weekly_charts.validate(quiet.records, quiet.exposure(), seed=1)
    assert {false["kind"].iloc[0], seen["kind"].iloc[0]} <= set(KINDS)
    # Nothing changed here; one false alarm in 261 weeks makes 17 in 100 years of 49 weeks ring.
    assert false["estimate"].tolist() == [0.0]
    assert false["stated"].iloc[0] == pytest.approx(1 - np.exp(-49 / 261), abs=0.01)
    assert seen["estimate"].isin([0.0, 1.0]).all()


def test_watch_ends_with_3_after_a_rise_and_says_where_to_look(
    rising: tuple[Path, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    folder, out = rising
    assert cli.main(["watch", str(folder), "--out", str(out)]) == 3
    text = capsys.readouterr().out.rpartition("\r")[2]  # after the bar that names results which take long
    assert text.startswith("A doubling of losses shows here after about ")
    assert "Alarm: losses in the whole company, week to " in text
    html = (out / "early_warning" / "early_warning.html").read_text(encoding="utf-8")
    assert "Look first at what was noted as too little water." in html
    assert "mostly lower by themselves" in html
    assert records.load(folder).digests  # the records are as they were


@pytest.mark.parametrize("given", [{"false_alarm_years": 0}, {"entry_weeks": -1}, {"false_alarms": 5}])
def test_settings_of_the_charts_that_cannot_be_are_refused(given: dict[str, object]) -> None:
    with pytest.raises(SettingsError, match="early_warning"):
        settings_from({"early_warning": given}, "records.toml")
