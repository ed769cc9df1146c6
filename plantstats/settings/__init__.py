"""Settings: what a company says about its records in `records.toml`, and what holds where it is silent."""

from plantstats.settings.company import EngineSettings, Settings, read_settings, settings_from
from plantstats.settings.tables import TableSettings, UnitSettings
from plantstats.settings.toml import Section, SettingsError, read_toml, validate
from plantstats.settings.watering import Assumptions

__all__ = [
    "Assumptions",
    "EngineSettings",
    "Section",
    "Settings",
    "SettingsError",
    "TableSettings",
    "UnitSettings",
    "read_settings",
    "read_toml",
    "settings_from",
    "validate",
]
