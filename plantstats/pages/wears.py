"""The page on what wears plants down: the clear effects in words, how long plants stand, and what makes leaves fall."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats.findings import pick
from plantstats.pages import methods, pests
from plantstats.reporting.charts import Intervals, Pairs, Squares, large_enough
from plantstats.reporting.specs import Field, Page, Rows, Section, Table, result_text
from plantstats.studies import REFUSALS, Study, join, of_all_clients

TITLE = "What wears plants down"
MOST_EFFECTS = 5
YEAR = "365"
# How a level of each term is said.
SHAPES = {
    "light": "{} light",
    "pot": "pots of {}",
    "planter": "{} planters",
    "age_band": "{} in place",
    "repotted": "{} after repotting",
    "moved": "{} after a move",
    "season": "{}",
    "humidity": "air, {}",
}
# Levels whose name alone says too little.
LEVELS = {
    ("repotted", "never"): "never repotted",
    ("repotted", "later"): "more than 90 days after repotting",
    ("moved", "never"): "never moved",
    ("moved", "later"): "more than 90 days after a move",
    ("age_band", "unknown"): "time in place unknown",
    ("light", "unknown"): "light unknown",
}
CAUTION = "What goes together need not be cause and effect; of many effects some are clear by chance."


def page(study: Study) -> Page:
    """The page on what wears plants down.

    Parameters
    ----------
    study : Study
        One quarter of a company.

    Returns
    -------
    Page
    """
    drivers = study.drivers()
    parts, notes = [drivers.findings], [*drivers.refusals]
    try:
        leaves, leaf_notes = study.leaf_loss()[:2]
        parts.append(leaves)
    except REFUSALS as fault:
        leaf_notes = (f"Leaves cannot be told: {fault}.",)
    parts.append(of_all_clients(study, study.pests))
    results = join(*parts)
    terms = study.effect_terms()
    sections = [
        _effects(study, results, terms),
        _species(study, results),
        _survival(study, results),
        _leaves(study, results),
        _leaf_effects(results),
        *pests.sections(study, results),
        _notes([*notes, *drivers.notes[-1:], *leaf_notes]),
    ]
    return Page(
        TITLE,
        _verdict(results, terms, notes),
        [s for s in sections if s],
        results,
        study.small_group,
        methods=methods.links_of("wears"),
    )


def say(terms: pd.DataFrame, label: str) -> str:
    """A comparison of the loss model in plain words: "low light against medium light".

    Parameters
    ----------
    terms : pandas.DataFrame
        As `Study.effect_terms` gives them.
    label : str
        Of the comparison, as findings name it.

    Returns
    -------
    str
    """
    rows = terms[terms["label"].eq(label)]
    if rows.empty:
        return label
    row = rows.iloc[0]
    of, against = (_level(row["name"], str(row[c])) for c in ("level", "reference"))
    return f"{of} against {against}" if row["reference"] else of


def _level(term: str, level: str) -> str:
    """A level of a term in words."""
    if (term, level) in LEVELS:
        return LEVELS[term, level]
    return SHAPES.get(term, term + " {}").format(level.replace("_", " "))


def _clear(results: pd.DataFrame) -> pd.DataFrame:
    """Effects whose interval leaves out 1, the clearest first: nearest end from 1, as a ratio."""
    rows = pick(results, "effect_on_losses", ["term"])
    rows = rows[rows["estimate"].notna() & ((rows["low"] > 1) | (rows["high"] < 1))]
    rows = rows[~rows["term"].str.contains("unknown|not read")]
    near = np.log(rows["low"]).where(rows["low"] > 1, -np.log(rows["high"]))
    return rows.loc[near.sort_values(ascending=False).index]


def _verdict(results: pd.DataFrame, terms: pd.DataFrame, notes: list[str]) -> str:
    clear = _clear(results)
    if clear.empty:
        return notes[0] if notes else "No condition stands clear of chance in these records."
    first = clear.iloc[0]
    return f"Clearest: {say(terms, first['term'])}, {first['estimate']:.1f} times the losses."


def _effects(study: Study, results: pd.DataFrame, terms: pd.DataFrame) -> Section | None:
    of = len(pick(results, "effect_on_losses", ["term"]))
    if not of:
        return None
    named = set(_clear(results)["term"].head(MOST_EFFECTS))
    rows = Rows("effect_on_losses", ["term"], where=lambda f: f["term"].isin(named), most=MOST_EFFECTS)
    chart = Intervals(
        rows,
        lambda row: say(terms, row["term"]).replace(" against ", "\nagainst "),
        "times the losses (95% limits)",
        1,
        log=True,
    )
    columns: dict[str, Field | str] = {
        "Compared": Field("term", words=lambda label: say(terms, label)),
        "Times the losses": "estimate",
        "could be": "interval",
        "Lost": "losses",
        "Plants": "n_plants",
    }
    message = (
        f"{len(_clear(results))} of {of} conditions stand clear of chance."
        if named
        else f"None of {of} conditions stands clear of chance."
    )
    table = Table("All conditions, all others alike", Rows("effect_on_losses", ["term"], most=8), columns)
    return Section(
        "effects",
        message,
        "Losses under one condition against another, all others alike, at an average site.",
        chart if named else None,
        table,
        note=CAUTION,
    )


def _species(study: Study, results: pd.DataFrame) -> Section | None:
    """Species at two places each, as the model tells them: the hard and the easy one on a line."""
    rows = large_enough(pick(results, "adjusted_loss_rate", ["term", "species"]), study.small_group)
    if rows.empty:
        return None
    rows = rows.assign(place=[t.removeprefix(f"{s}, ") for t, s in zip(rows["term"], rows["species"], strict=True)])
    hard, *others = rows.groupby("place")["estimate"].mean().sort_values(ascending=False).index
    if not others:
        return None
    by_place = {place: part.set_index("species") for place, part in rows.groupby("place")}
    first, second = by_place[hard], by_place[others[-1]]
    values = pd.DataFrame(
        {
            f"{name}{suffix}": part[column]
            for name, part in (("first", first), ("second", second))
            for suffix, column in (("", "estimate"), ("_low", "low"), ("_high", "high"))
        }
    ).dropna(subset=["first", "second"])
    if values.empty:
        return None
    values = values.sort_values("first", ascending=False)
    values = values.assign(label=[study.name_of("species", species).name for species in values.index])
    worst = values.iloc[0]
    chart = Pairs(values, (hard, others[-1]), "lost per 100 plants a year; thin: 95% limits")
    return Section(
        "places",
        f"{worst['label']}: {worst['first']:.0f} of 100 lost a year in a hard place, {worst['second']:.0f} in an easy.",
        "Usual kinds in a hard place and an easy one, at an average site.",
        chart,
    )


def _survival(study: Study, results: pd.DataFrame) -> Section | None:
    rows = Rows(
        "survival",
        ["light", "age_days"],
        where=lambda f: f["age_days"].eq(YEAR) & f["light"].ne("unknown") & f["estimate"].notna(),
        most=4,
    )
    chosen = rows.select(results)
    if chosen.empty:
        return None
    worst = chosen.iloc[-1]
    message = f"Of 100 plants put in {worst['light']} light, {worst['estimate']:.0f} stand after a year."
    columns: dict[str, Field | str] = {
        "Light": "light",
        "Of 100 stand after a year": "estimate",
        "could be": "interval",
        "Lost": "losses",
        "Plants": "n_plants",
    }
    return Section(
        "survival",
        message,
        "Neither dead nor below what was sold.",
        Squares(rows, lambda row: f"{row['light']} light"),
        Table("Plants that stand after a year", rows, columns),
    )


def _leaves(study: Study, results: pd.DataFrame) -> Section | None:
    whole = result_text(results, 0, "green_leaves")
    if whole.empty:
        return None
    rows = Rows("green_leaves", ["species"], most=8)
    columns: dict[str, Field | str] = {
        "Plant": Field("species", words=lambda species: study.name_of("species", species)),
        "Green leaves dropped a month": "estimate",
        "could be": "interval",
        "Plants": "n_plants",
    }
    message = (
        f"A plant dropped {whole['raw_estimate']:.1f} green leaves a month "
        f"(could be {whole['raw_low']:.1f} to {whole['raw_high']:.1f})."
    )
    return Section(
        "leaves",
        message,
        "Cleaners take leaves too, so counts are minima.",
        table=Table("Leaves dropped, most first", rows, columns),
    )


def _leaf_effects(results: pd.DataFrame) -> Section | None:
    clear = pick(results, "green_leaf_ratio", ["term"])
    clear = clear[(clear["low"] > 1) | (clear["high"] < 1)]
    if clear.empty:
        return None
    named = set(clear["term"])
    rows = Rows("green_leaf_ratio", ["term"], where=lambda f: f["term"].isin(named), most=MOST_EFFECTS + 1)
    first = rows.select(results).iloc[0]
    chart = Intervals(
        rows,
        lambda row: _of_leaves(row["term"]).replace(", against", "\nagainst"),
        "times the leaves dropped (95% limits)",
        1,
        log=True,
    )
    return Section(
        "leaf-drop",
        f"Leaves fall most {_of_leaves(first['term'])}: {first['estimate']:.1f} times.",
        "All else alike.",
        chart,
        note=CAUTION,
    )


def _of_leaves(term: str) -> str:
    """A comparison of the leaf model in words: "days 31-60 after installation, against later"."""
    since, _, rest = term.removeprefix("since ").partition(": ")
    level, _, reference = rest.partition(" instead of ")
    if not term.startswith("since ") or not reference:
        return term.replace(" instead of ", ", against ")
    return f"{level} after {since}, against {reference}"


def _notes(lines: list[str]) -> Section | None:
    return Section("notes", "What these numbers cannot tell.", sentences=lines) if lines else None
