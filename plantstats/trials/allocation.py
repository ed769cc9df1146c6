"""Which sites begin with which interval: drawn by lot, within routes, from a seed that anyone can draw again from."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

CANDIDATES = 1000
ACCEPTED = 0.1  # share of the candidates, best balanced first, among which the lot decides
GENERATOR = (
    "numpy.random.default_rng(seed) (PCG64). Sites in the order of their ids, routes in the order of their names. "
    f"{CANDIDATES} candidates: in each, the sites of every route in a random order (permutation), the first half of "
    "them with the longer interval first; where a route has an odd number, integers(2) says whether the half is "
    "rounded up. Candidates whose two groups differ by more than one site are not counted. Imbalance: difference of "
    "the groups' means of plants and of the outcome before the trial, each over its standard deviation, absolute "
    "values added, rounded to nine places; the earlier drawn where two are alike. "
    f"The best {ACCEPTED:.0%} stay, in the order drawn; integers(their number) takes one."
)


def allocate(sites: pd.DataFrame, seed: int) -> npt.NDArray[np.bool_]:
    """Draw which sites have the longer interval first (in a parallel trial: at all).

    Parameters
    ----------
    sites : pandas.DataFrame
        One row per site: site_id, route, plants, before (the outcome before the trial).
    seed : int
        The same seed and sites give the same allocation, in whatever order the rows come.

    Returns
    -------
    numpy.ndarray of bool, shape (sites,)
        For each row.

    Notes
    -----
    Restricted randomisation: of many stratified allocations those that balance the groups best stay, and the lot
    decides among them, so that no site's arm is certain beforehand. `GENERATOR` says it step by step.

    References
    ----------
    Moulton 2004, Clin Trials 1:297 (named from memory).
    """
    # A stable sort by id: the draws follow it.
    order = np.argsort(sites["site_id"].to_numpy(dtype=object), kind="stable")
    ordered = sites.iloc[order].reset_index(drop=True)
    routes = [np.flatnonzero(ordered["route"] == route) for route in sorted(ordered["route"].unique())]
    traits = ordered[["plants", "before"]].astype("float64")
    scaled = ((traits - traits.mean()) / traits.std(ddof=0).replace(0, 1)).fillna(0).to_numpy()
    rng = np.random.default_rng(seed)
    candidates = np.zeros((CANDIDATES, len(ordered)), dtype=bool)
    for longer in candidates:
        for route in routes:
            shuffled = rng.permutation(route)
            half = len(route) // 2 + (int(rng.integers(2)) if len(route) % 2 else 0)
            longer[shuffled[:half]] = True
    size = candidates.sum(axis=1, keepdims=True)
    valid = np.flatnonzero(np.abs(2 * size[:, 0] - len(ordered)) <= 1)
    first, others = candidates[valid], ~candidates[valid]
    means = (first @ scaled) / size[valid] - (others @ scaled) / (len(ordered) - size[valid])
    # Rounded, so that another machine's last bit cannot change the order.
    imbalance = np.abs(means).sum(axis=1).round(9)
    best = np.sort(valid[np.argsort(imbalance, kind="stable")[: max(1, round(len(valid) * ACCEPTED))]])
    chosen = np.empty(len(ordered), dtype=bool)
    chosen[order] = candidates[best[int(rng.integers(len(best)))]]
    return chosen
