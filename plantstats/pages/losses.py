"""The page on losses: what was lost, whether such a quarter should lose that, what it cost, where and why."""

from __future__ import annotations

import pandas as pd

from plantstats.findings import pick
from plantstats.losses.same_sites import LEFT, STAYED
from plantstats.pages import methods, words
from plantstats.periods import same_quarter_last_year
from plantstats.reporting.charts import Bars, Quarters
from plantstats.reporting.specs import Field, Listing, Page, Rows, Section, Table, said
from plantstats.studies import Study, join

TITLE = "Losses"
FEWEST_EXPECTED = 1.0  # no ratio where fewer losses are to be expected (as public infection surveillance does)


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
    rates, expected, lost = study.loss_rates(), study.expected(), study.losses()
    results = join(rates, expected, study.same_sites())
    sections = [
        _lost(study, lost),
        _against_expected(study, results),
        _cost(study, results),
        _by(study, results, "species", "Species", "species"),
        _by(study, results, "site_id", "Site", "sites"),
        _causes(study, results),
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
    rate = said(results, small, "loss_rate", period.name)
    count = int(rate["raw_losses"])
    start = f"{period.name}: {words.plants(count)} lost of {rate['raw_n_plants']:,}"
    should = said(results, small, "expected_losses", period.name)
    ratio = said(results, small, "observed_expected", period.name)
    if ratio.empty or pd.isna(should["raw_estimate"]):
        reason = "" if should.empty else f" ({should['note'].removeprefix('not available: ')})"
        verdict = f"{start}; what such a quarter should lose cannot be told{reason}."
    else:
        verdict = f"{start}, where about {should['raw_estimate']:.0f} were to be expected: {_verdict(ratio)}."
    sentences = [_event(study, results), _last_year(study, results), _cost_sentence(study, results)]
    return verdict, [sentence for sentence in sentences if sentence]


def _verdict(ratio: pd.Series) -> str:
    if ratio["raw_low"] > 1:
        return "worse than such a quarter should be"
    if ratio["raw_high"] < 1:
        return "better than such a quarter should be"
    return "an ordinary quarter, as far as these numbers can tell"


def _event(study: Study, results: pd.DataFrame) -> str:
    rows = results[results["measure"].eq("largest_event_share") & results["period"].eq(study.period.name)]
    total = said(results, study.small_group, "loss_rate", study.period.name)
    if rows.empty or rows["losses"].iloc[0] < 3:  # two losses are no event
        return ""
    row = rows.iloc[0]
    return (
        f"{row['losses']} of the {total['raw_losses']} were one event at {study.name_of('site', row['site_id'])} "
        f"({words.cause(row['cause'])}, {row['note']})."
    )


def _last_year(study: Study, results: pd.DataFrame) -> str:
    before = same_quarter_last_year(study.period).name
    was = said(results, study.small_group, "loss_rate", before)
    if was.empty:
        return f"The records do not reach back to {before}."
    ratio = said(results, study.small_group, "loss_rate_ratio", study.period.name)
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
    ratio = said(results, study.small_group, "loss_rate_ratio_same_sites", study.period.name)
    if ratio.empty or pd.isna(ratio["raw_estimate"]):
        return f"{first}."
    clear = ratio["raw_low"] > 1 or ratio["raw_high"] < 1
    verdict = "a difference beyond chance" if clear else "a difference that chance alone could make"
    return f"{first}; where we stayed, {of.loc[STAYED, 'losses']} then and {ratio['raw_losses']} now: {verdict}."


def _cost_sentence(study: Study, results: pd.DataFrame) -> str:
    total = pick(results, "replacement_cost", period=study.period.name)
    parts = pick(results, "replacement_cost", ["covered"], study.period.name)
    parts = parts[parts["losses"].gt(0) & parts["estimate"].gt(0)]
    if total.empty or pd.isna(total["estimate"].iloc[0]) or parts.empty:
        return ""
    whole = words.parts_that_add_up(list(parts["estimate"]))
    said_parts = [
        f"{amount:,} paid by {words.PAID_BY[payer]}" for payer, amount in zip(parts["covered"], whole, strict=True)
    ]
    at_least = "at least " if total["note"].iloc[0] else ""
    return f"Replacing them cost {at_least}{total['unit'].iloc[0]} {sum(whole):,}: {words.listed(said_parts)}."


def _lost(study: Study, lost: pd.DataFrame) -> Section:
    """The plants lost, one line each: the first thing that is asked."""
    count = int(lost["quantity"].sum())
    records = pd.DataFrame(
        {
            "Found on": [day.date().isoformat() for day in lost["lost_on"]],
            "Site": [study.name_of("site", site) for site in lost["site_id"]],
            "Place": study.places_of(lost["plant_id"]),
            "Plant": lost["species"].to_numpy(),
            "Id": lost["plant_id"].to_numpy(),
            "Cause": [words.cause(code) for code in lost["cause"]],
            "Paid by": [words.PAID_BY.get(str(payer), "not recorded") for payer in lost["covered"]],
            "Cost": [f"{value:,.2f}" if pd.notna(value) else "not recorded" for value in lost["plant_cost"]],
        },
        dtype="object",
    )
    message = f"{words.plants(count)} {'was' if count == 1 else 'were'} lost" if count else "No plant was lost"
    table = Listing(f"Plants lost in {study.period.name}", records, ids=[f"plant-{p}" for p in lost["plant_id"]])
    shown = "Died, or fell below what was sold and replaced for it; cost of the plant without labour."
    note = "" if count else "No loss is not the same as no risk."
    return Section("lost", f"{message}.", shown, table=table, note=note)


def _against_expected(study: Study, results: pd.DataFrame) -> Section:
    ratio = said(results, study.small_group, "observed_expected", study.period.name)
    should = said(results, study.small_group, "expected_losses", study.period.name)
    if ratio.empty:
        message = "What such a quarter should lose cannot be told from these records."
    else:
        message = (
            f"{ratio['raw_losses']} lost; {words.could_be(should['interval'])} in a quarter like this, "
            f"with plants and places like these."
        )
    return Section(
        "expected",
        message,
        "Plants lost by the quarter in which they were found; green: expected for season, plants and places.",
        chart=Quarters(expected="expected_losses"),
    )


def _cost(study: Study, results: pd.DataFrame) -> Section | None:
    rows = Rows("replacement_cost", ["covered"], study.period.name, lambda f: f["losses"].gt(0))
    if rows.select(results).empty:
        return None
    columns: dict[str, Field | str] = {
        "Paid by": Field("covered", words=lambda code: words.PAID_BY[code]),
        "Plants": "losses",
        f"Cost, {study.records.settings.currency}": "estimate",
        "Remark": "note",
    }
    table = Table(f"Losses of {study.period.name} by who pays", rows, columns)
    return Section("cost", _cost_sentence(study, results), "What the records hold; a management figure.", table=table)


def _by(study: Study, results: pd.DataFrame, by: str, heading: str, things: str) -> Section:
    """Groups of which at least one loss was to be expected, against what was; the rest in a sentence."""
    kind = {"site_id": "site"}.get(by, by)
    ratios = pick(results, "observed_expected", [by], study.period.name)
    out = ratios[ratios["note"].fillna("").str.startswith("stands out")]
    named = words.listed([study.name_of(kind, name) for name in out[by]])
    message = (
        f"No {things.removesuffix('s') if things == 'sites' else things} lost more than its plants and chance explain."
        if out.empty
        else f"More lost than plants and chance explain: {named}."
    )
    lost = Rows("loss_rate", [by], study.period.name, lambda f: f["losses"].gt(0), order="losses", most=12)
    chart = Bars(
        lost,
        lambda row: study.name_of(kind, row[by]),
        "plants lost; green: expected",
        "losses",
        "expected_losses",
        small=True,
    )
    columns: dict[str, Field | str] = {
        heading: Field(by, words=lambda name: study.name_of(kind, name)),
        "Lost": "losses",
        "Plants": "n_plants",
        "Lost per 100 plants a year": "estimate",
        "could be": "interval",
    }
    table = Table(f"{heading}: most losses first, {study.period.name}", lost, columns, anchor=kind)
    of = len(pick(results, "loss_rate", [by], study.period.name))
    shown = f"Of {of} {things}; the worst of many is bad partly by chance."
    return Section(things, message, shown, chart=chart if by == "species" else None, table=table)


def _causes(study: Study, results: pd.DataFrame) -> Section | None:
    rows = Rows("loss_rate_by_cause", ["cause"], study.period.name, lambda f: f["losses"].gt(0), order="losses")
    found = rows.select(results)
    if found.empty:
        return None
    first = found.iloc[0]
    columns: dict[str, Field | str] = {
        "Cause": Field("cause", words=words.cause),
        "Lost": "losses",
        "Lost per 100 plants a year": "estimate",
        "could be": "interval",
    }
    message = f"Most often noted: {words.cause(first['cause'])} ({words.plants(first['losses'])})."
    return Section("causes", message, "As technicians wrote it down.", table=Table("Recorded causes", rows, columns))
