"""A design kept by parts is the matrix that patsy makes of the whole table."""

from __future__ import annotations

import numpy as np
import pandas as pd
import patsy
import pytest
from scipy import sparse

from plantstats.stats import crossed_design
from plantstats.stats.crossed_design import crossed

FORMULA = "kind + cos_year + dry_air:group + light + room + dry"


def made() -> pd.DataFrame:
    rng = np.random.default_rng(3)
    kind = rng.integers(0, 6, 4000)
    return pd.DataFrame(
        {
            "kind": pd.Categorical.from_codes(kind, list("fedcba")),
            "group": pd.Categorical.from_codes(kind // 3, ["x", "y"]),
            "cos_year": np.cos(rng.integers(1, 13, 4000)),
            "dry_air": rng.integers(0, 4, 4000) / 2,
            "light": rng.choice(["low", "high", "medium"], 4000),
            "room": rng.choice(["r1", "r2", "r3"], 4000),
            "dry": rng.choice(["no", "yes"], 4000),
        }
    )


@pytest.mark.parametrize(("most", "n_parts"), [(10**6, 1), (100, 3), (12, 5), (1, 7)])
def test_every_product_is_that_of_the_whole_matrix(monkeypatch, most, n_parts):
    monkeypatch.setattr(crossed_design, "MOST_LEVELS", most)
    table = made()
    design, design_info = crossed(FORMULA, table)
    whole = patsy.dmatrix(FORMULA, table)
    assert len(design.parts) == n_parts
    assert design_info.column_names == whole.design_info.column_names
    kept = np.arange(whole.shape[1]) != 3
    x, design = np.asarray(whole)[:, kept], design.only(kept)
    rng = np.random.default_rng(5)
    beta, weight = rng.normal(size=design.n_columns), rng.random(len(table))
    assert design.times(beta) == pytest.approx(x @ beta, abs=1e-12)
    assert design.times_rows(weight) == pytest.approx(x.T @ weight, rel=1e-12)
    assert design.gram(weight) == pytest.approx((x.T * weight) @ x, rel=1e-12)
    some = rng.integers(0, len(table), 500)
    assert design.gram(weight[:500], some) == pytest.approx((x[some].T * weight[:500]) @ x[some], rel=1e-12)
    picked = sparse.csr_matrix((weight[:500], some, [0, 200, 500]), (2, len(table)))
    assert design.sums(picked) == pytest.approx(picked @ x, rel=1e-12)


def test_a_formula_without_terms_is_one_column():
    design, _ = crossed("1", made())
    assert design.gram(np.ones(4000)).tolist() == [[4000.0]]
