"""Causes of a replacement or removal, and what each says about the plant: died, declined, client, withdrawn.

The outcome of a cause is a default that the settings can change. A cause that harms is read as a death;
`decline`, `age` and `acclimatisation` as a plant alive but below specification; `unknown` as declined, since a
replacement alone does not prove a death (common practice, no source).
"""

from __future__ import annotations

from plantstats.schema.text import normalize_header

LOSSES = ("died", "declined")  # dead, or alive below specification
OUTCOMES = (*LOSSES, "client", "withdrawn")

CAUSES: dict[str, str] = {
    "water_excess": "died",
    "water_deficit": "died",
    "light": "died",
    "temperature": "died",
    "pest": "died",
    "disease": "died",
    "mechanical": "died",
    "theft": "client",
    "client_action": "client",
    "building_failure": "died",
    "outgrown": "withdrawn",
    "age": "declined",
    "stock_quality": "died",
    "acclimatisation": "declined",
    "decline": "declined",
    "died": "died",
    "upgrade": "withdrawn",
    "rotation": "withdrawn",
    "lease_end": "withdrawn",
    "removed": "withdrawn",
    "unknown": "declined",
}

# Plain words for the same causes (common practice, no source).
ALIASES: dict[str, str] = {
    "dead": "died",
    "death": "died",
    "declined": "decline",
    "tired": "decline",
    "below_specification": "decline",
    "overwatered": "water_excess",
    "overwatering": "water_excess",
    "root_rot": "water_excess",
    "underwatered": "water_deficit",
    "underwatering": "water_deficit",
    "dried_out": "water_deficit",
    "stolen": "theft",
    "missing": "theft",
    "vandalism": "client_action",
    "client_damage": "client_action",
    "client_request": "client_action",
    "contract_ended": "lease_end",
    "contract_end": "lease_end",
    "end_of_lease": "lease_end",
    "lease_ended": "lease_end",
    "cold": "temperature",
    "heat": "temperature",
    "chill": "temperature",
    "pests": "pest",
    "insects": "pest",
    "damage": "mechanical",
    "broken": "mechanical",
    "low_light": "light",
    "acclimation": "acclimatisation",
    "acclimatization": "acclimatisation",
    "old_age": "age",
    "bad_stock": "stock_quality",
    "heating_failure": "building_failure",
    "refurbishment": "removed",
}


def map_cause(raw: str, own: dict[str, tuple[str, str | None]]) -> tuple[str, str] | None:
    """Cause and outcome of a raw code.

    Parameters
    ----------
    raw : str
    own : dict of str to (str, str or None)
        The user's table: normalised raw code -> cause and outcome.

    Returns
    -------
    (str, str) or None
        Cause and outcome; None where the code is not known.

    Examples
    --------
    >>> map_cause("Dead", {}), map_cause("zapped", {})
    (('died', 'died'), None)
    """
    key = normalize_header(raw)
    if key in own:
        cause, outcome = own[key]
        return cause, outcome or CAUSES[cause]
    cause = ALIASES.get(key, key)
    return (cause, CAUSES[cause]) if cause in CAUSES else None
