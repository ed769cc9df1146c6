"""Losses that a quarter like this should bring: a model of earlier quarters applied to this quarter's plant-days."""

from __future__ import annotations

from hashlib import sha256
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.exposure import completed
from plantstats.losses import terms
from plantstats.losses.design import ModelError
from plantstats.losses.fit import fit
from plantstats.losses.model import LossModel
from plantstats.periods import Period
from plantstats.stats import smr
from plantstats.stats.intervals import CONF_LEVEL, Interval
from plantstats.stats.rates import largest_event_rows

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime

BY_GROUP = (["client_id"], ["site_id"], ["species"], ["technician"])
# Technicians are told apart from their sites only through sites that two or more of them look after.
FEWEST_SHARED = 5

findings.define(
    expected_losses="Losses that the plant-days of the quarter would bring by the experience of all earlier quarters: "
    "same species, light, size, age, season, air and sites.",
    observed_expected_without_largest_event="Losses without the largest single event, divided by expected losses.",
    earlier_event_share="Losses in 100 of all earlier quarters that fell in their largest single event: one site, one "
    "cause, found no more than 7 days after another of them.",
    expected_losses_without_earlier_event="Expected losses when the largest single event of the earlier quarters is "
    "left out of what they teach (the plant-days of its plants stay in).",
    observed_expected_without_earlier_event="Losses divided by the losses expected without the largest single event of "
    "the earlier quarters.",
    shared_sites="Sites that two or more technicians looked after in the quarter: only there can they be told apart.",
)


class Expected(NamedTuple):
    """Expected losses of one quarter, plant by plant, and the model of earlier quarters that gave them."""

    model: LossModel
    plants: pd.DataFrame
    gradient: pd.DataFrame
    set_aside: pd.DataFrame
    period: Period
    event: pd.DataFrame | None = None


def expect(
    time: PlantTime, period: Period, species: pd.DataFrame | None = None, *, without_largest_event: bool = False
) -> Expected:
    """Apply a model of all earlier quarters to one quarter's plant-days.

    Takes:  time dated "found", so that losses and expectation stand on the same days; period; species as in `fit`;
            without_largest_event: whether to leave the losses of the largest single event of the earlier quarters out
            of the model. A boiler that failed once is no reason to expect as much every winter.
    Gives:  Expected: plants: one row per plant and place in the quarter: plant_id, client_id, site_id, species,
            n_plants, plant_days, losses, alone (expected at an average site), effect (of the site, by its earlier
            losses), expected (alone x effect), effect_variance (relative); gradient: derivative of `alone` by the
            coefficients; set_aside: plant-days whose conditions the earlier quarters never saw; event: the losses left
            out, as `PlantTime.losses` gives them (None when not asked for).
    Raises: ModelError when the earlier quarters do not carry a model.
    """
    if time.dated != "found":
        raise ModelError(f"expected losses need plant-time dated 'found', as the losses are, not '{time.dated}'")
    earlier = time.cells(list(terms.CELLS_BY), end=period.start)
    if earlier.empty:
        raise ModelError(f"no plant was followed before {period.name}: there is nothing to expect from")
    event = None
    if without_largest_event:
        event = largest_event_rows(time.losses[time.losses["lost_on"] < pd.Timestamp(period.start)])
        earlier = _without(earlier, event, time)
    model = fit(earlier, species)
    now = time.cells(["plant_id", "client_id", *terms.CELLS_BY], period.start, period.end)
    now = now[now["plant_days"] > 0].reset_index(drop=True)
    model.terms.check_season(now["month"].dt.month, f"before {period.name}")
    seen = model.knows(now)
    set_aside, used = now[~seen], now[seen].reset_index(drop=True)
    x = model.matrix(terms.columns(used, model.terms))
    alone = np.exp(x.to_numpy() @ model.beta) * used["plant_days"].to_numpy("float64")
    keys = ["plant_id", "client_id", "site_id", "species"]
    where = used.groupby(keys, sort=True).ngroup()
    plants = (
        used.assign(alone=alone)
        .groupby(keys, sort=True)
        .agg(
            n_plants=("n_plants", "max"),
            plant_days=("plant_days", "sum"),
            losses=("losses", "sum"),
            alone=("alone", "sum"),
        )
    )
    gradient = (x * alone[:, None]).groupby(where).sum()
    effects = model.site_effects.set_index("site_id")
    site = plants.index.get_level_values("site_id")
    effect = effects["effect"].reindex(site).fillna(1.0).to_numpy()
    # A gamma law of that shape has this relative variance; a new site may be any.
    variance = (1 / effects["shape"]).reindex(site).fillna(model.site_spread).to_numpy()
    if model.site_spread == 0:
        variance = np.zeros(len(plants))
    plants = plants.assign(effect=effect, expected=plants["alone"] * effect, effect_variance=variance).reset_index()
    return Expected(model, plants, gradient.reset_index(drop=True), set_aside, period, event)


