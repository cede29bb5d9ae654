"""Before, where there is no plan yet: a draft from a capture and definitions, as a form."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from canscope.bench.after_folder import look_through
from canscope.bench.pages import page
from canscope.bench.place import Place
from canscope.bench.requests import posted, text_of
from canscope.capture.read import read_capture
from canscope.draft.answers import in_words, is_taken, value_of
from canscope.draft.choices import Choice, Match
from canscope.draft.page import HEIGHT, WIDTH, points
from canscope.draft.plan import Draft, draft_plan
from canscope.model.errors import CanscopeError, Where
from canscope.plan.lines import KeyPath
from canscope.plan.mistakes import dotted
from canscope.plan.questions import question_at

MOST_FILES = 20
_one = threading.Lock()  # a draft takes a whole processor


def routes(place: Place) -> list[Route]:
    """The form; what is posted gives the draft so far, or writes it."""

    def show(request: Request) -> Response:
        found = look_through(place)
        return page(
            request,
            "draft.html",
            captures=found.captures,
            definitions=found.definitions,
            width=WIDTH,
            height=HEIGHT,
        )

    async def answer(request: Request) -> Response:
        asked = await posted(request)
        return JSONResponse(await run_in_threadpool(_answered, place, asked))

    return [
        Route("/before/draft", show),
        Route("/before/draft", answer, methods=["POST"]),
    ]


def _answered(place: Place, asked: dict[str, Any]) -> dict[str, Any]:
    """The draft with these choices and answers. Raises CanscopeError where files are missing."""
    files = asked.get("definitions")
    if not isinstance(files, list) or not 0 < len(files) <= MOST_FILES:
        hint = "tick the files that describe the signals of this vehicle"
        raise CanscopeError("without definitions there are no signals to bind", hint=hint)
    paths = tuple(str(place.inside(str(name))) for name in files)
    capture = text_of(asked, "capture")
    target = _target(place, text_of(asked, "to", 200) or "bench.toml")
    with _one:
        fresh = _drafted(str(place.inside(capture)) if capture else "", paths)
    draft = Draft(fresh.inventory, fresh.matches, target.parent)
    draft = _chosen(draft, asked.get("roles"))
    answers, wrong, said = _answers(draft, asked.get("answers"))
    if asked.get("write") is True:
        _write(target, draft.text(answers))
        return {"written": place.name_of(target)}
    return {
        "roles": [_role(draft, choice) for choice in draft.matches.choices.values()],
        "questions": [
            {
                **_question(draft, path),
                "said": said.get(dotted(path), ""),
                "answered": path in answers,
            }
            | {"wrong": wrong.get(dotted(path), "")}
            for path in _paths(draft, answers)
        ],
        "open": len(draft.questions(answers)),
        "unused": [Path(file).name for file in draft.inventory.unused],
    }


@lru_cache(maxsize=2)
def _drafted(capture: str, definitions: tuple[str, ...]) -> Draft:
    """The draft before anybody chose or answered."""
    frames: Any = read_capture(capture) if capture else ()
    return draft_plan(frames, definitions)


def _target(place: Place, name: str) -> Path:
    path = place.new(name if name.endswith(".toml") else f"{name}.toml")
    if path.exists() or not path.parent.is_dir():
        hint = "a plan is never overwritten: choose another name"
        raise CanscopeError("the plan cannot be written there", where=Where(name), hint=hint)
    return path


def _write(target: Path, text: str) -> None:
    try:
        with target.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except OSError as error:
        what = f"cannot be written: {error.strerror or error}"
        raise CanscopeError(what, where=Where(target.name), hint="choose another name") from error


def _chosen(draft: Draft, roles: object) -> Draft:
    """The draft with other signals for some roles; an empty one leaves the role open."""
    choices = dict(draft.matches.choices)
    for role, key in roles.items() if isinstance(roles, Mapping) else ():
        if role in choices:
            every = _matches(choices[role])
            taken = next((one for one in every if one.candidate.key == key), None)
            choices[role] = Choice(role, taken, tuple(one for one in every if one is not taken))
    return replace(draft, matches=replace(draft.matches, choices=choices))


def _matches(choice: Choice) -> list[Match]:
    return [*([choice.taken] if choice.taken else []), *choice.others]


def _role(draft: Draft, choice: Choice) -> dict[str, Any]:
    """One role with its candidates, each with how sure it is and its little curve."""
    end_ns = draft.inventory.end_ns
    return {
        "role": choice.role,
        "taken": choice.taken.candidate.key if choice.taken else "",
        "candidates": [
            {
                "key": one.candidate.key,
                "percent": one.percent,
                "why": one.why,
                "curve": points(one.candidate.facts.course, end_ns) if end_ns else "",
            }
            for one in _matches(choice)[:5]
        ],
    }


def _paths(draft: Draft, answers: Mapping[KeyPath, str]) -> list[KeyPath]:
    """The questions, answered ones included, in the order of the plan."""
    names = {name: path[1] for path, name in answers.items() if path[0] == "units"}
    order = [dotted(path) for path in draft.questions()]

    def place(path: KeyPath) -> int:
        first = (path[0], names.get(str(path[1]), path[1]), *path[2:]) if len(path) > 1 else path
        return order.index(dotted(first)) if dotted(first) in order else len(order)

    return sorted(dict.fromkeys([*answers, *draft.questions(answers)]), key=place)


def _question(draft: Draft, path: KeyPath) -> dict[str, Any]:
    question = question_at(path)
    files = [Path(file).name for file in draft.files_of(str(path[1]))] if path[0] == "buses" else []
    return {
        "path": dotted(path),
        "asks": in_words(question, path),
        "form": question.form,
        "choices": files or [choice.strip('"') for choice in question.choices],
    }


def _answers(
    draft: Draft, said: object
) -> tuple[dict[KeyPath, str], dict[str, str], dict[str, str]]:
    """The answers as the plan writes them, what is wrong with others, and all that was said."""
    answers: dict[KeyPath, str] = {}
    wrong: dict[str, str] = {}
    texts = {str(k): str(v).strip() for k, v in said.items()} if isinstance(said, Mapping) else {}
    left = True
    while left:  # an answer may bring up another question, or rename what the next one is about
        left = False
        for path in draft.questions(answers):
            name = dotted(path)
            if not texts.get(name) or name in wrong:
                continue
            value = value_of(question_at(path), path, texts[name], draft)
            names = {said for one, said in answers.items() if one[0] == "units" and len(one) == 2}
            named_twice = path[0] == "units" and len(path) == 2 and value in names
            if value is None or named_twice or is_taken(path, value, draft.questions(answers)):
                wrong[name] = "this cannot be read as an answer"
                continue
            answers[path], left = value, True
            if path[0] == "units" and len(path) == 2:  # what was said of it is under its new name
                texts |= {
                    key.replace(name, f"units.{value}", 1): text
                    for key, text in texts.items()
                    if key.startswith(f"{name}.")
                }
            break
    return answers, wrong, texts
