"""What happened in the invented company, as it is written down while the days run."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

VISIT_COLUMNS: tuple[str, ...] = ("day", "plant", "site", "topsoil", "watered", "early", "dry_days", "gap")
VISIT_COLUMNS += ("dropped", "yellow", "leaf_count", "condition", "moved", "repotted", "extra")
RISK_COLUMNS = ("plant", "quarter", "site", "light", "plant_days", "over_dry_days", "expected_losses")


@dataclass
class Log:
    """What happened. `visits`: arrays per day; the rest: one tuple or dict per event."""

    visits: list[tuple[np.ndarray, ...]] = field(default_factory=list)
    site_lines: list[tuple[int, int, str]] = field(default_factory=list)  # day, site, status
    plants: list[dict] = field(default_factory=list)
    moves: list[tuple[int, int, int, str, int, bool]] = field(default_factory=list)
    risk: list[tuple[np.ndarray, ...]] = field(default_factory=list)  # as RISK_COLUMNS
    failure: tuple[int, int] | None = None  # day, site
