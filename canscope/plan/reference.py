"""Every table and key of a bench plan, from the schema and the table of roles: for a reader."""

from __future__ import annotations

import types
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from canscope.model.roles import KEYS, ROLES, Role
from canscope.plan.schema import PlanTable

UNITS = {
    "degC": "degC", "V": "V", "A": "A", "s": "s", "ns": "ns", "ohm": "ohm", "F": "F", "rpm": "rpm",
    "kgm2": "kg m²", "ms": "ms",
}  # fmt: skip
OPTIONAL = "optional"
FAR = 1e9  # bounds as far out as this only keep nonsense away
HEADERS = {"buses": "buses", "units": "units.front", "waivers": "[waivers]", "marks": "[marks]",
           "readings": "[readings]"}  # fmt: skip
PRECEDES = "as the plan of each stage includes what all stages share; the plan's own keys win"


@dataclass(frozen=True)
class Key:
    """One key of a table: what it takes, what it means and how it may be written."""

    name: str
    takes: str  # its type and bounds, in words
    unit: str
    default: str  # empty where the plan must give it
    meaning: str
    example: str  # a whole line


@dataclass(frozen=True)
class PlanPart:
    """One table of a plan: its header and keys, and the roles that it binds."""

    header: str
    meaning: str
    keys: tuple[Key, ...]
    roles: tuple[Role, ...] = ()


def reference() -> Iterator[PlanPart]:
    """The tables in the order of the schema; the keys before any table come first."""
    fields = PlanTable.model_fields
    top = (
        _key("format", fields["format"]),
        Key("include", "text or a list", "", "nothing", PRECEDES, 'include = "vehicle.toml"'),
    )
    yield PlanPart("", "Before all tables.", top)
    for name, field in fields.items():
        model = _model(field.annotation)
        if model is not None:
            roles = tuple(role for role in ROLES if role.words[0] == name)
            yield PlanPart(HEADERS.get(name, name), model.__doc__ or "", _keys(name, model), roles)
    yield PlanPart(
        "rules.NAME",
        "Parameters of one rule; canscope explain NAME lists them.",
        (
            Key("off", "text", "", "the rule is on", "why the rule is switched off",
                'off = "no second person today"'),
        ),
    )  # fmt: skip
    shared = (
        Key(name, "", "", "", meaning, "") for name, meaning in KEYS.items() if name != "signal"
    )
    yield PlanPart("", "Keys of a role, in a table beside its signal.", tuple(shared))


def _keys(name: str, model: type[BaseModel]) -> tuple[Key, ...]:
    if name == "buses":
        inside = ", ".join(
            f"{key} = {field.examples[0]}" for key, field in model.model_fields.items()
            if field.examples and key != "not_available"
        )  # fmt: skip
        whole = Key("can0", "", "", "", "a channel of the capture, with a table of the keys below",
                    f"can0 = {{ {inside} }}")  # fmt: skip
        return (whole, *(_key(key, field) for key, field in model.model_fields.items()))
    own = {key: field for key, field in model.model_fields.items() if field.description}
    return tuple(_key(key, field) for key, field in own.items())


def _key(name: str, field: FieldInfo) -> Key:
    takes = ", ".join(filter(None, (_takes(field.annotation), _bounds(field))))
    default = "" if field.is_required() else _written(field.get_default(call_default_factory=True))
    example = field.examples[0] if field.examples else ""
    unit = UNITS.get(name.rpartition("_")[2], "") if "_" in name else ""
    return Key(name, takes, unit, default, field.description or "", f"{name} = {example}")


def _written(value: Any) -> str:
    if value is None or value in ("", []):
        return OPTIONAL
    if isinstance(value, bool):
        return "true" if value else "false"
    return "all 0" if isinstance(value, BaseModel) else f"{value}"


def _takes(hint: Any) -> str:
    """A type in words."""
    origin, inside = get_origin(hint), get_args(hint)
    if origin is Annotated:
        return ", ".join(filter(None, (_takes(inside[0]), _between(inside[1:]))))
    if origin in (Union, types.UnionType):
        return _takes(next(one for one in inside if one is not type(None)))
    if origin is Literal:
        return " | ".join(f'"{one}"' for one in inside)
    if origin is list:
        return "a list"
    if isinstance(hint, type) and issubclass(hint, BaseModel):
        return f"a table with {', '.join(hint.model_fields)}"
    words: Mapping[Any, str] = {str: "text", float: "a number", int: "a whole number",
                                bool: "true or false", Any: ""}  # fmt: skip
    return words.get(hint, "text")


def _bounds(field: FieldInfo) -> str:
    return _between(tuple(field.metadata))


def _between(metadata: tuple[Any, ...]) -> str:
    """Bounds in words, wherever pydantic keeps them."""
    low = high = ""
    parts = [inner for one in metadata for inner in getattr(one, "metadata", [one])]
    for one in parts:
        for name, words in (("ge", "from {:g}"), ("gt", "above {:g}")):
            if abs(getattr(one, name, None) or 0.0) < FAR and getattr(one, name, None) is not None:
                low = words.format(getattr(one, name))
        for name, words in (("le", "to {:g}"), ("lt", "below {:g}")):
            if getattr(one, name, None) is not None and getattr(one, name) < FAR:
                high = words.format(getattr(one, name))
    return " ".join(filter(None, (low, high if low or not high else f"up {high}")))


def _model(hint: Any) -> type[BaseModel] | None:
    """The table that a key of the plan holds, alone, by name or in a list; None for others."""
    if isinstance(hint, type) and issubclass(hint, BaseModel):
        return hint
    found = [_model(one) for one in get_args(hint)]
    return next((one for one in found if one is not None), None)
