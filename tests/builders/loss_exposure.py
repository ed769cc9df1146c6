"""Cells of plant-time for tests of the loss model."""

from __future__ import annotations

import numpy as np
import pandas as pd


def cells(**columns: object) -> pd.DataFrame:
    """Cells in which everything not given is alike: medium light, no humidity read, one month."""
    usual: dict[str, object] = {
        "site_id": "S1",
        "species": "Ficus lyrata",
        "light": "medium",
        "pot": "15-24 cm",
        "planter": "direct",
        "age_band": "days 91-365",
        "month": pd.Timestamp("2026-01-01"),
        "heating": True,
        "repotted": "never",
        "moved": "never",
        "rh_band": "missing",
        "plant_days": 10_000,
        "losses": 5,
        "rh_tenths": 0,
        "rh_readings": 0,
    }
    rows = max(len(v) for v in columns.values() if isinstance(v, list))
    return pd.DataFrame({k: v if isinstance(v, list) else [v] * rows for k, v in (usual | columns).items()})


def company(seed: int = 1, sites: int = 30, spread: float = 0.0, humid: bool = True) -> pd.DataFrame:
    """Cells of an invented company: twice the losses in low light, 1.3 times per 10 points of dry air."""
    rng = np.random.default_rng(seed)
    effect = rng.gamma(1 / spread, spread, sites) if spread else np.ones(sites)
    rows = []
    for site in range(sites):
        wet = rng.uniform(20, 55)
        for month in range(1, 13):
            rh = round(wet + rng.normal(0, 4) + 5 * np.sin(month), 1)
            for species in ("Ficus lyrata", "Ficus elastica", "Howea forsteriana"):
                for light in ("low", "medium"):
                    days = int(rng.integers(300, 2000))
                    rate = 40 / 36525 * (2 if light == "low" else 1) * 1.3 ** (max(0, 40 - rh) / 10) * effect[site]
                    rows.append(
                        {
                            "site_id": f"S{site:02d}",
                            "species": species,
                            "light": light,
                            "plant_days": days,
                            "month": pd.Timestamp(2026, month, 1),
                            "losses": rng.poisson(days * rate),
                            "rh_tenths": round(rh * 10) if humid else 0,
                            "rh_readings": int(humid),
                            "rh_band": str(int(rh // 5 * 5)) if humid else "missing",
                            "heating": month < 5 or month > 9,
                        }
                    )
    frame = pd.DataFrame(rows)
    return cells(**{column: frame[column].tolist() for column in frame})
