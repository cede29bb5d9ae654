"""Diagnosis: findings read together, from their pattern to probable causes, the likeliest first.

Rows are tried in the order of the table. What a row explains is not explained again by a later one;
a fail that no row explains gets its own rule's causes.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from glob import escape
from itertools import product

from canscope.judge.causes import TABLE
from canscope.judge.causes.pattern import Row, Sign, is_named
from canscope.model.findings import Finding, Key, Verdict
from canscope.model.report import Cause
from canscope.model.rule import Rule

MOST = 3


def diagnose(
    findings: Sequence[Finding], units: Iterable[str], rules: Mapping[str, Rule]
) -> tuple[Cause, ...]:
    """At most three probable causes, the likeliest first, each with the check that decides.

    The first cause of each pattern comes before the second cause of any.
    """
    groups = list(_matched(findings, tuple(units)))
    explained = {finding.key for _, members in groups for finding in members}
    groups += _left(findings, explained, rules)
    # What failed is explained before what is only unproven.
    groups.sort(key=lambda group: not any(f.verdict is Verdict.FAIL for f in group[1]))
    causes = []
    most = max((len(pairs) for pairs, _ in groups), default=0)
    for place in range(most):
        for pairs, members in groups:
            if place < len(pairs):
                names = tuple(f"{f.rule}, {f.subject}" for f in members)
                causes.append(Cause(*pairs[place], names))
    return tuple({cause.cause: cause for cause in reversed(causes)}.values())[::-1][:MOST]


# Pairs of a cause and its check, the likeliest first, and the findings that they explain.
Group = tuple[tuple[tuple[str, str], ...], list[Finding]]


def _matched(findings: Sequence[Finding], units: tuple[str, ...]) -> Iterator[Group]:
    """Causes of every row that matches, with the findings it explains.

    A row that matches for several units or buses gives one group, which names all of them.
    """
    buses = tuple(dict.fromkeys(f.subject.partition(":")[0] for f in findings if _of_bus(f)))
    explained: set[Key] = set()
    verdicts = {finding.verdict for finding in findings}
    for row in TABLE:
        if any(sign.verdict not in verdicts for sign in row.when):
            continue
        text = repr(row)
        together: dict[Key, Finding] = {}
        hit: list[Mapping[str, str]] = []
        for unit, bus in product(
            units if "{unit}" in text else ("",), buses if "{bus}" in text else ("",)
        ):
            names = {"unit": unit, "bus": bus}
            members = _members(findings, row, names, explained)
            if members:
                hit.append(names)
                together |= {finding.key: finding for finding in members}
                explained |= together.keys()
        if hit:
            joined = {kind: " and ".join(dict.fromkeys(n[kind] for n in hit)) for kind in hit[0]}
            pairs = tuple((_named(c, joined), _named(check, joined)) for c, check in row.causes)
            yield pairs, list(together.values())


def _members(
    findings: Sequence[Finding], row: Row, names: Mapping[str, str], explained: set[Key]
) -> list[Finding]:
    """What the row explains if it matches, the findings that are its signs first; else nothing."""
    lacking = all(sign.verdict is not Verdict.FAIL for sign in row.when)
    found = []
    for sign in row.when:
        finding = _first(findings, sign, names, explained, lacking=lacking)
        if finding is None:
            return []
        found.append(finding)
    if any(_first(findings, sign, names) for sign in row.unless):
        return []
    found += [f for f in findings if _is_explained(f, row, names) or _is_alike(f, row, names)]
    return [finding for finding in found if finding.verdict is not Verdict.PASS]


def _of_bus(finding: Finding) -> bool:
    return finding.rule in ("error-frames", "bus-load", "cycle-time", "message-presence")


def _first(
    findings: Sequence[Finding],
    sign: Sign,
    names: Mapping[str, str],
    explained: set[Key] | None = None,
    *,
    lacking: bool = True,
) -> Finding | None:
    """The finding that is this sign, if it is there and not explained already."""
    for finding in findings:
        if finding.verdict is sign.verdict and _fits(finding, sign, names, lacking=lacking):
            if explained and finding.key in explained:
                continue
            return finding
    return None


def _fits(finding: Finding, sign: Sign, names: Mapping[str, str], *, lacking: bool) -> bool:
    """Whether a finding is such a sign.

    ``lacking``: an unproven one only if it keeps the run from passing, for any other alone needs no
    cause. Beside a fail it is evidence all the same.
    """
    if lacking and finding.verdict is Verdict.UNPROVEN and not _is_lacking(finding):
        return False
    return (
        finding.verdict is sign.verdict
        and is_named(finding.rule, sign.rule)
        and is_named(finding.subject, _pattern(sign.subject, names))
        and sign.code in ("", finding.code)
    )


def _is_lacking(finding: Finding) -> bool:
    """Whether an unproven keeps the run from passing; any other needs no cause."""
    return finding.required and not finding.waived


def _is_explained(finding: Finding, row: Row, names: Mapping[str, str]) -> bool:
    """Whether it is a fail that is one of the row's signs, or a consequence."""
    if finding.verdict is not Verdict.FAIL:
        return False
    also = [(sign.rule, sign.subject) for sign in row.when if sign.verdict is Verdict.FAIL]
    for entry in row.explains:
        rule, _, subject = entry.partition("|")
        also.append((rule, subject or "*"))
    return any(
        is_named(finding.rule, rule) and is_named(finding.subject, _pattern(subject, names))
        for rule, subject in also
    )


def _is_alike(finding: Finding, row: Row, names: Mapping[str, str]) -> bool:
    """Whether it lacks a proof for what the row says: as one of its signs, or a consequence.

    Where something of the row failed, its consequences are fails.
    """
    if finding.verdict is not Verdict.UNPROVEN or not _is_lacking(finding):
        return False
    unproven = [sign for sign in row.when if sign.verdict is Verdict.UNPROVEN]
    if any(_fits(finding, sign, names, lacking=True) for sign in unproven):
        return True
    return all(sign.verdict is Verdict.UNPROVEN for sign in row.when) and any(
        is_named(finding.rule, entry.partition("|")[0])
        and is_named(finding.subject, _pattern(entry.partition("|")[2] or "*", names))
        for entry in row.explains
    )


def _pattern(text: str, names: Mapping[str, str]) -> str:
    """The subject to match, with wildcards; a name's own characters are none."""
    return _named(text, {kind: escape(name) for kind, name in names.items()})


def _named(text: str, names: Mapping[str, str]) -> str:
    """The text with the names of unit and bus filled in."""
    # Not str.format: a unit may be called anything.
    return text.replace("{unit}", names["unit"]).replace("{bus}", names["bus"])


def _left(
    findings: Sequence[Finding], explained: set[Key], rules: Mapping[str, Rule]
) -> Iterator[Group]:
    """Fails that no row explains, once a rule, with its own causes; those that stop first."""
    left: dict[str, list[Finding]] = {}
    for finding in findings:
        if finding.verdict is Verdict.FAIL and finding.key not in explained and finding.causes:
            left.setdefault(finding.rule, []).append(finding)
    for rule in sorted(left, key=lambda name: not rules[name].stops):
        first = left[rule][0]
        yield tuple((cause, first.next) for cause in first.causes), left[rule]
