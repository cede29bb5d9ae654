"""``python -m tests.lies --runs N [--pairs N] [--seed S] [--only KINDS] [--about SIGNALS]``.

How many lies still pass.

Prints every lie that passes, with what was done; ends with 1 if one passes that the evidence table
does not name as invisible. ``--healthy N`` judges so many random healthy vehicles instead; ends
with 1 if one of them fails. ``--only`` then chooses among their traits.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections import Counter
from multiprocessing import Pool

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
    asked = parser.parse_args()
    about = tuple(name for name in asked.about.split(",") if name)
    only = [name for name in asked.only.split(",") if name]
    if asked.healthy:
        some = list(healthy_cases(asked.healthy, asked.seed, only))
        with Pool(os.cpu_count()) as pool:
            stories = list(track(pool.imap(told_of, some, chunksize=2), total=len(some)))
        return told_healthy(stories)
    chosen: list[Case] = [
        *cases(asked.runs, 1, asked.seed, only, about),
        *cases(asked.pairs, 2, asked.seed, only, about),
    ]
    with Pool(os.cpu_count()) as pool:
        answers = list(track(pool.imap(judged, chosen, chunksize=2), total=len(chosen)))
    return told(answers)


def told(answers: list[Answer]) -> int:
    """Print the answers; 1 if one is a false pass."""
    passes = [answer for answer in answers if answer.is_false_pass]
    for answer in answers:
        if answer.verdict == "pass" and answer.lies:
            print(f"{'PASS' if answer.is_false_pass else 'unseen'} {answer}")
    print(Counter(answer.verdict for answer in answers))
    kinds = Counter(lie.kind for answer in answers for lie in answer.lies)
    wrong = Counter(lie.kind for answer in passes for lie in answer.lies)
    for name, count in sorted(kinds.items()):
        print(f"  {name:14} {count:5} of which {wrong[name]:4} pass")
    print(f"{len(passes)} of {len(answers)} pass and must not")
    return int(bool(passes))


def told_healthy(stories: list[Told]) -> int:
    """Print what failed and what is unproven; 1 if anything failed."""
    for told in stories:
        if told.failed or told.unproven:
            print(f"{told.verdict.upper()} {told}")
            print(
                *(f"    FAILS {text}" for text in told.failed),
                sep="\n",
                end="\n" * bool(told.failed),
            )
            for text in told.unproven:
                print(f"    unproven {text}")
    failed = Counter(rule for told in stories for rule in told.failed_rules)
    unproven = Counter(rule for told in stories for rule in told.unproven_rules)
    print(Counter(told.verdict for told in stories))
    print("failed:", dict(failed))
    print("unproven:", dict(unproven))
    return int(bool(failed))


if __name__ == "__main__":
    sys.exit(main())
