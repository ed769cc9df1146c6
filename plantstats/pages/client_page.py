"""The client's own page: what stands and in what state, visits, what was replaced, what was seen, what comes next.

Nothing of ours stands here: no cost, wage, margin or technician, no other client, no method, no code of the program.
"""

from __future__ import annotations

import pandas as pd

from plantstats.findings import pick
from plantstats.pages import words
from plantstats.periods import next_quarter
from plantstats.reporting.charts import Bars
from plantstats.reporting.specs import Listing, Page, Rows, Section
from plantstats.studies import Study, StudyError

TITLE = "Your plants"
# What a client reads for what the records call it.
REASONS = {
    "water_excess": "roots too wet",
    "water_deficit": "too dry",
    "light": "too little light for this plant",
    "temperature": "too cold or too warm",
    "pest": "pests",
    "disease": "disease",
    "building_failure": "heating, cooling or lighting failed",
    "client_action": "moved or damaged",
    "theft": "missing",
    "outgrown": "outgrown",
    "age": "old age",
    "upgrade": "exchanged at your wish",
    "rotation": "planned exchange",
    "lease_end": "end of the contract for this place",
    "removed": "taken away",
    "stock_quality": "weak from the start",
    "acclimatisation": "did not settle in",
    "mechanical": "damaged",
}
WHO_PAYS = {"guaranteed": "under our guarantee", "chargeable": "charged, as agreed"}
LOW_CONDITION = 3
DRY_FROM = 50  # of the days in 100: then the air is worth a word


def page(study: Study) -> Page:
    """One client's page.

    Parameters
    ----------
    study : Study
        Of one client.

    Returns
    -------
    Page

    Raises
    ------
    StudyError
        For a study of all clients.
    """
    if not study.client:
        raise StudyError("a client's page needs a client: --client C0001")
    results, standing = study.service(), study.standing()
    sections = [
        _plants(study, results) if len(standing) else None,
        _visits(study),
        _replaced(study),
        _seen(study, results, standing),
        _next(study, standing) if len(standing) else None,
        _agreed(study),
    ]
    return Page(TITLE, _verdict(study, standing), [s for s in sections if s], results, 0)


def _verdict(study: Study, standing: pd.DataFrame) -> str:
    stand, removed = int(standing["plants"].sum()), len(study.replaced())
    name = study.name_of("client", study.client)
    if not stand:
        return f"{name}, {study.period.name}: no plant in place at the end of the quarter."
    if not removed:
        return f"{name}, {study.period.name}: all {words.plants(stand)} stand."
    whose = "its" if removed == 1 else "their"
    return f"{name}, {study.period.name}: {words.plants(stand)} stand; {removed} left {whose} place."


def _plants(study: Study, results: pd.DataFrame) -> Section:
    whole = pick(results, "plants_in_good_condition", period=study.period.name).iloc[0]
    scored = pick(results, "plants_scored", period=study.period.name)["estimate"].iloc[0]
    message = (
        f"{whole['estimate'] * scored / 100:.0f} of {scored:.0f} plants are in good condition."
        if pd.notna(whole["estimate"])
        else "The plants' condition was not scored this quarter."
    )
    chart = Bars(
        Rows("plants_in_place", ["site_id"], study.period.name, most=12),
        lambda row: study.name_of("site", row["site_id"]),
        "plants in place at the end of the quarter",
        small=True,
    )
    place, good, of = (
        pick(results, measure, ["site_id"], study.period.name).set_index("site_id")["estimate"]
        for measure in ("plants_in_place", "plants_in_good_condition", "plants_scored")
    )
    place = place.sort_values(ascending=False, kind="stable")
    good = (good * of / 100).reindex(place.index)
    records = pd.DataFrame(
        {
            "Site": [study.name_of("site", site) for site in place.index],
            "Plants": [f"{n:.0f}" for n in place],
            "In good condition": [
                f"{n:.0f} of {of[site]:.0f}" if pd.notna(n) else "not scored" for site, n in good.items()
            ],
        },
        dtype="object",
    )
    table = Listing("Plants in place, and their condition", records, numeric=("Plants",)) if len(place) > 1 else None
    shown = "Good: 4 or 5 of 5 at the last visit."
    return Section("plants", message, shown, chart=chart if len(place) > 1 else None, table=table)


