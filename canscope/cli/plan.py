"""Draft a bench plan, explain every mistake of one, or print its card of steps."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canscope.cli import _plan_new
from canscope.cli._options import command
from canscope.model.bench import Binding, Kind

WIDE = 160

if TYPE_CHECKING:
    from canscope.plan.coverage import Prospect
    from canscope.plan.plan import Plan


def add(subparsers: Any) -> None:
    """Tell the command line what this verb takes."""
    parser = command(subparsers, "plan", __doc__, _plan_new.EXAMPLE)
    tasks = parser.add_subparsers(dest="task", metavar="TASK", required=True)
    _plan_new.add(tasks)
    check = command(
        tasks,
        "check",
        "Every mistake of a plan, or what it can prove.",
        "canscope plan check bench.toml --rules",
    )
    card = command(
        tasks,
        "card",
        "The steps at the vehicle, in order, to print on A4.",
        "canscope plan card bench.toml --out card.html",
    )
    for task in (check, card):
        task.add_argument("plan", type=Path, metavar="PLAN", help="the bench plan (TOML)")
    check.add_argument("--rules", action="store_true", help="list what every rule needs as well")
    check.add_argument("--marks", type=Path, help="marks of a run, JSON Lines, checked as well")
    card.add_argument(
        "--out", type=Path, metavar="F", help="write one HTML page (default: text on the terminal)"
    )


def run(args: argparse.Namespace) -> int:
    """Draft a plan, check one or print its card; 0, or 2 with every mistake."""
    if args.task == "new":
        return _plan_new.run(args)
    from canscope.model.errors import PlanError
    from canscope.plan.load import read_plan
    from canscope.report.wording import visible

    try:
        plan = read_plan(args.plan, marks=getattr(args, "marks", None))
    except PlanError as error:
        for mistake in error.mistakes:
            for line in str(mistake).splitlines():
                print(visible(line), file=sys.stderr)
        asked = sum("open question: " in str(mistake) for mistake in error.mistakes)
        if asked == len(error.mistakes):
            print(f'\n{asked} open: write each answer in place of its "?"', file=sys.stderr)
        else:
            print(f"\n{error.what}", file=sys.stderr)
        return 2
    return _card(plan, args.out) if args.task == "card" else _check(plan, rules=args.rules)


def _card(plan: Plan, out: Path | None) -> int:
    from canscope.model.errors import ReportError, Where
    from canscope.plan.card import card
    from canscope.plan.card_text import as_html, as_text

    if out is None:
        print(as_text(card(plan)), end="")
        return 0
    try:
        out.write_text(as_html(card(plan)), "utf-8")
    except OSError as error:
        what = f"cannot be written: {error.strerror or error}"
        raise ReportError(what, where=Where(str(out)), hint="name another file") from error
    from canscope.report.wording import one_line

    print(one_line(f"written: {out}"))
    return 0


def _check(plan: Plan, *, rules: bool) -> int:
    from rich.console import Console
    from rich.text import Text

    from canscope.plan.coverage import prospects
    from canscope.report.wording import one_line

    console = Console()
    if not console.is_terminal:
        console = Console(width=WIDE)  # a file or a pipe has no edge to fold names at

    def say(text: str, style: str = "") -> None:
        # Text, never markup: a signal named [red] stays what it is.
        console.print(Text(one_line(text), style), soft_wrap=True)

    bench = plan.bench
    say(f"{bench.vehicle}, stage {bench.stage}: the plan can be used", "bold green")
    say(f"coolant {bench.coolant}, oil {bench.oil}")
    for unit, facts in zip(bench.units, plan.mounting, strict=True):
        sense = "kept" if unit.sign > 0 else "reversed"
        turned = f"axle line y {facts['y']:+.3f}"
        say(f"unit {unit.name}: {turned}; the sign of its speed and torque is {sense}")
        if facts["caution"]:
            say(f"  {facts['caution']}", "yellow")
    console.print(_role_table(plan))
    for line in _no_values(plan):
        say(line)
    found = [prospect for prospect in prospects(plan) if prospect.required]
    for line, style in _provable(found):
        say(line, style)
    for line in _by_hand(plan, found):
        say(line, "cyan")
    for one in plan.looser:
        say(f"looser than usual: {one.text}", "yellow")
    for rule, reason in bench.off.items():
        say(f"off: {rule}: {reason}", "cyan")
    for warning in plan.warnings:
        say(f"warning: {warning}", "yellow")
    if rules:
        console.print(_rules_table(plan))
    return 0


def _no_values(plan: Plan) -> Iterator[str]:
    """Which raw codes of each role count as no value, so that a wrong one is seen."""
    for binding in plan.bench.bindings.values():
        spec = binding.signal
        absent, labels = spec.absent, spec.labels
        words = {"j1939": ["the codes of J1939"], "maximum": ["its highest code"]}
        means_any = not spec.is_float and (absent.kind == "maximum" or not spec.signed)
        listed = list(words.get(absent.kind, [])) if means_any else []
        listed += (f"{code} {labels.get(code, '')}".strip() for code in absent.codes)
        if listed:
            yield f"no value: {binding.role}: {', '.join(listed)}"


def _rules_table(plan: Plan) -> Any:
    """Every rule: the roles it needs, the stages that require it, and how it stands here."""
    from rich.table import Table

    from canscope.plan.coverage import needs_of, prospects

    found = list(prospects(plan))
    table = Table(show_edge=False, pad_edge=False)
    for name in ("rule", "needs", "required in", "with this plan"):
        table.add_column(name, overflow="fold")
    for rule in plan.rules:
        needs, own = needs_of(rule), [one for one in found if one.rule == rule]
        here = "can be proven" if own else "not applicable"
        if obstacles := dict.fromkeys(one.obstacle for one in own if one.obstacle):
            here = "; ".join(obstacles)
        roles = ", ".join(needs.roles) or "frames of a bus"
        table.add_row(rule, roles, ", ".join(needs.required_in) or "no stage", here)
    return table


def _by_hand(plan: Plan, found: list[Prospect]) -> Iterator[str]:
    """What no bus of this vehicle will ever answer, and what a person does instead."""
    from canscope.draft.overlooked import overlooked
    from canscope.model.roles import role_of

    bench, found_like = plan.bench, overlooked(plan)
    for role in bench.not_on_vehicle:
        rules = dict.fromkeys(prospect.rule for prospect in found if role in prospect.lacks)
        resting = f" ({', '.join(rules)})" if rules else ""
        yield f"never by bus: {role}{resting}; by hand: {role_of(role).hand_check}"
        if role in found_like:
            yield f"but {found_like[role]} looks like {role}: bind it, if it is sent"
    if bench.units and not bench.has("driver.direction") and bench.stage != "power-up":
        yield "no signal for driver.direction: marks with asked = say what was requested"


def _role_table(plan: Plan) -> Any:
    from rich.table import Table
    from rich.text import Text

    from canscope.report.wording import one_line

    table = Table(show_edge=False, pad_edge=False)
    for name in ("role", "signal", "read as", "cycle"):
        table.add_column(name, overflow="fold")
    for binding in plan.bench.bindings.values():
        cycle = "learned" if binding.cycle_ns is None else f"{binding.cycle_ns / 1e6:g} ms"
        cells = (binding.role, binding.key, " ".join(_reading(binding)), cycle)
        table.add_row(*(Text(one_line(cell)) for cell in cells))
    return table


def _reading(binding: Binding) -> Iterator[str]:
    """How a binding turns a signal into its role's value, in words."""
    if binding.codes:
        values = {1.0: "true", 0.0: "false"}
        if binding.kind is Kind.DIRECTION:
            values = {1.0: "forward", -1.0: "reverse", 0.0: "neutral"}
        yield ", ".join(f"{code} {values[value]}" for code, value in binding.codes.items())
        return
    if not binding.unit:
        yield "raw code"
        return
    yield binding.unit
    unit = binding.signal.unit or "no unit"
    if (binding.factor, binding.offset) != (1.0, 0.0):
        yield f"= {unit} * {binding.factor:.6g}"
        if binding.offset:
            yield f"{binding.offset:+.6g}"
    elif unit != binding.unit:
        yield f"= {unit}"
    if binding.u:
        yield f"(+-{binding.u:.3g})"


def _provable(found: list[Prospect]) -> Iterator[tuple[str, str]]:
    """Required rules that a run can prove, then what it cannot, and why."""
    rules = list(dict.fromkeys(prospect.rule for prospect in found))
    cannot = [prospect for prospect in found if not prospect.provable]
    whole = [rule for rule in rules if rule not in {prospect.rule for prospect in cannot}]
    yield f"required and provable: {', '.join(whole) or 'nothing'}", "green"
    for p in cannot:
        accepted = f", accepted by {p.accepted}" if p.accepted else ""
        yield f"stays unproven: {p.rule}, {p.subject}: {p.obstacle}{accepted}", "bold yellow"
