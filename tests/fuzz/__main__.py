"""``python -m tests.fuzz [TARGET ...] [--cases N] [--seconds S] [--seed S] [--corpus FOLDER]``.

Random and damaged files for every reader of captures, for definitions and for plans. Each target
runs in a process of its own: guided by coverage where atheris is installed, else by mutation. A
find is anything that is no error of canscope's own, or takes 10 s of processor time. The corpus is
kept and used again. Prints how many cases each target saw; ends with 1 if there is a find.
``--cases 10000000`` is the long campaign. ``--engine`` chooses between the two.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import subprocess
import sys
import time
from pathlib import Path

from tests.fuzz.campaign import by_coverage, by_mutation

ENGINES = {"atheris": by_coverage, "mutation": by_mutation}


def main() -> int:
    """Run the targets one after another, and print the figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("targets", nargs="*", metavar="TARGET", help="all of them if none is named")
    parser.add_argument("--cases", type=int, default=100_000, help="of each target at most")
    parser.add_argument("--seconds", type=float, default=30.0, help="for each target at most")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--corpus", type=Path, default=Path("fuzz-corpus"))
    has_atheris = importlib.util.find_spec("atheris") is not None
    usual = "atheris" if has_atheris else "mutation"
    parser.add_argument("--engine", choices=ENGINES, default=usual)
    parser.add_argument("--alone", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.alone:
        # nothing of canscope is imported up to here, as coverage needs to see it imported
        [name] = asked.targets
        ENGINES[asked.engine](name, asked.corpus / name, asked.cases, asked.seconds, asked.seed)
        return 0
    from tests.fuzz.targets import TARGETS

    for name in asked.targets:
        if name not in TARGETS:
            parser.error(f"no target {name!r}; there are: {', '.join(TARGETS)}")
    lines = [told(name, asked) for name in asked.targets or TARGETS]
    return int(any(lines))


def told(name: str, asked: argparse.Namespace) -> bool:
    """Run one target in a process of its own; whether anything was found."""
    folder = asked.corpus / name
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "figures.json").unlink(missing_ok=True)
    words = [name, "--alone", "--engine", asked.engine, "--corpus", str(asked.corpus)]
    limits = ["--cases", str(asked.cases), "--seconds", str(asked.seconds)]
    begun = time.monotonic()
    with open(folder / "output.txt", "wb") as output:
        ended = subprocess.run(
            [sys.executable, "-m", "tests.fuzz", *words, *limits, "--seed", str(asked.seed)],
            stdout=output,
            stderr=subprocess.STDOUT,
            env={**os.environ, "XDG_CACHE_HOME": str(folder / "cache")},
            check=False,
        )
    figures = json.loads((folder / "figures.json").read_text()) if ended else {}
    took_s = time.monotonic() - begun
    finds = figures["finds"]
    print(
        f"{name}: {figures['cases']} cases in {took_s:.0f} s by {asked.engine}, "
        f"{figures['refused']} refused, {figures['outcomes']} kinds of outcome, slowest "
        f"{figures['slowest_s']} s, {len(finds)} finds",
        flush=True,
    )
    for key, count in finds.items():
        print(f"  {count} x {key}")
    if ended.returncode:
        print(f"  ended with {ended.returncode}: see {folder / 'output.txt'}")
    return bool(finds) or ended.returncode != 0


if __name__ == "__main__":
    sys.exit(main())
