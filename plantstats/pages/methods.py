"""The page on methods: each model in a paragraph, its formula, source and assumptions, and how often it was right."""

from __future__ import annotations

from dataclasses import dataclass
from textwrap import wrap

import pandas as pd

from plantstats.reporting.charts import Intervals
from plantstats.reporting.specs import Field, Page, Rows, Section, Table
from plantstats.studies import Study
from plantstats.validation import figures, older
from plantstats.validation.figures import as_findings
from plantstats.validation.kinds import AS_MODELLED, KINDS, TARGET

TITLE = "Method"


@dataclass(frozen=True)
class Method:
    """One model as an accountant may read it.

    Attributes
    ----------
    key, title : str
        Anchor, and what it answers.
    text : str
        The idea, and what is assumed.
    formula : str
        In one line, in words and signs.
    source : str
        Where it is published.
    measured : tuple of str
        Kinds of interval in `validation` that tell how often it was right; none where it was not put to the test.
    """

    key: str
    title: str
    text: str
    formula: str
    source: str
    measured: tuple[str, ...] = ()


METHODS = (
    Method(
        "days",
        "How days and losses are counted",
        "A plant is at risk on each whole day after it came under observation, up to and including the day of exit. "
        "Plants older than the records enter when the records begin; a plant of unknown age has age unknown, never 0. "
        "A loss is a plant that died, or fell below what was sold and was replaced for it. Accounts date it by the day "
        "found, so that it stands in one quarter, once; effects of season and age by the middle between last seen "
        "alive and found. Upgrades, rotation, ends of contracts, theft and the client's acts are no losses.",
        "plant-days = sum over plants of (last day under observation - first day)",
        "Breslow and Day 1987, Statistical Methods in Cancer Research II, chapter 2",
    ),
    Method(
        "rates",
        "Loss rates",
        "Losses are counted against the plants' days, so that a plant that stood for a month counts a twelfth of one "
        "that stood for a year. The interval is exact: no loss is not the same as no risk. Groups of few plants keep "
        "their counts; their rate is withheld.",
        "rate per 100 plant-years = losses / plant-days x 36,525",
        "Garwood 1936, Biometrika 28:437; ratio of two rates: limits given the total, Clopper and Pearson 1934",
        ("loss_rate", "loss_rate_by_site_id", "loss_rate_by_species", "loss_rate_ratio"),
    ),
    Method(
        "expected",
        "What a quarter like this should lose",
        "A model of all earlier quarters, never the one judged, by species, light, pot, age, season, air and site, is "
        "applied to this quarter's plant-days. Assumed: effects multiply, and sites differ by a factor that the "
        "records teach. Where the earlier quarters do not hold these months, the page says so and gives no number.",
        "expected = sum of plant-days x exp(terms) x site factor; found / expected with exact limits, widened for "
        "differences between sites",
        "Breslow and Day 1987, chapter 3; Spiegelhalter 2005, Statistics in Medicine 24:1185",
        ("observed_expected", "observed_expected_by_site_id", "quarter_called_worse", "worse_quarter_seen"),
    ),
    Method(
        "to_come",
        "Losses not found yet",
        "A plant that stands may have died since it was last seen alive; a loss found is on record only once its line "
        "is entered (where no day of entry is recorded: once the plant is replaced). The quarter's losses per "
        "plant-day in view, by site, are taken to hold out of sight too. Plants noted dead at their last visit are "
        "counted, not estimated. Not in it: what a visit overlooked, and events that nobody has seen.",
        "to come = losses x plant-days out of sight / plant-days in view, negative binomial; delays in reversed time",
        "Lagakos, Barraj and De Gruttola 1988, Biometrika 75:515; Lawless 1994, Canadian Journal of Statistics 22:15 "
        "(the latter from memory)",
        ("losses_to_come",),
    ),
    Method(
        "places",
        "Places that use up plants",
        "Every plant that stood in a place counts, one after another. What the loss model expects of those very "
        "plants, with their light, age, season and site, is set against what was lost there; a place is named only "
        "where chance would name at most one in ten of those named, and no ratio is given where less than one loss was "
        "expected. The number of plants used up over time allows for some places and sites being worse than others.",
        "mean number by t = sum over days of losses / places followed; P(so many losses or more), negative binomial",
        "Lawless and Nadeau 1995, Technometrics 37:158 (from memory); Benjamini and Hochberg 1995, JRSS B 57:289",
    ),
    Method(
        "groups",
        "Sites, species and technicians that stand out",
        "Of many groups the worst is bad partly by chance. A group is named only where chance would name at most one "
        "in ten of those named; no group is ranked. Technicians stand under pseudonyms.",
        "false discovery rate of 0.1 over all groups; shrunk ratio = (found + a) / (expected + a)",
        "Benjamini and Hochberg 1995; Clayton and Kaldor 1987, Biometrics 43:671",
        ("ordinary_site_flagged", "shrunk_ratio_by_site_id"),
    ),
    Method(
        "deliveries",
        "Plants put in together",
        "The loss model knows kinds, places, ages and seasons, and nothing of deliveries: its rate times the days of "
        "each is what it should have lost, scaled so that all plants together are as expected. Age, quarter and "
        "delivery are told apart by what bends away from straight lines; the lines themselves cannot be told apart. "
        "What is still to come is projected from older deliveries, and held against the provision.",
        "lost / (rate of the model x days of the delivery); to come: each age's growth in older deliveries",
        "Berry 1983, Biometrics 39:173; Holford 1983, Biometrics 39:311; Mack 1993, ASTIN Bulletin 23:213",
        ("delivery_ratio", "ordinary_delivery_flagged", "run_off_plants"),
    ),
    Method(
        "effects",
        "What wears plants down",
        "A Poisson model of losses on plant-days gives the rate of each condition against another, all others alike, "
        "with a random factor for each site. Species with few plants lean on their group. What goes together need not "
        "be cause and effect.",
        "log rate = terms of light, pot, planter, age, season, dry air, repotting, move + species + site",
        "Holford 1980, Biometrics 36:299; Laird and Olivier 1981, JASA 76:231",
        ("effect_on_losses", "species_effect", "adjusted_loss_rate"),
    ),
    Method(
        "survival",
        "How long plants stand",
        "Of 100 plants put in, how many still stand after a year: from plants that were followed at that age, those "
        "that were older when records began included from then on. Not quoted where fewer than ten are followed.",
        "Kaplan-Meier with delayed entry; by cause: Aalen-Johansen",
        "Kaplan and Meier 1958, JASA 53:457; Aalen and Johansen 1978 (both from memory)",
        ("survival_12_months", "incidence_12_months"),
    ),
    Method(
        "watch",
        "Plants to see",
        "The model's chance for each plant in the next 90 days, trusted as far as it came true after earlier lists, "
        "times what its last condition score has meant in these records, times what visits noted beside it: trend of "
        "the scores, dry topsoil, leaves dropped, a pest, days since the last look. Earlier lists are judged by a "
        "model that has not seen what came after them. Records of few losses make little of all this. Events that "
        "take several plants at once are in the number for all plants, as often as they came, and in no plant's "
        "chance. The page says how well the last lists did, beside the score alone.",
        "chance = 1 - exp(-hazard); hazard = (hazard of the model x site factor)^power x factor of the score x "
        "exp(signs)",
        "own; landmarks: van Houwelingen 2007, Scandinavian Journal of Statistics 34:70; power: Copas 1983, JRSS B "
        "45:311; ridge regression: Hoerl and Kennard 1970, Technometrics 12:55 (these from memory); concordance: "
        "DeLong et al. 1988, Biometrics 44:837",
        (
            "watch_ratio",
            "watch_list_ratio",
            "watch_caught",
            "watch_caught_by_score",
            "watch_fifth_ratio",
            "watch_points_over_score",
        ),
    ),
    Method(
        "warning",
        "Early warning between quarters",
        "Losses found in a week are set against what a model of the quarters before, never the weeks judged, expects "
        "of the days since each site's visit before. Evidence for a rise adds up from week to week, and an alarm is "
        "given at a level that chance reaches as seldom as you set, allowing for how well the expectation is known. "
        "Plants lost to one event count once; weeks vary by what these records showed before. Leaf drop is watched "
        "likewise: the sum of a week's counts, which varies more than single leaves would, as plants shed in clusters. "
        "A loss is taken to be found at a visit; weeks whose losses are not all in the files are shown in grey.",
        "evidence = max(0, evidence + log f(count; R x expected) - log f(count; expected)), f negative binomial, R 1.5 "
        "or 2; alarm level by Markov chain",
        "Höhle and Paul 2008, Computational Statistics and Data Analysis 52:4357; Brook and Evans 1972, Biometrika "
        "59:539; Lucas 1985, Technometrics 27:129; single weeks: Farrington et al. 1996, JRSS A 159:547 (the last from "
        "memory)",
        ("warning_false_alarm_year", "warning_doubling_seen"),
    ),
    Method(
        "leaves",
        "Leaves dropped and yellowed",
        "Leaves counted at a visit fell since the last one. Cleaners take leaves too: counts are minima. A word such "
        "as few counts as any number between the ends that the settings give it.",
        "leaves ~ negative binomial(plant-days x exp(terms)); errors by leaving out each site in turn",
        "Lawless 1987, Canadian Journal of Statistics 15:209 (from memory)",
        ("leaf_ratio", "leaf_humidity_ratio"),
    ),
    Method(
        "pests",
        "Pests",
        "A plant counts as looked at where a visit notes a pest or that there was none; mites, mealybug and scale "
        "stand apart. First findings are counted over the days between looks. Whether a pest goes round: plants of "
        "sites where it was found in the last eight weeks against those of other sites in the same weeks, held against "
        "what comes out when dates are exchanged among findings, which sites that differ for good would show too. "
        "Plants of a site may also have come with one delivery. No product, rate or time of re-entry is advised.",
        "ratio = sum of found x others' plants / all, over its counterpart, in pest and week; 199 exchanges of dates",
        "Greenland and Robins 1985, Biometrics 41:55; Mantel 1967, Cancer Research 27:209 (both from memory)",
        ("pest_said_to_go_round", "pest_seen_to_go_round"),
    ),
    Method(
        "drying",
        "How fast the topsoil dries, and how often to come",
        "A plant became dry between the last visit that found it moist and the first that found it dry. All such "
        "intervals together give the time to dryness, with readings allowed to be wrong now and then. The finger in "
        "the pot decides; only how often changes, never how much water at once. Each plant is taken by its own "
        "dry-downs as far as they tell, else by its kind. Soil that has just dried is often taken for moist: a plant "
        "may then stand dry a little longer than foretold.",
        "time to dryness ~ Weibull or log-logistic, interval-censored; scale by species, light, pot, planter, season, "
        "times a log-normal factor of each plant",
        "Turnbull 1976, JRSS B 38:290; Lindsey and Ryan 1998, Statistics in Medicine 17:219; Morris 1983, JASA 78:47 "
        "(the last two from memory)",
        ("dry_half", "dry_80", "cost_of_advice", "needless_change", "longer_too_dry"),
    ),
    Method(
        "guarantee",
        "What the guarantee costs",
        "Each plant's chance of being lost to a covered cause, month by month; a replacement begins anew. The whole "
        "distribution is worked out, over what is not known about the site and the rates, so that the price can state "
        "how often it suffices. A management estimate: not legal, accounting or insurance advice.",
        "expected number by recursion over ages; distribution by convolution over plants",
        "Feller 1968, An Introduction to Probability Theory, XIII; Klugman, Panjer and Willmot 2012 (from memory)",
        (
            "list_80_covered_company",
            "list_95_covered_company",
            "list_80_covered_site",
            "list_95_covered_site",
            "provision_80_covered",
            "provision_95_covered",
            "rule_of_thumb_covered",
            "rule_by_light_covered",
            "excluded_80_covered_company",
            "excluded_95_covered_company",
        ),
    ),
    Method(
        "accounts",
        "What an account leaves",
        "Fee less visits, travel and replacements over four quarters, from what the records hold. The interval carries "
        "the chance in the replacements. A management figure, not accounting advice.",
        "left = fee - minutes x wage - visits x cost of a visit - replacements",
        "Fay and Feuer 1997, Statistics in Medicine 16:791",
    ),
)
# Which sections each page of the pack leads to.
SECTIONS: dict[str, tuple[str, ...]] = {
    "index": ("days", "rates", "expected"),
    "losses": ("days", "rates", "expected", "to_come", "places", "groups", "deliveries"),
    "accounts": ("accounts", "guarantee", "deliveries"),
    "visits": ("drying",),
    "watch": ("watch", "pests"),
    "wears": ("effects", "survival", "leaves", "pests"),
    "records": ("days",),
}
# Pages of commands of their own, which say it themselves.
BESIDE: dict[str, tuple[str, ...]] = {"early_warning": ("warning",)}
SECOND, OTHERWISE_MADE = "second generator", "made in another way than our models take them"
FEWEST_COMPANIES = 5  # fewer may be alike by chance, and limits between them of no width
LABEL = 34  # letters of a line beside the chart
GLOSSARY = (
    "Lost: died, or fell below what was sold and was replaced for it.",
    "Plant-days: whole days that plants stood under our care, added up.",
    "Expected: what the same plants, places and season would lose by the experience of the quarters before.",
    "Could be: 95 in 100 such intervals hold the true value.",
    "Too dry: topsoil dry for longer than the plant's kind stands, by the days in your settings.",
    "Guarantee, provision: what we promise to replace, and what the running promises should still cost.",
    "Left: what remains of an account's fee after visits, travel and replacements.",
    "Withheld: a number of fewer plants than your settings allow to be shown.",
)
CAUTIONS = (
    "Rates are found in logs, not in a trial: what goes together need not be cause and effect.",
    "Sap and leaf dust can irritate; lifting, ladders, wet floors and water near power need the usual caution. For "
    "pesticides the label, local codes and a licensed person decide.",
    "Costs, quotes and provisions are management estimates, not legal, accounting or insurance advice.",
)


