"""Definition files kept compiled in the user's cache folder: a second run needs no parser."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from typing import Any

from canscope.cache import store
from canscope.model.definition import Absent, MessageSpec, Problem, SignalSpec

PARSER = "cantools"  # another version of it may read the same file in another way
# Whatever decides what a file is compiled into: when any of it changes, files are compiled anew.
SOURCES = ("decoding", "trust/samples/no_value_codes.py", "model/definition.py", "cache")
Messages = tuple[tuple[str, MessageSpec], ...]  # (name of its bus or empty, message)
Content = tuple[Messages, tuple[Problem, ...]]  # and what is wrong


def compiled_file(kind: str, data: bytes, name: str, read: Callable[[], Content]) -> Content:
    """The content of a file of this kind: from the cache, else by ``read`` and then kept.

    ``name`` becomes the file of its messages.
    """
    entry = store.entry("definitions", SOURCES, PARSER, f"{kind}|".encode() + data)
    if entry is None:
        return read()
    try:
        return _from_json(store.load(entry), name)
    except store.DAMAGED:
        content = read()
        store.keep(entry, _to_json(content))
        return content


def _to_json(content: Content) -> dict[str, Any]:
    messages, problems = content
    rows: list[tuple[str, dict[str, Any]]]
    rows = [(bus, {**asdict(message), "file": ""}) for bus, message in messages]
    for _, row in rows:
        for signal in row["signals"]:
            signal["labels"] = list(signal["labels"].items())  # keys of JSON are texts
    return {"messages": rows, "problems": [asdict(problem) for problem in problems]}


def _from_json(data: Any, name: str) -> Content:
    messages = tuple((str(bus), _message(row, name)) for bus, row in data["messages"])
    return messages, tuple(Problem(**row) for row in data["problems"])


def _message(row: dict[str, Any], name: str) -> MessageSpec:
    signals = tuple(_signal(signal) for signal in row.pop("signals"))
    return MessageSpec(**{**row, "file": name, "signals": signals})


def _signal(row: dict[str, Any]) -> SignalSpec:
    path = tuple((selector, tuple(values)) for selector, values in row["multiplexer"])
    absent = Absent(row["absent"]["kind"], tuple(row["absent"]["codes"]))
    labels = {int(code): str(label) for code, label in row["labels"]}
    return SignalSpec(**{**row, "multiplexer": path, "absent": absent, "labels": labels})
