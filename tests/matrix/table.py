"""What became of many runs, as a table of faults against rules, in plain text."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from canscope.rules import RULES
from canscope.simulate.faults.catalogue import find_fault
from tests.matrix.judging import Row

HEALTHY = "(healthy)"


def table(rows: Sequence[Row]) -> str:
    """One line a fault, one column a rule: how many of its runs the rule failed.

    ``n!`` has to fail (``0!`` is a hole), ``n`` may fail, ``n?`` is outside of what the fault
    declares; ``.`` never failed.
    """
    rules = list(RULES)
    names = sorted({row.scenario.fault or HEALTHY for row in rows})
    width = max(map(len, names)) + 1
    lines = [f"{number:>2} {rule}" for number, rule in enumerate(rules, start=1)]
    lines += ["", " " * width + "runs " + " ".join(f"{n:>3}" for n in range(1, len(rules) + 1))]
    for name in names:
        own = [row for row in rows if (row.scenario.fault or HEALTHY) == name]
        failed = Counter(rule for row in own for rule in row.failed)
        cells = " ".join(f"{_cell(name, rule, failed[rule]):>3}" for rule in rules)
        lines.append(f"{name:<{width}}{len(own):>4} {cells}")
    return "\n".join([*lines, "", *summary(rows)])


def _cell(name: str, rule: str, times: int) -> str:
    fault = None if name == HEALTHY else find_fault(name)
    if fault and rule in fault.must:
        return f"{times}!"
    if not times:
        return "."
    return str(times) if fault and rule in fault.may else f"{times}?"


def summary(rows: Sequence[Row]) -> list[str]:
    """How many runs there were, how they ended, and every one that is not as it has to be."""
    healthy = [row for row in rows if row.scenario.fault is None]
    faulty = [row for row in rows if row.scenario.fault is not None]
    wrong = [row for row in rows if row.wrongs]

    def ended(some: Sequence[Row]) -> str:
        counts = Counter(row.verdict for row in some)
        return ", ".join(f"{counts[v]} {v}" for v in ("pass", "fail", "unproven"))

    lines = [
        f"{len(rows)} runs: {len(healthy)} healthy ({ended(healthy)}), {len(faulty)} with one of "
        f"{len({row.scenario.fault for row in faulty})} faults ({ended(faulty)})",
        f"{len(wrong)} not as they have to be",
    ]
    return lines + [f"  {row.scenario.name}: {wrong}" for row in wrong for wrong in row.wrongs]
