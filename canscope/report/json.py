"""The report itself as JSON, and back again for later comparison.

Strict JSON: what is unbounded or not a number is null. Keys of the contract come first.
"""

from __future__ import annotations

import dataclasses
import json
import math
import re
import types
from collections.abc import Iterable, Mapping
from enum import Enum
from functools import cache
from types import NoneType
from typing import Any, Union, get_args, get_origin, get_type_hints

import numpy as np

from canscope.model.errors import ReportError, Where
from canscope.model.report import Plot, Report, Trace
from canscope.report import RENDERERS
from canscope.report._curve_json import listed

FORMAT = 1
INF = math.inf
UNSEEN = re.compile("[\x7f-\x9f\u202a-\u202e\u2066-\u2069]")
PLAIN = {str, int, bool, NoneType}
CURVES = ("at_s", "value")
CONTRACT = (
    "verdict",
    "waived",
    "stage",
    "vehicle",
    "findings",
    "not_applicable",
    "bursts",
    "capture",
    "inputs",
    "version",
)
FINDING = (
    "rule",
    "subject",
    "verdict",
    "reason",
    "required",
    "measured",
    "limit",
    "margin",
    "uncertainty",
    "unit",
    "at_s",
    "window_s",
    "signals",
    "sentence",
    "causes",
    "next",
    "limit_source",
)


_JSON = json.JSONEncoder(allow_nan=False, ensure_ascii=False)


@RENDERERS.add("json")
def render(report: Report) -> str:
    """The report as JSON, one finding a line, so that two reports can be compared by eye."""
    shown = tree(dataclasses.replace(report, plots={}, course=None))
    blocks = {key: _block(value) for key, value in shown.items()}
    if report.course is not None:
        blocks["course"] = _drawn(report.course)
    if report.plots:
        plots = (f"{_text(key)}: {_drawn(plot)}" for key, plot in report.plots.items())
        blocks["plots"] = _lines("{}", plots)
    return "{" + ",\n ".join(f"{_text(key)}: {block}" for key, block in blocks.items()) + "}\n"


def tree(report: Report) -> dict[str, Any]:
    """The report as plain dictionaries, lists, texts and finite numbers."""
    keys = plain(report)
    keys["findings"] = [_ordered(finding, FINDING) for finding in keys["findings"]]
    # The contract's ``skipped`` lists what was skipped; how many there were stands beside it.
    capture = keys["capture"]
    capture["skipped_count"] = capture["skipped"]
    capture["skipped"] = capture.pop("skipped_examples")
    return {"format": FORMAT, **_ordered(keys, CONTRACT)}


def recover(text: str, *, name: str = "", curves: bool = True) -> Report:
    """The report that ``render`` wrote. Keys that are not known are left out.

    Without ``curves`` it has none: they make up most of it and of the time that this takes.

    Raises ``ReportError``, which names the file ``name``, if it is not such a report.
    """
    where = Where(name) if name else None
    hint = "give the JSON that canscope check --json wrote, or check the capture again"
    try:
        plain = json.loads(text)
    except json.JSONDecodeError as error:
        place = Where(name, error.lineno) if name else None
        raise ReportError(f"not JSON: {error.msg}", where=place, hint=hint) from error
    except (ValueError, RecursionError) as error:  # a number of 5,000 digits, lists within lists
        raise ReportError(f"no report: {error}", where=where, hint=hint) from error
    if not isinstance(plain, dict) or plain.get("format") != FORMAT:
        raise ReportError(f"not a report of format {FORMAT}", where=where, hint=hint)
    try:
        if not curves:
            plain |= {"plots": {}, "course": None}
        capture = {**plain["capture"]}
        capture["skipped_examples"] = capture.pop("skipped")
        capture["skipped"] = capture.pop("skipped_count", len(capture["skipped_examples"]))
        report: Report = _typed(Report, {**plain, "capture": capture})
    except (KeyError, TypeError, ValueError, AttributeError, RecursionError) as error:
        what = f"not a whole report: {type(error).__name__}: {error}"
        raise ReportError(what, where=where, hint=hint) from error
    return report


