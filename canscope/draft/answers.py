"""Questions of a draft as a person is asked them, and answers as the plan writes them."""

from __future__ import annotations

import json
import os
import re
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from canscope.draft.plan import Draft
from canscope.draft.write import LEFT_OPEN
from canscope.plan.lines import KeyPath
from canscope.plan.questions import Question

YES, NO = ("yes", "y", "true"), ("no", "n", "none", "nothing", "false")


def in_words(question: Question, path: KeyPath) -> str:
    """The question as a person is asked it: of which unit, bus or part, and in which words."""
    about = {
        "units": "The unit on {}: " if str(path[1]).startswith("?") else "Unit {}: ",
        "buses": "Bus {}: ",
        "limits": "{}: " if len(path) > 2 else "",
    }.get(str(path[0]), "")
    name = str(path[-1] if path[0] == "limits" else path[1]).removeprefix("?")
    text = about.format(name) + question.asks
    return text[0].upper() + text[1:]


def value_of(question: Question, path: KeyPath, said: str, draft: Draft) -> str | None:
    """What somebody typed, as the plan writes it; None if the plan could not hold it."""
    if question.path == ("units", "*"):
        word = said.strip('[]"')
        plain = word.isascii() and word.replace("-", "").replace("_", "").isalnum()
        named = any(map(str.isalpha, word)) and word.lower() not in (*YES, *NO)
        return word if plain and named else None
    if path[0] == "buses":
        known = {Path(file).name: file for file in draft.files_of(str(path[1]))}
        file = known.get(Path(said.strip('[]"')).name)
        return None if file is None else json.dumps([os.path.relpath(file, draft.folder)])
    if question.choices:
        word = said.strip('"').lower()
        word = "true" if word in YES else "false" if word in NO else word
        near = [one for one in question.choices if one.strip('"') == word]
        return near[0] if near else None
    if path == ("not_on_this_vehicle", "reason") and said == LEFT_OPEN:
        return LEFT_OPEN
    if question.path[:1] == ("not_on_this_vehicle",) or question.path == ("job", "vehicle"):
        return json.dumps(said.strip('"'), ensure_ascii=False)
    is_list = path[-1] in ("forward", "reverse", "neutral", "true", "false")
    text = said if not is_list or said.startswith("[") else f"[{said}]"
    if path[-1] == "mounting" and not said.startswith("{"):
        angles = re.fullmatch(r"([-+.\d]+)[\s,;]+([-+.\d]+)[\s,;]+([-+.\d]+)", said)
        text = re.sub(r"(roll|pitch|yaw)\s*[=:]?\s*", r"\1 = ", said.lower())
        text = f"{{ {re.sub(r'(?<=[.0-9])[ ;]+(?=[rpy])', ', ', text)} }}"  # yaw 180 roll 90
        if angles:
            text = "{{ roll = {}, pitch = {}, yaw = {} }}".format(*angles.groups())
    if not is_list and path[-1] != "mounting":
        # A decimal comma; the unit that was asked for, and no other; a ratio to one.
        unit = re.search(r"in (\S+)\?$", question.asks)
        text = text.replace(",", ".").removesuffix(unit[1] if unit else ":1").strip()
    try:
        value = tomllib.loads(f"answer = {text}")["answer"]
    except tomllib.TOMLDecodeError:
        return None
    wanted: Any = list if is_list else dict if path[-1] == "mounting" else (int, float)
    return text if isinstance(value, wanted) and not isinstance(value, bool) else None


def is_taken(path: KeyPath, value: str, questions: Sequence[KeyPath]) -> bool:
    """Whether another unit is called so already."""
    if path[0] != "units" or len(path) != 2:
        return False
    others = {str(one[1]) for one in questions if one[0] == "units"} - {str(path[1])}
    return value in others
