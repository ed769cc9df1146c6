"""The page on losses: what was lost, whether such a quarter should lose that, what it cost, where and why."""

from __future__ import annotations

import pandas as pd

from plantstats.findings import pick
from plantstats.losses.same_sites import LEFT, STAYED
from plantstats.pages import deliveries, loss_costs, methods, places, to_come, words
from plantstats.pages.decisions import Decision
from plantstats.periods import same_quarter_last_year
from plantstats.reporting.charts import Bars
from plantstats.reporting.specs import Listing, Page, Rows, Section, result_text
from plantstats.reporting.time_charts import Quarters
from plantstats.studies import Study, join, of_all_clients

TITLE = "Losses"
MOST_SHOWN = 10
SHOWN_QUARTERS = (
    "Bars: plants lost. Green: expected for season, plants and places; band: what chance does in 95 of 100 quarters."
)


def page(study: Study) -> Page:
    """The page on losses.

    Parameters
    ----------
    study : Study
        One quarter of a company.

    Returns
    -------
    Page
    """
    results = results_of(study)
    sections = [
        _lost(study, results, study.losses()),
        to_come.section(study, results),
        loss_costs.section(study, results),
        _causes(study, results),
        _species(study, results),
        _sites(study, results),
        places.section(study, results),
        _clients(study, results),
        *deliveries.sections(study, results),
    ]
    verdict, sentences = headlines(study, results)
    return Page(
        TITLE,
        verdict,
        [s for s in sections if s is not None],
        results,
        study.small_group,
        sentences,
        methods=methods.links_of("losses"),
    )


def results_of(study: Study) -> pd.DataFrame:
    """Findings that the page rests on, and the brief with it.

    Parameters
    ----------
    study : Study
        One quarter of a company.

    Returns
    -------
    pandas.DataFrame
        Findings.
    """
    return join(
        study.loss_rates(),
        study.expected(),
        study.quarters(),
        study.same_sites(),
        study.losses_to_come(),
        of_all_clients(study, study.deliveries, study.run_off),
        of_all_clients(study, study.places),
    )


def decisions(study: Study) -> list[Decision]:
    """Places to plant otherwise, and deliveries to ask the supplier about.

    Parameters
    ----------
    study : Study
        What the page is about.

    Returns
    -------
    list of Decision
    """
    return [*places.decisions(study), *deliveries.decisions(study)]


def headlines(study: Study, results: pd.DataFrame) -> tuple[str, list[str]]:
    """The verdict in one line, and up to four sentences below it.

    Parameters
    ----------
    study : Study
        What the page is about.
    results : pandas.DataFrame
        A table of `run.validate` or `figures.figures`.

    Returns
    -------
    verdict, lines : str, list of str
    """
    period, small = study.period, study.small_group
    rate = result_text(results, small, "loss_rate", period.name)
    count = int(rate["raw_losses"])
    start = f"{period.name}: {words.plants(count)} lost of {rate['raw_n_plants']:,}"
    should = result_text(results, small, "expected_losses", period.name)
    ratio = result_text(results, small, "observed_expected", period.name)
    event = _event(study, results)
    if ratio.empty or pd.isna(should["raw_estimate"]):
        reason = "cannot be told" if should.empty else f"is {should['note']}"
        verdict = f"{start}{event}; what such a quarter should lose {reason}."
    else:
        others = f"; of the {ratio['raw_losses']} others about" if event else "; about"
        power = result_text(results, small, "worse_quarter_power", period.name)
        judgement = _verdict(ratio, power)
        verdict = f"{start}{event}{others} {should['raw_estimate']:.0f} were to be expected: {judgement}."
    sentences = [_last_year(study, results)]
    return verdict, [sentence for sentence in sentences if sentence]


def _verdict(ratio: pd.Series, power: pd.Series) -> str:
    """Worse, better, or no sign of either with how often a worse one would show at this size."""
    if ratio["raw_low"] > 1:
        return "worse than such a quarter should be"
    if ratio["raw_high"] < 1:
        return "better than such a quarter should be"
    if power.empty:
        return "no sign that it was worse, nor could these records show one"
    times = f"{power['raw_estimate']:.0f}" if power["raw_estimate"] >= 1 else "fewer than 1"
    return f"no sign it was worse; half as bad again shows in {times} of 100 quarters"


