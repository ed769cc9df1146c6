"""The page on plants to see: those most likely to be lost and those that shed leaves, in place on the last day only."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any

import pandas as pd

from plantstats.findings import pick
from plantstats.pages import methods, pests, words
from plantstats.pages.decisions import Decision
from plantstats.reporting.charts import Bars
from plantstats.reporting.specs import Listing, Page, Rows, Section, result_text
from plantstats.studies import REFUSALS, Study, join

TITLE = "Plants to see"
FIRST = 20
LIKELY, MAYBE = 30.0, 15.0  # percent in 90 days: what is called likely, and what perhaps
NAMED = 6
NAMED_IN_BRIEF = 4
BAR = "\u2587"  # one for every ten in a hundred
NEW = 90  # days in its place


def page(study: Study) -> Page:
    """The page on plants to see.

    Parameters
    ----------
    study : Study
        One quarter of a company.

    Returns
    -------
    Page

    Raises
    ------
    ModelError
        When the records carry no model of losses.
    """
    listed = study.watch_list()
    try:
        shedding = study.leaf_loss()[0]
        shedding = shedding[shedding["measure"].isin(["shedding", "shedding_plants"])]
    except REFUSALS:
        shedding = study.watch_findings().head(0)
    results = join(study.watch_findings(), shedding)
    sections = [_list(study, listed, results), pests.now(study), _shedding(study, results), _trust(study, results)]
    ahead = result_text(results, 0, "watch_losses_ahead")
    verdict = (
        f"About {ahead['raw_estimate']:.0f} of the {ahead['raw_n_plants']:,} plants in place will be lost within 90 "
        "days; these first."
    )
    return Page(
        TITLE, verdict, [s for s in sections if s], results, study.small_group, methods=methods.links_of("watch")
    )


def decisions(study: Study) -> list[Decision]:
    """The few plants that are most worth a look.

    Parameters
    ----------
    study : Study
        What the page is about.

    Returns
    -------
    list of Decision
    """
    rows = study.watch_list().head(NAMED)
    if rows.empty:
        return pests.decisions(study)
    at_stake = float((rows["expected"] * rows["plants"] * rows["cost"]).sum(min_count=1))
    return [
        Decision(
            f"See first: {words.plants(len(rows))}",
            words.listed(
                [
                    f"{study.name_of('site', row.site_id).name} {row.position or row.plant_id}"
                    for row in rows.itertuples()
                ],
                NAMED_IN_BRIEF,
            ),
            at_stake,
            _how_sure(study),
            3,
            "watch",
            f"plant-{rows['plant_id'].iloc[0]}",
        ),
        *pests.decisions(study),
    ]


def marks(study: Study) -> pd.Series:
    """Why each of the plants to look at first is to be watched, by plant_id; none without a watch list.

    Parameters
    ----------
    study : Study
        One quarter of a company.

    Returns
    -------
    pandas.Series
    """
    try:
        rows = study.watch_list().head(FIRST).drop_duplicates("plant_id")
    except REFUSALS:
        return pd.Series(dtype="object")
    reasons = [_reason(row, pd.Timestamp(study.as_of)) for row in rows.to_dict("records")]
    return pd.Series(reasons, index=rows["plant_id"], dtype="object")


def _how_sure(study: Study) -> str:
    results = study.watch_findings()
    text = result_text(results, 0, "watch_concordance", _all_lists(results))
    if text.empty or pd.isna(text["raw_estimate"]):
        return "not tested: too few plants were lost"
    return f"earlier lists put the lost plant first in {text['raw_estimate']:.0f} of 100 pairs (50 is drawing lots)"


def _beyond_score(results: pd.DataFrame) -> str:
    """Whether the lists told more than the last condition score alone; the records' own test decides."""
    text = result_text(results, 0, "watch_gain_over_score", _all_lists(results))
    if text.empty or pd.isna(text["raw_estimate"]):
        return ""
    if text["raw_low"] > 0:
        return f"That is {text['raw_estimate']:.0f} pairs more than by the last score alone."
    return "The last score alone did no worse, as far as these losses can tell: go by the score first."


def _all_lists(results: pd.DataFrame) -> str | None:
    """The name of the period of the four lists together: that of the fifths."""
    rows = pick(results, "watch_calibration", ["term"])
    return None if rows.empty else str(rows["period"].iloc[0])


def _chance(percent: float) -> str:
    return "likely" if percent >= LIKELY else "perhaps" if percent >= MAYBE else "less likely"


def _reason(row: dict[Hashable, Any], as_of: pd.Timestamp) -> str:
    """The one main reason, in words."""
    if row["condition"] in ("1 or 2", "3"):
        return f"scored {row['condition']} at the last visit"
    if pd.notna(row["installed_on"]) and (as_of - row["installed_on"]).days <= NEW:
        return "new in its place"
    if row["light"] == "low":
        return "stands in low light"
    return "kind, place and season"


