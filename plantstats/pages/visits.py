"""The page on visits: how often to come to each site, which sites are found too dry, which plants force a site."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd

from plantstats import findings
from plantstats.pages import methods, trial_evidence, watch, words
from plantstats.pages.decisions import Decision
from plantstats.reporting.charts import Dots, Pairs
from plantstats.reporting.outputs import leave_files
from plantstats.reporting.specs import Field, Listing, Page, Rows, Section, Table
from plantstats.studies import Study, open_study
from plantstats.trials.evidence import evidence_in
from plantstats.validation import figures, older
from plantstats.watering.ways_out import ACCEPT, BARS_LONGER, INSPECT_MORE, OTHER_SPECIES, SUB_IRRIGATION, TOO_DRY

TITLE = "Visits"
NAMED = 4  # sites of a decision
MOST_ROUTES = 12


# Companies of the second generator, whose technicians take soil that has just dried for moist.
NOTED_LATE = "second generator"
JUST_DRY = (
    "Each plant counts by its own waterings. Soil that has just dried is often taken for moist, and the plant then "
    "waits for the next visit: before coming less often, look at each plant once at the longer interval."
)


def page(study: Study) -> Page:
    """The page on visits.

    Parameters
    ----------
    study : Study
        One quarter of a company.

    Returns
    -------
    Page

    Raises
    ------
    WateringError
        When the records carry no dry-down, or no plant stands.
    TrialError
        For a result of a trial in the folder of the records that no reading wrote.
    """
    sites, results = study.site_advice(), study.visit_results()
    trials = [] if study.client else evidence_in(study.records.folder, study.as_of)
    if trials:
        results = findings.table(pd.concat([results, *(trial.findings() for trial in trials)]))
    sections = [
        last_advice(study),
        dry_section(study),
        _sites(study, sites),
        trial_evidence.section(trials),
        _ways_out(study),
        _drying(study),
    ]
    return Page(
        TITLE,
        _verdict(study, sites),
        [s for s in sections if s],
        results,
        study.small_group,
        methods=methods.links_of("visits"),
    )


def write_files(study: Study, folder: Path) -> None:
    """Put the advice as tables and the care sheet, with the watch list's marks on it, into a folder.

    Parameters
    ----------
    study : Study
        One quarter of a company.
    folder : Path
        Made when absent.
    """
    study.care_sheet()  # refused here, where the page says why
    asked = {"records_dir": str(study.records.folder), **study.key}
    if not leave_files("plantstats.pages.visits:make_files", asked):
        study.write_care_sheet(folder, watch.marks(study))


def make_files(
    report: Callable[[str], None], folder: str, records_dir: str, quarter: str, client: str, as_of: str
) -> None:
    """Make what `write_files` leaves to the runner, in a process of its own.

    Parameters
    ----------
    report : callable
        Not needed here.
    folder : str
        Where files are put.
    records_dir, quarter, client, as_of : str
        As in `plantstats.study`.
    """
    study = open_study(records_dir, quarter, client, as_of)
    study.write_care_sheet(Path(folder), watch.marks(study))


def decisions(study: Study) -> list[Decision]:
    """Decisions that the visits ask for: changed intervals with what they save, and sites beyond the limit.

    Parameters
    ----------
    study : Study
        What the page is about.

    Returns
    -------
    list of Decision
    """
    sites = study.site_advice()
    todo = []
    changed = sites[sites["advised"].ne(sites["now"])].sort_values("saving", ascending=False)
    for (now, advised), rows in changed.groupby(["now", "advised"]):
        todo.append(
            Decision(
                f"Visit every {advised:.0f} days instead of {now:.0f}",
                words.listed([study.name_of("site", site).name for site in rows["site_id"]], NAMED),
                float(rows["saving"].sum()),
                _how_sure(float(rows["probability"].min()), advised > now),
                2,
                "visits",
                f"site-{rows['site_id'].iloc[0]}",
            )
        )
    ways = study.ways_out()
    own = ways[ways["why"].eq(TOO_DRY)]
    if len(own):
        enough = own[own["keeps"] & own["way"].ne(ACCEPT)]
        cheapest = enough.loc[enough.groupby("plant_id")["price"].idxmin()]
        without = own["plant_id"].nunique() - len(cheapest)
        todo.append(
            Decision(
                f"Choose a way out for {words.plants(own['plant_id'].nunique())} that stand dry too long",
                words.listed([study.name_of("site", site).name for site in own["site_id"].unique()], NAMED),
                -float(cheapest["price"].sum()) if len(cheapest) else float("nan"),
                f"at least {min(int(100 * enough['probability'].min()), 99)} in 100 by the cheapest way"
                + (f"; {without} have none on record" if without else "")
                if len(cheapest)
                else "these records show no way that is enough",
                3,
                "visits",
                "ways",
            )
        )
    return todo


def _how_sure(probability: float, longer: bool) -> str:
    """How sure the drying model is of an interval, and what a longer one came to where just-dry soil is noted moist."""
    sure = f"at least {min(int(100 * probability), 99)} in 100"
    if not longer:
        return f"{sure} that it leaves no plant too dry too often"
    # Short, as the brief is one sheet; the page on visits says on how many companies, with limits.
    late = _left_too_dry()
    if late is None:
        return f"{sure} by the model; less where just-dry soil is noted moist"
    kept = 100 - round(100 * late["share"])
    return f"{sure} by the model; where just-dry soil is noted moist, {kept} in 100 (invented sites)"


def _just_dry() -> str:
    """What to do before a site is visited less often, and what such advice came to where dryness is noted late."""
    late = _left_too_dry()
    if late is None:
        return JUST_DRY
    share, low, high = (f"{100 * late[name]:.0f}" for name in ("share", "low", "high"))
    return (
        f"{JUST_DRY} On {late['companies']:.0f} invented companies whose technicians do so {share} in 100 lengthened "
        f"sites left a plant too dry ({low} to {high})."
    )


def _left_too_dry() -> pd.Series | None:
    """Share of lengthened sites of such companies that left a plant too dry, as the proof says; None without one."""
    rows = figures(["longer_too_dry"]).head(0 if older() else None)
    rows = rows[rows["situation"].eq(NOTED_LATE) & rows["of"].eq("all")]
    return None if rows.empty else rows.iloc[0]


def _verdict(study: Study, sites: pd.DataFrame) -> str:
    changed, dry = int(sites["advised"].ne(sites["now"]).sum()), int(sites["over_limit"].sum())
    first = (
        f"{words.count_of(changed, 'site')} should be visited at another interval"
        if changed
        else "No site should change its interval"
    )
    limit = 100 * study.records.settings.watering.max_too_dry_share
    return f"{first}; {dry} of {len(sites)} are found too dry at more than {limit:.0f} in 100 waterings."


def _sites(study: Study, sites: pd.DataFrame) -> Section:
    """One row a site: now and advised, what each costs, how often too dry now and then, the reason in words."""
    of = {site: row for site, row in zip(sites["site_id"], sites.to_dict("records"), strict=True)}
    currency = study.records.settings.currency
    columns: dict[str, Field | str] = {
        "Site": Field("site_id", words=lambda site: study.name_of("site", site)),
        "Visit every (days)": Field("site_id", words=lambda site: f"{of[site]['now']:.0f}"),
        "advised": Field("site_id", words=lambda site: f"{of[site]['advised']:.0f}"),
        "Too dry in 100": "estimate",
        "then": Field("estimate", "too_dry_share_advised"),
        f"{currency} a quarter": Field("estimate", "visit_cost_now"),
        "then, in all": Field("estimate", "visit_cost_advised"),
        "Why": Field("site_id", words=lambda site: str(of[site]["reason"])),
    }
    # The sites that keep their interval and their limit stand in intervals.csv.
    due = set(sites.loc[sites["advised"].ne(sites["now"]) | sites["over_limit"], "site_id"])
    rows = Rows("too_dry_share", ["site_id"], where=lambda f: f["site_id"].isin(due), most=60)
    table = Table("Sites to change, those found too dry most often first", rows, columns, "site", "intervals.csv")
    shown = "First, no plant may be found too dry too often; then money decides. How often, never how much at once."
    more, less = (int(part.sum()) for part in (sites["advised"].lt(sites["now"]), sites["advised"].gt(sites["now"])))
    message = (
        f"Come more often to {words.count_of(more, 'site')}, less often to {less}; {len(sites) - more - less} keep."
    )
    return Section("sites", message, shown, chart=_routes(study), table=table, note=_just_dry() if less else "")


def _routes(study: Study) -> Dots | None:
    """A strip a route: a dot each of its sites, by how often waterings come too late; None with one route alone."""
    listed = study.records.table("sites").drop_duplicates("site_id").set_index("site_id")["region"]
    routes = listed.reindex(study.site_advice()["site_id"]).fillna("").replace("", "no route")
    counts = routes.value_counts().sort_index()
    if len(counts) < 2:
        return None
    return Dots(
        Rows("too_dry_share", ["site_id"], study.period.name, most=500),
        lambda row: str(routes.get(row["site_id"], "no route")),
        {route: f"{route} ({n})" for route, n in counts.head(MOST_ROUTES).items()},
        "waterings in 100 that find a plant too dry, by route",
        100 * study.records.settings.watering.max_too_dry_share,
        "your limit",
    )


def dry_section(study: Study) -> Section | None:
    """How often waterings come too late, site by site, by visit interval.

    Parameters
    ----------
    study : Study
        One quarter of a company.

    Returns
    -------
    Section | None
    """
    sites = study.site_advice()
    if sites.empty:
        return None
    limit = 100 * study.records.settings.watering.max_too_dry_share
    every = dict(zip(sites["site_id"], sites["now"], strict=True))
    counts = sites["now"].value_counts().sort_index()
    lanes = {f"{days:.0f}": f"every {days:.0f} days ({n})" for days, n in counts.items()}
    chart = Dots(
        Rows("too_dry_share", ["site_id"], study.period.name, most=500),
        lambda row: f"{every.get(row['site_id'], float('nan')):.0f}",
        lanes,
        "waterings in 100 that find a plant too dry; a dot is a site",
        limit,
        "your limit",
    )
    over = sites.groupby("now")["over_limit"].agg(["mean", "sum"])
    worst = over["mean"].idxmax()
    message = (
        f"Of {counts[worst]} sites visited every {worst:.0f} days {over['sum'][worst]:.0f} are beyond the limit."
        if over["sum"].any()
        else "No site is beyond your limit."
    )
    return Section("dry", message, "In brackets: sites.", chart=chart)


def _ways_out(study: Study) -> Section | None:
    """Plants that stand dry too long, or keep their site from a longer interval, and each way out with its price."""
    rows = study.ways_out()
    if rows.empty:
        return None
    rows = rows.sort_values("why", key=lambda why: why.ne(TOO_DRY), kind="stable")
    plants = rows.drop_duplicates("plant_id")
    cells = {(row["way"], row["plant_id"]): row for row in rows.to_dict("records")}

    def column(way: str) -> list[str]:
        return [_cell(cells.get((way, plant))) for plant in plants["plant_id"]]

    currency = study.records.settings.currency
    records = pd.DataFrame(
        {
            "Site": [study.name_of("site", site) for site in plants["site_id"]],
            "Place": study.places_of(plants["plant_id"]),
            "Plant": [study.name_of("species", species) for species in plants["species"]],
            "Why": [
                "too dry too often" if why == TOO_DRY else f"keeps the site from every {days} days"
                for why, days in zip(plants["why"], plants["interval_days"], strict=True)
            ],
            f"Look more often, {currency} a quarter": column(INSPECT_MORE),
            f"Sub-irrigated planter, {currency} a quarter": column(SUB_IRRIGATION),
            f"Another plant, {currency} a quarter": column(OTHER_SPECIES),
            "Accept": [
                f"\u2610 {100 * cells[ACCEPT, plant]['too_dry']:.0f} in 100 waterings too late"
                for plant in plants["plant_id"]
            ],
        },
        dtype="object",
    )
    own, bars = (plants[plants["why"].eq(why)] for why in (TOO_DRY, BARS_LONGER))
    sentences = []
    if len(own):
        stand = "stands" if len(own) == 1 else "stand"
        n_sites = own["site_id"].nunique()
        suit = "whose visits suit the others" if len(own) > 1 else "whose visits suit the others there"
        sentences.append(f"{words.plants(len(own))} {stand} dry too long at {words.count_of(n_sites, 'site')} {suit}.")
    if len(bars):
        n_sites, keep = words.count_of(bars["site_id"].nunique(), "site"), "keeps" if len(bars) == 1 else "keep"
        sentences.append(f"{words.plants(len(bars))} {keep} {n_sites} from a longer interval.")
    shown = (
        "Price: more than accepting it, with what is likely in brackets; minus: it saves. Then how sure it is that the "
        "plant keeps to your limit. Prices and minutes are drawn from the ranges in your settings or assumed here."
    )
    return Section(
        "ways",
        " ".join(sentences),
        shown,
        table=Listing("Ways out, plant by plant", records, most=10, rest="ways_out.csv"),
    )


def _cell(way: dict[str, Any] | None) -> str:
    """One way out of one plant in words: what, the price a quarter with its limits, how sure."""
    if way is None:
        return "cannot be told"
    if not way["keeps"]:
        return f"not enough: {100 * way['too_dry']:.0f} in 100 too late" if pd.notna(way["too_dry"]) else "not enough"
    price, low, high = (f"{way[name]:,.0f}".replace("-", "\u2212") for name in ("price", "price_low", "price_high"))
    sure = min(int(100 * way["probability"]), 99)
    return f"{way['what']}: {price} ({low} to {high}), {sure} in 100 sure"


def _drying(study: Study) -> Section | None:
    """Days to dryness by kind of plant, beside the intervals that visits can keep."""
    rows = study.drying_by_species()
    if rows.empty:
        return None
    records = pd.DataFrame(
        {
            "Plant": [study.name_of("species", species) for species in rows["species"]],
            "Half are dry after, days": [f"{d:.0f}" for d in rows["dry_half"]],
            "80 in 100 after, days": [f"{d:.0f}" for d in rows["dry_80"]],
            "Waterings seen": [f"{n:,}" for n in rows["dry_downs"]],
        },
        dtype="object",
    )
    first, last = rows.iloc[0], rows.iloc[-1]
    message = (
        f"{study.name_of('species', first['species']).name} dries fastest (half after {first['dry_half']:.0f} days), "
        f"{study.name_of('species', last['species']).name} slowest ({last['dry_half']:.0f})."
    )
    values = pd.DataFrame(
        {
            "label": [study.name_of("species", species).name for species in rows["species"]],
            "first": rows["dry_half"].to_numpy("float64"),
            "second": rows["dry_80"].to_numpy("float64"),
        }
    )
    visit_days = study.records.settings.watering.visit_days
    chart = Pairs(values, ("half are dry", "80 in 100 are dry"), "days after watering; lines: visits", visit_days)
    shown = "Most usual pot and light of each kind, in the coming season. The finger in the pot decides."
    shown = " ".join([shown, *notes_left_out(study)])
    numbers = ("Half are dry after, days", "80 in 100 after, days", "Waterings seen")
    table = Listing("Days after watering until the topsoil is dry", records, numeric=numbers)
    return Section("drying", message, shown, chart=chart, table=table)


def notes_left_out(study: Study) -> list[str]:
    """Whose notes on topsoil, and which of them, are not counted: technicians by pseudonym, other methods.

    Parameters
    ----------
    study : Study
        What the page is about.

    Returns
    -------
    list of str
    """
    sentences = []
    if left_out := [f"{row.technician} {row.reason}" for row in study.technicians_left_out().itertuples()]:
        sentences.append(f"Not counted, as their notes would mislead: {words.listed(left_out)}.")
    methods = study.topsoil_methods()
    for row in methods[~methods["used"]].itertuples():
        used = methods.loc[methods["used"], "method"].iloc[0]
        sentences.append(
            f"Not counted: {row.n:,} waterings whose topsoil was noted by {row.method} ({row.first_on} to "
            f"{row.last_on}), as most were noted by {used} and the two do not compare."
        )
    return sentences


def last_advice(study: Study) -> Section:
    """Section on what became of the advice of a quarter ago.

    Parameters
    ----------
    study : Study
        What the page is about.

    Returns
    -------
    Section
    """
    groups = study.advice_followed().set_index("group")["sites"]
    followed, ignored = int(groups.get("followed", 0)), int(groups.get("not followed", 0))
    advised = followed + ignored
    if not advised:
        return Section("last", "No change was advised a quarter ago.")
    be = "was" if followed == 1 else "were"
    return Section(
        "last", f"Of {words.count_of(advised, 'change')} advised a quarter ago, {followed or 'none'} {be} made."
    )
