"""The whole way: a company plans a trial, its technicians keep to the schedule, and the records made since are read."""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path
from typing import NamedTuple

import pandas as pd
import pytest

from plantstats import cli, findings, records, simulate
from plantstats.pages import trial_evidence
from plantstats.trials import TrialError
from plantstats.trials.evidence import evidence_in
from plantstats.trials.planning import plan
from plantstats.trials.protocol import Protocol, read_protocol
from plantstats.trials.reading import read
from plantstats.trials.request import Request

PLANTS, YEARS, SEED, PLANNED_ON = 320, 1.25, 5, date(2026, 2, 28)
# Every site weekly or fortnightly, none of them because it is hard.
PARAMS = simulate.CompanyParams(visit_days={7: 0.6, 14: 0.4}, visits_follow_trouble=0.0, building_failure=False)


class Trial(NamedTuple):
    before: Path
    after: Path
    planned: Path
    protocol: Protocol
    records_before: records.Records
    records_after: records.Records


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    capsys.readouterr()
    code = cli.main(["trial", *map(str, arguments)])
    out, err = capsys.readouterr()
    return code, out, err


@pytest.fixture(scope="module")
def trial(tmp_path_factory: pytest.TempPathFactory) -> Trial:
    home = tmp_path_factory.mktemp("trial")
    simulate.make(home / "before", PLANTS, YEARS, SEED, PARAMS)
    arguments = ["trial", "plan", home / "before", "--as-of", PLANNED_ON, "--tolerate", 10, "--out", home / "planned"]
    assert cli.main([str(one) for one in arguments]) == 0
    fixed = read_protocol(home / "planned" / "protocol.json")
    changes = [(row.begins, row.site_id, row.interval) for row in fixed.windows().itertuples()]
    ends = fixed.last_day + timedelta(days=1)
    changes += [(ends, site["site_id"], site["interval_now"]) for site in fixed.sites]
    simulate.make(home / "after", PLANTS, YEARS, SEED, PARAMS, visit_changes=changes)
    both = (records.load(home / "before"), records.load(home / "after"))
    return Trial(home / "before", home / "after", home / "planned", fixed, *both)


def test_the_plan_leaves_a_protocol_a_page_and_every_visit(trial: Trial) -> None:
    fixed = trial.protocol
    page = (trial.planned / "protocol.html").read_text(encoding="utf-8")
    assert fixed.digest in page
    assert f"seed {fixed.seed}" in page and "default_rng" in page
    visits = pd.read_csv(trial.planned / "schedule.csv", encoding="utf-8-sig")
    assert set(visits["site_id"]) == {site["site_id"] for site in fixed.sites}
    wanted = fixed.windows().set_index(["site_id", "period"])["interval"]
    planned = visits.groupby(["site_id", "period"])["interval_days"].agg(["min", "max"])
    assert planned["min"].equals(planned["max"]) and (planned["min"] == wanted.reindex(planned.index)).all()
    assert fixed.power >= 0.8
    assert pd.to_datetime(visits["visit_on"]).min() > pd.Timestamp(PLANNED_ON)


def test_a_protocol_is_not_written_over(trial: Trial, capsys: pytest.CaptureFixture[str]) -> None:
    was = (trial.planned / "protocol.json").read_bytes()
    code, _, err = run(capsys, "plan", trial.before, "--as-of", PLANNED_ON, "--out", trial.planned)
    assert code == 1 and "not written over" in err
    assert (trial.planned / "protocol.json").read_bytes() == was


def test_the_same_records_and_request_give_the_same_protocol_and_later_records_no_other(trial: Trial) -> None:
    again = plan(trial.records_before, Request(7, 14, tolerate=10.0), PLANNED_ON)
    assert again.protocol == trial.protocol
    # Of records that go on for months nothing after the day is used: what followed then cannot have shaped the plan.
    later = plan(trial.records_after, Request(7, 14, tolerate=10.0), PLANNED_ON)
    # Who came and which install dates are missing is written with other draws there; what was seen is the same.
    seen = ("power", "mean", "weeks", "looks", "margin")
    assert [getattr(later.protocol, name) for name in seen] == [getattr(trial.protocol, name) for name in seen]
    of_sites = [[(site["site_id"], site["before"]) for site in one.sites] for one in (later.protocol, trial.protocol)]
    assert of_sites[0] == of_sites[1]


def test_the_effect_read_is_that_of_the_changed_visits(trial: Trial) -> None:
    reading = read(trial.records_after, trial.protocol, trial.protocol.last_day)
    rows = findings.pick(reading.findings, "trial_difference", ["term"]).set_index("term")
    dry = rows.loc["dry"]
    # Twice the interval leaves more plants found dry: no truth in closed form, but the share found dry by interval in a
    # company of the same kind without a trial, whose sites have their interval by chance.
    other = simulate.company(PLANTS, YEARS, SEED + 1, PARAMS)
    every = other["sites"].set_index("site_id")["planned_visit_days"]
    looks = other["visits"].dropna(subset=["topsoil"])
    site = looks["plant_id"].map(other["plants"].set_index("plant_id")["site_id"])
    by_site = looks["topsoil"].eq("dry").groupby(site).mean()
    expected = 100 * by_site.groupby(every).mean().diff().iloc[-1]
    assert expected > 15
    assert dry["low"] - 6 < expected < dry["high"] + 6
    assert dry["low"] > 10 and reading.verdict == "worse"
    # Half the visits, at 18 each, of 13 a quarter: 117 a site at least.
    assert rows.loc["cost", "high"] < -60
    assert rows.loc["cost", "estimate"] == pytest.approx(-6.5 * 18, abs=60)
    assert reading.sites["kept"].mean() > 0.9


