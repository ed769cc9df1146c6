"""What is put to the test: each kind of interval, alarm and decision in the words of the pages, and its target."""

from __future__ import annotations

from collections.abc import Mapping

# Losses follow the terms of the loss model: no days left dry, no building failure, gamma site effects. Only companies
# put to the watering page have plants left dry (its advice is about them); their loss model is not looked at.
AS_MODELLED = "as modelled"
TARGET = (0.93, 0.97)  # of 95% intervals
NO_TARGET = (-float("inf"), float("inf"))
# What each kind claims, in the words of the page, and the range that its share should lie in.
KINDS: Mapping[str, tuple[str, tuple[float, float]]] = {
    "loss_rate": ("95% intervals of the company's loss rate in a quarter", TARGET),
    "loss_rate_with_event": (
        "95% intervals of the loss rate in the quarter of a building failure, against the risk without it",
        TARGET,
    ),
    "loss_rate_by_site_id": ("95% intervals of the loss rate of a site in a quarter", TARGET),
    "loss_rate_by_species": ("95% intervals of the loss rate of a species in a quarter", TARGET),
    "loss_rate_ratio": ("95% intervals of the ratio to the same quarter last year", TARGET),
    "observed_expected": ("95% intervals of losses divided by expected losses, for the company", TARGET),
    "observed_expected_by_site_id": ("95% intervals of losses divided by expected losses, for a site", TARGET),
    "delivery_ratio": ("95% intervals of a delivery's losses divided by those to be expected", TARGET),
    "ordinary_delivery_flagged": ("ordinary deliveries said to stand out", (0.0, 0.02)),
    "pest_said_to_go_round": ("companies whose pests are not passed on, said to have one going round", (0.0, 0.025)),
    "pest_seen_to_go_round": ("companies whose pests are passed on, said to have one going round", NO_TARGET),
    "pest_neighbours_alone": ("95% intervals of the ratio of neighbours where no pest is passed on", NO_TARGET),
    "run_off_plants": ("95% intervals of the losses still to come of past deliveries", TARGET),
    "shrunk_ratio_by_site_id": (
        "95% intervals of a site's losses divided by expected losses, drawn to the other sites",
        TARGET,
    ),
    "losses_to_come": ("95% intervals of the losses of a quarter that were still to come to light", TARGET),
    "survival_12_months": ("95% intervals of survival at 12 months, by light", TARGET),
    "incidence_12_months": ("95% intervals of the plants lost, or taken by clients, by 12 months", TARGET),
    "effect_on_losses": ("95% intervals of the loss model's rate ratios", TARGET),
    "species_effect": ("95% intervals of the loss model's species effects", TARGET),
    "adjusted_loss_rate": ("95% intervals of adjusted loss rates in named situations", TARGET),
    "leaf_ratio": ("95% intervals of the leaf model's ratios", TARGET),
    "leaf_humidity_ratio": ("95% intervals of the leaf model's humidity ratios", TARGET),
    "dry_half": ("95% intervals of the days until half of the plants are dry", TARGET),
    "dry_80": ("95% intervals of the days until 80 in 100 plants are dry", TARGET),
    "watch_ratio": ("95% intervals of the losses of 90 days divided by those that the watch list expected", TARGET),
    "watch_list_ratio": (
        "95% intervals of the losses among the 20 plants of the watch list divided by those expected",
        TARGET,
    ),
    "watch_fifth_ratio": (
        "95% intervals of the losses among a fifth of the plants of the watch list divided by those expected",
        TARGET,
    ),
    "watch_points_over_score": (
        "of pairs of a plant lost and one kept are told rightly by the watch list beyond those by the last score alone",
        (0.04, 1.0),
    ),
    "quarter_called_worse": ("quiet quarters called worse than expected", (0.0, 0.025)),
    "ordinary_site_flagged": ("ordinary sites said to stand out", (0.0, 0.01)),
    "worse_quarter_seen": ("quarters with 1.5 times the expected losses called worse", NO_TARGET),
    "warning_false_alarm_year": (
        "quiet years in which a weekly chart of losses gave a false alarm, set to one in five years",
        (0.0, 0.2),
    ),
    "warning_doubling_seen": ("doublings of losses that a weekly chart saw within a quarter", NO_TARGET),
    "quote_80_covered_company": (
        "quarters in which the company's losses stayed within the 80% point of a quote of a year ago",
        (0.77, 0.83),
    ),
    "quote_95_covered_company": (
        "quarters in which the company's losses stayed within the 95% point of a quote of a year ago",
        TARGET,
    ),
    "quote_80_covered_site": (
        "site-quarters in which losses stayed within the 80% point of a quote of a year ago",
        (0.77, 0.83),
    ),
    "quote_95_covered_site": (
        "site-quarters in which losses stayed within the 95% point of a quote of a year ago",
        TARGET,
    ),
    "list_80_covered_company": (
        "quarters in which all new sites together stayed within the 80% point of quotes for their plants",
        (0.77, 0.83),
    ),
    "list_95_covered_company": (
        "quarters in which all new sites together stayed within the 95% point of quotes for their plants",
        TARGET,
    ),
    "list_80_covered_site": (
        "quarters in which a new site stayed within the 80% point of the quote for its plants",
        (0.77, 0.83),
    ),
    "list_95_covered_site": (
        "quarters in which a new site stayed within the 95% point of the quote for its plants",
        TARGET,
    ),
    "excluded_80_covered_company": (
        "quarters in which covered losses of all new sites together stayed within the 80% point of quotes that exclude "
        "pests",
        (0.77, 0.83),
    ),
    "excluded_95_covered_company": (
        "quarters in which covered losses of all new sites together stayed within the 95% point of quotes that exclude "
        "pests",
        TARGET,
    ),
    "excluded_80_covered_site": (
        "quarters in which covered losses of a new site stayed within the 80% point of a quote that excludes pests",
        (0.77, 0.83),
    ),
    "excluded_95_covered_site": (
        "quarters in which covered losses of a new site stayed within the 95% point of a quote that excludes pests",
        TARGET,
    ),
    "provision_80_covered": ("provisions whose guarantees cost no more than the 80% point within a year", (0.77, 0.83)),
    "provision_95_covered": ("provisions whose guarantees cost no more than the 95% point within a year", TARGET),
    "rule_of_thumb_covered": (
        "quarters in which the company's losses stayed within the rule of thumb, 10% of the installed cost a year",
        NO_TARGET,
    ),
    "rule_by_light_covered": (
        "quarters in which the company's losses stayed within the rule of thumb by light",
        NO_TARGET,
    ),
    "more_by_rule_of_thumb": (
        "of what the 80% points of the quotes set aside are what the rule of thumb, 10% of the "
        "installed cost a year, sets aside beyond them",
        NO_TARGET,
    ),
    "more_by_rule_by_light": (
        "of what the 80% points of the quotes set aside are what the rule of thumb by light sets aside beyond them",
        NO_TARGET,
    ),
    "cost_of_advice": ("of the best possible cost are what following the interval advice costs more", (-1.0, 0.05)),
    "cost_as_now": ("of the best possible cost are what leaving every interval as it is costs more", NO_TARGET),
    "cost_weekly_everywhere": ("of the best possible cost are what weekly visits everywhere cost more", NO_TARGET),
    "needless_change": ("sites that should stay as they are were told to change", (0.0, 0.10)),
    "dry_days_now": ("days of plants pass with topsoil dry for too long at the present intervals", NO_TARGET),
    "dry_days_advised": ("days of plants would so pass at the advised intervals, with no way out taken", NO_TARGET),
    "dry_days_with_ways_out": ("days of plants would so pass with a short stop at each plant named", NO_TARGET),
    "dry_days_best": ("days of plants would so pass if as many visits as advised were spent best", NO_TARGET),
    "visits_advised": ("of the present visits are asked for beyond them", NO_TARGET),
    "stops_with_ways_out": ("of the present visits are short stops beside the advised ones", NO_TARGET),
    "needed_shorter_told": ("sites that truly need shorter intervals were told so", NO_TARGET),
    "needless_shorter": ("sites that do not need shorter intervals were told to shorten", (0.0, 0.10)),
    "longer_too_dry": ("sites told to lengthen truly leave a plant too dry that is not named", (0.0, 0.10)),
    "longer_clearly_too_dry": (
        "sites told to lengthen truly leave a plant that is not named dry for two days more than the limit, too often",
        (0.0, 0.10),
    ),
    "trial_difference": ("95% intervals of the difference that a trial of two visit intervals read", TARGET),
    "trial_called_alike": ("trials of two intervals that are truly alike read a difference", (0.0, 0.07)),
    "trial_seen": ("trials read the difference that they were planned to see", NO_TARGET),
    "trial_stopped": ("trials whose longer interval adds just what is tolerated were stopped for harm", (0.0, 0.035)),
    "watch_caught": ("losses of 90 days were of the 20 plants of the watch list", NO_TARGET),
    "watch_caught_by_truth": (
        "losses of 90 days would be of 20 plants chosen by their true risks (dead ones first)",
        NO_TARGET,
    ),
    "watch_caught_by_score": (
        "losses of 90 days would be of the 20 plants with the lowest condition scores",
        NO_TARGET,
    ),
}
# Kinds whose estimate lies in percent: its distance from the truth is told in points, not in percent of it.
IN_POINTS = ("survival_12_months", "incidence_12_months")
# Kinds whose estimate may be 0: their sum by company is held against that of the truth, not the mean of logarithms.
BY_MEAN = (
    "loss_rate",
    "loss_rate_with_event",
    "loss_rate_by_site_id",
    "loss_rate_by_species",
    "loss_rate_ratio",
    "observed_expected",
    "observed_expected_by_site_id",
    "watch_ratio",
    "watch_list_ratio",
    "watch_fifth_ratio",
)
