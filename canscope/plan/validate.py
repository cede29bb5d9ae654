"""Data as read becomes models of the schema; every mistake in our own words, at its key path."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from typing import Annotated, Any, TypeVar, get_args, get_origin

from pydantic import BaseModel, ConfigDict, TypeAdapter, ValidationError
from pydantic_core import ErrorDetails

from canscope.model.errors import MOST_MISTAKES, nearest
from canscope.plan.lines import KeyPath
from canscope.plan.mistakes import quoted

Model = TypeVar("Model", bound=BaseModel)
Note = Callable[[KeyPath, str, str], None]  # key path, what is wrong, hint

NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?")
EXPECTED = {
    "string_type": "text in quotes",
    "float_type": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "bool_type": "true or false",
    "dict_type": "a table",
    "mapping_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "list_type": "a list",
    "finite_number": "a finite number",
    "string_pattern_mismatch": "text that is not blank",
    "string_too_short": "text that is not blank",
}
BOUNDS = {
    "greater_than": ("a number above", "gt"),
    "greater_than_equal": ("at least", "ge"),
    "less_than": ("a number below", "lt"),
    "less_than_equal": ("at most", "le"),
}


def validate(model: type[Model], data: Any, note: Note, *, whole: bool = True) -> Model | None:
    """The data as a model, or None after its mistakes have been noted.

    With ``whole`` False part of the plan could not be read, and missing keys are no mistakes.
    """
    try:
        return model.model_validate(data)
    except ValidationError as errors:
        for number, error in enumerate(errors.errors(include_url=False)):
            if whole or error["type"] != "missing":
                # The right name is looked for as long as somebody may read it.
                note(error["loc"], *_explained(error, model if number < MOST_MISTAKES else None))
    return None


def parameter(hint: Any, value: Any) -> tuple[Any, str]:
    """A value in the type ``hint`` of a rule's parameter and ""; or None and what is wrong."""
    config = ConfigDict(strict=True, allow_inf_nan=False)
    try:
        return TypeAdapter(hint, config=config).validate_python(value), ""
    except ValidationError as errors:
        error = errors.errors(include_url=False)[0]
        what, advice = _explained(error, None)
        return None, f"{what}; {advice}" if advice else what


def rest(data: Mapping[str, Any], model: type[Model], needed: Mapping[str, Any]) -> Model:
    """The data without what is wrong in it, so that the rest can be checked further.

    A table is left out whole if an entry that it must have is missing or wrong; ``needed`` stands
    in for the top tables that a plan must have.
    """
    right: Any = _copied(data)
    while True:
        try:
            return model.model_validate(right)
        except ValidationError as errors:
            places = {_target(right, error["loc"]) for error in errors.errors(include_url=False)}
        for place in sorted(places - {()}, key=_order, reverse=True):
            holder = right
            for part in place[:-1]:
                holder = holder[part]
            del holder[place[-1]]
        right = {**needed, **right}


def _copied(data: Any) -> Any:
    if isinstance(data, dict):
        return {key: _copied(value) for key, value in data.items()}
    return [_copied(value) for value in data] if isinstance(data, list) else data


def _target(data: Any, loc: KeyPath) -> KeyPath:
    """The entry at a place; if it is not there, the table that lacks it."""
    for depth, part in enumerate(loc):
        in_list = isinstance(data, list) and isinstance(part, int) and part < len(data)
        if not in_list and not (isinstance(data, dict) and part in data):
            return loc[:depth]
        data = data[part]
    return loc


def _order(place: KeyPath) -> list[tuple[int, str]]:
    """Sort key by which, reversed, later entries of a list are deleted before earlier ones."""
    return [(part, "") if isinstance(part, int) else (0, part) for part in place]


def _explained(error: ErrorDetails, model: type[BaseModel] | None) -> tuple[str, str]:
    """What is wrong and what would be right, for one of pydantic's errors."""
    kind, given, context = error["type"], error["input"], error.get("ctx", {})
    if kind == "extra_forbidden":
        known = _keys_at(model, error["loc"][:-1]) if model else ()
        return "no key of that name", nearest(str(error["loc"][-1]), known) if known else ""
    if kind == "missing":
        return "missing, and the plan needs it", ""
    if kind == "value_error":
        return f"{context['error']}, got {quoted(given)}", ""
    if kind == "literal_error":
        advice = nearest(given, _choices(context)) if isinstance(given, str) else ""
        return f"expected {context['expected']}, got {quoted(given)}", advice
    if kind in BOUNDS:
        words, bound = BOUNDS[kind]
        return f"expected {words} {context[bound]:g}, got {quoted(given)}", ""
    if kind in ("too_short", "too_long"):
        return f"wrong number of entries: {context['actual_length']}", ""
    expected = EXPECTED.get(kind, error["msg"])
    return f"expected {expected}, got {quoted(given)}", _number_hint(kind, given)


def _number_hint(kind: str, given: Any) -> str:
    """How to write a number that stands in quotes, with a comma perhaps."""
    if kind not in ("float_type", "int_type") or not isinstance(given, str):
        return ""
    plain = given.strip().replace(",", ".")
    return f"write it without quotes: {plain}" if NUMBER.fullmatch(plain) else ""


def _choices(context: Mapping[str, Any]) -> list[str]:
    """The names in pydantic's "'a', 'b' or 'c'"."""
    return [part.strip(" '") for part in context["expected"].replace(" or ", ",").split(",")]


def _keys_at(model: type[BaseModel], path: KeyPath) -> Iterable[str]:
    """The keys that the schema knows in the table at a path."""
    found: Any = model
    for part in path:
        if isinstance(found, type) and issubclass(found, BaseModel):
            found = _bare(found.model_fields[str(part)].annotation)
        else:
            found = _bare(get_args(found)[-1])  # dict[str, X] and list[X]
    return tuple(getattr(found, "model_fields", ()))


def _bare(hint: Any) -> Any:
    """A type without what wraps it: Annotated, and None as an alternative."""
    while True:
        if get_origin(hint) is Annotated:
            hint = get_args(hint)[0]
        elif type(None) in get_args(hint):
            hint = next(a for a in get_args(hint) if a is not type(None))
        else:
            return hint
