"""Before: the plan, the buses, the cautions, the sound; then the run is started."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from canscope.attending.setup import Setup
from canscope.bench import attended
from canscope.bench.adapters import adapters
from canscope.bench.after_folder import look_through
from canscope.bench.pages import page
from canscope.bench.place import Place
from canscope.bench.requests import posted, text_of
from canscope.live.adapters.address import parse_address
from canscope.live.run_folder.earlier_runs import earlier_runs_of
from canscope.live.run_folder.layout import RUN_FILE
from canscope.model.errors import CanscopeError, PlanError
from canscope.plan.card import card
from canscope.plan.load import read_plan
from canscope.plan.plan import Plan

RUNS = "runs"  # the folder for runs: those of one vehicle lie beside each other
SPEEDS = ("1", "2", "5", "20")


def routes(place: Place) -> list[Route]:
    """The page, what earlier runs have shown, and the start."""

    def show(request: Request) -> Response:
        found = look_through(place)
        plans = [name for name in found.plans if not _of_a_run(place, name)]
        name = request.query_params.get("plan") or place.plan or (plans[0] if plans else "")
        plan, mistakes = _read(place, name) if name else (None, ())
        return page(
            request,
            "before.html",
            running=attended.running(place),
            plans=plans,
            name=name,
            plan=plan,
            mistakes=mistakes,
            card=card(plan) if plan else None,
            buses=_buses(plan) if plan else [],
            adapters=adapters(),
            captures=found.captures,
            speeds=SPEEDS,
            free_gb=shutil.disk_usage(place.folder).free / 1e9,
        )

    def earlier(request: Request) -> Response:
        plan = read_plan(place.inside(request.query_params.get("plan", "")))
        return JSONResponse({"said": _earlier(place, plan)})

    async def start(request: Request) -> Response:
        asked = await posted(request)
        await run_in_threadpool(_start, place, asked)
        return JSONResponse({"go": "/during"}, 201)

    return [
        Route("/before", show),
        Route("/before/earlier", earlier),
        Route("/before/start", start, methods=["POST"]),
    ]


def _read(place: Place, name: str) -> tuple[Plan | None, tuple[str, ...]]:
    """The plan, or every mistake of it."""
    try:
        return read_plan(place.inside(name)), ()
    except PlanError as error:
        return None, tuple(str(mistake) for mistake in error.mistakes) or (str(error),)
    except CanscopeError as error:
        return None, (str(error),)


def _of_a_run(place: Place, name: str) -> bool:
    """Whether it is the copy that a recorded run keeps of its plan."""
    return any((folder / RUN_FILE).is_file() for folder in (place.folder / name).parents[:3])


def _buses(plan: Plan) -> list[tuple[str, str]]:
    """Each bus that the plan needs, with its bit rate in words."""
    names = {binding.signal.channel for binding in plan.bench.bindings.values()}
    rates = plan.bench.bitrates
    return [
        (name, f"{rates[name]:,} bit/s" if rates.get(name) else "bit rate not given")
        for name in sorted(names | {*rates})
    ]


def _earlier(place: Place, plan: Plan) -> list[str]:
    """What earlier runs of this vehicle add to this one, in words."""
    shown = earlier_runs_of(place.folder / RUNS / "next", plan.bench.vehicle)
    lines = [f"{name}: how long it turned dry is not known" for name in shown.uncounted]
    if shown.runs:
        dry = ", ".join(f"{unit} {s:.1f} s" for unit, s in shown.turned_dry_s.items())
        lines.append(f"{len(shown.runs)} earlier runs of this vehicle; turned dry: {dry or 'not'}")
    return lines or ["no earlier run of this vehicle"]


def _start(place: Place, asked: dict[str, Any]) -> None:
    """Start the run that is asked for. Raises CanscopeError with what is missing."""
    plan_path = place.inside(text_of(asked, "plan"))
    plan = read_plan(plan_path)
    cautions = card(plan).cautions
    ticked = asked.get("cautions")
    if not isinstance(ticked, list) or not set(cautions) <= {*map(str, ticked)}:
        hint = "read each of them, with everybody at the vehicle, and tick it"
        raise CanscopeError("the cautions were not all acknowledged", hint=hint)
    who = text_of(asked, "who", 100).strip()
    if not who:
        raise CanscopeError("who records?", hint="write a name: it stands in the run's papers")
    now = datetime.now(UTC).strftime("%Y-%m-%d %H:%M:%S UTC")
    about = {"who": who, "note": text_of(asked, "note").strip()}
    about["cautions"] = f"{len(cautions)} acknowledged by {who}, {now}"
    ticks = asked.get("ticks")
    setup = Setup(
        _next_run(place),
        _addresses(place, asked),
        plan_path,
        text_of(asked, "not_silent").strip(),
        about,
    )
    done = {str(k): True for k, v in ticks.items() if v is True} if isinstance(ticks, dict) else {}
    attended.start(place, setup, heard=asked.get("heard") is True, ticks=done)


def _addresses(place: Place, asked: dict[str, Any]) -> tuple[str, ...]:
    """The buses as the recorder takes them: adapters, or one capture that is replayed."""
    replay = text_of(asked, "replay")
    if replay:
        speed = text_of(asked, "speed") or "1"
        if speed not in SPEEDS:
            raise CanscopeError(f"{speed} is no speed", hint=f"one of {', '.join(SPEEDS)}")
        return (f"*=replay:{place.inside(replay)}@{speed}",)
    given = asked.get("buses")
    if not isinstance(given, dict) or not given:
        hint = "choose an adapter for each bus, or rehearse with a capture"
        raise CanscopeError("no bus to record", hint=hint)
    for name, address in given.items():
        if not isinstance(address, str) or not address.strip():
            hint = "write it as socketcan:can0 or slcan:/dev/ttyACM0"
            raise CanscopeError(f"{name}: no adapter was chosen", hint=hint)
        if address.startswith("replay:"):
            raise CanscopeError(f"{name}: a capture is no adapter", hint="rehearse with it instead")
    texts = tuple(f"{name}={address.strip()}" for name, address in given.items())
    for text in texts:
        parse_address(text)  # refused here, before a process is started for it
    return texts


def _next_run(place: Place) -> Path:
    """A folder of the next free number."""
    folder = place.folder / RUNS
    names = [path.name for path in folder.iterdir()] if folder.is_dir() else []
    number = max((int(name) for name in names if name.isdecimal()), default=0) + 1
    return folder / f"{number:04}"