def _list(study: Study, listed: pd.DataFrame, results: pd.DataFrame) -> Section:
    """By route and place; the chance as a word and in 100."""
    route = study.records.table("sites").drop_duplicates("site_id").set_index("site_id")["region"]
    rows = listed.head(FIRST).assign(route=lambda first: first["site_id"].map(route))
    rows = rows.sort_values(["route", "site_id", "position", "plant_id"], kind="stable")
    chance = 100 * rows["expected"].clip(upper=1)
    records = pd.DataFrame(
        {
            "Site": [study.name_of("site", site) for site in rows["site_id"]],
            "Place": study.places_of(rows["plant_id"]),
            "Plant": [study.name_of("species", species) for species in rows["species"]],
            "Id": rows["plant_id"].to_numpy(),
            "Lost by then": [f"{BAR * max(round(c / 10), 1)} {_chance(c)}" for c in chance],
            "in 100": [f"{c:.0f}" for c in chance],
            "Main reason": [_reason(row, pd.Timestamp(study.as_of)) for row in rows.to_dict("records")],
            "Its cost": [f"{c:,.0f}" if pd.notna(c) else "" for c in rows["cost"]],
            "Guarantee until": [
                d.date().isoformat() if pd.notna(d) and d >= pd.Timestamp(study.as_of) else ""
                for d in rows["guarantee_until"]
            ],
            "Seen": ["\u2610"] * len(rows),
        },
        dtype="object",
    )
    at = Rows("watch_site", ["site_id"], most=10)
    chart = Bars(
        at, lambda row: study.name_of("site", row["site_id"]).name, "losses to be expected within 90 days", decimals=1
    )
    ids = [f"plant-{plant}" for plant in rows["plant_id"]]
    table = Listing(
        f"The {len(rows)} plants to look at first, by route, site and place",
        records,
        most=FIRST,
        ids=ids,
        numeric=("in 100", "Its cost"),
        soft=("Id",),
    )
    message = f"Look at these {len(rows)} plants first."
    return Section("list", message, "Ten sites with most losses to be expected.", chart=chart, table=table)


def _shedding(study: Study, results: pd.DataFrame) -> Section | None:
    rows = pick(results, "shedding", ["site_id", "species", "plant_id"])
    here = pd.Index(study.standing()["plant_id"]).get_indexer(rows["plant_id"]) >= 0
    stand, removed = rows[here], rows[~here]
    if rows.empty:
        return None
    records = pd.DataFrame(
        {
            "Site": [study.name_of("site", site) for site in stand["site_id"]],
            "Place": study.places_of(stand["plant_id"]),
            "Plant": [study.name_of("species", species) for species in stand["species"]],
            "Id": stand["plant_id"].to_numpy(),
            "Times as many leaves as expected": [f"{e:.1f}" for e in stand["estimate"]],
            "Leaves": stand["note"].to_numpy(),
            "Seen": ["\u2610"] * len(stand),
        },
        dtype="object",
    )
    places = [
        f"{study.name_of('site', site).name} {place} ({plant})"
        for site, place, plant in zip(
            removed["site_id"], study.places_of(removed["plant_id"]), removed["plant_id"], strict=True
        )
    ]
    lost = f" Lost since: {words.listed(places, NAMED_IN_BRIEF)}." if places else ""
    be = "plant drops" if len(stand) <= 1 else "plants drop"
    message = f"{len(stand) or 'No'} {be} far more leaves than kind and place explain.{lost}"
    return Section(
        "shedding",
        message,
        "Beyond chance, of all plants whose leaves were counted.",
        table=Listing("Plants that shed", records),
    )


def _trust(study: Study, results: pd.DataFrame) -> Section | None:
    """How well the lists of the last four quarters did, found and expected side by side."""
    rows = pick(results, "watch_calibration", ["term"]).sort_values("term")
    whole = result_text(results, 0, "watch_calibration", _all_lists(results))
    if rows.empty or whole.empty:
        return None
    should = pick(results, "watch_expected", ["term"]).set_index("term")["estimate"]
    in_all = result_text(results, 0, "watch_expected", _all_lists(results))["raw_estimate"]
    named = ("safest", "second", "third", "fourth", "riskiest")
    records = pd.DataFrame(
        {
            "Fifth of plants by chance": [
                named[n] if len(rows) == len(named) else row["term"] for n, (_, row) in enumerate(rows.iterrows())
            ],
            "Lost": [f"{n}" for n in rows["losses"]],
            "Expected": [f"{e:.1f}" for e in should.reindex(rows["term"])],
            "Lost / expected": [f"{e:.2f}" if pd.notna(e) else "" for e in rows["estimate"]],
            "could be": [
                f"{low:.2f} to {high:.2f}" if pd.notna(low) else ""
                for low, high in zip(rows["low"], rows["high"], strict=True)
            ],
        },
        dtype="object",
    )
    start = f"The last four lists expected {in_all:.1f} losses and {whole['losses']} came"
    wrong = records[((rows["low"] > 1) | (rows["high"] < 1)).to_numpy()]
    text = [
        f"in the {row['Fifth of plants by chance']} fifth {row['Lost']} where {row['Expected']} were expected"
        for row in wrong.to_dict("records")
    ]
    message = f"{start}; {words.listed(text)}." if text else f"{start}; each fifth within chance."
    sure = _how_sure(study)
    numbers = ("Lost", "Expected", "Lost / expected", "could be")
    names = dict(zip(rows["term"], records["Fifth of plants by chance"], strict=True))
    chart = Bars(
        Rows("watch_calibration", ["term"], order="term", descending=False),
        lambda row: names[row["term"]],
        "plants lost, safest fifth first; green tick: expected",
        "losses",
        "watch_expected",
        small=True,
    )
    return Section(
        "trust",
        message,
        f"{sure[:1].upper()}{sure[1:]}. {_beyond_score(results)}".strip(),
        chart=chart,
        table=Listing("How the last four lists did", records, numeric=numbers, soft=("could be",)),
    )
