"""What following the advice costs by the truth: by hand, and full knowledge set against itself."""

from __future__ import annotations

import math
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from plantstats import records, simulate
from plantstats.records import Records
from plantstats.validation import decisions, true_values
from plantstats.validation.true_effects import season_kpa
from plantstats.watering import Advice, WateringModel, advise, fit_watering

AS_OF = date(2026, 9, 30)
PARAMS = simulate.CompanyParams(visit_days={7: 1.0}, building_failure=False)


def test_the_excess_of_a_way_is_its_cost_over_the_best_and_a_plant_left_dry_saves_nothing() -> None:
    # Best 100 + 200 = 300. Advised 110 and 190: the second is cheaper than any interval that may be advised, so it
    # counts as 200: 10 / 300. As now 120 and 200: 20 / 300. Weekly 150 and 260: 110 / 300.
    sites = pd.DataFrame(
        {"best": [100.0, 200.0], "advised": [110.0, 190.0], "now": [120.0, 200.0], "weekly": [150.0, 260.0]}
    )
    found = [decisions.excess(sites, way) for way in decisions.WAYS]
    assert found == pytest.approx([10 / 300, 20 / 300, 110 / 300])


Made = tuple[Records, WateringModel, Advice, true_values.KnownCompany]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    folder: Path = tmp_path_factory.mktemp("company")
    known = true_values.KnownCompany(PARAMS, simulate.make(folder, 120, 2, 21, PARAMS).frames())
    loaded = records.load(folder)
    model = fit_watering(loaded, AS_OF)
    advice = advise(model, loaded, heating=True)
    assert advice is not None
    return loaded, model, advice, known


def test_full_knowledge_is_the_truth_that_the_company_was_made_by(made: Made) -> None:
    _, model, _, known = made
    params = decisions.with_full_knowledge(model, known)
    whole = known.tables["true_quarters"]
    for row in params.loss_rates[params.loss_rates["light"] != "unknown"].to_dict("records"):
        own = whole[whole["species"].eq(row["species"]) & whole["light"].eq(row["light"])]
        assert row["rate"] == pytest.approx(own["expected_losses"].sum() / own["plant_days"].sum())
        assert row["dry_share"] == pytest.approx(own["over_dry_days"].sum() / own["plant_days"].sum())
    # Ficus lyrata in low light, a pot under 15 cm and double-potted: log of its days plus the three effects.
    plant = pd.DataFrame(
        [{"species": "Ficus lyrata", "light": "low", "pot": "under 15 cm", "planter": "double_potted"}]
    )
    days = {each.name: each.dry_days for each in PARAMS.species}["Ficus lyrata"]
    of = PARAMS.dry_light["low"] + PARAMS.dry_pot["under 15 cm"] + PARAMS.dry_planter["double_potted"]
    scale = params.drying[False].log_scale(plant.assign(heating=[True])) - params.drying[False].log_scale(
        plant.assign(heating=[False])
    )
    heating, open_season = (season_kpa(known.tables["true_sites"], each) for each in (True, False))
    assert scale[0] == pytest.approx(PARAMS.dry_heating + PARAMS.dry_per_kpa * (heating - open_season))
    level = params.drying[False].log_scale(plant.assign(heating=[False]))[0]
    assert level == pytest.approx(math.log(days) + of + PARAMS.dry_per_kpa * (open_season - 1.2))
    assert params.drought_effect.ratio == pytest.approx(math.exp(PARAMS.over_dry))


def test_what_full_knowledge_would_advise_is_never_more_than_a_change_of_mind_above_the_best(made: Made) -> None:
    # Full knowledge changes only what saves more than `cost_tolerance`, so by its own advice no more than that is lost;
    # every site's best is at most its present cost.
    loaded, model, _, known = made
    params = decisions.with_full_knowledge(model, known)
    ideal = advise(params, loaded, heating=True, n_samples=1, with_ways_out=False)
    assert ideal is not None
    sites = decisions.by_site(model, ideal, loaded, known)
    assert decisions.excess(sites, "advised") <= model.assumed.cost_tolerance
    assert (sites["best"] <= sites["now"] + 1e-9).all()
    assert not sites["too_dry"].any()
    assert not (sites["changed"] & sites["should_stay"]).any()


def test_the_advice_costs_less_than_staying_and_weekly_visits_are_now_where_all_come_weekly(made: Made) -> None:
    loaded, model, advice, known = made
    sites = decisions.by_site(model, advice, loaded, known)
    assert sites["changed"].any()
    assert decisions.excess(sites, "advised") < decisions.excess(sites, "now")
    assert sites["weekly"].to_numpy() == pytest.approx(sites["now"].to_numpy())
    rows = pd.concat(decisions.validate(model, advice, loaded, known)).set_index("kind")
    assert rows.loc["cost_of_advice", "estimate"] == pytest.approx(decisions.excess(sites, "advised"))
    assert len(rows.loc[["needless_change"]]) == sites["should_stay"].sum()


def test_advice_by_draws_or_by_one_draw_names_the_same_costs(made: Made) -> None:
    loaded, model, advice, _ = made
    one = advise(model, loaded, heating=True, n_samples=1, with_ways_out=False)
    assert one is not None
    pd.testing.assert_frame_equal(
        one.by_interval.drop(columns=["low", "high"]), advice.by_interval.drop(columns=["low", "high"])
    )
    assert one.ways_out.empty
