"""What a plan may say of a role, made from the table of roles: its signal, and how that is read."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, create_model

from canscope.model.roles import ROLES, Role, role_of


class Table(BaseModel):
    """A table of the plan: unknown keys are mistakes, and nothing is converted silently."""

    # Built at first use: only whole plans are validated, and those build their parts themselves.
    model_config = ConfigDict(
        extra="forbid", strict=True, allow_inf_nan=False, frozen=True, defer_build=True
    )


Model = TypeVar("Model", bound=Table)


def _signal_table(value: Any) -> Any:
    """A name alone stands for a table with that signal. Raises ``ValueError``."""
    if isinstance(value, str):
        return {"signal": value}
    if not isinstance(value, dict):
        raise ValueError('expected "channel:Message.Signal" or a table with signal = "..."')
    return value


def _contactor_table(value: Any) -> Any:
    """A name alone stands for its state, and so does ``signal``. Raises ``ValueError``."""
    if isinstance(value, dict) and "signal" in value and "state" not in value:
        value = {("state" if key == "signal" else key): entry for key, entry in value.items()}
    elif isinstance(value, str):
        value = {"state": value}
    if not isinstance(value, dict):
        raise ValueError('expected "channel:Message.Signal" or a table with state = "..."')
    return value


def _code(value: Any) -> Any:
    if not isinstance(value, int | str) or isinstance(value, bool):
        raise ValueError("expected a raw code (a whole number) or a label in quotes")
    return value


def _policy(value: Any) -> Any:
    if value in ("j1939", "maximum", "none") and isinstance(value, str):
        return value
    whole = isinstance(value, list) and all(type(code) is int for code in value)
    if not whole:
        raise ValueError('expected "j1939", "maximum", "none" or a list of raw values')
    return value


Words = Annotated[str, Field(pattern=r"\S")]  # text that is not blank
Codes = list[Annotated[Any, BeforeValidator(_code)]]
SomeCodes = Annotated[Codes, Field(min_length=1)]
Policy = Annotated[Any, BeforeValidator(_policy)]
Bytes = list[Annotated[int, Field(ge=0, le=63)]]

# Key of a role's table -> its type and its default; ``...`` where the plan must give it.
KEY_TYPES: dict[str, tuple[Any, Any]] = {
    "signal": (Annotated[str, Field(min_length=1)], ...),
    "cycle_ms": (Annotated[float, Field(ge=0.01, le=60_000)] | None, None),
    "invert": (bool, False),
    "not_available": (Policy | None, None),
    "uncertainty": (Annotated[float, Field(ge=0, le=1e12)] | None, None),
    "true": (SomeCodes | None, None),
    "false": (SomeCodes | None, None),
    "forward": (SomeCodes, ...),
    "reverse": (SomeCodes, ...),
    "neutral": (Codes, []),
    "ok": (SomeCodes | None, None),
    "modulus": (Annotated[int, Field(ge=2)] | None, None),
    "profile": (Words, ...),
    "over": (Annotated[Bytes, Field(min_length=2, max_length=2)], Field(default_factory=list)),
    "kind": (Literal["state", "command"], "state"),
    "wired_to": (Words | None, None),
    "data_id": (Annotated[int, Field(ge=0, le=0xFFFF_FFFF)] | None, None),
}


def with_roles(section: str) -> Callable[[type[Model]], type[Model]]:
    """Decorator that gives a table of the schema a key for every role of that section."""

    def completed(model: type[Model]) -> type[Model]:
        fields: dict[str, Any] = {}
        for role in ROLES:
            if role.name.startswith(f"{section}."):
                key, *below = role.name.removeprefix(f"{section}.").split(".")
                fields[key] = _field(role, below)
        return create_model(model.__name__, __base__=model, __doc__=model.__doc__, **fields)

    return completed


def _field(role: Role, below: list[str]) -> tuple[Any, Any]:
    """Type and default of the key that leads to a role; ``below`` are the words that follow it."""
    if below == ["*"]:
        return dict[str, _role_table(role.keys)], Field(default_factory=dict)  # type: ignore[misc]
    return (_contactor(role.keys) if below else _role_table(role.keys)) | None, None


@cache
def _role_table(keys: tuple[str, ...]) -> Any:
    """The type of a role with these keys: a signal's name, or a table with them."""
    fields: dict[str, Any] = {key: KEY_TYPES[key] for key in ("signal", "cycle_ms", *keys)}
    model = create_model("Role", __base__=Table, **fields)
    return Annotated[model, BeforeValidator(_signal_table)]


@cache
def _contactor(keys: tuple[str, ...]) -> Any:
    """One pole: its state and perhaps its command; the other keys belong to the state."""
    table = _role_table(keys)
    fields: dict[str, Any] = {"state": (table, ...), "command": (table | None, None)}
    fields |= {key: (KEY_TYPES[key][0] | None, None) for key in ("cycle_ms", *keys)}
    model = create_model("Contactor", __base__=Table, **fields)
    return Annotated[model, BeforeValidator(_contactor_table)]


# One signal that tells of both main contactors; it binds both of their roles.
BothPoles = _contactor(role_of("contactors.positive").keys)
