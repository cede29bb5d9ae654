"""Puts the report of a closed run together: findings, diagnosis, what is shown, what was used."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from typing import Any

import canscope
from canscope.judge import inferred
from canscope.judge.diagnosis import MOST, diagnose
from canscope.judge.facts import Counts, Source, role_facts, rule_facts, unanchored
from canscope.judge.first_look import look_first
from canscope.judge.judge import Judge
from canscope.judge.ledger import Ledger
from canscope.judge.misfit import misfits
from canscope.judge.verdict import findings_of, lacking, overall, waive, waive_absent
from canscope.model.bench import Bench, Mark
from canscope.model.findings import BY_LINKS, LIVE, Finding, Verdict
from canscope.model.report import ANCHOR, HandCheck, Input, Report
from canscope.model.roles import role_of
from canscope.model.tables import SECOND_NS as S
from canscope.plan.plan import Plan, Waiver
from canscope.rules import topics
from canscope.rules.shared.links import CLOCKS_NS

SOON_S = CLOCKS_NS / S  # by which marks may differ as well


def assemble(
    judge: Judge, plan: Plan, counts: Counts, capture: Source | None, written_at: str
) -> Report:
    """The report of a run that is closed."""
    bench, ledger, exhibits = plan.bench, judge.ledger, judge.exhibits
    silenced = not_run(plan)
    found = findings_of(ledger)
    off_failed = tuple(
        dict.fromkeys(f.rule for f in found if f.rule in silenced and f.verdict is Verdict.FAIL)
    )
    contradicted = {f.roles[0] for f in found if f.rule == ANCHOR and f.verdict is Verdict.FAIL}
    found = [finding for finding in found if finding.rule not in silenced]
    findings = waive_absent(ledger, waive(found, _waivers(plan)))
    off = {name: reason for name, reason in bench.off.items() if plan.rules[name].applies(bench)}
    looser = tuple(one for one in plan.looser if plan.rules[one.rule].applies(bench))
    verdict, headline, waived = overall(
        findings, looser=len(looser), off=len(off), off_failed=off_failed
    )
    roles = role_facts(ledger, findings, contradicted)
    causes = diagnose(findings, [unit.name for unit in bench.units], ledger.rules)
    facts = counts.facts(capture, len(ledger.healths))
    unfit = tuple(misfits(bench, facts))
    inputs = (*(capture.inputs if capture else ()), *plan.inputs)
    return Report(
        verdict=verdict,
        headline=headline,
        waived=waived,
        stage=bench.stage,
        vehicle=bench.vehicle,
        findings=tuple(findings),
        not_applicable=_not_applicable(plan, findings),
        bursts=tuple(sorted(exhibits.bursts, key=lambda burst: (burst.start_s, burst.unit))),
        capture=facts,
        inputs=inputs,
        version=canscope.__version__,
        job=dict(plan.job),
        conditions=_conditions(plan),
        look_first=(*unfit, *look_first(findings, causes, ledger.rules))[:MOST],
        misfits=unfit,
        diagnosis=causes,
        events=exhibits.events.rows(ledger.origin),
        roles=roles,
        rules=tuple(rule_facts(plan)),
        topics=topics(),
        plots=dict(exhibits.plots(findings, ledger, judge.until_ns)),
        course=exhibits.course(ledger, judge.until_ns),
        marks=tuple(_mark_rows(judge.marks, ledger.origin)),
        cautions=tuple(m["caution"] for m in plan.mounting if m.get("caution")),
        warnings=(
            *_live(findings),
            *_not_told_apart(judge, bench),
            *plan.warnings,
            *_left_out(bench, counts),
            *exhibits.unlisted(),
            *ledger.notes(),
            *inferred.told(bench, findings, ledger.subjects),
        ),
        plan_text=plan.text,
        written_at=written_at,
        unique_id=_unique_id(inputs, verdict, written_at),
        mounting=tuple(plan.mounting),
        looser=looser,
        switched_off=off,
        off_failed=off_failed,
        unanchored=unanchored(roles),
        not_on_vehicle=tuple(_hand_checks(ledger, findings)),
    )


def _live(findings: Sequence[Finding]) -> Iterator[str]:
    """Links that were live as the recording ended, where no first sentence tells of them."""
    for finding in findings:
        if finding.code == LIVE and not finding.required:
            yield f"{finding.subject}: {finding.doubt}"


def _not_told_apart(judge: Judge, bench: Bench) -> Iterator[str]:
    """That no person looked at an axle while it turned by itself.

    Two axles whose buses are exchanged read the same if they always turn together.
    """
    bursts, origin_ns = judge.exhibits.bursts, judge.ledger.origin
    names = list(dict.fromkeys(burst.unit for burst in bursts))
    if len(names) < 2 or bench.stage == "rolling":  # where none can turn by itself
        return
    for mark in judge.marks:
        at_s = (mark.time_ns - origin_ns) / 1e9
        turned = {
            b.unit for b in bursts if b.start_s - SOON_S <= at_s <= b.start_s + b.length_s + SOON_S
        }
        if turned == {mark.axle} and mark.seen in ("forward", "reverse"):
            return
    yield (
        f"nothing in this run tells {' and '.join(names)} apart: no person marked one of them while"
        " it turned by itself, so that exchanged buses would read the same; let one turn alone, as"
        " in unit-alone, and mark it"
    )


def _left_out(bench: Bench, counts: Counts) -> Iterator[str]:
    """Buses that were recorded and on which the plan binds nothing, as of a unit that it forgot."""
    bound = {binding.signal.channel for binding in bench.bindings.values()}
    for channel, frames in counts.channels.items():
        if frames and bound and channel not in bound:
            yield (
                f"{channel}: {frames} frames were recorded, and the plan binds no signal of this "
                "bus: what is on it, such as another drive unit, was not judged"
            )


def not_run(plan: Plan) -> frozenset[str]:
    """Rules that are off and not required: judged only to say whether they would have failed.

    A rule that is silent unless something happens is required once it does, so it counts although
    it is off.
    """
    bench, rules = plan.bench, plan.rules
    return frozenset(
        name
        for name in bench.off
        if not rules[name].required(bench) and not rules[name].silent(bench)
    )


def _hand_checks(ledger: Ledger, findings: Sequence[Finding]) -> Iterator[HandCheck]:
    """Each role that is not on this vehicle, with what rests on it and what answers it by hand."""
    unbound = [
        (f, lacking(ledger, f)) for f in findings if f.reason == "not-bound" or f.code == BY_LINKS
    ]
    for role, absent in ledger.bench.not_on_vehicle.items():
        resting = tuple(f"{f.rule}, {f.subject}" for f, lacks in unbound if role in lacks)
        yield HandCheck(role, absent.reason, absent.by, role_of(role).hand_check, resting)


def _waivers(plan: Plan) -> list[Waiver]:
    """Those that the plan lists; a rule that is switched off is waived by the tester."""
    tester = str(plan.job.get("tester", "the tester"))
    off = plan.bench.off.items()
    return [*plan.waivers, *(Waiver(name, None, reason, tester) for name, reason in off)]


def _not_applicable(plan: Plan, findings: Sequence[Finding]) -> tuple[str, ...]:
    answered = {finding.rule for finding in findings}
    return tuple(name for name in plan.rules if name not in answered)


def _mark_rows(marks: Sequence[Mark], origin_ns: int) -> Iterator[dict[str, Any]]:
    for mark in marks:
        at_s = (mark.time_ns - origin_ns) / 1e9
        asked = {"asked": mark.asked} if mark.asked else {}
        yield {"at_s": at_s, "axle": mark.axle, "seen": mark.seen, **asked, "text": mark.text}


def _conditions(plan: Plan) -> dict[str, Any]:
    bench = plan.bench
    return {
        "coolant": bench.coolant,
        "oil": bench.oil,
        "ambient_degC": bench.ambient_degC,
        "first run of the day": bench.cold,
        **_request(plan),
    }


def _request(plan: Plan) -> dict[str, str]:
    """Where the requested direction comes from, if it is not the lever's own signal."""
    if plan.bench.commanded:
        return {"requested direction": "as the controller commands it, not the lever itself"}
    if "driver.direction" not in plan.bench.bindings:
        return {"requested direction": "as persons marked it (asked); no signal is bound to it"}
    return {}


def _unique_id(inputs: tuple[Input, ...], verdict: str, written_at: str) -> str:
    text = "|".join([*(i.sha256 for i in inputs), verdict, written_at, canscope.__version__])
    return f"CS-{hashlib.sha256(text.encode()).hexdigest()[:12].upper()}"
