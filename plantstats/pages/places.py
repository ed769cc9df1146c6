"""The section on places that use up plants."""

from __future__ import annotations

import pandas as pd

from plantstats import findings
from plantstats.findings import pick
from plantstats.losses.places import KEYS
from plantstats.pages import words
from plantstats.pages.decisions import Decision
from plantstats.reporting.charts import Intervals
from plantstats.reporting.specs import Listing, Rows, Section, Table
from plantstats.studies import Study, of_all_clients

MOST_NAMED = 3
YEAR = 365
SHOWN = (
    "Plants lost per 100 places, each holding one plant at a time; lines: what chance and differences between sites "
    "leave open. Single events are left out."
)


def section(study: Study, results: pd.DataFrame) -> Section | None:
    """Plants used up per place, and the places that stand out.

    Parameters
    ----------
    study : Study
        What the page is about.
    results : pandas.DataFrame
        Findings, with those of `Study.places`.

    Returns
    -------
    Section or None
        None where no place is on record.
    """
    if pick(results, "places_followed").empty:
        return None
    out = _flagged(results)
    message = "No place used up more plants than species, light, site and chance explain."
    if len(out):
        count = words.count_of(len(out), "place")
        named = words.listed([_name(study, row) for _, row in out.iterrows()], MOST_NAMED)
        message = f"{count} used up more plants than species, light and chance explain: {named}."
    table: Table | Listing = Table(
        "Places by plants lost in them",
        Rows("places_by_losses", ["term"], order="term", descending=False),
        {"Plants lost": "term", "Places": "estimate"},
    )
    if len(out):
        table = Listing(
            "Places that stand out; what fits that light better is what has done so in these records",
            pd.DataFrame([_line(study, results, row) for _, row in out.iterrows()], dtype="object"),
            ids=[f"place-{row['site_id']}-{row['position']}" for _, row in out.iterrows()],
            numeric=("Lost", "Expected"),
        )
    chart = Intervals(
        Rows("place_mean_losses", ["age_days"]),
        lambda row: words.count_of(int(row["age_days"]) // YEAR, "year"),
        "plants lost per 100 places, within so long",
    )
    return Section("places", message, SHOWN, chart=chart, table=table)


def decisions(study: Study) -> list[Decision]:
    """Places to plant otherwise, or to leave empty.

    Parameters
    ----------
    study : Study
        What the page is about.

    Returns
    -------
    list of Decision
        None or one.
    """
    results = of_all_clients(study, study.places)
    out = _flagged(results)
    if out.empty:
        return []
    lost, expected = int(out["losses"].sum()), float(_of(results, "place_expected", out)["estimate"].sum())
    return [
        Decision(
            f"Put another kind in, or none: {words.count_of(len(out), 'place')}",
            words.listed([_name(study, row) for _, row in out.iterrows()], MOST_NAMED),
            float("nan"),
            f"lost {lost} where {expected:.1f} were expected of such plants in such light",
            3,
            "losses",
            f"place-{out['site_id'].iloc[0]}-{out['position'].iloc[0]}",
        )
    ]


def _flagged(results: pd.DataFrame) -> pd.DataFrame:
    """Places that stand out, the least likely by chance first."""
    return pick(results, "place_flagged", KEYS).sort_values(["estimate", *KEYS], kind="stable")


def _of(results: pd.DataFrame, measure: str, out: pd.DataFrame) -> pd.DataFrame:
    return pick(results, measure, KEYS).merge(out[KEYS], on=KEYS)


def _name(study: Study, row: pd.Series) -> str:
    return f"{study.name_of('site', row['site_id']).name} {row['position']}"


def _line(study: Study, results: pd.DataFrame, row: pd.Series) -> dict[str, str]:
    """A place that stands out in one line: counts, what was alike, what has done better."""
    here = row.to_frame().T
    expected = findings.for_display(_of(results, "place_expected", here), 0)["estimate"].iloc[0]
    return {
        "Place": _name(study, row),
        "Lost": f"{row['losses']} of {row['n_plants']}",
        "Expected": expected,
        "Alike among them": _alike(study, results, row),
        "Fits that light better": _better(study, results, row),
    }


def _alike(study: Study, results: pd.DataFrame, row: pd.Series) -> str:
    shared = pick(results, "place_in_common", [*KEYS, "term"])
    shared = shared[shared[KEYS].eq(row[KEYS]).all(axis=1)]
    name = {
        "species": lambda code: study.name_of("species", code).name,
        "light": lambda code: f"{code} light",
        "cause": words.cause,
    }
    parts = [f"{name[one['term']](one['note'])} ({one['losses']})" for _, one in shared.iterrows()]
    return ", ".join(parts) if parts else "nothing on record"


def _better(study: Study, results: pd.DataFrame, row: pd.Series) -> str:
    better = pick(results, "place_fits_better", [*KEYS, "species"])
    better = better[better[KEYS].eq(row[KEYS]).all(axis=1)]
    if better.empty:
        return "none clearly"
    one = better.iloc[0]
    years = one["plant_days"] / 365.25
    return f"{study.name_of('species', one['species']).name}: {one['losses']} lost in {years:.0f} plant-years"
