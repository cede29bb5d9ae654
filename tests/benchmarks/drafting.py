"""How many roles ``plan new`` binds rightly, leaves open, binds wrongly: over many vehicles.

    python -m tests.benchmarks.drafting [--vehicles 300] [--definitions FOLDER]

Every vehicle has the names of a person of one habit (``tests/draft/naming.py``, written before
the matcher and without its words) and signals that look like a role and are none. ``--definitions``
adds the definition files of a folder, such as the tests/files of cantools' source distribution,
with random traffic on a bus of their own: no role may be bound to them.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np

from canscope.decoding.database import read_definitions
from canscope.model.errors import CanscopeError
from canscope.simulate.runs import make_run
from tests.draft.naming import HABITS
from tests.draft.score import score
from tests.draft.vehicles import Case, lay_out, names_of, random_run

RIGHT, WRONG = 0.90, 0.005  # at least, at most


def main(argv=None):
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--vehicles", type=int, default=300)
    parser.add_argument("--first", type=int, default=1000, help="seed of the first one")
    parser.add_argument("--definitions", type=Path, help="a folder of strangers' definitions")
    parser.add_argument("--verbose", action="store_true", help="name every wrong binding")
    args = parser.parse_args(argv)
    counts, exchanged = {}, 0
    with tempfile.TemporaryDirectory() as folder:
        for name, case, habit in cases(args, Path(folder)):
            found, swapped = score(case, habit)
            exchanged += swapped
            counts.setdefault(name, Counter()).update(state for _, state, _, _ in found)
            if args.verbose:
                for role, state, truth, got in found:
                    if state == "wrong":
                        print(f"{case.folder.name}: {role} is {truth}, bound to {got}")
    whole = Counter()
    for name, own in counts.items():
        print_row(name, own)
        whole += own if name != "strangers' definitions" else Counter()
    print_row("all of these vehicles", whole)
    print(f"axles exchanged: {exchanged}")
    total = sum(whole.values())
    good = whole["right"] >= RIGHT * total and whole["wrong"] <= WRONG * total and not exchanged
    print("as wanted" if good else f"NOT as wanted: right {RIGHT:.0%}, wrong at most {WRONG:.1%}")
    return 0 if good else 1


def print_row(name, own):
    total = max(sum(own.values()), 1)
    shares = ", ".join(f"{state} {own[state] / total:6.2%}" for state in ("right", "open", "wrong"))
    print(f"{name:24} {total:6} roles: {shares}", flush=True)


def cases(args, folder):
    """(row of the table, case, habit)."""
    for name in ("bramble", "bramble-coarse", "thistle"):
        yield "demo vehicles", lay_out(make_run(name), folder / name), ""
    for number in range(args.vehicles):
        seed, habit = args.first + number, HABITS[number % len(HABITS)]
        case = lay_out(random_run(seed), folder / f"{seed}-{habit}", names_of(seed, habit))
        yield habit, case, habit
    if args.definitions:
        run = make_run()
        for path in sorted(p for p in args.definitions.rglob("*") if p.suffix in DEFINITIONS):
            case = beside_stranger(lay_out(run, folder / f"with-{path.name}"), path)
            if case:
                yield "strangers' definitions", case, ""


DEFINITIONS = (".dbc", ".kcd", ".arxml")


def beside_stranger(case, path, frames=2000):
    """The case with random traffic of a stranger's definition on one more bus; None if unusable."""
    try:
        messages = read_definitions({"can9": [path]}).messages
    except CanscopeError:
        return None
    usable = [m for m in messages if m.length <= 8]
    if not usable:
        return None
    rng = np.random.default_rng(7)
    lines = (case.folder / "capture.log").read_text("utf-8").splitlines()
    start = float(lines[0][1:].split(")")[0])
    for number in range(frames):
        message = usable[number % len(usable)]
        name = f"{message.can_id:08X}" if message.extended else f"{message.can_id:03X}"
        data = rng.bytes(message.length).hex().upper()
        lines.append(f"({start + 0.03 * (number + 1):.6f}) can9 {name}#{data}")
    lines.sort(key=lambda line: line[:20])
    (case.folder / "capture.log").write_text("\n".join(lines) + "\n", "utf-8")
    return Case(case.folder, (*case.files, path), case.truth, case.channels)


if __name__ == "__main__":
    sys.exit(main())
