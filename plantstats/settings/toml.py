"""TOML files read into pydantic models: every fault at once, each with its file, key and rule."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, ClassVar, TypeVar, Union, get_args, get_origin

from annotated_types import Ge, Le
from pydantic import BaseModel, ConfigDict, PlainValidator, ValidationError
from pydantic.fields import FieldInfo

from plantstats.errors import PlantstatsError
from plantstats.schema.text import nearest

BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
KEY = "[key]"  # pydantic's mark of a fault in the key of a table, not in its value
MANY = 8  # choices; of more than these only the nearest is named
WANTS = {
    "int_type": "a whole number",
    "float_type": "a number",
    "finite_number": "a number",
    "string_type": "text",
    "string_too_short": "one character",
    "string_too_long": "one character",
    "bool_type": "true or false",
    "date_type": "a day such as 2026-10-01",
    "tuple_type": "a list",
    "dict_type": "a table",
    "model_type": "a table",
}
Model = TypeVar("Model", bound="Section")


class SettingsError(PlantstatsError, ValueError):
    """A file of settings or terms that cannot be used.

    Attributes
    ----------
    faults : list of str
        Every fault of the file, one sentence each; the message holds them one a line.
    """

    def __init__(self, faults: list[str]) -> None:
        self.faults = list(faults)
        super().__init__("\n".join(self.faults))


class Section(BaseModel):
    """A table of a TOML file: closed, typed as written, frozen.

    Attributes
    ----------
    RENAMED : dict of str to str
        Keys of earlier versions and what each is called now.
    """

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid")
    RENAMED: ClassVar[dict[str, str]] = {}


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file.

    Parameters
    ----------
    path : Path
        The file, UTF-8 with or without a byte order mark.

    Returns
    -------
    dict
        The parsed tables.

    Raises
    ------
    SettingsError
        For a file that cannot be opened or is not TOML.
    """
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, OSError, RecursionError) as error:
        raise SettingsError([f"{path.name}: cannot be read as TOML: {error}"]) from None


def validate(model: type[Model], data: dict[str, Any], where: str, context: Any = None) -> Model:
    """Check parsed TOML against a model.

    Parameters
    ----------
    model : type of Section
        The model of the whole file.
    data : dict
        Parsed TOML.
    where : str
        Name of the file; begins each message.
    context : object, optional
        Handed to the model's validators.

    Returns
    -------
    Section
        An instance of `model`; `model_fields_set` names the keys that the file gives.

    Raises
    ------
    SettingsError
        Naming every unknown key (with the nearest known one), every missing key and every value against its rule.

    Examples
    --------
    >>> class Heating(Section):
    ...     months: int = 6
    >>> validate(Heating, {"month": 7}, "heating.toml")
    Traceback (most recent call last):
    plantstats.settings.toml.SettingsError: heating.toml: month: is not a setting; did you mean months?
    """
    try:
        return model.model_validate(data, context=context)
    except ValidationError as error:
        faults = [_fault(model, one, where) for one in error.errors(include_url=False)]
        raise SettingsError(list(dict.fromkeys(faults))) from None


def one_of(value: object, known: list[str]) -> str:
    """Say that a value is none of a closed list, with the nearest one where there are many.

    Parameters
    ----------
    value : object
        What was given.
    known : list of str
        What may be given.

    Returns
    -------
    str
    """
    near = nearest(str(value), known, cutoff=0.5)
    if near and len(known) > MANY:
        return f"{value!r} is not known; did you mean {near}?"
    return f"wants one of {', '.join(known)}, has {value!r}" + (f"; did you mean {near}?" if near else "")


def _fault(model: type[Section], error: Any, where: str) -> str:
    """One line: file, key, rule, and what holds when the key is left out."""
    kind, value, context = error["type"], error["input"], error.get("ctx", {})
    owner, field, inner = _at(model, error["loc"])
    place = [part for part in error["loc"] if part != KEY]
    key = f"{where}: {_key(place)}"
    if kind == "extra_forbidden" or (kind == "literal_error" and error["loc"][-1] == KEY):
        name = str(place[-1])
        if name in owner.RENAMED:
            return f"{key}: is now called {owner.RENAMED[name]}"
        known = list(get_args(inner)) or [f.alias or n for n, f in owner.model_fields.items()]
        near = nearest(name, known, cutoff=0.5)
        return f"{key}: is not a setting; " + (
            f"did you mean {near}?" if near else f"known: {', '.join(sorted(known))}"
        )
    if kind == "missing":
        return f"{key} is missing: {field.description if field else 'it has no default'}"
    if kind == "value_error":
        text = str(context["error"])
    elif kind == "literal_error":
        text = one_of(value, [str(choice) for choice in get_args(inner)])
    elif limits := _limits(field, context):
        text = f"wants a number {limits}, has {value!r}"
    elif kind == "string_pattern_mismatch" and field:
        text = f"wants {field.description}, has {value!r}"
    else:
        text = f"wants {WANTS[kind]}, has {value!r}" if kind in WANTS else f"{error['msg']}, has {value!r}"
    default = _shown(field.default) if field and _as_written(field) else ""
    return f"{key}: {text}" + (f"; correct it, or leave it out: {default} is then assumed" if default else "")


def _at(model: type[Section], place: tuple[Any, ...]) -> tuple[type[Section], FieldInfo | None, Any]:
    """The section in which a key stands, its field (None for a key that is none, or below one), its type."""
    owner, inner, entries, field = model, _inner(model), None, None
    for part in place:
        if isinstance(inner, type) and issubclass(inner, Section):
            owner = inner
            fields = owner.model_fields
            field = fields.get(part) or next((f for f in fields.values() if f.alias == part), None)
            inner = _inner(field.annotation) if field else None
        elif part == KEY:
            inner = entries
        else:
            field, arguments = None, get_args(inner) or (None,)
            entries = arguments[0]
            inner = _inner(arguments[0] if isinstance(part, int) else arguments[-1])
    return owner, field, inner


def _inner(annotation: Any) -> Any:
    """A type without its marks and without None."""
    while get_origin(annotation) in (Annotated, Union, UnionType):
        annotation = next(part for part in get_args(annotation) if part is not type(None))
    return annotation


def _key(place: list[Any]) -> str:
    """A key as it is written in the file."""
    shown = ""
    for part in place:
        if isinstance(part, int):
            shown += f"[{part}]"
        else:
            shown += ("." if shown else "") + (part if BARE_KEY.fullmatch(part) else f'"{part}"')
    return shown


def _limits(field: FieldInfo | None, context: dict[str, Any]) -> str:
    """The limits of a number, where it was refused for lying beyond one of them."""
    if not {"ge", "le"} & set(context):
        return ""
    marks = field.metadata if field else []
    low = next((mark.ge for mark in marks if isinstance(mark, Ge)), context.get("ge"))
    high = next((mark.le for mark in marks if isinstance(mark, Le)), context.get("le"))
    ends = [f"{word} {end:g}" for word, end in (("from", low), ("to", high)) if end is not None]
    return " ".join(ends)


def _as_written(field: FieldInfo) -> bool:
    """Whether a field has a default that looks as it would in the file."""
    return not field.is_required() and not any(isinstance(mark, PlainValidator) for mark in field.metadata)


def _shown(default: Any) -> str:
    """A default as it is written in the file; empty where leaving a key out assumes nothing."""
    if isinstance(default, tuple):
        return ", ".join(map(str, default))
    if isinstance(default, int | float) and not isinstance(default, bool):
        return f"{default:g}"
    return default if isinstance(default, str) else ""
