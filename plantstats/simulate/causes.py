"""Raw codes of the invented company's replacement log, and which cause a loss is put down to."""

from __future__ import annotations

import numpy as np

# raw code, canonical cause, outcome. "TIRED": alive, below what was sold.
CODES: tuple[tuple[str, str, str], ...] = (
    ("DEAD DRY", "water_deficit", "died"),
    ("TIRED DRY", "water_deficit", "declined"),
    ("DEAD WET", "water_excess", "died"),
    ("TIRED WET", "water_excess", "declined"),
    ("DEAD DARK", "light", "died"),
    ("TIRED DARK", "light", "declined"),
    ("DEAD MITES", "pest", "died"),
    ("TIRED MITES", "pest", "declined"),
    ("DEAD ROT", "disease", "died"),
    ("TIRED SPOTS", "disease", "declined"),
    ("DEAD BROKEN", "mechanical", "died"),
    ("TIRED BROKEN", "mechanical", "declined"),
    ("DEAD COLD", "temperature", "died"),
    ("TIRED COLD", "temperature", "declined"),
    ("DEAD NEW", "acclimatisation", "died"),
    ("TIRED NEW", "acclimatisation", "declined"),
    ("DEAD STOCK", "stock_quality", "died"),
    ("TIRED STOCK", "stock_quality", "declined"),
    ("DEAD OLD", "age", "died"),
    ("TIRED OLD", "age", "declined"),
    ("DEAD", "died", "died"),
    ("TIRED", "decline", "declined"),
    ("DEAD UNSURE", "unknown", "died"),
    ("TIRED UNSURE", "unknown", "declined"),
    ("BOILER", "building_failure", "died"),
    ("STOLEN", "theft", "client"),
    ("CLIENT", "client_action", "client"),
    ("UPGRADE", "upgrade", "withdrawn"),
    ("TOO BIG", "outgrown", "withdrawn"),
    ("ROTATION", "rotation", "withdrawn"),
    ("TAKEN OUT", "removed", "withdrawn"),
    ("LEASE END", "lease_end", "withdrawn"),
)
CODE_OF = {(cause, outcome): code for code, cause, outcome in CODES}
OUTCOME_OF = {code: outcome for code, _, outcome in CODES}
CAUSE_OF = {code: cause for code, cause, _ in CODES}
LOSS_CAUSES = (
    "water_deficit",
    "water_excess",
    "light",
    "pest",
    "disease",
    "mechanical",
    "temperature",
    "acclimatisation",
    "stock_quality",
    "age",
    "unspecified",
    "unknown",
)


def loss_cause(
    draw: float,
    *,
    age_days: int,
    over_dry: float,
    early: bool,
    low_light: bool,
    dry_air: float,
    heated: bool,
    moved: bool,
) -> str:
    """Cause that the technician puts down, by the circumstances.

    Parameters
    ----------
    draw : float
        Uniform in [0, 1).
    age_days : int
        Days since planting.
    over_dry : float
        Days of the last drying spent dry.
    early : bool
        Watered before it was dry the last time.
    low_light : bool
        Whether the plant stands in low light.
    dry_air : float
        Tens of points of humidity below the threshold.
    heated : bool
        Whether the day lies in the heating season.
    moved : bool
        Whether the plant was moved within the last 90 days.

    Returns
    -------
    str
        One of LOSS_CAUSES ("unspecified": the code says only dead or tired).
    """
    new = age_days <= 90
    weights = np.array(
        [
            0.8 + 0.5 * min(over_dry, 8),
            1.0 + 5.0 * early,
            0.4 + 1.6 * low_light,
            0.6 + 1.2 * dry_air,
            0.6,
            0.2 + 0.8 * moved,
            0.2 + 0.3 * heated,
            4.0 * new,
            1.5 * new,
            1.2 * (age_days > 730),
            1.2,
            0.8,
        ]
    )
    steps = np.cumsum(weights)
    return LOSS_CAUSES[int(np.searchsorted(steps, draw * steps[-1], side="right"))]


def code_for(cause: str, declined: bool) -> str:
    """Raw code of a cause with the word for dead or tired.

    Parameters
    ----------
    cause : str
        One of LOSS_CAUSES.
    declined : bool
        Alive, below specification; else dead.

    Returns
    -------
    str
        One of CODES.
    """
    if cause == "unspecified":
        return "TIRED" if declined else "DEAD"
    return CODE_OF[(cause, "declined" if declined else "died")]
