"""Sections on pests: how often plants are found with them, whether they go round, and which plants to look at."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any

import pandas as pd

from plantstats.findings import pick
from plantstats.pages import words
from plantstats.pages.decisions import Decision
from plantstats.pests.inspections import FEWEST_FINDINGS
from plantstats.pests.pest_findings import goes_round
from plantstats.reporting.charts import Intervals
from plantstats.reporting.specs import Field, Listing, Rows, Section, Table
from plantstats.studies import Study, unless_refused

CARE = "What to do about a pest the label, local codes and a licensed person decide; nothing is advised here."
DELIVERY = "Plants of one site may also have come with one delivery."
EDEMA = "Reddish dots on the newest leaves of Ficus lyrata are edema and not counted."
PESTS = {"mites": "mites", "mealybug": "mealybug", "scale": "scale", "other": "other pests"}
MOST_PLANTS = 12  # to look at, of one site and pest
MOST_SITES = 4  # named in a sentence


def sections(study: Study, results: pd.DataFrame) -> list[Section | None]:
    """Sections of the page on what wears plants down.

    Parameters
    ----------
    study : Study
        One quarter of a company.
    results : pandas.DataFrame
        All findings of the page.

    Returns
    -------
    list of Section or None
    """
    if pick(results, "pest_rate").empty:
        return []
    return [_rates(study, results), _transmission(results)]


def _rates(study: Study, results: pd.DataFrame) -> Section:
    """How often plants are found with a pest for the first time, by species, season, air and light."""
    whole = pick(results, "pest_rate").iloc[0]
    message = (
        f"Of 100 plants looked at for a year, {whole['estimate']:.0f} are found with a pest for the first time "
        f"(could be {whole['low']:.0f} to {whole['high']:.0f})."
    )
    columns: dict[str, Field | str] = {
        "Plant": Field("species", words=lambda species: study.name_of("species", species)),
        "Found": "losses",
        "Per 100 a year": "estimate",
        "could be": "interval",
        "Plants": "n_plants",
    }
    parts = [_by(results, by) for by in ("season", "term", "light")]
    return Section(
        "pests",
        message,
        "First findings of each pest per 100 plants and year, between looks that noted a pest or none.",
        Intervals(
            Rows("pest_rate", ["cause"], most=4),
            lambda row: PESTS[row["cause"]],
            "first found, of 100 plants a year (95% limits)",
        ),
        Table(
            "Plants by how often they are first found with any pest", Rows("pest_rate", ["species"], most=8), columns
        ),
        [" ".join(filter(None, parts))] if any(parts) else [],
        note=f"A plant that nobody looked at counts neither way. {EDEMA}",
    )


def _by(results: pd.DataFrame, by: str) -> str:
    """Whether the levels of a split differ beyond their limits."""
    rows = pick(results, "pest_rate", [by])
    rows = rows[rows["losses"].ge(FEWEST_FINDINGS) & ~rows[by].str.contains("unknown|not read")]
    if len(rows) < 2:
        return ""
    most, least = rows.loc[rows["estimate"].idxmax()], rows.loc[rows["estimate"].idxmin()]
    names = [f"{row[by]} light" if by == "light" else row[by] for row in (most, least)]
    if most["low"] > least["high"]:
        return f"More often in {names[0]} ({most['estimate']:.0f}) than in {names[1]} ({least['estimate']:.0f})."
    return f"{names[0].capitalize()} and {names[1]} are alike within chance."


def _transmission(results: pd.DataFrame) -> Section | None:
    """Whether neighbours of a finding are found with it more often, and what a finding foretells."""
    rows, chance = pick(results, "pest_neighbours"), pick(results, "pest_neighbours_by_chance")
    if rows.empty or chance.empty or pd.isna(rows["estimate"].iloc[0]):
        return None
    ratio, by_lot = rows.iloc[0], chance.iloc[0]
    beyond = goes_round(ratio, by_lot)
    message = (
        f"After a finding its neighbours are found with the same pest {ratio['estimate']:.1f} times as often as plants "
        f"elsewhere: {'it goes round' if beyond else 'chance could make that'}."
    )
    sentence = (
        f"Sites that differ for good, with nothing passed on, would show {by_lot['estimate']:.1f} times "
        f"({by_lot['low']:.1f} to {by_lot['high']:.1f}). {DELIVERY}"
    )
    columns: dict[str, Field | str] = {
        "Pest": Field("cause", words=PESTS.__getitem__),
        "Times as often": "estimate",
        "could be": "interval",
        "If nothing is passed on": Field("interval", "pest_neighbours_by_chance"),
        "Findings": "losses",
    }
    return Section(
        "pests-spread",
        message,
        "Plants of the same site against those of other sites, in the same weeks, up to eight weeks after.",
        table=Table("Neighbours of a finding, by pest", Rows("pest_neighbours", ["cause"], most=4), columns),
        sentences=[sentence, *filter(None, [_after(results)])],
        note=CARE,
    )


def _after(results: pd.DataFrame) -> str:
    """What a finding foretells for leaves and losses within 90 days."""
    parts = []
    for measure, what in (("losses_after_pest", "lost"), ("leaves_after_pest", "leaves dropped")):
        rows = pick(results, measure)
        if rows.empty or pd.isna(rows["estimate"].iloc[0]):
            continue
        row = rows.iloc[0]
        limits = f"{row['low']:.1f} to {row['high']:.1f}"
        clear = row["low"] > 1 or row["high"] < 1
        name = "plants are lost" if what == "lost" else "leaves drop"
        parts.append(
            f"{name} {row['estimate']:.1f} times as often ({limits})" + ("" if clear else ", which chance could make")
        )
    return f"In the 90 days after a first finding {words.listed(parts)}, at the same site." if parts else ""


def now(study: Study) -> Section | None:
    """Where a pest is going round now, and the plants to look at first: a section of the page on plants to see.

    Parameters
    ----------
    study : Study
        One quarter of a company.

    Returns
    -------
    Section or None
        None where visits tell nothing about pests.
    """
    rows = unless_refused(study.pests_now, None)
    if rows is None:
        return None
    if rows.empty:
        return Section("pests-now", "No pest is going round a site, as far as visits tell.", note=EDEMA)
    rows = rows.groupby(["site_id", "pest"], sort=False).head(MOST_PLANTS)
    sites = rows.drop_duplicates(["site_id", "pest"])
    named = [f"{study.name_of('site', row.site_id).name} ({PESTS[row.pest]})" for row in sites.itertuples()]
    records = pd.DataFrame(
        {
            "Site": [study.name_of("site", site) for site in rows["site_id"]],
            "Pest": [PESTS[pest] for pest in rows["pest"]],
            "Found on": [
                f"{n} plants since {day.date()}" for n, day in zip(rows["n_found"], rows["first_on"], strict=True)
            ],
            "Place": study.places_of(rows["plant_id"]),
            "Plant": [study.name_of("species", species) for species in rows["species"]],
            "Id": rows["plant_id"].to_numpy(),
            "Why": [_why(row) for row in rows.to_dict("records")],
            "Seen": ["\u2610"] * len(rows),
        },
        dtype="object",
    )
    return Section(
        "pests-now",
        f"A pest is going round: {words.listed(named, MOST_SITES)}.",
        "New on two plants or more in eight weeks. Look at the newest leaves first.",
        table=Listing("Plants to look at where a pest goes round", records, most=36, soft=("Id",), room=False),
        note=f"{DELIVERY} {EDEMA} {CARE}",
    )


def _why(row: dict[Hashable, Any]) -> str:
    """Why a plant is to be looked at."""
    if row["found"]:
        return "found with it" + (f" ({row['degree']})" if isinstance(row["degree"], str) else "")
    if pd.isna(row["looked_on"]):
        return "never looked at for pests"
    return f"stands beside; last look {row['looked_on'].date()}"


def decisions(study: Study) -> list[Decision]:
    """Where a pest is going round now, as one line.

    Parameters
    ----------
    study : Study
        What the page is about.

    Returns
    -------
    list of Decision
        None or one.
    """
    rows = unless_refused(study.pests_now, None)
    if rows is None or rows.empty:
        return []
    sites = rows.drop_duplicates(["site_id", "pest"])
    named = [f"{study.name_of('site', row.site_id).name} ({PESTS[row.pest]})" for row in sites.itertuples()]
    return [
        Decision(
            "Look for pests at once, newest leaves first",
            words.listed(named, MOST_SITES),
            float("nan"),
            f"found on {int(sites['n_found'].sum())} plants within eight weeks",
            3,
            "watch",
            "pests-now",
        )
    ]
