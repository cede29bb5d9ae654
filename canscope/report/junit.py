"""JUnit XML, for programs that run the check unattended: one test case a finding.

There is no official schema; this writes the attributes that every reader of it expects.
Failed: ``failure``. Required but unproven: ``error``, since nobody may go on. Unproven and
accepted, or not required: ``skipped`` with the reason.
"""

from __future__ import annotations

import re
from html import escape

from canscope.model.findings import Finding
from canscope.model.report import Report
from canscope.report import RENDERERS
from canscope.report.wording import identity, measured, number, state, why

# Everything outside the characters that XML 1.0 allows (section 2.2, Char): tab, line ends, and
# from the blank on all but the halves of surrogate pairs and the last two of the first plane.
_FORBIDDEN = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
# Those that a terminal may obey, and those that turn the writing direction, go by their number.
_STEERING = re.compile("[\x7f-\x9f\u202a-\u202e\u2066-\u2069]")
ELEMENTS = {
    "failed": "failure",
    "unproven": "error",
    "accepted": "skipped",
    "advice": "skipped",
}


@RENDERERS.add("junit")
def render(report: Report) -> str:
    """The findings as one test suite named ``canscope``."""
    kinds = [ELEMENTS.get(state(finding), "") for finding in report.findings]
    capture = report.capture
    known = capture.first_ns is not None and capture.last_ns is not None
    length_s = ((capture.last_ns or 0) - (capture.first_ns or 0)) / 1e9 if known else 0.0
    attributes = {
        "name": "canscope",
        "tests": str(len(kinds)),
        "failures": str(kinds.count("failure")),
        "errors": str(kinds.count("error")),
        "skipped": str(kinds.count("skipped")),
        "time": f"{length_s:.3f}",
    }
    lines = ['<?xml version="1.0" encoding="UTF-8"?>', f"<testsuite{_attributes(attributes)}>"]
    lines += ["  <properties>", *map(_property, _about(report)), "  </properties>"]
    lines += [_case(finding, kind) for finding, kind in zip(report.findings, kinds, strict=True)]
    lines.append("</testsuite>\n")
    return "\n".join(lines)


def _about(report: Report) -> list[tuple[str, str]]:
    return [
        ("verdict", report.verdict),
        ("headline", report.headline),
        ("stage", report.stage),
        ("vehicle", report.vehicle),
        ("report", identity(report)),
        ("written", report.written_at),
        ("version", report.version),
    ]


def _property(entry: tuple[str, str]) -> str:
    return f"    <property{_attributes({'name': entry[0], 'value': entry[1]})}/>"


def _case(finding: Finding, kind: str) -> str:
    case = _attributes({"name": finding.subject, "classname": finding.rule, "time": "0"})
    if not kind:
        return f"  <testcase{case}/>"
    message = finding.sentence if kind == "failure" else why(finding)
    attributes = {"message": message}
    if kind != "skipped":
        attributes["type"] = finding.reason or kind
    body = _numbered(escape(_allowed("\n".join(_details(finding))), quote=False))
    return f"  <testcase{case}><{kind}{_attributes(attributes)}>{body}</{kind}></testcase>"


def _details(finding: Finding) -> list[str]:
    lines = [
        finding.sentence,
        f"measured {measured(finding)}, limit {number(finding.limit, finding.unit)}"
        f" ({finding.limit_source or 'source not stated'}),"
        f" margin {number(finding.margin, finding.unit)}",
        f"signals: {', '.join(finding.signals) or 'none'}",
        *(f"probable cause: {cause}" for cause in finding.causes),
    ]
    lines += [f"check next: {finding.next}"] if finding.next else []
    lines += [f"accepted: {finding.waived}"] if finding.waived else []
    return lines


def _attributes(values: dict[str, str]) -> str:
    return "".join(f' {name}="{_quoted(value)}"' for name, value in values.items())


def _quoted(value: str) -> str:
    # A reader turns a bare line end or tab in an attribute into a space (XML 1.0, 3.3.3).
    return re.sub("[\t\n\r]", _number, _numbered(escape(_allowed(value))))


def _numbered(text: str) -> str:
    return _STEERING.sub(_number, text)


def _number(found: re.Match[str]) -> str:
    return f"&#{ord(found[0])};"


def _allowed(text: str) -> str:
    return _FORBIDDEN.sub("", text)