def _without(cells: pd.DataFrame, event: pd.DataFrame, time: PlantTime) -> pd.DataFrame:
    """Cells less the losses of an event; their plant-days stay."""
    if event.empty:
        return cells
    after = (event["month"].max() + pd.DateOffset(months=1)).date()
    where = {"site_id": str(event["site_id"].iloc[0])}
    by = ["plant_id", *terms.CELLS_BY]
    hit = time.cells(by, event["month"].min().date(), after, where, count_plants=False)
    # A counted line may lose some to the event and some otherwise in the same month.
    keys = ["plant_id", "month"]
    wanted = hit[keys].merge(event.groupby(keys, as_index=False)["quantity"].sum(), how="left")["quantity"].fillna(0)
    so_far = hit.groupby(keys)["losses"].cumsum() - hit["losses"]
    hit = hit.assign(taken=np.clip(wanted.to_numpy() - so_far, 0, hit["losses"]))
    taken = hit.groupby(list(terms.CELLS_BY), as_index=False)["taken"].sum()
    less = cells.merge(taken, on=list(terms.CELLS_BY), how="left", validate="one_to_one")["taken"].fillna(0)
    if int(less.sum()) != int(event["quantity"].sum()):
        raise ModelError(f"of the {event['quantity'].sum()} losses of an event {less.sum():.0f} stand in the cells")
    return cells.assign(losses=cells["losses"] - less.to_numpy("int64"))


def groups(expected: Expected, by: list[str], own_past: bool = True) -> pd.DataFrame:
    """Observed and expected losses of groups.

    Takes:  expected; by: columns of its plants (none: the whole company); own_past: expect what each site's own
            earlier losses say, or what an average site would lose, scaled to the same total (for comparing sites).
    Gives:  one row per group: by, n_plants, plant_days, losses, expected, variance (of the expected, relative).
    Keeps:  losses, and the total expected.
    """
    plants = expected.plants if by else expected.plants.assign(every="all")
    keys = by or ["every"]
    weight = plants["effect"].to_numpy() if own_past else np.ones(len(plants))
    value = plants["alone"] * weight
    if not own_past:
        value *= plants["expected"].sum() / value.sum()
    where = plants.groupby(keys, sort=True).ngroup()
    slope = (expected.gradient * (value / plants["alone"]).to_numpy()[:, None]).groupby(where).sum().to_numpy()
    made = (
        plants.assign(expected=value)
        .groupby(keys, sort=True)
        .agg(
            n_plants=("n_plants", "sum"),
            plant_days=("plant_days", "sum"),
            losses=("losses", "sum"),
            expected=("expected", "sum"),
        )
        .reset_index()
    )
    variance = np.einsum("ij,jk,ik->i", slope, expected.model.covariance, slope)
    if own_past:
        # The effect of a site is shared by all its plants of a group.
        by_site = plants.assign(value=value).groupby([*keys, "site_id"] if "site_id" not in keys else keys, sort=True)
        part = by_site.agg(value=("value", "sum"), effect_variance=("effect_variance", "first"))
        add = (part["value"] ** 2 * part["effect_variance"]).groupby(level=list(range(len(keys)))).sum()
        variance = variance + add.to_numpy()
    made = made.assign(variance=variance / np.maximum(made["expected"], 1e-12) ** 2)
    return made.drop(columns="every") if not by else made


