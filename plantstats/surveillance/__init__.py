"""Early warning between quarters: losses and leaf drop, week by week of finding, against what was to be expected."""

from plantstats.surveillance.early_warning import early_warning, recent_alarms

__all__ = ["early_warning", "recent_alarms"]
