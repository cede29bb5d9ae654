"""Findings: a rule's answer about one subject, ready to be read months later."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any


class Verdict(StrEnum):
    """What is known of a subject; nothing missing ever reads as a pass."""

    PASS = "pass"
    FAIL = "fail"
    UNPROVEN = "unproven"


# Why a subject is unproven, and how a person would say it.
REASONS: Mapping[str, str] = {
    "not-bound": "the plan binds no signal to it",
    "not-seen": "its message never came",
    "not-exercised": "it never happened in this run",
    "stale": "its values stopped coming in time",
    "not-available": "the node itself said that it has no value",
    "out-of-range": "its values left the range that the definition declares",
    "sensor-suspect": "the sensor cannot be believed",
    "too-close-to-call": "the distance to the limit is smaller than its uncertainty",
    "capture-damaged": "the recording is damaged here",
    "no-limit": "the plan gives no limit",
    "inferred": "it can only be inferred, not seen",
}

# Where the reason, or what exactly is doubted (``Finding.code``), itself says what to do before the
# run is repeated.
MENDS: Mapping[str, str] = {
    "capture-damaged": "look at the recording's gaps and clocks in this report, then record again",
    "not-bound": (
        "bind it to a signal in the plan, or answer it by hand and list it there under"
        " [not_on_this_vehicle] with reason and name"
    ),
    "not-seen": "find out why its message never came: the node's supply, its plug, the right bus",
    "stale": "find out why its message stopped coming, then record again",
    "not-available": "find out why the node has no value, then record again",
    "out-of-range": "compare the value with an instrument, and the definition with its source",
    "sensor-suspect": (
        "compare the sensor with an instrument while its value changes, look at its plug, then"
        " record again"
    ),
    # What exactly is doubted; where it has a line of its own, that of the reason does not fit.
    "heard-late": (
        "start to record before the ignition is switched on, and look whether all of this bus comes"
        " late: then its adapter's clock is not that of the others"
    ),
    "late": (
        "find out what delays this reading (a filter, a gateway, a slow node, an adapter's clock),"
        " then record again"
    ),
    "declared-code": (
        "compare the codes that the plan calls no value with the description of the node: one of"
        " them may be a true value"
    ),
    "unlisted-code": "look up what this code means in the description of its node, and list it",
    "suspect-state": (
        "with the pack isolated, have each contactor pulled in and let go by itself, compare it"
        " with its state on the bus, then record again"
    ),
    "suspect-input": (
        "with the contactors open, operate it and watch its signal, look up what the signal"
        " is made of, then record again"
    ),
    "suspect-high-voltage": (
        "look up where it is measured; a qualified person holds a rated instrument against it as"
        " the contactors close and open; then record again"
    ),
    "suspect-current": (
        "a qualified person puts a d.c. clamp round one cable of the pack while a known load, such"
        " as a heater, is switched on and off; then record again"
    ),
    "suspect-insulation": (
        "with the high voltage off, a qualified person connects a known resistor as the monitor's"
        " maker describes and reads the value; then record again"
    ),
    "clocks-apart": (
        "record all buses by one clock (one recorder, or adapters that it keeps in step), and look"
        " whether a filter or a gateway delays that reading"
    ),
    "same-sensor": (
        "look up which node sends each of the two; with the contactors open, move or warm only one"
        " of the two parts: only its own reading may follow"
    ),
    "live-at-end": (
        "treat the link as live: nobody touches it until a qualified person has measured it; record"
        " until it is below 60 V"
    ),
    "hand-or-link": (
        "let nobody touch a wheel before the link is below 60 V; if nobody did, treat the unit as"
        " one that turns by itself; then record again"
    ),
    "behind-contactors": (
        "look up which signal is measured on the battery's side of the contactors, and bind"
        " pack.voltage to that one"
    ),
    "holds-open": (
        "treat it as live: a qualified person measures it with the contactors open, and compares"
        " what the plan binds with what is measured"
    ),
    "apart": (
        "look whether speed or torque comes late, is held or belongs to another unit, then record"
        " again"
    ),
    "wrong-factor": (
        "look up factor and unit of speed and torque in the description of their node, give a hand"
        " reading of the speed, then record again"
    ),
    "echo": (
        "look up where the contact's own word is sent, and bind that; else let a person listen to"
        " each contactor, and note it"
    ),
    "counter-jumped": (
        "measure the 12 V at that unit's plug with a fast instrument while the contactors close"
    ),
    "too-often": (
        "look whether the recorder writes every frame twice or two nodes send the message; else"
        " state its own cycle in the plan"
    ),
}


def mend(reason: str | None, code: str = "") -> str:
    """What to do before the run is repeated; empty where repeating it is all."""
    return MENDS.get(code) or MENDS.get(reason or "", "")


LIVE = "live-at-end"  # code of a link that was live as the recording ended: told first of all
BY_LINKS = "by-links"  # code of what links alone show, where not both main contactors are bound
TO_PROVE = "To prove it:"  # what begins the last part of an unproven's sentence
COMMON_PRACTICE = "common practice, no source"

Key = tuple[str, str]  # rule and subject, which tell a finding from every other of its report


@dataclass(frozen=True)
class Finding:
    """One rule's answer about one subject. Numbers are None where there is none."""

    rule: str
    subject: str
    verdict: Verdict
    reason: str | None
    required: bool
    sentence: str
    measured: float | None = None
    limit: float | None = None
    margin: float | None = None
    uncertainty: float | None = None
    unit: str = ""
    at_s: float | None = None  # seconds since the capture's first frame
    window_s: tuple[float, float] | None = None
    signals: tuple[str, ...] = ()
    causes: tuple[str, ...] = ()
    next: str = ""
    limit_source: str = ""
    first_failed_s: float | None = None
    waived: str = ""  # why a person accepted it, if one did
    waived_by: str = ""
    roles: tuple[str, ...] = ()
    doubt: str = ""  # what explains the reason, as in the sentence
    code: str = ""  # what exactly failed (``Rule.codes``), or the reason in a word; "" for a pass
    facts: Mapping[str, Any] = field(default_factory=dict)
    short: str = ""  # what was found as a person would say it: rounded, without signal and u

    def __repr__(self) -> str:
        why = f" ({self.reason})" if self.reason else ""
        return f"<Finding {self.rule}, {self.subject}: {self.verdict}{why}>"

    @property
    def key(self) -> Key:
        """Rule and subject; a rule has one finding about a subject."""
        return self.rule, self.subject