def _visits(study: Study) -> Section | None:
    results = study.visits_made()
    if results.empty:
        return None
    done, agreed = (
        pick(results, measure, ["site_id"]).set_index("site_id")["estimate"]
        for measure in ("visits_completed", "visits_planned")
    )
    by_month = study.visits_by_month().pivot_table(
        index="site_id", columns="month", values="visits", aggfunc="sum", fill_value=0
    )
    months = {f"{month:%B}": by_month[month].reindex(done.index, fill_value=0) for month in by_month}
    records = pd.DataFrame(
        {
            "Site": [study.name_of("site", site) for site in done.index],
            **{name: [f"{n:.0f}" for n in counts] for name, counts in months.items()},
            "Made, of those agreed": [f"{n:.0f} of {agreed[site]:.0f}" for site, n in done.items()],
        },
        dtype="object",
    )
    message = f"We came {done.sum():.0f} times; {agreed.sum():.0f} visits were agreed."
    table = Listing("Visits by site", records, numeric=(*months, "Made, of those agreed"))
    return Section("visits", message, "", table=table)


def _of_year(study: Study) -> list[str]:
    """Plants lost in each of four quarters, as counts: a few plants carry no rate."""
    rows = study.lost_by_quarter()
    counts = [f"{n} in {quarter}" for quarter, n in zip(rows["quarter"], rows["losses"], strict=True)]
    return [f"Died or no longer good enough: {words.listed(counts)}."] if rows["losses"].any() else []


def _replaced(study: Study) -> Section:
    removed = study.replaced()
    if removed.empty:
        return Section("replaced", "No plant was replaced this quarter.", sentences=_of_year(study))
    records = pd.DataFrame(
        {
            "On": [day.date().isoformat() for day in removed["replaced_on"]],
            "Site": [study.name_of("site", site) for site in removed["site_id"]],
            "Place": study.places_of(removed["plant_id"]),
            "Plant": [study.name_of("species", species) for species in removed["species"]],
            "Reason": [REASONS.get(cause, "no longer good enough") for cause in removed["cause"]],
            "Cost to you": [WHO_PAYS.get(str(payer), "") for payer in removed["covered"]],
        },
        dtype="object",
    )
    few = "You have few plants, so single ones weigh much." if len(removed) < 5 else ""
    message = (
        f"{words.count_of(len(removed), 'plant')} {'was' if len(removed) == 1 else 'were'} replaced or taken away."
    )
    table = Listing(f"Plants replaced in {study.period.name}", records)
    return Section("replaced", message, table=table, sentences=_of_year(study), note=few)


def _seen(study: Study, results: pd.DataFrame, standing: pd.DataFrame) -> Section | None:
    lines = []
    dim = int(standing.loc[standing["light"].eq("low"), "plants"].sum())
    if dim:
        lines.append(
            f"{words.plants(dim)} stand in low light. Please leave lamps near them on in working hours; we can suggest "
            "kinds that bear shade."
        )
    dry = pick(results, "dry_air_share", ["site_id"], study.period.name)
    dry = dry[dry["estimate"].ge(DRY_FROM)]
    if len(dry):
        sites = words.listed([study.name_of("site", site) for site in dry["site_id"]])
        lines.append(f"The air was dry on most days at {sites}. Moister air, where the building allows it, helps them.")
    failed = study.replaced()
    if failed["cause"].eq("building_failure").any():
        lines.append("Plants were lost when heating, cooling or lighting failed. Please tell us at once when it does.")
    if not lines:
        return None
    lines.append("Please do not water, move or feed the plants; tell us when one looks wrong.")
    return Section("seen", "What we saw, and what would help.", sentences=lines)


def _next(study: Study, standing: pd.DataFrame) -> Section:
    weak = int(standing.loc[standing["condition"].le(LOW_CONDITION).fillna(False), "plants"].sum())
    quarter = next_quarter(study.period).name
    be = "is" if weak == 1 else "are"
    line = (
        f"{words.plants(weak)} that scored 3 or less at the last visit {be} looked after first."
        if weak
        else "Every plant that was scored is in good condition."
    )
    return Section("next", f"Next quarter ({quarter}).", sentences=[line])


def _agreed(study: Study) -> Section:
    """Room for what both sides promise at the review, and for their names."""
    ours = study.records.settings.company or "us"
    records = pd.DataFrame(
        {
            "For": [study.name_of("client", study.client).name, ours],
            "What will be done, and by when": ["", ""],
            "Contact": ["", ""],
            "Name and signature": ["", ""],
        },
        dtype="object",
    )
    return Section("agreed", "What we agree.", table=Listing("To fill in together", records, room=True))
