"""The terms of a guarantee, read from a TOML file: what is promised, what it costs us, how it is priced."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal

from pydantic import BeforeValidator, Field, PlainValidator, ValidationInfo

from plantstats.guarantee.money import HALF_UP, RULES, MoneyError, cents
from plantstats.periods import add_months
from plantstats.schema.causes import CAUSES
from plantstats.settings import Section, SettingsError, read_toml, validate
from plantstats.settings.company import Currency
from plantstats.settings.toml import one_of

LEAST_DRAWS = 20  # fewer give no error of the drawing worth the name
MOST_DRAWS = 5_000
MOST_MONTHS = 240
FIRST_DAY, LAST_DAY = date(1990, 1, 1), date(2199, 12, 31)


class TermsError(SettingsError):
    """Terms that cannot be used; the message lists every fault."""


@dataclass(frozen=True)
class Terms:
    """Terms of one guarantee; amounts in whole cents. Each default holds where the file is silent."""

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
    client: str = ""
    building: str = ""
    tax_note: str = "Charges are without taxes."

    @property
    def ends_on(self) -> date:
        """The day after the last day of the term."""
        return add_months(self.starts_on, self.months)


def _day(given: Any) -> date:
    try:
        day = given if type(given) is date else date.fromisoformat(given)
    except (TypeError, ValueError):
        raise ValueError(f"wants a day such as 2026-10-01, has {given!r}") from None
    if not FIRST_DAY <= day <= LAST_DAY:
        raise ValueError(f"wants a day from {FIRST_DAY} to {LAST_DAY}, has {day}")
    return day


def _cents(given: Any, info: ValidationInfo) -> int:
    """An amount in whole cents, by the rounding rule of the file (the validation context)."""
    if isinstance(given, bool):
        raise ValueError(f'wants an amount such as "38.50", has {given!r}')
    try:
        amount = cents(given, str(info.context))
    except MoneyError as error:
        raise ValueError(str(error)) from None
    if amount < 0:
        raise ValueError(f"wants an amount of 0 or more, has {given!r}")
    return amount


def _causes(given: Any) -> tuple[str, ...]:
    if given == "all":
        return ()
    if not isinstance(given, list) or not all(isinstance(cause, str) for cause in given):
        raise ValueError(f'wants "all" or a list of causes, has {given!r}')
    if wrong := [one_of(cause, list(CAUSES)) for cause in given if cause not in CAUSES]:
        raise ValueError("; ".join(wrong))
    return tuple(given)


def _rates(given: Any) -> tuple[float, ...]:
    rates = given if isinstance(given, list) else [given]
    if not rates or any(type(rate) not in (int, float) or not -5 <= rate <= 100 for rate in rates):
        raise ValueError(f"wants a yearly rate in percent, or one for each year, each from -5 to 100, has {given!r}")
    return tuple(map(float, rates))


Money = Annotated[int, PlainValidator(_cents)]
Causes = Annotated[tuple[str, ...], BeforeValidator(_causes)]


class _Promise(Section):
    """What is promised. Defaults here and below are those of `Terms`: only keys that a file gives are handed over."""

    starts_on: Annotated[date, PlainValidator(_day)] = Field(
        description="the first day of the guarantee, such as 2026-10-01"
    )
    months: int = Field(Terms.months, ge=0, le=MOST_MONTHS)
    covered: Causes = Terms.covered
    excluded: Causes = Terms.excluded
    cap_per_position: int | None = Field(Terms.cap_per_position, ge=0, le=100)
    cap_money: Money | None = Terms.cap_money
    lead_days: int = Field(Terms.lead_days, ge=0, le=365)
    after_uncovered: Literal["replaced", "ends"] = Terms.after_uncovered  # type: ignore[assignment]
    client: str = Terms.client
    building: str = Terms.building
    beyond_ages: Literal["assume", "refuse"] = Terms.beyond_ages  # type: ignore[assignment]
    unseen_species: Literal["group", "refuse"] = Terms.unseen_species  # type: ignore[assignment]


class _Costs(Section):
    """What a replacement costs."""

    labour_by: Literal["us", "client"] = Terms.labour_by  # type: ignore[assignment]
    labour_minutes: float = Field(Terms.labour_minutes, ge=0, le=24 * 60)
    wage_per_hour: Money = Terms.wage_per_hour
    delivery: Money = Terms.delivery
    disposal: Money = Terms.disposal
    currency: Currency = Terms.currency
    rounding: Literal[tuple(RULES)] = Terms.rounding  # type: ignore[valid-type]


class _Price(Section):
    """What is charged."""

    RENAMED: ClassVar[dict[str, str]] = {"certainty": "confidence"}

    confidence: float = Field(Terms.confidence, ge=0.01, le=0.999)
    margin_percent: float = Field(Terms.margin_percent, ge=0, le=1000)
    monthly_fee: Money | None = Terms.monthly_fee
    tax_note: str = Terms.tax_note
    discount_percent: Annotated[tuple[float, ...], PlainValidator(_rates)] = Terms.discount_percent


class _Method(Section):
    """How it is worked out."""

    draws: int = Field(Terms.draws, ge=LEAST_DRAWS, le=MOST_DRAWS)
    seed: int = Field(Terms.seed, ge=0, le=2**32 - 1)


class _File(Section):
    """A terms file."""

    guarantee: _Promise
    costs: _Costs = _Costs()
    price: _Price = _Price()
    method: _Method = _Method()


def read_terms(path: Path) -> Terms:
    """Read a terms file.

    Parameters
    ----------
    path : Path
        TOML with the tables guarantee, costs, price and method.

    Returns
    -------
    Terms

    Raises
    ------
    TermsError
        Naming every unknown key (with the nearest known one) and every value that cannot be.
    """
    try:
        data = read_toml(path)
    except SettingsError as error:
        raise TermsError(error.faults) from None
    return terms_from(data, path.name)


def terms_from(data: dict[str, Any], where: str = "terms") -> Terms:
    """Terms from parsed TOML.

    Parameters
    ----------
    data : dict
        Parsed TOML.
    where : str
        Name of the file; begins each message.

    Returns
    -------
    Terms

    Raises
    ------
    TermsError
        Naming every fault at once.

    Examples
    --------
    >>> terms_from({"guarantee": {"starts_on": "2026-10-15"}, "costs": {"delivery": "6.50"}}).delivery
    650
    """
    costs = data.get("costs")
    rule = costs.get("rounding") if isinstance(costs, dict) else None
    try:
        file = validate(_File, {"guarantee": {}} | data, where, context=rule if rule in RULES else HALF_UP)
    except SettingsError as error:
        raise TermsError(error.faults) from None
    keys: dict[str, Any] = {}
    for part in (file.guarantee, file.costs, file.price, file.method):
        keys |= {name: getattr(part, name) for name in part.model_fields_set}
    terms = Terms(**keys)
    both = sorted(set(terms.covered) & set(terms.excluded)) if "excluded" in keys else []
    if both:
        raise TermsError([f"{where}: {', '.join(both)} stands under covered and under excluded; take it out of one"])
    return terms
