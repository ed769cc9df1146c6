"""The terms of a guarantee, read from a TOML file: what is promised, what it costs us, how it is priced."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from plantstats.guarantee.money import HALF_UP, RULES, MoneyError, cents
from plantstats.periods import add_months
from plantstats.schema.causes import CAUSES

LEAST_DRAWS = 20  # fewer give no error of the drawing worth the name
MOST_DRAWS = 5_000
MOST_MONTHS = 240


class TermsError(ValueError):
    """Terms that cannot be used; the message lists every fault."""


@dataclass(frozen=True)
class Terms:
    """Terms of one guarantee; amounts in whole cents. Each default is the one that holds when the file is
    silent."""

    starts_on: date
    months: int = 12
    covered: tuple[str, ...] = ()  # causes; none named: every loss but the excluded ones
    excluded: tuple[str, ...] = ("theft", "client_action", "building_failure")
    cap_per_position: int | None = None
    cap_money: int | None = None
    lead_days: int = 14
    after_uncovered: str = "replaced"  # or "ends": what follows a loss that is not covered
    labour_by: str = "us"  # or "client"
    labour_minutes: float = 20.0
    wage_per_hour: int = 3000
    delivery: int = 0
    disposal: int = 0
    currency: str = "EUR"
    rounding: str = HALF_UP
    confidence: float = 0.80
    margin_percent: float = 10.0
    monthly_fee: int | None = None
    discount_percent: tuple[float, ...] = (0.0,)  # per year of the term; the last holds on
    beyond_ages: str = "assume"  # or "refuse"
    unseen_species: str = "group"  # or "refuse"
    draws: int = 400
    seed: int = 1
    given: tuple[str, ...] = field(default=())

    @property
    def ends_on(self) -> date:
        """The day after the last day of the term."""
        return add_months(self.starts_on, self.months)

    @property
    def plain_numbers(self) -> dict[str, str]:
        """What the terms say, in words, for the page."""
        covered = ", ".join(self.covered) or "every loss"
        return {
            "Term": f"{self.starts_on} up to and including the day before {self.ends_on} ({self.months} months; the "
            "same day of a later month, or that month's last day)",
            "Covered": f"{covered}, except {', '.join(self.excluded) or 'nothing'}",
            "Limit per position": "none" if self.cap_per_position is None else f"{self.cap_per_position} replacements",
            "Replaced after": f"{self.lead_days} days",
            "After a loss that is not covered": (
                "the client pays for a new plant, which is covered again"
                if self.after_uncovered == "replaced"
                else "the position ends"
            ),
        }


def read_terms(path: Path) -> Terms:
    """Read a terms file.

    Takes:  path of a TOML file with tables guarantee, costs, price, method.
    Gives:  Terms.
    Raises: TermsError naming every unknown key (with the nearest known one) and every value that cannot be.
    """
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, OSError) as error:
        raise TermsError(f"{path.name}: cannot be read as TOML: {error}") from None
    return terms_from(data, path.name)


def terms_from(data: dict[str, Any], where: str = "terms") -> Terms:
    """Terms from a parsed TOML table; `where` begins each message."""
    faults: list[str] = []
    found: dict[str, Any] = {}
    rounding = _rounding(data)
    for part, content in data.items():
        if part not in KEYS:
            faults.append(f"{where}: {part} is not a part of terms; " + _near(part, list(KEYS)))
            continue
        if not isinstance(content, dict):
            faults.append(f"{where}: {part} wants a table [{part}], has {content!r}")
            continue
        for key, value in content.items():
            if key not in KEYS[part]:
                faults.append(f"{where}: {part}.{key} is not a setting; " + _near(key, list(KEYS[part])))
                continue
            try:
                found[key] = KEYS[part][key](value, rounding)
            except (ValueError, TypeError) as error:
                faults.append(f"{where}: {part}.{key}: {error}")
    if "starts_on" not in found and not any("starts_on" in fault for fault in faults):
        faults.append(f"{where}: guarantee.starts_on is missing: the first day of the guarantee, such as 2026-10-01")
    if faults:
        raise TermsError("\n".join(faults))
    made = Terms(**found, given=tuple(sorted(found)))
    both = sorted(set(made.covered) & set(made.excluded)) if "excluded" in found else []
    if both:
        raise TermsError(f"{where}: {', '.join(both)} stands under covered and under excluded; take it out of one")
    return made


def _near(word: str, known: list[str]) -> str:
    near = get_close_matches(word, known, n=1, cutoff=0.5)
    return f"did you mean {near[0]}?" if near else f"known: {', '.join(known)}"


def _rounding(data: dict[str, Any]) -> str:
    costs = data.get("costs")
    rule = costs.get("rounding", HALF_UP) if isinstance(costs, dict) else HALF_UP
    return rule if rule in RULES else HALF_UP


def _day(value: Any, _: str) -> date:
    if type(value) is date:
        return value
    try:
        return date.fromisoformat(value)
    except (TypeError, ValueError):
        raise ValueError(f"wants a day such as 2026-10-01, has {value!r}") from None


def _number(low: float, high: float, whole: bool = False) -> Callable[[Any, str], Any]:
    def read(value: Any, _: str) -> Any:
        right = isinstance(value, int if whole else (int, float)) and not isinstance(value, bool)
        if not right or not low <= value <= high:
            raise ValueError(f"wants a {'whole ' if whole else ''}number from {low:g} to {high:g}, has {value!r}")
        return value if whole else float(value)

    return read


def _money(value: Any, rule: str) -> int:
    if isinstance(value, bool):
        raise ValueError(f'wants an amount such as "38.50", has {value!r}')
    try:
        amount = cents(value, rule)
    except MoneyError as error:
        raise ValueError(str(error)) from None
    if amount < 0:
        raise ValueError(f"wants an amount of 0 or more, has {value!r}")
    return amount


def _word(*known: str) -> Callable[[Any, str], str]:
    def read(value: Any, _: str) -> str:
        if value not in known:
            raise ValueError(f"wants one of {', '.join(known)}, has {value!r}")
        return str(value)

    return read


def _causes(value: Any, _: str) -> tuple[str, ...]:
    if value == "all":
        return ()
    if not isinstance(value, list) or not all(isinstance(cause, str) for cause in value):
        raise ValueError(f'wants "all" or a list of causes, has {value!r}')
    wrong = [cause for cause in value if cause not in CAUSES]
    if wrong:
        raise ValueError("; ".join(f"{cause!r} is not a cause; " + _near(cause, list(CAUSES)) for cause in wrong))
    return tuple(value)


def _currency(value: Any, _: str) -> str:
    if not (isinstance(value, str) and len(value) == 3 and value.isascii() and value.isalpha() and value.isupper()):
        raise ValueError(f"wants three capital letters (ISO 4217), has {value!r}")
    return value


def _rates(value: Any, rule: str) -> tuple[float, ...]:
    rates = value if isinstance(value, list) else [value]
    if not rates:
        raise ValueError("wants a yearly rate in percent, or one for each year, has an empty list")
    read = _number(-5, 100)
    return tuple(read(rate, rule) for rate in rates)


KEYS: dict[str, dict[str, Callable[[Any, str], Any]]] = {
    "guarantee": {
        "starts_on": _day,
        "months": _number(0, MOST_MONTHS, whole=True),
        "covered": _causes,
        "excluded": _causes,
        "cap_per_position": _number(0, 100, whole=True),
        "cap_money": _money,
        "lead_days": _number(0, 365, whole=True),
        "after_uncovered": _word("replaced", "ends"),
        "beyond_ages": _word("assume", "refuse"),
        "unseen_species": _word("group", "refuse"),
    },
    "costs": {
        "labour_by": _word("us", "client"),
        "labour_minutes": _number(0, 24 * 60),
        "wage_per_hour": _money,
        "delivery": _money,
        "disposal": _money,
        "currency": _currency,
        "rounding": _word(*RULES),
    },
    "price": {
        "confidence": _number(0.01, 0.999),
        "margin_percent": _number(0, 1000),
        "monthly_fee": _money,
        "discount_percent": _rates,
    },
    "method": {"draws": _number(LEAST_DRAWS, MOST_DRAWS, whole=True), "seed": _number(0, 2**32 - 1, whole=True)},
}
