"""The section `[early_warning]`: how often the weekly charts may give a false alarm, and when a week counts."""

from __future__ import annotations

from pydantic import Field

from plantstats.settings.toml import Section


class WarningSettings(Section):
    """What the owner decides about the weekly charts; `[early_warning]` in records.toml changes any of it."""

    false_alarm_years: float = Field(
        5.0, ge=0.5, le=100, strict=False, description="years between false alarms, of all charts together"
    )
    entry_weeks: int | None = Field(
        None, ge=0, le=26, description="weeks after which a loss found is in the files; without it, as the records show"
    )