def widen(interval: Interval, variance: np.ndarray, model: LossModel, level: float = CONF_LEVEL) -> Interval:
    """Widen limits of observed / expected by the uncertainty of the expected losses.

    Takes:  interval; variance of log expected, in step; the model (its t quantile); level.
    Gives:  Interval: distances on the log scale joined as root of the sum of squares; a limit of 0 stays.
    """
    reach = model.quantile(level) * np.sqrt(variance)
    estimate = np.maximum(interval.estimate, 1e-300)
    down = np.hypot(np.log(estimate / np.maximum(interval.low, 1e-300)), reach)
    nothing = interval.estimate <= 0
    up = np.hypot(np.log(np.maximum(interval.high, 1e-300) / estimate), reach)
    return Interval(
        interval.estimate,
        np.where(nothing | (interval.low <= 0), 0.0, interval.estimate * np.exp(-down)),
        np.where(nothing, interval.high * np.exp(reach), interval.estimate * np.exp(up)),
    )


def expected_findings(expected: Expected, largest_event: int = 0, level: float = CONF_LEVEL) -> pd.DataFrame:
    """Observed against expected losses, for the whole company and by group.

    Takes:  expected; largest_event: losses of the largest single event of the quarter; level.
    Gives:  findings: expected_losses, observed_expected (in all, and by client, site and species) with limits widened
            for over-dispersion between sites and for the uncertainty of the model; shrunk_ratio, over_dispersion by
            group; observed_expected_without_largest_event. Groups that stand out say so (false discovery 10%).
    """
    made = [findings.table(_whole(expected, largest_event, level))]
    made += by_groups(expected, [by for by in BY_GROUP if set(by) <= set(expected.plants.columns)], level)
    return findings.table(pd.concat(made, ignore_index=True))


def _whole(expected: Expected, largest_event: int, level: float) -> list[dict[str, object]]:
    """The rows of the whole company (or of the client whose plants are left)."""
    name, model = expected.period.name, expected.model
    sites = groups(expected, ["site_id"])
    dispersion = smr.over_dispersion(sites["losses"], sites["expected"])
    whole = groups(expected, [])
    rows: list[dict[str, object]] = []
    row = whole.iloc[0]
    counts = {"n_plants": int(row["n_plants"]), "plant_days": row["plant_days"], "losses": int(row["losses"])}
    reach = float(model.quantile(level) * np.sqrt(row["variance"]))
    note = _aside(expected)
    rows.append(
        findings.finding(
            "expected_losses",
            name,
            row["expected"],
            row["expected"] * np.exp(-reach),
            row["expected"] * np.exp(reach),
            unit="losses expected",
            method=f"loss model of {model.losses} losses before {expected.period.start}",
            level=level,
            note=note,
            **counts,
        )
    )
    for measure, lost in (
        ("observed_expected", row["losses"]),
        ("observed_expected_without_largest_event", row["losses"] - largest_event),
    ):
        limits = widen(
            smr.observed_expected([lost], whole["expected"], dispersion, level),
            whole["variance"].to_numpy(),
            model,
            level,
        )
        rows.append(
            findings.finding(
                measure,
                name,
                *(float(v[0]) for v in limits),
                unit="ratio",
                method=smr.EXACT,
                level=level,
                note=note,
                **(counts | {"losses": int(lost)}),
            )
        )
    return rows


def without_earlier_event(quiet: Expected, level: float = CONF_LEVEL) -> pd.DataFrame:
    """What the quarter should have lost if the largest event of the earlier quarters had not been.

    Takes:  quiet: Expected made without_largest_event; level.
    Gives:  findings: earlier_event_share (with site_id and cause), expected_losses_without_earlier_event,
            observed_expected_without_earlier_event (limits as in `expected_findings`); none without an event.
    """
    event, name = quiet.event, quiet.period.name
    if event is None or event.empty:
        return findings.table([])
    n = int(event["quantity"].sum())
    share = findings.finding(
        "earlier_event_share",
        name,
        100 * n / (quiet.model.losses + n),
        unit="% of earlier losses",
        method="count",
        losses=n,
        site_id=str(event["site_id"].iloc[0]),
        cause=str(event["cause"].iloc[0]),
        note=f"found from {event['found_on'].min():%Y-%m-%d} on",
    )
    renamed = {m: f"{m}_without_earlier_event" for m in ("expected_losses", "observed_expected")}
    rows = _whole(quiet, 0, level)
    rows = [row | {"measure": renamed[str(row["measure"])]} for row in rows if row["measure"] in renamed]
    return findings.table([share, *rows])