def page(study: Study) -> Page:
    """The page on methods.

    Parameters
    ----------
    study : Study
        Any; the page is the same but for its head.

    Returns
    -------
    Page
    """
    # A proof of another program proves nothing of this one: said once, and none of its figures shown.
    reason = older()
    proof = figures().head(0 if reason else None)
    results = as_findings(proof)
    whole = proof[proof["of"].eq("all")]
    tested = whole[whole["situation"].eq(AS_MODELLED)].set_index("kind")
    sections = [_not_quoted(reason) if reason else _coverage(results, tested, whole)]
    for m in METHODS:
        measured = [*_promises(tested, m.measured), *_failures_elsewhere(whole, m.measured)]
        sections.append(Section(m.key, m.title, m.formula, sentences=[f"{m.text} Source: {m.source}.", *measured]))
    sections += [
        Section("glossary", "Eight words.", sentences=GLOSSARY),
        Section("cautions", "Cautions.", sentences=CAUTIONS),
    ]
    verdict = "How the numbers are made, what they assume, and how often they were right where the truth is known."
    return Page(TITLE, verdict, sections, results, study.small_group)


def links_of(page: str) -> dict[str, str]:
    """Addresses of the sections of the method page that say how a page's numbers are worked out.

    Parameters
    ----------
    page : str
        Name of its notebook.

    Returns
    -------
    dict of str to str
        Address to title.

    Examples
    --------
    >>> links_of("watch")
    {'methods.html#watch': 'Plants to see', 'methods.html#pests': 'Pests'}
    """
    titles = {method.key: method.title for method in METHODS}
    return {f"methods.html#{key}": titles[key] for key in SECTIONS[page]}


