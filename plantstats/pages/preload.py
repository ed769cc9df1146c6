"""What the processes of a review import, once for all of them: `reporting.forks` forks them from one that holds it."""

# Results are computed first; what draws and shows pages is imported while they are.
FIRST = (
    "plantstats.studies",
    "plantstats.losses.drivers",
    "plantstats.losses.watch_findings",
    "plantstats.leaves",
    "plantstats.watering.review",
    "plantstats.exposure.prepared",
    "plantstats.guarantee.accounts",
    "plantstats.guarantee.roll_forward",
    "plantstats.quality.completeness",
)
PAGES = ("brief", "losses", "accounts", "visits", "watch", "wears", "records", "methods")
LATER = (*(f"plantstats.pages.{name}" for name in PAGES), "plantstats.reporting.pdf")
