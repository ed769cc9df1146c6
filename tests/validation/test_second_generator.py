"""The second generator and its proof: truths worked by hand or by simulation, seeds that follow from the code."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from plantstats import records
from plantstats.periods import quarter
from plantstats.settings import Assumptions
from plantstats.validation import (
    coverage,
    days_dry,
    kinds,
    program,
    run,
    second_companies,
    second_days,
    second_layout,
    second_records,
    second_truth,
)
from plantstats.validation.figures import older, quoted
from plantstats.validation.rows import alarms
from plantstats.watering.advice import Advice


@pytest.fixture(scope="module")
def company() -> second_days.SecondCompany:
    return second_days.run(second_layout.SecondParams(places=400, years=2.0, seed=5))


def test_the_losses_that_came_are_those_that_its_hazards_add_up_to(company: second_days.SecondCompany) -> None:
    came = sum(loss["lost"] >= company.day0 and loss["cause"] != "building_failure" for loss in company.losses)
    expected = company.risk["expected"].sum()
    assert abs(came - expected) < 3 * np.sqrt(expected)
    # Days at risk stop when a plant is lost and begin again when the next is put in.
    assert company.risk["plant_days"].sum() < len(company.layout.site) * (len(company.dates) - company.day0)


def test_soil_dries_by_its_water_balance_in_the_days_worked_by_hand(company: second_days.SecondCompany) -> None:
    # Water falls by exp(-rate x (0.35 + 0.5 x 1.3)) = exp(-rate) a day at 1.3 kPa: dry after ln(1 / threshold) / rate.
    of = company.layout
    days = np.log(1 / of.threshold) / second_days.drying(of, np.full(len(of.site), 1.3))
    still = company.air._replace(deficit=np.full_like(company.air.deficit, 1.3))
    quiet = dataclasses.replace(company, air=still)
    place = 0
    row = {
        "species": second_layout.SPECIES[of.species[place]].name,
        "light": second_layout.BANDS[of.band[place]],
        "pot": second_truth.POT_CLASSES[of.pot[place]],
        "planter": second_layout.PLANTERS[of.planter[place]],
        "season": "heating season",
    }
    same = (
        (of.species == of.species[place])
        & (of.band == of.band[place])
        & (of.pot == of.pot[place])
        & (of.planter == of.planter[place])
    )
    assert second_truth.drying_days(quiet, row, 0.5) == pytest.approx(np.median(days[same]), rel=0.15)


def test_its_records_are_read_whole_and_hold_what_firms_write(
    company: second_days.SecondCompany, tmp_path: Path
) -> None:
    second_records.write(company, tmp_path / "records")
    loaded = records.load(tmp_path / "records")
    assert loaded.account["rows_set_aside"].sum() == 0
    lost = pd.read_csv(tmp_path / "records" / "replacements.csv")
    # Lag at the right end: what was found and not yet replaced has no line. Ids stay with the place.
    waiting = [loss for loss in company.losses if loss["found"] >= 0 and loss["replaced"] >= len(company.dates)]
    assert waiting
    at_start = [x for x in company.losses if 0 <= x["found"] < company.day0 <= x["replaced"] < len(company.dates)]
    assert at_start
    done = [x for x in company.losses if x["found"] >= 0 and company.day0 <= x["replaced"] < len(company.dates)]
    assert len(lost) == len(done)
    assert lost["plant_id"].duplicated().any()
    assert lost["found_on"].isna().mean() == pytest.approx(0.4, abs=0.12)


def test_mites_spread_from_place_to_place_and_not_between_sites() -> None:
    def seen(mites: float) -> list[np.ndarray]:
        made = second_days.run(second_layout.SecondParams(places=400, years=1.0, seed=9, mites=mites, closing=0.0))
        return [visit["place"][visit["pest"]] for visit in made.visits]

    assert not any(len(places) for places in seen(0.0))
    pairs = sum(int((np.diff(np.sort(places)) == 1).sum()) for places in seen(3.0))
    alone = sum(len(places) for places in seen(3.0))
    # Scattered at random, neighbours would be as rare as infested plants are: a few in a hundred.
    assert pairs / alone > 0.1


def test_the_nearest_effects_are_the_effects_where_the_truth_has_our_form(company: second_days.SecondCompany) -> None:
    # Losses given by light alone: low 2, high 0.5 times medium, whatever the place.
    band = company.layout.band[company.risk["place"]]
    scatter = np.where(np.arange(len(company.risk)) % 2, 0.99, 1.01)  # a perfect fit would be refused
    risk = company.risk.assign(expected=scatter * company.risk["plant_days"] * np.array([0.002, 0.001, 0.0005])[band])
    made = second_truth.nearest_effects(dataclasses.replace(company, risk=risk))
    assert made["light: low (against medium)"] == pytest.approx(2.0, rel=5e-3)
    assert made["light: high (against medium)"] == pytest.approx(0.5, rel=5e-3)
    assert made["pot: 25-34 cm (against 15-24 cm)"] == pytest.approx(1.0, rel=5e-3)
    rate = second_truth.rate(dataclasses.replace(company, risk=risk), quarter("2026-Q3"))
    assert 0.0005 * 36525 < rate.iloc[0] < 0.002 * 36525


def test_looking_more_often_leaves_fewer_days_dry(company: second_days.SecondCompany) -> None:
    ids = pd.Series(second_records.plant_ids(company)[:200])
    beyond, too_dry, clearly = second_truth.left_dry(company, ids, (7, 14, 28), np.full(200, 7.0))
    assert (np.diff(beyond.mean(axis=0)) > 0).all()
    assert ((beyond >= 0) & (beyond <= 1) & (clearly >= 0) & (clearly <= too_dry) & (too_dry <= 1)).all()
    assert clearly.mean() < too_dry.mean()


def made_advice(now: list[int], advised: list[int], decision: list[str]) -> Advice:
    names = [f"S{n}" for n in range(len(now))]
    sites = pd.DataFrame({"site_id": names, "now": now, "advised": advised, "decision": decision})
    plants = pd.DataFrame(
        {
            "plant_id": [f"{s}-{n}" for s in names for n in range(4)],
            "site_id": [s for s in names for _ in range(4)],
            "plants": 1,
            "own_way_out": False,
        }
    )
    plants["inspection_interval"] = plants["site_id"].map(sites.set_index("site_id")["advised"])
    empty = pd.DataFrame(
        {c: [] for c in ("why", "way", "keeps", "plant_id", "inspection_days", "site_id", "interval_days")}
    )
    return Advice(True, plants, sites, pd.DataFrame(), empty, pd.DataFrame())


def test_advice_is_scored_by_days_dry_as_worked_by_hand() -> None:
    # Two sites of four plants, looked at every 14 days. S0 is dry for too long on 40% of days at 14, on 10% at 7; S1 on
    # 10% and on 0%. Advised: S0 to 7. Now (0.4 + 0.1) / 2 = 0.25; advised (0.1 + 0.1) / 2 = 0.10, also the best
    # that one weekly site can do (S1 weekly instead: 0.20). Visits: (13.04 + 6.52) / (6.52 + 6.52) = 1.5.
    advice = made_advice([14, 14], [7, 14], ["shorten", "keep as is"])
    beyond = np.repeat([[0.1, 0.4], [0.0, 0.1]], 4, axis=0)
    true = days_dry.LeftDry((7, 14), beyond, beyond)
    rows = pd.concat(days_dry.score(advice, true, Assumptions(visit_days=(7, 14)))).set_index("kind")["estimate"]
    assert rows["dry_days_now"] == pytest.approx(0.25)
    assert rows["dry_days_advised"] == pytest.approx(0.10)
    assert rows["dry_days_best"] == pytest.approx(0.10)
    assert rows["visits_advised"] == pytest.approx(0.5)
    # S0 is truly beyond 20 in 100 and was told; S1 is not and was not.
    assert rows["needed_shorter_told"] == 1.0
    assert rows["needless_shorter"] == 0.0


def test_a_longer_interval_is_scored_by_plants_beyond_the_limit_and_clearly_so() -> None:
    # Four plants told to wait 14 days instead of 7: one is found too dry at 30 in 100 waterings, at none two days more.
    advice, beyond = made_advice([7], [14], ["lengthen"]), np.zeros((4, 2))
    too_dry = np.array([[0.0, 0.3], [0.0, 0.1], [0.0, 0.0], [0.0, 0.0]])
    true = days_dry.LeftDry((7, 14), beyond, too_dry, np.zeros((4, 2)))
    rows = pd.concat(days_dry.score(advice, true, Assumptions(visit_days=(7, 14)))).set_index("kind")["estimate"]
    assert (rows["longer_too_dry"], rows["longer_clearly_too_dry"]) == (1.0, 0.0)
    rows = pd.concat(days_dry.score(advice, true._replace(clearly=too_dry), Assumptions(visit_days=(7, 14))))
    assert rows.set_index("kind")["estimate"]["longer_clearly_too_dry"] == 1.0


def test_a_verdict_follows_from_the_interval() -> None:
    # A quote that states 83 in 100, whose interval is 70.4 to 82.7, is not held; one of 70.4 to 83.1 is.
    assert coverage._verdict(0.704, 0.827, (0.77, 0.83), 0.83) == "not held: too seldom"
    assert coverage._verdict(0.704, 0.831, (0.77, 0.83), 0.83) == "holds"
    assert coverage._verdict(0.98, 0.99, kinds.TARGET) == "not held: too often"
    assert coverage._verdict(0.90, 0.94, kinds.TARGET) == "holds"


def one_row(seed: int, _name: int) -> pd.DataFrame:
    return alarms("quarter_called_worse", pd.Series(["q"]), [0.0]).assign(
        company="second 0", plants=150, situation=second_companies.SECOND
    )


def test_seeds_follow_from_the_code_and_a_changed_program_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(run, "_run", lambda seed, names, folder, _: [run.leave(seed, n, folder) for n in names] and [])
    monkeypatch.setattr(run.second_companies, "validate_company", one_row)
    monkeypatch.setattr(run, "code", lambda: "00000000000a")
    made = run.validate(0, None, tmp_path, second=2)
    assert (made["seed"].iloc[0], made["drawn"].iloc[0], made["code"].iloc[0]) == (10, True, "00000000000a")
    assert not run.validate(0, 7, tmp_path / "given", second=2)["drawn"].iloc[0]
    # The program changes while companies are made.
    digests = iter(["00000000000b", "00000000000c", "00000000000c"])
    monkeypatch.setattr(run, "code", lambda: next(digests))
    with pytest.raises(run.ValidationRunError, match="the program changed while companies were made"):
        run.validate(0, None, tmp_path / "changed", second=1)
    assert not (tmp_path / "changed" / "results.csv").exists()


def test_results_of_another_program_or_of_a_given_seed_are_not_quoted(tmp_path: Path) -> None:
    table = pd.DataFrame({"kind": ["loss_rate"], "seed": [3], "drawn": [True], "code": ["0ld"]})
    table.to_csv(tmp_path / "old.csv", index=False)
    assert "older than the program (it is of code 0ld" in older(tmp_path / "old.csv")
    table.assign(code=program.present_code()).to_csv(tmp_path / "now.csv", index=False)
    assert older(tmp_path / "now.csv") == ""
    table.assign(code=program.present_code(), drawn=False).to_csv(tmp_path / "given.csv", index=False)
    assert "seed 3" in older(tmp_path / "given.csv")
    assert len(quoted("loss_rate", results=tmp_path / "old.csv")) == 1
