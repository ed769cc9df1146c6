"""What trials said, on the page on visits: evidence beside the advice, which it does not change."""

from __future__ import annotations

from plantstats.pages import words
from plantstats.pages.trial_words import amount_of
from plantstats.reporting.specs import Section
from plantstats.trials.evidence import Evidence
from plantstats.trials.outcomes import DRY
from plantstats.trials.reading import AS_GOOD, WORSE

SHOWN = "Drawn by lot: cause and effect, unlike the rest of this page. The advice itself is not changed by it."


def section(trials: list[Evidence]) -> Section | None:
    """The section on trials.

    Parameters
    ----------
    trials : list of Evidence
        The latest first.

    Returns
    -------
    Section or None
        None without a trial.
    """
    if not trials:
        return None
    last = trials[0]
    message = {
        AS_GOOD: f"By trial, every {last.longer} days did as well as every {last.shorter}.",
        WORSE: f"By trial, every {last.longer} days did worse than every {last.shorter}.",
    }.get(last.verdict, f"A trial of every {last.longer} days against every {last.shorter} left it open.")
    return Section("trials", message, SHOWN, sentences=[_sentence(trial) for trial in trials])


def _sentence(trial: Evidence) -> str:
    places = 0 if trial.outcome == DRY else 1
    estimate, low, high = (f"{limit:+.{places}f}".replace("-", "\u2212") for limit in trial.difference)
    limit = amount_of(trial.outcome, trial.margin)
    means = {AS_GOOD: f"no more than the {limit} that you tolerate", WORSE: f"more than the {limit} that you tolerate"}
    text = (
        f"Every {trial.longer} days instead of every {trial.shorter} at {words.count_of(trial.sites, 'site')}, until "
        f"{trial.last_day}: {estimate} ({low} to {high}) {amount_of(trial.outcome, 0).split(' ', 1)[1]}; "
        f"{means.get(trial.verdict, f'open whether that is more than the {limit} that you tolerate')}."
    )
    if trial.cost is None:
        return text
    amounts = [words.money(trial.currency, amount) for amount in trial.cost]
    return f"{text} Cost of care: {amounts[0]} a quarter ({amounts[1]} to {amounts[2]}; below 0: it saves)."
