"""The page of a trial's protocol: what is fixed before the start, and why it is so."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta

import pandas as pd

from plantstats import findings
from plantstats.pages import words
from plantstats.pages.trial_words import OUTCOME, amount, dry_means
from plantstats.reporting.display import Named
from plantstats.reporting.specs import Listing, Page, Section
from plantstats.trials.allocation import GENERATOR
from plantstats.trials.lengths import in_100
from plantstats.trials.outcomes import DRY
from plantstats.trials.planning import Plan
from plantstats.trials.protocol import Protocol
from plantstats.trials.reading import METHOD
from plantstats.trials.sizing import CROSSOVER, STOPPING_ALPHA

TITLE = "Protocol of a trial"
RULE = (
    "A look beyond its limit ends the trial: all sites go back to the shorter interval, and the answer is that the "
    "longer one leaves plants too dry. Before its limit it goes on. Nobody reads the difference in between."
)
# The usual cautions; common practice, no source.
CAUTIONS = (
    "A person may stop at any site at any time; say so in the note, the site still counts where it was allocated. A "
    "contract that promises visits more often comes first: ask that client, or leave the site out and plan again. "
    "Tell clients and technicians before the start."
)


def page(plan: Plan, name_of: Callable[[str], Named]) -> Page:
    """The protocol's page.

    Parameters
    ----------
    plan : Plan
        As `planning.plan` gives it.
    name_of : callable
        Site id to its name.

    Returns
    -------
    Page
    """
    protocol = plan.protocol
    n = len(protocol.sites)
    verdict = (
        f"Does visiting every {protocol.longer} days instead of {protocol.shorter} make a difference to "
        f"{OUTCOME[protocol.outcome]}? {n} sites will tell by {_day(protocol.last_day)}."
    )
    return Page(
        TITLE,
        verdict,
        [
            _calendar(protocol),
            _size(plan),
            _stopping(protocol),
            _analysis(protocol),
            _sites(plan, name_of),
            _draw(protocol),
            *([_left_out(plan, name_of)] if len(plan.left_out) else []),
            Section(
                "fixed", "This was fixed before the start.", sentences=[f"Digest: {protocol.digest}"], note=CAUTIONS
            ),
        ],
        findings.table([]),
        0,
    )


def _day(day: date) -> str:
    return f"{day.day} {day:%B %Y}"


def _calendar(protocol: Protocol) -> Section:
    crossed = protocol.design == CROSSOVER
    message = (
        "Every site has both intervals, one after the other; the lot says which comes first."
        if crossed
        else "The lot says which sites have which interval."
    )
    rows = []
    for period in range(1, protocol.periods + 1):
        start, end = protocol.counted(period)
        begins = start - timedelta(weeks=protocol.washout)
        rows.append(
            {
                "Period": str(period),
                "Begins": begins.isoformat(),
                "Counted from": start.isoformat(),
                "to": (end - timedelta(days=1)).isoformat(),
            }
        )
    sentences = [
        f"The first {words.count_of(protocol.washout, 'week')} of each period settle in and are not counted, so that "
        "what came before is over."
    ]
    if crossed:
        sentences.append(
            "Both orders run in the same weeks and on the same routes, so that season, weather and who comes are the "
            "same for both intervals."
        )
    shown = "schedule.csv has every visit, for the technicians' sheet."
    table = Listing("When", pd.DataFrame(rows, dtype="object"))
    return Section("calendar", message, shown, sentences=sentences, table=table)


def _size(plan: Plan) -> Section:
    protocol, basis = plan.protocol, plan.basis
    message = f"It would see {amount(protocol, protocol.difference)} with a chance of {in_100(protocol.power)} in 100."
    decimals = 0 if protocol.outcome == DRY else 1
    rows = [
        ("Before, mean of sites", f"{basis.mean:.{decimals}f}"),
        ("Standard deviation between sites", f"{basis.between_sites**0.5:.1f}"),
        (
            f"Within a site, {basis.weeks} weeks every {protocol.shorter} / {protocol.longer} days",
            " / ".join(f"{basis.of_period(days) ** 0.5:.1f}" for days in (protocol.shorter, protocol.longer)),
        ),
        ("Rests on", f"{basis.sites} sites, {words.count_of(basis.windows, 'period')}"),
    ]
    if basis.m:
        rows += [
            ("Looks at a site in a period as now, harmonic mean", f"{basis.m:.0f}"),
            ("Correlation of two looks at a site in one period", f"{basis.rho:.3f}"),
            ("The same, different periods", f"{basis.eta:.3f}"),
            ("Design effect", f"{basis.design_effect:.2f}"),
        ]
    shown = f"From these records until {protocol.made_on_records_until}: {OUTCOME[protocol.outcome]}."
    sentences = [
        f"If the change were made at all sites anyway, in four steps drawn by lot, that rollout would see as much with "
        f"a chance of {in_100(plan.rollout)} in 100, taking the effect to be the same at every site; but season then "
        "runs along with the steps."
    ]
    if protocol.outcome == DRY or protocol.looks:
        sentences.insert(0, dry_means(protocol))
    listing = Listing("What the size rests on", pd.DataFrame(rows, columns=["What", "Value"], dtype="object"))
    return Section("size", message, shown, sentences=sentences, table=listing)


def _stopping(protocol: Protocol) -> Section:
    if not protocol.looks:
        return Section("stopping", "No rule for stopping: these records read no topsoil to look at for harm.")
    rows = pd.DataFrame(
        {
            "Look after": [one["after"] for one in protocol.looks],
            "Known by then, in 100": [f"{100 * one['fraction']:.0f}" for one in protocol.looks],
            "Stop beyond, standard errors": [f"{one['limit']:.2f}" for one in protocol.looks],
        },
        dtype="object",
    )
    message = (
        f"Stop if the longer interval clearly adds more than {protocol.margin[DRY]:.0f} looks in 100 that find a plant "
        "dry."
    )
    shown = (
        f"All looks together would stop wrongly in at most {100 * STOPPING_ALPHA:.1f} of 100 trials in which it adds "
        "just that much. One-sided; Lan and DeMets's spending of the O'Brien-Fleming type."
    )
    how = (
        "Standard errors by which the added dryness is beyond what is tolerated; in the first period sites are "
        "compared given their dryness in the year before and the interval they had."
        if protocol.design == CROSSOVER
        else "Standard errors by which the added dryness is beyond what is tolerated, given the sites' dryness before."
    )
    return Section("stopping", message, shown, sentences=[RULE], table=Listing("Looks", rows), note=how)


def _analysis(protocol: Protocol) -> Section:
    margin = protocol.margin[protocol.outcome]
    sentences = [
        f"Each site counts once and alike: {METHOD[protocol.design]}; a 95% interval of the difference, every "
        f"{protocol.longer} days less every {protocol.shorter}.",
        f"The longer interval is as good if the whole interval lies at or below {amount(protocol, margin)} more; worse "
        "if all of it lies above; else the trial leaves it open.",
        "Sites count in the interval that the lot gave them, whatever was done; a site without a look in a counted "
        "period is left out and named.",
        "The other outcomes and the cost of care are read in the same way, beside; they decide nothing.",
    ]
    return Section("analysis", "How it will be read.", sentences=sentences)


def _sites(plan: Plan, name_of: Callable[[str], Named]) -> Section:
    protocol = plan.protocol
    rows = []
    for site in protocol.sites:
        order = (protocol.longer, protocol.shorter) if site["longer_first"] else (protocol.shorter, protocol.longer)
        row = {
            "Site": name_of(site["site_id"]),
            "Route": site["route"],
            "Plants": f"{site['plants']:,}",
            "Visited now every": f"{site['interval_now']} days",
        }
        row |= {f"Period {period}": f"every {order[period - 1]}" for period in range(1, protocol.periods + 1)}
        rows.append(row)
    table = Listing("Sites and their intervals", pd.DataFrame(rows, dtype="object"), most=500, rest="protocol.json")
    plants = sum(site["plants"] for site in protocol.sites)
    message = f"{len(rows)} sites take part, with {words.plants(plants)}."
    return Section("sites", message, "Drawn by lot within each route.", table=table)


def _draw(protocol: Protocol) -> Section:
    return Section("draw", f"The lot was drawn from seed {protocol.seed}; anyone can draw it again.", GENERATOR)


def _left_out(plan: Plan, name_of: Callable[[str], Named]) -> Section:
    rows = pd.DataFrame(
        {"Site": [name_of(site) for site in plan.left_out["site_id"]], "Why": plan.left_out["reason"]}, dtype="object"
    )
    message = f"{words.count_of(len(rows), 'site')} of these intervals {'is' if len(rows) == 1 else 'are'} left out."
    return Section("left_out", message, table=Listing("Left out", rows, most=100, rest="the records"))
