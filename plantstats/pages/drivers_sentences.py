"""Findings of the loss-drivers page in, plain sentences out."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats.findings import for_display, pick
from plantstats.losses.drivers import Drivers
from plantstats.pages.sentences import plants

MOST_EFFECTS = 3
EFFECTS_CAPTION = (
    "Loss rate of each level divided by that of the level named after it, all other terms alike, with 95% intervals; "
    "in the label: losses and plants. An arrow: no end within the chart, as of a level that lost none. Associations, "
    "not causes."
)
SITUATIONS_CAPTION = (
    "Losses per 100 plant-years in named situations at an average site, by the loss model, with 95% intervals."
)
EXPECTED_CAPTION = (
    "Losses of the quarter divided by those that earlier quarters lead to expect of the same plants, with 95% "
    "intervals widened for over-dispersion and the model's own uncertainty; in the label: losses and plants. Not a "
    "ranking: of many groups some lie high by chance, and will come back by themselves."
)
CURVES_CAPTION = (
    "Share of plants neither dead nor below specification by days since install, by light, with 95% intervals; drawn "
    "faint from where fewer than ten plants are at risk. In the label: losses and plants."
)
CALIBRATION_CAPTION = (
    "Losses found within 90 days divided by those the list expected, over the last four quarters, by fifth of plants "
    "from lowest to highest chance, with exact 95% limits; 1 is as expected."
)


def driver_headlines(drivers: Drivers, small_group: int) -> list[str]:
    """What an owner reads first about what drives losses.

    Takes:  drivers; small_group (see `findings.for_display`).
    Gives:  sentences: the clearest effects, season and humidity, the watch list;
            and what the records do not carry.
    """
    found = drivers.findings
    shown = for_display(found, small_group)
    said = [_effects(found, shown)]
    said += [_species(found, shown), _apart(found, shown), _watch(found, shown), *drivers.refusals]
    return [sentence for sentence in said if sentence]


def _row(table: pd.DataFrame, measure: str, by: tuple[str, ...] = (), period: str | None = None) -> pd.Series | None:
    rows = pick(table, measure, by, period)
    return None if rows.empty else rows.iloc[0]


def _effects(found: pd.DataFrame, shown: pd.DataFrame) -> str:
    rows = pick(found, "effect_on_losses", ["term"])
    clear = rows[(rows["low"] > 1) | (rows["high"] < 1)]
    clear = clear[clear["estimate"].notna() & ~clear["term"].str.contains("unknown|not read")]
    if rows.empty:
        return ""
    if clear.empty:
        return f"None of the {len(rows)} effects looked at stands clear of chance in these records."
    # Nearest end of the interval from 1, as a ratio: the clearest, not the largest.
    near = np.log(clear["low"]).where(clear["low"] > 1, -np.log(clear["high"]))
    order = near.sort_values(ascending=False).index[:MOST_EFFECTS]
    said = "; ".join(
        f"{words(found.loc[n, 'term'])}, {shown.loc[n, 'estimate']} times "
        f"({'' if place else '95% interval '}{shown.loc[n, 'interval']})"
        for place, n in enumerate(order)
    )
    return f"Clearest of {len(rows)} effects, all else alike: {said}. Of many, some are clear by chance."


# How a level of each term is said; "against" and the other level follow.
SHAPES = {
    "light": "{} light",
    "pot": "pot {}",
    "planter": "{} planter",
    "age_band": "{} since install",
    "repotted": "{} after repotting",
    "moved": "{} after a move",
    "season": "{}",
    "dry_air": "dry air, {}",
    "humidity": "humidity, {}",
}


def words(term: str) -> str:
    """A term in plain words: "light: low (against medium)" becomes "low light against medium"."""
    head, _, rest = term.partition(": ")
    level, against, other = rest.partition(" (against ")
    shape = "install date {}" if (head, level) == ("age_band", "unknown") else SHAPES.get(head, head + " {}")
    said = shape.format(level.replace("_", " "))
    return said + (f" against {other.removesuffix(')').replace('_', ' ')}" if against else "")


def _species(found: pd.DataFrame, shown: pd.DataFrame) -> str:
    rows = pick(found, "species_effect", ["species"])
    high = rows[rows["low"] > 1].sort_values("low", ascending=False)
    never = rows[rows["losses"].eq(0)]
    said = []
    if not high.empty:
        top = high.iloc[0]
        told = shown.loc[top.name]
        said.append(
            f"{top['species']} is lost {told['estimate']} times as fast as the average plant under like conditions "
            f"({told['interval']}; {top['losses']} losses)."
        )
    if not never.empty:
        few = never.iloc[:3]
        limits = shown.loc[few.index, "interval"].str.removeprefix("up to ")
        names = ", ".join(
            f"{name} ({plants(n)}{f'; at most {limit} times the average' if limit else ''})"
            for name, n, limit in zip(few["species"], few["n_plants"], limits, strict=True)
        )
        names += f" and {len(never) - len(few)} more species" if len(never) > len(few) else ""
        said.append(f"None lost yet of {names}: no loss is not the same as no risk.")
    return " ".join(said)


def _apart(found: pd.DataFrame, shown: pd.DataFrame) -> str:
    check = found[found["measure"].eq("humidity_vif")]
    if check.empty:
        return ""
    why_not = str(check["note"].fillna("").iloc[0])
    rows = pick(found, "effect_on_losses", ["term"])
    terms = rows["term"].fillna("")
    dry, year = rows[terms.str.startswith("humidity: each")], rows[terms.str.startswith("season: January")]
    if not why_not:
        return (
            f"Season and humidity can be told apart: {_one(shown, 'sites_with_contrast')}% "
            f"{_one(shown, 'sites_with_contrast', 'note')} differ enough in their air, and knowing the season widens "
            f"the variance of the humidity effect {_one(shown, 'humidity_vif')} times "
            f"({_one(shown, 'humidity_vif', 'losses')} losses). {_told(shown, pd.concat([dry, year]))}."
        )
    if not terms.str.endswith(", season left out").any():
        return f"Of humidity nothing can be said: {why_not}."
    return (
        "Season and humidity move together in these records and cannot be told apart; each alone stands for both. "
        f"{_told(shown, pd.concat([year, dry]))}. These are two readings of one fact, not two findings."
    )


def _told(shown: pd.DataFrame, rows: pd.DataFrame) -> str:
    said = "; ".join(
        f"{words(term)}: {shown.loc[n, 'estimate']} times the losses ({shown.loc[n, 'interval']})"
        for n, term in rows["term"].items()
    )
    return said[:1].upper() + said[1:]


def _one(shown: pd.DataFrame, measure: str, column: str = "estimate") -> str:
    rows = shown[shown["measure"].eq(measure)]
    return "" if rows.empty else str(rows[column].iloc[0])


def _watch(found: pd.DataFrame, shown: pd.DataFrame) -> str:
    tested = pick(found, "watch_concordance")
    fifths = pick(found, "watch_calibration", ["term"])
    if tested.empty or fifths.empty:
        return ""
    over = tested[tested["period"].str.contains(" to ")]
    row = (over if len(over) else tested).iloc[0]
    top, total = fifths[fifths["term"].eq("fifth 5 of 5")]["losses"].sum(), fifths["losses"].sum()
    told = shown.loc[row.name]
    return (
        f"The watch list, tested on {row['period']} with what was known beforehand, put the lost plant first in "
        f"{told['estimate']} of 100 pairs of a lost and a kept one ({told['interval'] or 'no interval'}); the fifth of "
        f"plants at highest risk held {top} of the {total} losses. {_calibrated(found, shown, str(row['period']))}"
    )


def _calibrated(found: pd.DataFrame, shown: pd.DataFrame, period: str) -> str:
    ratio = _row(found, "watch_calibration", period=period)
    if ratio is None or pd.isna(ratio["estimate"]):
        return ""
    told = shown.loc[ratio.name]
    verdict = (
        "more were lost than it expected"
        if ratio["low"] > 1
        else "fewer were lost than it expected"
        if ratio["high"] < 1
        else "its numbers held within chance"
    )
    return f"In all, {told['estimate']} times as many were found lost as it expected ({told['interval']}): {verdict}."


def effects_in_words(found: pd.DataFrame, small_group: int) -> str:
    """The chart of effects for those who cannot see it."""
    rows = pick(for_display(found, small_group), "effect_on_losses", ["term"])
    said = "; ".join(f"{words(r.term)}: {r.result}" for r in rows.itertuples())
    return f"Rate ratios. {said or 'Not available'}."


def situations_in_words(found: pd.DataFrame) -> str:
    """The chart of named situations for those who cannot see it."""
    rows = for_display(found[found["measure"].eq("adjusted_loss_rate")], 0)
    said = "; ".join(f"{r.term}: {r.result}" for r in rows.itertuples())
    return f"Losses per 100 plant-years. {said or 'Not available'}."


def calibration_in_words(found: pd.DataFrame) -> str:
    """The chart of the back-test for those who cannot see it."""
    rows = pick(for_display(found, 0), "watch_calibration", ["term"])
    said = "; ".join(f"{r.term}: {r.result}, {r.losses} lost, {r.note}" for r in rows.itertuples())
    return f"Found over expected losses by fifth of chance. {said or 'Not available'}."


def curves_in_words(found: pd.DataFrame, small_group: int) -> str:
    """The survival chart for those who cannot see it."""
    rows = by_age(pick(for_display(found, small_group), "survival", ["light", "age_days"]), "light")
    said = "; ".join(f"{r.light} light, day {r.age_days}: {r.result}" for r in rows.itertuples())
    return f"Percent of plants not lost by age. {said or 'Not available'}."


def by_age(rows: pd.DataFrame, group: str) -> pd.DataFrame:
    """Rows by group, then by age in days: as a number, though findings hold it as text."""
    days = rows["age_days"].astype("int64")
    return rows.assign(days=days).sort_values([group, "days"], kind="stable").drop(columns="days")
