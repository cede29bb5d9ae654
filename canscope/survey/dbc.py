"""Writing what was found as a DBC file, every signal of which says that it is inferred."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace

from canscope.model.definition import INFERRED
from canscope.model.errors import UnknownNameError
from canscope.model.roles import role_of
from canscope.model.survey import UNEXPLAINED, Candidate, Field, Identifier, Ranking, Survey
from canscope.survey.counters import positions


def dbc_texts(survey: Survey) -> dict[str, str]:
    """Channel -> the text of its definition file."""
    channels = dict.fromkeys(one.channel for one in survey.identifiers)
    return {channel: _text(survey, channel) for channel in channels}


def named(survey: Survey) -> dict[tuple[str, Field, int | None], tuple[Ranking, Candidate]]:
    """The fields that clearly follow a reference, or were picked for it, with its ranking."""
    found = {}
    for ranking in survey.rankings:
        if ranking.candidates and (ranking.clear or ranking.picked):
            best = ranking.candidates[0]
            key = (best.identifier.key, best.field, best.selected)
            found[key] = (ranking, best)
    return found


def _text(survey: Survey, channel: str) -> str:
    roles = named(survey)
    lines = ['VERSION ""', "", "NS_ :", "", "BS_:", "", "BU_: Unknown", ""]
    ends: list[str] = []
    for one in survey.identifiers:
        if one.channel != channel or not one.fields:
            continue
        number = one.can_id | (one.extended << 31)
        length = max(one.lengths, key=lambda size: one.lengths[size])
        lines.append(f"BO_ {number} Id{one.shown_id}: {length} Unknown")
        for name, line, told in _signals(survey, one, roles):
            lines.append(line)
            ends.append(f'CM_ SG_ {number} {name} "{told}";')
            ends.append(f'BA_ "{INFERRED}" SG_ {number} {name} "{told}";')
        lines.append("")
    definition = [f'BA_DEF_ SG_ "{INFERRED}" STRING;', f'BA_DEF_DEF_ "{INFERRED}" "";']
    comments = [line for line in ends if line.startswith("CM_")]
    values = [line for line in ends if line.startswith("BA_")]
    return "\n".join([*lines, *comments, *definition, *values]) + "\n"


def _signals(
    survey: Survey,
    one: Identifier,
    roles: dict[tuple[str, Field, int | None], tuple[Ranking, Candidate]],
) -> Iterator[tuple[str, str, str]]:
    """Name, line and comment of each signal."""
    said = f"capture sha256 {survey.sha256}"
    if one.selector:
        told = f"inferred: selector, {said}"
        yield "Selector", ' SG_ Selector M : 0|8@1+ (1,0) [0|0] "" Unknown', told
    for field in _apart(one, [field for key, field, _ in roles if key == one.key]):
        if one.selector and field.low < 8:
            continue
        for selected in one.selector or (None,):
            known = roles.get((one.key, field, selected))
            name = f"{field.kind.title()}{field.start_bit}"
            factor, offset, unit = 1.0, 0.0, ""
            told = f"inferred: {field.kind}, confidence {field.confidence:g}, {said}"
            if known:
                ranking, best = known
                role = ranking.role
                name = "".join(part.title() for part in re.split(r"[^A-Za-z0-9]+", role))
                name = re.sub(r"^(?=\d)", "S", name) or "Signal"
                factor, offset = best.factor, best.offset
                if ranking.kind == "values":  # marks say nothing of a scale
                    unit = _unit(role)
                told += f", follows the reference {_plain(role)} with score {best.score:g}"
                told += ", picked by hand" if ranking.picked else ""
            name += "" if selected is None else f"_{selected}"
            chosen = "" if selected is None else f" m{selected}"
            order, sign = "0" if field.big_endian else "1", "-" if field.signed else "+"
            place = f"{field.start_bit}|{field.length_bits}@{order}{sign}"
            line = (
                f' SG_ {name}{chosen} : {place} ({factor:.9g},{offset:.9g}) [0|0] "{unit}" Unknown'
            )
            yield name, line, told


def _apart(one: Identifier, chosen: Sequence[Field]) -> list[Field]:
    """The fields, first those that follow a reference, without any that overlaps an earlier one."""
    taken: set[int] = set()
    found = []
    for field in [*chosen, *one.fields]:
        bits = set(positions(replace(field, bits=field.length_bits)))
        if field.kind != UNEXPLAINED and not bits & taken:
            taken |= bits
            found.append(field)
    return sorted(found, key=lambda field: field.low)


def _unit(role: str) -> str:
    """The unit of a role that a bench plan knows; of any other there is none."""
    try:
        return role_of(role).unit
    except UnknownNameError:
        return ""


def _plain(text: str) -> str:
    return re.sub(r"[^\w.*+-]", "_", text)


def files(path_stem: str, channels: Sequence[str]) -> dict[str, str]:
    """Channel -> file name: the name itself for a single one, else with the channel in it."""
    if len(channels) == 1:
        return {channels[0]: f"{path_stem}.dbc"}
    return {channel: f"{path_stem}_{_plain(channel)}.dbc" for channel in channels}