def _promises(tested: pd.DataFrame, kinds: tuple[str, ...]) -> list[str]:
    """One paragraph: of each promise how often it held where the truth is known, and whether that is what it says."""
    shares = [
        f"{KINDS[kind][0]}: {100 * row['share']:.0f} ({100 * row['low']:.0f} to {100 * row['high']:.0f}), "
        f"{row['verdict']}"
        for kind, row in tested.reindex([k for k in kinds if k in tested.index]).iterrows()
    ]
    return [f"Put to the test, in 100 cases. {'; '.join(shares)}."] if shares else []


def _of_other_companies(whole: pd.DataFrame) -> pd.DataFrame:
    return whole[whole["situation"].ne(AS_MODELLED) & whole["companies"].ge(FEWEST_COMPANIES)]


def _failures(rows: pd.DataFrame) -> pd.DataFrame:
    """Those not kept: an interval too wide, or a false alarm more seldom than allowed, harms nobody."""
    alarm = rows["target_low"].le(0)
    return rows[rows["verdict"].eq("not held: too often").where(alarm, rows["verdict"].eq("not held: too seldom"))]


def _failures_elsewhere(whole: pd.DataFrame, kinds: tuple[str, ...]) -> list[str]:
    """One paragraph on promises not kept where companies are otherwise than the model takes them."""
    rows = _failures(_of_other_companies(whole[whole["kind"].isin(kinds)]))
    texts = []
    for kind in [k for k in kinds if k in set(rows["kind"])]:
        shares = [
            f"{100 * row.share:.0f} ({100 * row.low:.0f} to {100 * row.high:.0f}; {row.companies:.0f} companies: "
            f"{row.situation.replace(SECOND, OTHERWISE_MADE)})"
            for row in rows[rows["kind"].eq(kind)].itertuples()
        ]
        texts.append(f"{KINDS[kind][0]}: {', '.join(shares)}")
    return [f"Not held, in 100 cases, where companies are otherwise: {'; '.join(texts)}."] if texts else []