def plain(value: Any) -> Any:
    """Dataclasses, mappings and arrays as dictionaries, lists and finite numbers."""
    kind: Any = type(value)
    if kind in PLAIN:
        return value
    if kind is float:
        return value if -INF < value < INF else None
    if names := _field_names(kind):
        return {name: plain(getattr(value, name)) for name in names}
    if isinstance(value, Enum):
        return plain(value.value)
    if isinstance(value, Mapping):
        return {str(key): plain(entry) for key, entry in value.items()}
    if isinstance(value, (set, frozenset)):
        return sorted((plain(entry) for entry in value), key=str)
    if isinstance(value, (list, tuple)):
        # Curves are long: a finite float is taken as it is without a further call.
        return [v if type(v) is float and -INF < v < INF else plain(v) for v in value]
    if hasattr(value, "tolist"):  # numpy scalars and arrays
        return plain(value.tolist())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value if value is None or isinstance(value, (bool, int, str)) else str(value)


@cache
def _field_names(kind: type) -> tuple[str, ...]:
    """The fields of a dataclass; none of anything else."""
    is_record = dataclasses.is_dataclass(kind)
    return tuple(field.name for field in dataclasses.fields(kind)) if is_record else ()


def _ordered(plain: Mapping[str, Any], first: tuple[str, ...]) -> dict[str, Any]:
    return {key: plain[key] for key in first} | dict(plain)


def _text(value: Any) -> str:
    text = _JSON.encode(value)
    # Valid as they are, but a terminal that shows the file may obey them.
    return text if text.isprintable() else UNSEEN.sub(lambda m: f"\\u{ord(m[0]):04x}", text)


def _block(value: Any) -> str:
    """A value of the top level, one entry a line."""
    if isinstance(value, list) and value:
        return _lines("[]", map(_text, value))
    if isinstance(value, dict) and value:
        return _lines("{}", (f"{_text(k)}: {_text(v)}" for k, v in value.items()))
    return _text(value)


def _lines(ends: str, entries: Iterable[str]) -> str:
    return f"{ends[0]}\n  " + ",\n  ".join(entries) + ends[1]


def _drawn(shown: Plot | Trace) -> str:
    """A plot or one of its traces; the curves make up nearly all of a report."""
    parts = []
    kind: Any = type(shown)
    for name in _field_names(kind):
        value = getattr(shown, name)
        if name == "traces":
            text = f"[{', '.join(map(_drawn, value))}]"
        elif name in CURVES and set(map(type, value)) <= {float, NoneType}:
            text = listed(np.asarray(value, np.float64)).replace(",", ", ")
        else:
            text = _text(plain(value))
        parts.append(f'"{name}": {text}')
    return f"{{{', '.join(parts)}}}"


_hints = cache(get_type_hints)  # a report has thousands of entries of a few kinds


def _typed(kind: Any, plain: Any) -> Any:
    """Plain JSON as the type that a field declares."""
    origin, inner = get_origin(kind), get_args(kind)
    if dataclasses.is_dataclass(kind) and isinstance(kind, type):
        hints = _hints(kind)
        known = {f.name for f in dataclasses.fields(kind)} & plain.keys()
        return kind(**{name: _typed(hints[name], plain[name]) for name in known})
    if origin in (types.UnionType, Union):
        if plain is None and type(None) in inner:
            return None
        return _typed(next(part for part in inner if part is not type(None)), plain)
    if origin is tuple:
        if len(inner) == 2 and inner[1] is Ellipsis:
            return tuple(_typed(inner[0], entry) for entry in plain)
        return tuple(_typed(part, entry) for part, entry in zip(inner, plain, strict=True))
    if isinstance(kind, type) and issubclass(kind, Enum):
        return kind(plain)
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return {key: _typed(inner[1], entry) for key, entry in plain.items()}
    return plain
