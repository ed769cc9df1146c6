"""Numbers of tables as people read them: with the ends of their interval, and what changes from now to advised."""

from __future__ import annotations

import pandas as pd


def interval(rows: pd.DataFrame, name: str) -> list[str]:
    """Whole numbers with the ends of their interval."""
    return [
        unbroken(f"{e:.0f} ({a:.0f} to {b:.0f})")
        for e, a, b in zip(rows[name], rows[f"{name}_low"], rows[f"{name}_high"], strict=True)
    ]


def unbroken(text: str) -> str:
    """Text that stays on one line of its cell."""
    return text.replace(" ", "\N{NO-BREAK SPACE}")


def rate(rows: pd.DataFrame, name: str, digits: int) -> list[str]:
    """A rate with its interval; without plant-days nothing, without limits (too few sites) the rate alone."""

    def one(found: float, lowest: float, highest: float) -> str:
        if pd.isna(found):
            return ""
        limits = f" ({lowest:.{digits}f} to {highest:.{digits}f})" if pd.notna(lowest) else " (no interval)"
        return f"{found:.{digits}f}{limits}"

    return [one(*each) for each in zip(rows[name], rows[f"{name}_low"], rows[f"{name}_high"], strict=True)]


def money(rows: pd.DataFrame, name: str) -> list[str]:
    """Whole money with the ends of its interval (columns low, high)."""
    return [f"{e:,.0f} ({a:,.0f} to {b:,.0f})" for e, a, b in zip(rows[name], rows["low"], rows["high"], strict=True)]


def now_to_advised(now: pd.Series, advised: pd.Series) -> list[str]:
    """Both as whole numbers, or the one where nothing changes."""
    both = [(f"{a:,.0f}", f"{b:,.0f}") for a, b in zip(now, advised, strict=True)]
    return [a if a == b else f"{a} to {b}" for a, b in both]


def every(days: pd.Series) -> list[str]:
    """Intervals of visits; nothing where none is known."""
    return [f"{d:.0f} days" if pd.notna(d) else "" for d in days]