def _event(study: Study, results: pd.DataFrame) -> str:
    """What events took of the quarter's losses, to stand in the verdict; empty where there was none."""
    rows = pick(results, "event_losses", ["site_id", "cause"], study.period.name)
    named = [
        f"{row['losses']} of them in one event at {study.name_of('site', row['site_id'])} "
        f"({words.cause(row['cause'])}, {row['note']})"
        for _, row in rows.iterrows()
    ]
    return f", {words.listed(named)}" if named else ""


def _events_to_come(results: pd.DataFrame) -> str:
    """What events bring on top of the expected, on average, where any was on record before the quarter."""
    row = result_text(results, 0, "expected_event_losses")
    if row.empty or not row["raw_estimate"] > 0:
        return ""
    return (
        "Events that take several plants of a site at once come on top, "
        f"{row['raw_estimate']:.1f} ({row['raw_low']:.1f} to {row['raw_high']:.1f}) a quarter on average: most "
        "quarters see none, a few a large one."
    )


def _last_year(study: Study, results: pd.DataFrame) -> str:
    before = same_quarter_last_year(study.period).name
    was = result_text(results, study.small_group, "loss_rate", before)
    if was.empty:
        return f"The records do not reach back to {before}."
    ratio = result_text(results, study.small_group, "loss_rate_ratio", study.period.name)
    if was["raw_losses"] == result_text(results, study.small_group, "loss_rate", study.period.name)["raw_losses"]:
        whole = f"A year before it was as many: {words.plants(was['raw_losses'])}."
        return " ".join(filter(None, [whole, _sites_that_left(study, results)]))
    clear = not ratio.empty and (ratio["raw_low"] > 1 or ratio["raw_high"] < 1)
    verdict = "a difference beyond chance" if clear else "a difference that chance alone could make"
    whole = f"A year before ({before}) it was {words.plants(was['raw_losses'])}: {verdict}."
    return " ".join(filter(None, [whole, _sites_that_left(study, results)]))


def _sites_that_left(study: Study, results: pd.DataFrame) -> str:
    """What sites lost last year that have left since, and the comparison of those that stayed; empty: none left."""
    before = same_quarter_last_year(study.period).name
    of = pick(results, "loss_rate_of_sites", ["term"], before).set_index("term")
    if LEFT not in of.index:
        return ""
    n_sites = pick(results, "sites_left", period=study.period.name)["estimate"].iloc[0]
    first = f"Of them {of.loc[LEFT, 'losses']} at {words.count_of(n_sites, 'site')} that left since"
    ratio = result_text(results, study.small_group, "loss_rate_ratio_same_sites", study.period.name)
    if ratio.empty or pd.isna(ratio["raw_estimate"]):
        return f"{first}."
    clear = ratio["raw_low"] > 1 or ratio["raw_high"] < 1
    verdict = "a difference beyond chance" if clear else "a difference that chance alone could make"
    return f"{first}; where we stayed, {of.loc[STAYED, 'losses']} then and {ratio['raw_losses']} now: {verdict}."


def quarters_chart(study: Study) -> Quarters:
    """Losses by quarter against what was to be expected, single events hatched.

    Parameters
    ----------
    study : Study
        One quarter of a company.

    Returns
    -------
    Quarters
    """

    def label(row: pd.Series) -> str:
        place = study.name_of("site", row["site_id"]).name
        return f"{row['losses']} at once: {words.cause(row['cause'])},\n{place}"

    fewest = loss_costs.FEWEST_OF_EVENT
    return Quarters(expected="expected_by_quarter", event="quarter_event", event_label=label, fewest=fewest)


