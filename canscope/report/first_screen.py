"""What the first screen shows: what to look at first, probable causes, what was proven."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from canscope.model.bench import STAGES
from canscope.model.findings import Finding, mend
from canscope.model.quantities import STATE
from canscope.model.report import Report
from canscope.report.wording import (
    STATE_WORDS,
    decides,
    measured,
    number,
    state,
    why,
    worst_first,
)

OTHER = "Other"  # row of the proof matrix for rules of no topic
AXLE_RULES = ("axle-direction", "axle-witness")
DIRECTIONS = ("forward", "reverse")
SOME = 3  # times of one kind that are told; the list of events has all of them
ROW_WORDS = {
    **STATE_WORDS,
    "partly": "proven in part",
    "advice": "unproven, not required",
    "absent": "nothing judged",
}
LEAD_WORDS = {"pass": "Proven", "fail": "Wrong", "unproven": "Missing"}
VERDICT_SHAPES = {"pass": "proven", "fail": "failed", "unproven": "unproven"}


@dataclass(frozen=True)
class Lead:
    """One sentence in large words and the finding that it is about."""

    text: str
    finding: Finding | None = None


@dataclass(frozen=True)
class Likely:
    """A probable cause; check and findings are None where the cause beside it shows the same."""

    text: str
    check: str | None
    explains: tuple[Finding, ...] | None


@dataclass(frozen=True)
class TopicRow:
    """One row of the proof matrix."""

    name: str
    state: str  # a key of ROW_WORDS
    open: tuple[Finding, ...]  # failed, unproven or accepted, the worst first
    advice: tuple[Finding, ...]
    proven: tuple[Finding, ...]
    absent: tuple[str, ...]  # rules that do not apply

    @property
    def proven_rules(self) -> list[str]:
        """The rules that proved something, each once."""
        return list(dict.fromkeys(finding.rule for finding in self.proven))

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing to say."""
        return not (self.open or self.advice or self.proven or self.absent)


def leads(report: Report) -> list[Lead]:
    """What is wrong, else what is missing, the most important first; nothing for a pass."""
    found = [_lead(report, text) for text in report.look_first]
    if found:
        return found
    open_ones = [f for f in worst_first(report.findings) if state(f) in ("failed", "unproven")]
    return [Lead(finding.short or finding.sentence, finding) for finding in open_ones[:3]]


def _lead(report: Report, text: str) -> Lead:
    """A sentence of ``look_first`` in short words, with what it says of further findings."""
    finding = report.lead(text)
    if finding is None:
        return Lead(text)
    also = text.removeprefix(finding.sentence)
    return Lead((finding.short or finding.sentence) + also, finding)


def do_now(report: Report) -> str:
    """The next thing to do, in one sentence."""
    if report.misfits:
        return "Give the plan and the recording that belong together, and check again."
    found = leads(report)
    checks = []
    for lead in found[:1]:  # what is most urgent, with the cause that explains it
        name = lead.finding and f"{lead.finding.rule}, {lead.finding.subject}"
        checks += [cause.check for cause in report.diagnosis if name in cause.findings]
        # A lead that no cause explains comes first for what it is itself.
        checks += [_own_check(lead)] if not checks else []
    checks += [cause.check for cause in report.diagnosis]
    checks += map(_own_check, found)
    text = next(filter(None, checks), "")
    if report.verdict == "fail":
        return f"Do not go on. {_sentence(text)}".rstrip()
    last = report.stage == STAGES[-1]
    go_on = "and sign" if last else "sign, and go on to the next stage"
    return _sentence(text) or f"Read the cautions{' ' if last else ', '}{go_on}."


def _own_check(lead: Lead) -> str:
    """What to do about a lead by itself."""
    finding = lead.finding
    if finding is None:
        return ""
    if state(finding) == "unproven":
        return mend(finding.reason, finding.code) or finding.next
    return finding.next


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:].rstrip('.')}." if text else ""


def likely(report: Report) -> list[Likely]:
    """The probable causes, each with the check that decides and the findings it explains.

    None where recording and plan do not belong together: nothing else explains anything then.
    """
    shown: list[Likely] = []
    if report.misfits:
        return shown
    for place, found in enumerate(report.diagnosis):
        earlier = {cause.findings for cause in report.diagnosis[:place]}
        explains = [f for f in report.findings if f"{f.rule}, {f.subject}" in found.findings]
        shown.append(
            Likely(
                found.cause[:1].upper() + found.cause[1:],
                found.check if decides(report.diagnosis, place) else None,
                None if found.findings in earlier else tuple(explains),
            )
        )
    return shown


def topics(report: Report) -> list[list[TopicRow]]:
    """The rows of the proof matrix, one object in each of their three cells."""
    rest = [f for f in report.findings if not (f.rule in AXLE_RULES and _axle(f))]
    home = {rule: topic for topic, rules in report.topics.items() for rule in rules}
    rows = []
    for topic in (*report.topics, OTHER):
        members = [finding for finding in rest if home.get(finding.rule, OTHER) == topic]
        absent = [rule for rule in report.not_applicable if home.get(rule, OTHER) == topic]
        if members or absent or topic != OTHER:
            rows.append(_topic(topic, members, absent))
    return [[row] * 3 for row in rows]