def by_groups(expected: Expected, ways: list[list[str]], level: float = CONF_LEVEL) -> list[pd.DataFrame]:
    """Observed / expected of groups; sites against an average site, other groups against their own past.

    Takes:  expected; ways of grouping, each by columns of its plants; level.
    Gives:  findings, one table per way. Of all groups of all ways that are said to stand out, one in ten may by chance.
    """
    compared = []
    for by in ways:
        table = groups(expected, by, own_past=by != ["site_id"])
        one = smr.compare(table, level)
        limits = widen(
            Interval(*(one[c].to_numpy() for c in ("ratio", "low", "high"))),
            table["variance"].to_numpy(),
            expected.model,
            level,
        )
        compared.append(one.assign(low=limits.low, high=limits.high))
    out = smr.stands_out(np.concatenate([one["p"].to_numpy() for one in compared] or [np.empty(0)]))
    made = []
    for by, one in zip(ways, compared, strict=True):
        mine, out = out[: len(one)], out[len(one) :]
        clear = (one["low"] > 1) | (one["high"] < 1)
        rows = smr.as_findings(one.assign(stands_out=mine & clear), by, expected.period.name, level)
        # One measure of over-dispersion per way of grouping: name the way, or they would stand as one result.
        of_all = rows["measure"].eq("over_dispersion")
        made.append(findings.table(rows.assign(term=pd.Series(f"between groups by {by[0]}", rows.index).where(of_all))))
    return made


def with_technicians(expected: Expected, visits: pd.DataFrame) -> tuple[Expected, pd.DataFrame]:
    """Put the technician who made most of its visits beside each plant, under a pseudonym.

    Takes:  expected; visits: the records' table (visited_on, plant_id, site_id, status, technician).
    Gives:  Expected whose plants have a column technician ("technician A", ...; in an order of no meaning; plants that
            nobody visited in the quarter: "nobody"), and findings: shared_sites, with a note when technicians cannot
            be told apart from their sites.
    """
    period, plants = expected.period, expected.plants
    day = visits["visited_on"]
    inside = (day >= pd.Timestamp(period.start)) & (day < pd.Timestamp(period.end))
    done = completed(visits[inside & visits["technician"].notna()])
    home = plants.drop_duplicates("plant_id").set_index("plant_id")["site_id"]
    done = done.assign(site_id=done["site_id"].fillna(done["plant_id"].map(home)))
    by_plant = _most(done, "plant_id")
    code = plants["plant_id"].map(by_plant).fillna(plants["site_id"].map(_most(done, "site_id")))
    by_site = done.groupby("site_id")["technician"].nunique()
    # An order without meaning, so that no letter says who came first or lost most.
    codes = sorted(code.dropna().unique(), key=lambda c: sha256(str(c).encode()).hexdigest())
    letters = {c: f"technician {_letters(n)}" for n, c in enumerate(codes)}
    named = plants.assign(technician=code.map(letters).fillna("nobody").astype("str"))
    shared = int((by_site > 1).sum())
    note = (
        ""
        if shared >= FEWEST_SHARED
        else (
            f"only {shared} of {len(by_site)} sites were looked after by two or more technicians: what looks "
            "like a technician's figure may be that of the sites"
        )
    )
    told = findings.table(
        [findings.finding("shared_sites", period.name, float(shared), unit="sites", method="count", note=note)]
    )
    return expected._replace(plants=named), told


def _most(visits: pd.DataFrame, by: str) -> pd.Series:
    """The technician with most visits by plant or site; of equals the first in the alphabet."""
    counts = visits.groupby([by, "technician"], as_index=False).size()
    counts = counts.sort_values([by, "size", "technician"], ascending=[True, False, True])
    return counts.drop_duplicates(by).set_index(by)["technician"]


def _letters(n: int) -> str:
    return (_letters(n // 26 - 1) if n >= 26 else "") + chr(ord("A") + n % 26)


def _aside(expected: Expected) -> str:
    out = expected.set_aside
    if out.empty:
        return ""
    return (
        f"{out['plant_days'].sum():,.0f} plant-days and {out['losses'].sum():,.0f} losses left out of both: "
        "conditions that earlier quarters never saw"
    )