def _lost(study: Study, results: pd.DataFrame, lost: pd.DataFrame) -> Section:
    """Losses by quarter against what was to be expected, and the plants lost, one line each."""
    should = pick(results, "expected_by_quarter", period=study.period.name)
    if should.empty:
        message = "What such a quarter should lose cannot be told from these records."
    else:
        row = should.iloc[0]
        message = f"Chance alone makes {row['low']:.0f} to {row['high']:.0f} losses of such a quarter."
    records = pd.DataFrame(
        {
            "Found on": [day.date().isoformat() for day in lost["lost_on"]],
            "Site": [study.name_of("site", site) for site in lost["site_id"]],
            "Place": study.places_of(lost["plant_id"]),
            "Plant": [study.name_of("species", species) for species in lost["species"]],
            "Id": lost["plant_id"].to_numpy(),
            "Cause": [words.cause(code) for code in lost["cause"]],
            "Paid by": [words.PAID_BY.get(str(payer), "not recorded") for payer in lost["covered"]],
            "Plant's cost": [f"{value:,.2f}" if pd.notna(value) else "" for value in lost["plant_cost"]],
        },
        dtype="object",
    )
    table = Listing(
        f"Plants lost in {study.period.name}: died, or fell below what was sold",
        records,
        ids=[f"plant-{p}" for p in lost["plant_id"]],
        numeric=("Plant's cost",),
        soft=("Id",),
    )
    none = "" if len(lost) else "No loss is not the same as no risk."
    note = " ".join(filter(None, [none, _events_to_come(results)]))
    return Section("lost", message, SHOWN_QUARTERS, chart=quarters_chart(study), table=table, note=note)


def _causes(study: Study, results: pd.DataFrame) -> Section | None:
    table = loss_costs.table(study, results, "cause")
    if table is None:
        return None
    rows = pick(results, "cost_by_cause", ["cause"], study.period.name)
    first = rows.sort_values(["losses", "estimate"], ascending=False, kind="stable").iloc[0]
    message = f"Most often noted: {words.cause(first['cause'])}, {words.plants(first['losses'])}."
    return Section("causes", message, "Causes as technicians wrote them down.", table=table)


def _clients(study: Study, results: pd.DataFrame) -> Section | None:
    table = loss_costs.table(study, results, "client_id")
    if table is None or study.client:
        return None
    return Section("clients", f"Most went to {table.records['Client'].iloc[0].name}.", "", table=table)


def _species(study: Study, results: pd.DataFrame) -> Section | None:
    table = loss_costs.table(study, results, "species")
    if table is None:
        return None
    return Section(
        "species",
        _over_year(study, results, "species", "species", "species"),
        "Four quarters, where at least one loss was to be expected. Bar: lost; green tick: expected.",
        chart=_year_chart(study, results, "species", "species"),
        table=table,
    )


def _sites(study: Study, results: pd.DataFrame) -> Section | None:
    of = len(pick(results, "expected_over_year", ["site_id"], study.period.name))
    n_used = len(pick(results, "observed_over_year", ["site_id"], study.period.name))
    if not of:
        return None
    shown = f"Four quarters. At {of - n_used} of {of} sites less than one loss was expected: they cannot be told apart."
    return Section(
        "sites",
        _over_year(study, results, "site_id", "site", "sites"),
        shown,
        chart=_year_chart(study, results, "site_id", "site"),
    )


def _over_year(study: Study, results: pd.DataFrame, by: str, kind: str, things: str) -> str:
    rows = pick(results, "observed_over_year", [by], study.period.name)
    out = pick(results, "flagged_over_year", [by], study.period.name)
    if rows.empty:
        return f"Too few losses to compare {things}."
    if out.empty:
        return f"No {kind} lost more or fewer than plants and chance explain."
    more = out[out["estimate"].gt(1)].sort_values("losses", ascending=False)
    if more.empty:
        return f"No {kind} lost more than plants and chance explain."
    return f"More lost than plants and chance explain: {words.listed([study.name_of(kind, c).name for c in more[by]])}."


def _year_chart(study: Study, results: pd.DataFrame, by: str, kind: str) -> Bars:
    """Lost and expected over four quarters: those with the largest difference, most lost first."""
    should = pick(results, "expected_over_year", [by], study.period.name).set_index(by)["estimate"]
    rows = pick(results, "observed_over_year", [by], study.period.name)
    excess = (rows.set_index(by)["losses"].astype("float64") - should.reindex(rows[by])).sort_values(ascending=False)
    named = set(excess.index[:MOST_SHOWN])
    return Bars(
        Rows("observed_over_year", [by], study.period.name, lambda f: f[by].isin(named), "losses", most=MOST_SHOWN),
        lambda row: study.name_of(kind, row[by]).name,
        "plants lost in four quarters; green tick: expected",
        "losses",
        "expected_over_year",
        small=True,
    )
