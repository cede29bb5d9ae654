"""``python -m tests.lies --runs N [--pairs N] [--seed S] [--only KINDS] [--about SIGNALS]``.

How many lies still pass.

Prints every lie that passes as it does, with what was done; ends with 1 if one passes that the
evidence table does not name as invisible. ``--healthy N`` judges so many random healthy vehicles
instead, and prints each that fails or is unproven; ends with 1 if one of them fails. ``--only``
then chooses among their traits. ``--workers N`` does the work in so many processes.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import nullcontext
from multiprocessing import Pool
from typing import Any

from rich.progress import track

from tests.lies.healthy import Told, healthy_cases, told_of
from tests.lies.judging import Answer, Case, cases, judged


def main() -> int:
    """Run, print, and say whether all is well."""
    parser = argparse.ArgumentParser(prog="python -m tests.lies", description=__doc__)
    parser.add_argument("--runs", type=int, default=100, help="single lies")
    parser.add_argument("--pairs", type=int, default=0, help="two lies at once")
    parser.add_argument("--healthy", type=int, default=0, help="healthy vehicles, no lies")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="kinds or traits to choose from: A,B")
    parser.add_argument("--about", default="", help="signals that a lie about any may choose: A,B")
    parser.add_argument("--workers", type=int, default=1, help="processes that do the work")
    asked = parser.parse_args()
    about = tuple(name for name in asked.about.split(",") if name)
    only = [name for name in asked.only.split(",") if name]
    if asked.healthy:
        some = list(healthy_cases(asked.healthy, asked.seed, only))
        return told_healthy(done(told_of, some, asked.workers))
    chosen: list[Case] = [
        *cases(asked.runs, 1, asked.seed, only, about),
        *cases(asked.pairs, 2, asked.seed, only, about),
    ]
    return told(done(judged, chosen, asked.workers))


def done(work: Callable[[Any], Any], some: Sequence[Any], workers: int) -> Iterator[Any]:
    """What the work makes of each case, in their order, each as soon as it is known."""
    with Pool(workers) if workers > 1 else nullcontext() as pool:
        yield from track(pool.imap(work, some) if pool else map(work, some), total=len(some))


def told(answers: Iterable[Answer]) -> int:
    """Print the answers as they come; 1 if one is a false pass."""
    verdicts, kinds, wrong = Counter[str](), Counter[str](), Counter[str]()
    passes = 0
    for answer in answers:
        names = [lie.kind for lie in answer.lies]
        verdicts[answer.verdict] += 1
        kinds.update(names)
        if answer.is_false_pass:
            passes += 1
            wrong.update(names)
        if answer.verdict == "pass" and answer.lies:
            # At once: whoever stops a long campaign has still been told what passed until then.
            print(f"{'PASS' if answer.is_false_pass else 'unseen'} {answer}", flush=True)
    print(verdicts)
    for name, count in sorted(kinds.items()):
        print(f"  {name:14} {count:5} of which {wrong[name]:4} pass")
    print(f"{passes} of {verdicts.total()} pass and must not")
    return int(bool(passes))


def told_healthy(stories: Iterable[Told]) -> int:
    """Print what failed and what is unproven as it comes; 1 if anything failed."""
    verdicts, failed, unproven = Counter[str](), Counter[str](), Counter[str]()
    for told in stories:
        verdicts[told.verdict] += 1
        failed.update(told.failed_rules)
        unproven.update(told.unproven_rules)
        if told.failed or told.unproven:
            lines = [f"{told.verdict.upper()} {told}"]
            lines += [f"    FAILS {text}" for text in told.failed]
            lines += [f"    unproven {text}" for text in told.unproven]
            print(*lines, sep="\n", flush=True)
    print(verdicts)
    print("failed:", dict(failed))
    print("unproven:", dict(unproven))
    return int(bool(failed))


if __name__ == "__main__":
    sys.exit(main())