def test_a_trial_in_which_nothing_was_changed_reads_no_effect_and_says_the_interval_was_not_kept(trial: Trial) -> None:
    # The schedule was never followed: sites went on as before, so that what was allocated changed nothing.
    reading = read(trial.records_before, trial.protocol, trial.protocol.last_day)
    row = findings.pick(reading.findings, "trial_difference", ["term"]).set_index("term").loc["dry"]
    assert row["low"] < 0 < row["high"]
    assert reading.verdict == "as good" or row["high"] > 10
    assert 0.3 < reading.sites["kept"].mean() < 0.7


def test_looks_before_the_end_tell_no_difference(
    trial: Trial, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fixed = trial.protocol
    first = fixed.looks[0]["after"]
    code, out, _ = run(
        capsys, "read", trial.after, trial.planned / "protocol.json", "--as-of", first, "--out", tmp_path
    )
    assert code == 0
    assert out.startswith(("Go on", "Stop"))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["result.html"]
    reading = read(trial.records_after, fixed, date.fromisoformat(first))
    assert reading.findings.empty and not reading.finished
    early = date.fromisoformat(first) - timedelta(days=1)
    with pytest.raises(TrialError, match=f"the records end on {early} and the trial is first looked at after {first}"):
        read(trial.records_after, fixed, early)


def test_the_command_reads_and_its_result_stands_on_the_page_on_visits(
    trial: Trial, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    where = trial.planned / "protocol.json"
    end = trial.protocol.last_day
    digest = trial.protocol.digest
    code, out, _ = run(capsys, "read", trial.after, where, "--digest", digest, "--as-of", end, "--out", tmp_path)
    assert code == 0
    assert out.startswith("Keep to every 7 days: every 14 days adds more than 10 looks in 100 that find a plant dry.")
    again = read(trial.records_after, trial.protocol, end)
    findings.write(again.findings, tmp_path / "again")
    assert (tmp_path / "findings.csv").read_bytes() == (tmp_path / "again" / "findings.csv").read_bytes()
    # In the folder of the records it is evidence from the day on which the trial ended.
    (found,) = evidence_in(tmp_path, end)
    assert evidence_in(tmp_path, end - timedelta(days=1)) == []
    section = trial_evidence.section([found])
    assert section is not None
    low, high = (f"{limit:+.0f}" for limit in found.difference[1:])
    assert section.message == "By trial, every 14 days did worse than every 7."
    assert f"({low} to {high}) looks in 100 that find a plant dry" in section.sentences[0]
    assert set(found.findings()["measure"]) == {"trial_difference", "trial_cost_difference"}
    (tmp_path / "trial_result_old.json").write_text("{}", encoding="utf-8")
    with pytest.raises(TrialError, match=r"trial_result_old\.json is not the result of a trial"):
        evidence_in(tmp_path, end)


def test_a_changed_protocol_and_other_records_are_refused(
    trial: Trial, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    content = json.loads((trial.planned / "protocol.json").read_text(encoding="utf-8"))
    (tmp_path / "protocol.json").write_text(json.dumps({**content, "weeks": 3}), encoding="utf-8")
    code, _, err = run(capsys, "read", trial.after, tmp_path / "protocol.json", "--out", tmp_path)
    assert code == 1 and "was changed after it was written" in err
    sites = [{**site, "site_id": f"X{site['site_id']}"} for site in trial.protocol.sites]
    strange = Protocol(**{**vars(trial.protocol), "sites": sites})
    with pytest.raises(TrialError, match=f"{len(sites)} sites of the protocol are not in these records"):
        read(trial.records_after, strange, trial.protocol.last_day)
    never = Protocol(**{**vars(trial.protocol), "start": "2024-01-01", "looks": []})
    with pytest.raises(TrialError, match="lack the periods of the trial: 0 of"):
        read(trial.records_after, never, trial.protocol.last_day)


def test_a_trial_too_small_is_refused_with_what_would_do(trial: Trial, capsys: pytest.CaptureFixture[str]) -> None:
    arguments = ("plan", trial.before, "--as-of", PLANNED_ON, "--out", trial.planned / "other")
    code, _, err = run(capsys, *arguments, "--outcome", "losses", "--weeks", 13)
    assert code == 1
    n = len(trial.protocol.sites)
    weeks = 2 * (trial.protocol.washout + trial.protocol.weeks)
    assert f"{n} sites cannot test losses in 17 weeks: the chance to see 50% more would be" in err
    assert "such sites. They can test how often plants are found dry in " + f"{weeks} weeks (--outcome dry" in err
    assert not (trial.planned / "other").exists()


@pytest.mark.parametrize(
    ("more", "message"),
    [
        (("--intervals", 14, 7), "the shorter first"),
        (("--outcome", "losses", "--design", "crossover"), "losses cannot be tested in a crossover"),
        (("--start", "2026-02-28"), "does not lie after the records' last day"),
        (("--intervals", 3, 5), "Name intervals that your sites have"),
        (("--difference", -1, "--tolerate", -2), "--difference -1 is not above 0; --tolerate -2 is below 0"),
    ],
)
def test_a_request_that_cannot_be_met_is_refused_in_words(
    trial: Trial, capsys: pytest.CaptureFixture[str], more: tuple[object, ...], message: str
) -> None:
    code, _, err = run(capsys, "plan", trial.before, "--as-of", PLANNED_ON, "--out", trial.planned / "other", *more)
    assert code == 1 and message in err