def _not_quoted(reason: str) -> Section:
    return Section("proof", "How often the printed intervals held: not quoted.", sentences=[reason])


def _coverage(results: pd.DataFrame, tested: pd.DataFrame, whole: pd.DataFrame) -> Section:
    """Every promise held against companies whose truth is known, where they behave as the models say."""
    own = {f"{kind} ({AS_MODELLED})" for kind in tested.index if KINDS[kind][0].startswith("95% intervals")}
    rows = Rows("coverage_share", ["term"], where=lambda f: f["term"].isin(own), most=len(own) or 1)
    every = Rows("coverage_share", ["term"], order="term", descending=False, most=500)
    columns: dict[str, Field | str] = {
        "What was put to the test": Field("term", words=lambda t: t.replace("_", " ")),
        "In 100 cases": "estimate",
        "could be": "interval",
        "Rests on": "note",
    }

    def name(row: pd.Series) -> str:
        text = KINDS[row["term"].removesuffix(f" ({AS_MODELLED})")][0].removeprefix("95% intervals of ")
        return "\n".join(wrap(text, LABEL))

    broken = len(_failures(tested))
    # Those that the sections below name.
    quoted = whole[whole["kind"].isin([kind for method in METHODS for kind in method.measured])]
    elsewhere = len(set(_failures(_of_other_companies(quoted))["kind"]) - set(_failures(tested).index))
    message = (
        f"Where companies are as the models take them, {broken or 'none'} of {len(tested)} promises held less often "
        f"than said; where they are otherwise, {elsewhere or 'none'} more did not hold."
    )
    shown = (
        f"Invented companies whose truth is known; printed 95% intervals in 100 that held it. "
        f"Aim: {100 * TARGET[0]:.0f} to {100 * TARGET[1]:.0f}."
    )
    chart = Intervals(rows, name, "intervals in 100 that held the truth", 95, left=None)
    table = Table("Promises put to the test", every, columns)
    return Section("proof", message, shown, chart=chart, table=table, appendix=True)