def _topic(topic: str, members: Sequence[Finding], absent: Sequence[str]) -> TopicRow:
    by_state: dict[str, list[Finding]] = {}
    for finding in worst_first(members):
        by_state.setdefault(state(finding), []).append(finding)
    advice, proven = by_state.pop("advice", []), by_state.pop("proven", [])
    is_open = [finding for findings in by_state.values() for finding in findings]
    return TopicRow(
        topic, _together(members), tuple(is_open), tuple(advice), tuple(proven), tuple(absent)
    )


@dataclass(frozen=True)
class AxleCell:
    """What CAN or a person says of an axle in one direction."""

    state: str  # a key of ROW_WORDS
    words: str
    finding: Finding


def axles(report: Report) -> list[list[str | AxleCell | None]]:
    """A row an axle: its name; in each direction what CAN says and what a person saw."""
    placed = {(f.rule, _axle(f)): f for f in report.findings if f.rule in AXLE_RULES and _axle(f)}
    names = dict.fromkeys(axle[0] for _, axle in placed if axle)
    cells = [(rule, direction) for direction in DIRECTIONS for rule in AXLE_RULES]
    return [
        [name, *(_cell(placed, rule, name, direction) for rule, direction in cells)]
        for name in names
    ]


def _cell(
    placed: Mapping[tuple[str, tuple[str, str] | None], Finding],
    rule: str,
    axle: str,
    direction: str,
) -> AxleCell | None:
    """A person who saw what CAN says confirms a wrong direction as well as a right one."""
    finding = placed.get((rule, (axle, direction)))
    if finding is None:
        return None
    by_can = placed.get(("axle-direction", (axle, direction)))
    short = state(finding)
    if rule == "axle-witness" and short == "proven":
        if by_can is not None and state(by_can) == "failed":
            return AxleCell("failed", "a person saw the wrong way as well", finding)
        return AxleCell(short, f"a person saw {direction}", finding)
    return AxleCell(short, STATE_WORDS[short], finding)


def key_numbers(report: Report) -> list[tuple[str, str]]:
    """The numbers that matter at the vehicle, each with its name; none where nothing was judged."""
    found: dict[tuple[str, str], Finding] = {f.key: f for f in report.findings}
    numbers = []
    for unit in dict.fromkeys(burst.unit for burst in report.bursts):
        bursts = [burst for burst in report.bursts if burst.unit == unit]
        turns = []
        for direction in DIRECTIONS:
            speeds = [b.peak_speed_rpm for b in bursts if b.requested == direction]
            known = [abs(speed) for speed in speeds if speed is not None]
            if known:
                witness = found.get(("axle-witness", f"{unit} {direction}"))
                seen = ", seen" if witness and state(witness) == "proven" else ", nobody saw it"
                turns.append(f"{direction} to {max(known):.0f} rpm{seen}")
        turning_s = sum(burst.length_s for burst in bursts)
        numbers.append((f"{unit} axle", "; ".join([*turns, f"turned {turning_s:.0f} s in all"])))
    turned = [event for event in report.events if event.by_hand]
    for unit in dict.fromkeys(event.by_hand for event in turned):
        times = [f"{event.at_s:.1f} s" for event in turned if event.by_hand == unit]
        also = f" and {len(times) - SOME} more" if len(times) > SOME else ""
        text = f"turned at {', '.join(times[:SOME])}{also} with all contactors open: if nobody "
        numbers.append((f"{unit} axle by hand", text + "turned it then, find out what did"))
    lowest = [b.lowest_voltage_V for b in report.bursts if b.lowest_voltage_V is not None]
    highest = [b.peak_current_A for b in report.bursts if b.peak_current_A is not None]
    if lowest:
        numbers.append(("lowest pack voltage while turning", f"{min(lowest):.1f} V"))
    if highest:
        numbers.append(("highest pack current while turning", f"{max(map(abs, highest)):.1f} A"))
    heat = [
        fact for fact in report.roles if ".temperatures." in fact.role and fact.highest is not None
    ]
    if heat:
        hottest = max(heat, key=lambda fact: fact.highest or 0.0)
        name = " ".join(hottest.role.removeprefix("units.").split(".temperatures."))
        rise = found.get(("temperature-rise", name))
        grew = f", {rise.measured:.1f} K more than cold" if rise and rise.measured else ""
        numbers.append(("hottest part", f"{name}, {hottest.highest:.1f} °C{grew}"))
    capture = report.capture
    lost = f"{capture.skipped} unreadable, {capture.dropped} lost"
    numbers.append(("recording", f"{capture.frames} frames, {lost}"))
    return numbers


def _axle(finding: Finding) -> tuple[str, str] | None:
    axle, _, direction = finding.subject.rpartition(" ")
    return (axle, direction) if axle and direction in DIRECTIONS else None


def reason(finding: Finding) -> str:
    """In short what failed, or why it is unproven; empty for what is proven."""
    if state(finding) == "failed" and finding.unit == STATE:  # a yes or no has no useful number
        return finding.sentence
    if state(finding) == "failed":
        limit = (
            f", limit {number(finding.limit, finding.unit)}" if finding.limit is not None else ""
        )
        return f"{measured(finding)}{limit}"
    return why(finding)


def _together(members: Iterable[Finding]) -> str:
    """The state of a row: the worst of its findings; an optional unproven leaves it in part."""
    states = {state(finding) for finding in members}
    for worst in ("failed", "unproven", "accepted"):
        if worst in states:
            return worst
    if states == {"proven"}:
        return "proven"
    if "proven" in states:
        return "partly"
    return "advice" if states else "absent"
