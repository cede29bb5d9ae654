"""Raw codes and labels: which raw codes of a signal mean what."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from canscope.model.definition import SignalSpec
from canscope.model.errors import nearest
from canscope.plan.mistakes import quoted

Report = Callable[[str, str, str], None]  # key inside the role's table, what is wrong, hint


def raw_range(spec: SignalSpec) -> tuple[int, int]:
    """Smallest and largest raw code of an integer signal."""
    if spec.signed:
        return -(1 << (spec.length_bits - 1)), (1 << (spec.length_bits - 1)) - 1
    return 0, (1 << spec.length_bits) - 1


def raw_codes(
    spec: SignalSpec, key: str, entries: Sequence[int | str], report: Report
) -> tuple[int, ...]:
    """Codes and labels as raw codes; a label stands for every code that the definition gives it."""
    codes: list[int] = []
    low, high = raw_range(spec)
    for entry in entries:
        if isinstance(entry, str):
            bearing = [c for c, text in spec.labels.items() if text.strip() == entry.strip()]
            if not bearing:
                advice = nearest(entry, spec.labels.values())
                report(key, f"{spec.key} has no label {quoted(entry)}", advice)
            codes += bearing
        elif low <= entry <= high:
            codes.append(entry)
        elif (low, high, entry) == (-1, 0, 1):  # one signed bit: what a file calls 1 is read as -1
            codes.append(-1)
        else:
            report(key, f"raw code {quoted(entry)} does not fit {spec.key}", f"{low} to {high}")
    return tuple(codes)


def meanings(
    spec: SignalSpec, lists: Mapping[str, tuple[Sequence[int | str], float]], report: Report
) -> dict[int, float]:
    """Raw code -> value from the plan's lists; a code in two of them is a mistake."""
    codes: dict[int, float] = {}
    owner: dict[int, str] = {}
    for key, (entries, value) in lists.items():
        for code in raw_codes(spec, key, entries, report):
            if owner.setdefault(code, key) != key:
                report(key, f"raw code {code} is listed under {owner[code]} as well", "")
            codes[code] = value
    return codes


def state_codes(
    spec: SignalSpec,
    true: Sequence[int | str] | None,
    false: Sequence[int | str] | None,
    report: Report,
) -> dict[int, float]:
    """1 true and 0 false unless the plan lists others; any other code is absent."""
    one = 1 if raw_range(spec)[1] >= 1 else -1
    lists: dict[str, tuple[Sequence[int | str], float]] = {
        "true": ([one] if true is None else true, 1.0),
        "false": ([0] if false is None else false, 0.0),
    }
    return meanings(spec, lists, report)
