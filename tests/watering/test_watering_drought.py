"""What days left dry do to losses: which gaps may speak, by hand and on plants that died by a known law."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest

from plantstats.watering import Assumptions, drought_effect
from plantstats.watering.drought_effect import RateRatio
from plantstats.watering.dry_down_table import DryDowns
from plantstats.watering.drying import DryingModel
from tests.builders.watering_simulated import engine, simulated, true_drying

NO_PRIOR = Assumptions(drought_rate_ratio=1.0, drought_log_sd=5.0)
HERE = ("S1", "Ficus lyrata", "low", "15-24 cm", "direct", False)


def effect(dry_downs: DryDowns) -> RateRatio:
    gaps = drought_effect.gaps(dry_downs)
    return drought_effect.drought_effect(gaps, drought_effect.dry_days(gaps, true_drying()), NO_PRIOR)


def table(gaps: pd.DataFrame) -> list[tuple[int, ...]]:
    return sorted(gaps[["since", "gap", "n", "losses"]].astype(int).itertuples(index=False, name=None))


def test_a_gap_counts_from_what_was_known_at_its_start_and_not_when_it_began_with_a_plant_left_dry() -> None:
    # Watered on day 0; moist on 7; dry and watered on 14; dry but left so on 21; watered on 28; loss noticed on 33.
    #  0 to  7: begins watered, 0 days since, 7 long.      7 to 14: begins moist, 7 days since the watering, 7 long.
    # 14 to 21: begins watered, 0 days since, 7 long.     21 to 28: begins dry and left dry: out.
    # 28 to 33: begins watered, ends with the loss, 5 long.
    looks = [("P1", 0, 1, 1), ("P1", 7, 0, 0), ("P1", 14, 1, 1), ("P1", 21, 1, 0), ("P1", 28, 1, 1)]
    made = engine(
        {
            "days": [(*look, 1, 0) for look in looks],
            "dry_downs": [("P1", day, *HERE) for day in (0, 14, 28)],
            "replacements": [("P1", date(1970, 2, 3), date(1970, 2, 3), "died", "unknown")],
        }
    )
    assert table(drought_effect.gaps(made)) == [(0, 5, 1, 1), (0, 7, 2, 0), (7, 7, 1, 0)]
    # Lost to an event such as a failed boiler, it says nothing of thirst, and after its last look it is not known.
    assert table(drought_effect.gaps(made, ["P1"])) == [(0, 7, 2, 0), (7, 7, 1, 0)]


def test_what_is_read_after_a_death_starts_no_gap_and_a_death_seen_before_it_is_written_down_counts_once() -> None:
    # Watered on day 0, seen dead on day 14 (its topsoil is not read), written down as lost on day 20, looked at again
    # on day 21: one gap, 0 to 14, with the loss. A dead plant is not watered, so later days say nothing of dryness.
    made = engine(
        {
            "days": [("P1", 0, 1, 1, 1, 0), ("P1", 14, None, 0, 1, 1), ("P1", 21, None, 0, 1, 1)],
            "dry_downs": [("P1", 0, *HERE)],
            "replacements": [("P1", date(1970, 1, 21), date(1970, 1, 25), "died", "unknown")],
        }
    )
    assert table(drought_effect.gaps(made)) == [(0, 14, 1, 1)]


def test_losses_after_the_cut_and_losses_of_the_building_are_not_counted() -> None:
    looks = [("P1", 0, 1, 1, 1, 0), ("P1", 14, 1, 1, 1, 0)]
    waterings = [("P1", 0, *HERE), ("P1", 14, *HERE)]
    later = [("P1", date(1970, 1, 21), date(1970, 1, 21), "died", "unknown")]
    boiler = [("P1", date(1970, 1, 21), date(1970, 1, 21), "died", "building_failure")]
    for lost, as_of in ((later, 14), (boiler, 100)):
        made = engine({"days": looks, "dry_downs": waterings, "replacements": lost}, as_of)
        assert table(drought_effect.gaps(made)) == [(0, 14, 1, 0)]


def test_the_days_left_dry_of_a_gap_are_those_of_the_closed_form() -> None:
    # Shape 1 and scale 10 days: the chance still to be moist falls by exp(-t / 10) whatever went before, so of 14 days
    # 14 - 10 x (1 - exp(-1.4)) = 6.466 are dry, begun on the day of the watering or a week after it. For shape 3, a
    # gap of 1 day begun 20 days after watering: 1 is moist at its start, exp(-(2.05^3 - 2^3)) = 0.5406 in its middle,
    # exp(-(2.1^3 - 2^3)) = 0.2834 at its end: by Simpson's rule (1 + 4 x 0.5406 + 0.2834) / 6 = 0.5743 on the whole.
    gaps = pd.DataFrame(
        {
            "species": "s",
            "light": "low",
            "pot": "15-24 cm",
            "planter": "direct",
            "heating": False,
            "since": [0, 7],
            "gap": [14, 14],
        }
    )
    known = DryingModel.known({"light": {"low": np.log(10.0)}}, shape=1.0)
    assert drought_effect.dry_days(gaps, known) == pytest.approx([6.466, 6.466], abs=0.01)
    sharp = DryingModel.known({"light": {"low": np.log(10.0)}}, shape=3.0)
    late = drought_effect.dry_days(gaps.head(1).assign(since=20, gap=1), sharp)
    assert late == pytest.approx([1 - 0.5743], abs=0.002)


def test_the_harm_of_dry_days_is_found_again_on_plants_that_died_by_it() -> None:
    # 20 sites, more visits where it is hard; true ratio 3. Five companies: the mean of the logarithms within three
    # standard errors of log 3, and each interval about the truth.
    found = [effect(simulated(seed, loss_rate=0.0015, loss_ratio=3.0)) for seed in range(5)]
    error = np.mean([np.log(one.ratio / 3.0) for one in found])
    assert abs(error) < 3 * np.mean([one.log_se for one in found]) / np.sqrt(5)
    assert sum(one.low < 3.0 < one.high for one in found) >= 4
    assert all(one.losses > 300 for one in found)


def test_plants_given_up_and_left_dry_would_make_dry_days_look_deadlier_than_they_are(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Dry days do no harm at all here (ratio 1), but plants already given up are left dry and die 20 times as often.
    companies = [simulated(seed, loss_rate=0.001, given_up=0.02) for seed in (11, 12, 13)]
    ruled = [effect(one).ratio for one in companies]
    assert np.mean(np.log(ruled)) == pytest.approx(0.0, abs=0.25)
    rule = "(i.watered = 1 or i.dry = 0) and "
    assert rule in drought_effect.GAPS
    monkeypatch.setattr(drought_effect, "GAPS", drought_effect.GAPS.replace(rule, ""))
    assert min(effect(one).ratio for one in companies) > 3
