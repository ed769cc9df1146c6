"""What the comparison with an expected quarter says: headlines, tables, the funnel in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from plantstats.findings import for_display, pick
from plantstats.pages.sentences import cause_words, plants
from plantstats.pages.tables import without_empty_remark

if TYPE_CHECKING:
    from plantstats.periods import Period

RATIO, DRAWN = "Lost / expected (95% interval)", "Drawn to the others (95% interval)"
TERMS = {RATIO: "observed_expected", DRAWN: "shrunk_ratio"}
MOVED_FROM = 1.05  # an earlier event is told when it raises the expectation by a twentieth or more
HEADINGS = {"site_id": "Site", "client_id": "Client", "species": "Species", "technician": "Technician"}
FUNNEL_CAPTION = (
    "Each point is a site: losses / expected losses, against how many were expected. Inside the curves is what "
    "chance alone would do (95% and 99.8%, widened for over-dispersion). The worst of many improves by itself the next "
    "quarter: no praise or blame from one."
)


def headlines(found: pd.DataFrame, period: Period, small_group: int) -> list[str]:
    """What the comparison says: the quarter as a whole, and the sites that stand out."""
    whole, shown = pick(found, "observed_expected", period=period.name), for_display(found, small_group)
    should = pick(found, "expected_losses", period=period.name)
    if should.empty:
        return []
    if whole.empty:
        reason = should["note"].iloc[0].removeprefix("not available: ")
        return [f"What a quarter like this should lose cannot be told: {reason}."]
    row, ratio = whole.iloc[0], shown.loc[whole.index[0]]
    if row["n_plants"] < small_group:
        return [f"Too few plants ({row['n_plants']}) to compare with what a quarter like this should lose."]
    verdict = _verdict(row)
    wanted = shown.loc[should.index[0]]
    said = [
        f"By the experience of earlier quarters, plants, seasons and sites like these should have lost "
        f"{wanted['estimate']} plants (95% interval {wanted['interval']}); they lost {row['losses']}, "
        f"{ratio['estimate']} times as many ({ratio['interval']}): {verdict}."
    ]
    rest = pick(found, "observed_expected_without_largest_event", period=period.name)
    if len(rest) and row["losses"] - rest["losses"].iloc[0] > 1:
        told = shown.loc[rest.index[0]]
        said[0] += (
            f" Without the largest single event ({plants(row['losses'] - rest['losses'].iloc[0])}) it is "
            f"{told['estimate']} times ({told['interval']})."
        )
    said += _earlier_event(found, shown, period)
    sites = pick(found, "observed_expected", ["site_id"], period.name)
    if len(sites) > 1:
        out = sites[sites["note"].fillna("").str.startswith("stands out")]
        if out.empty:
            said.append(f"None of the {len(sites)} sites stands out from what its plants and chance explain.")
        else:
            named = ", ".join(
                f"{site} ({plants(lost)})" for site, lost in zip(out["site_id"], out["losses"], strict=True)
            )
            said.append(
                f"{len(out)} of the {len(sites)} sites stand out, of which about one in ten by chance: {named}."
            )
    return said


def _verdict(row: pd.Series) -> str:
    if row["low"] > 1:
        return "worse than a quarter like this should be"
    if row["high"] < 1:
        return "better than a quarter like this should be"
    return "no sign that it was worse or better than a quarter like this should be"


def _earlier_event(found: pd.DataFrame, shown: pd.DataFrame, period: Period) -> list[str]:
    """How far one event of the earlier quarters moves the expectation, where it does."""
    with_it = pick(found, "expected_losses", period=period.name)
    without = pick(found, "expected_losses_without_earlier_event", period=period.name)
    ratio = pick(found, "observed_expected_without_earlier_event", period=period.name)
    if without.empty or ratio.empty:
        return []
    moved = with_it["estimate"].iloc[0] / without["estimate"].iloc[0]
    if moved < MOVED_FROM:
        return []
    event = found[found["measure"].eq("earlier_event_share")]
    what = ""
    if len(event):
        row = event.iloc[0]
        what = f" ({plants(row['losses'])} at site {row['site_id']}, {cause_words(row['cause'])}, {row['note']})"
    told, times = shown.loc[without.index[0]], shown.loc[ratio.index[0]]
    return [
        f"One event of the earlier quarters{what} raises what is expected. Without it {told['estimate']} plants "
        f"({told['interval']}) should have been lost; {times['estimate']} times as many were ({times['interval']}): "
        f"{_verdict(ratio.iloc[0])}."
    ]


def by_group(found: pd.DataFrame, by: str, period: Period, small_group: int) -> pd.DataFrame:
    """Groups against what was expected of them, in the order of their names: no ranking.

    Takes:  findings of `as_expected`; by: site_id, client_id, species or technician.
    Gives:  one row per group: its name, Lost, Plants, Lost / expected (95% interval), Drawn to the others (95%
            interval), Remark.
    """
    raw = pick(found, "observed_expected", [by], period.name)
    if raw.empty:
        return pd.DataFrame(columns=[HEADINGS[by], "Lost", "Plants", RATIO, DRAWN, "Remark"])
    raw = raw.sort_values(by)
    drawn = pick(found, "shrunk_ratio", [by], period.name)
    shown = for_display(found, small_group)["result"]
    result = dict(zip(drawn[by], shown[drawn.index], strict=True))
    return without_empty_remark(
        pd.DataFrame(
            {
                HEADINGS[by]: raw[by].to_numpy(),
                "Lost": raw["losses"].to_numpy(),
                "Plants": raw["n_plants"].to_numpy(),
                RATIO: shown[raw.index].to_numpy(),
                DRAWN: [result.get(name, "") for name in raw[by]],
                "Remark": raw["note"].fillna("").to_numpy(),
            }
        )
    )


def funnel_in_words(found: pd.DataFrame, period: Period) -> str:
    """The funnel chart for those who cannot see it."""
    sites = pick(found, "observed_expected", ["site_id"], period.name)
    out = sites[sites["note"].fillna("").str.startswith("stands out")]
    spread = pick(found, "over_dispersion", ["term"])
    spread = spread[spread["term"].eq("between groups by site_id")]
    wide = f" Over-dispersion between sites: {spread['estimate'].iloc[0]:.2f}." if len(spread) else ""
    return (
        f"Funnel of {len(sites)} sites, losses divided by expected losses; {len(out)} stand out"
        f"{': ' + ', '.join(out['site_id']) if len(out) else ''}.{wide}"
    )


def tables(found: pd.DataFrame, period: Period, small_group: int) -> list[tuple[str, pd.DataFrame]]:
    """Captions and tables of all groups that were compared; nothing where there is no model."""
    made = []
    for by, caption in (
        ("site_id", "Sites, against an average site with the same plants"),
        ("species", "Species, against their own past"),
        ("client_id", "Clients, against the past of their own sites"),
        ("technician", "Technicians (pseudonyms), against the past of the sites they look after"),
    ):
        rows = by_group(found, by, period, small_group)
        if len(rows):
            made.append((caption, rows))
    return made
