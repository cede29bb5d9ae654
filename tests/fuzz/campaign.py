"""One target under random input: by atheris where it is installed, else by mutation of a corpus."""

from __future__ import annotations

import json
import os
import random
import signal
import sys
import time
import traceback
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

LONGEST_S = 10.0  # of processor time; a case that takes longer is a find
HANGS_S = 300.0  # and so is one that takes so long by the clock, as where it waits
EVERY_S = 1.0  # between two notes of the figures
GROWTH = 10_000  # bytes that a case may have at most; the seed of ARXML has as many


class Campaign:
    """Runs cases of one target and keeps what it finds.

    ``folder`` gets the corpus, each find with its traceback, and ``figures.json``.
    """

    def __init__(self, name: str, folder: Path) -> None:
        from tests.fuzz.targets import SCRATCH, TARGETS

        self.target, self.folder = TARGETS[name], folder
        self.cases = self.refused = 0
        self.slowest_s = 0.0
        self.outcomes: set[str] = set()
        self.finds: dict[str, int] = {}
        self._begun = self._noted = time.monotonic()
        self.corpus = folder / "corpus"
        self.corpus.mkdir(parents=True, exist_ok=True)
        self._path = (SCRATCH or folder) / f"canscope-fuzz-{os.getpid()}{self.target.suffix}"
        for number, seed in enumerate(self.target.seeds()):
            (self.corpus / f"seed-{number:03}").write_bytes(seed)

    def one(self, data: bytes) -> None:
        """Read one case; anything but CanscopeError is a find."""
        from canscope.model.errors import CanscopeError

        self._path.write_bytes(data)
        begun, outcome = time.monotonic(), "read"
        try:
            with _limited():
                self.target.read(self._path)
        except CanscopeError as error:
            self.refused += 1
            outcome = " ".join(word for word in error.what.split() if word.isalpha())[:80]
        except Exception as error:
            self._found(data, error)
            outcome = type(error).__name__
        took_s = time.monotonic() - begun
        self.cases += 1
        self.slowest_s = max(self.slowest_s, took_s)
        if outcome not in self.outcomes:
            self.outcomes.add(outcome)
            (self.corpus / f"outcome-{len(self.outcomes):04}").write_bytes(data)
        if time.monotonic() - self._noted > EVERY_S:
            self.note()

    def note(self) -> None:
        """Write down the figures so far."""
        self._noted = time.monotonic()
        figures = {
            "cases": self.cases,
            "refused": self.refused,
            "outcomes": len(self.outcomes),
            "finds": self.finds,
            "slowest_s": round(self.slowest_s, 3),
            "seconds": round(self._noted - self._begun, 1),
        }
        (self.folder / "figures.json").write_text(json.dumps(figures, indent=1))

    def close(self) -> None:
        """Note the figures for good."""
        self.note()
        self._path.unlink(missing_ok=True)

    def _found(self, data: bytes, error: Exception) -> None:
        last = traceback.extract_tb(error.__traceback__)[-1]
        own = [f for f in traceback.extract_tb(error.__traceback__) if "canscope" in f.filename]
        ours = own[-1] if own else last
        key = f"{type(error).__name__} {Path(ours.filename).name}:{ours.lineno} {last.name}"
        self.finds[key] = self.finds.get(key, 0) + 1
        if self.finds[key] == 1:
            stem = self.folder / f"find-{len(self.finds):03}"
            stem.with_suffix(self.target.suffix).write_bytes(data)
            text = "".join(traceback.format_exception(error))
            stem.with_suffix(".txt").write_text(text, "utf-8", "backslashreplace")
            self.note()


@contextmanager
def _limited() -> Iterator[None]:
    """Raise ``TimeoutError`` in what takes too long."""

    def late(*_: object) -> None:
        raise TimeoutError(f"longer than {LONGEST_S} s of processor time, or {HANGS_S} s")

    timers = ((signal.ITIMER_PROF, LONGEST_S), (signal.ITIMER_REAL, HANGS_S))
    signal.signal(signal.SIGPROF, late)
    signal.signal(signal.SIGALRM, late)
    for timer, limit_s in timers:
        signal.setitimer(timer, limit_s)
    try:
        yield
    finally:
        for timer, _ in timers:
            signal.setitimer(timer, 0)


def by_coverage(name: str, folder: Path, cases: int, seconds: float, seed: int) -> None:
    """Guided by the coverage of canscope's own code; ends the process."""
    import atheris

    with atheris.instrument_imports(include=["canscope"], enable_loader_override=False):
        import canscope.capture.read
        import canscope.decoding.database
        import canscope.plan.load  # noqa: F401

        campaign = Campaign(name, folder)
    options = [
        sys.argv[0],
        f"-runs={cases}",
        f"-max_total_time={round(seconds)}",
        f"-seed={seed}",
        f"-max_len={GROWTH}",
        "-timeout=600",
        "-rss_limit_mb=3000",
        "-verbosity=0",
        f"-artifact_prefix={folder}/",
        str(campaign.corpus),
    ]
    atheris.Setup(options, campaign.one)
    atheris.Fuzz()


def by_mutation(name: str, folder: Path, cases: int, seconds: float, seed: int) -> None:
    """Without atheris: mutations of a corpus that keeps a case for each new outcome."""
    campaign, pick = Campaign(name, folder), random.Random(seed)
    until, corpus, known = time.monotonic() + seconds, [], 0
    while campaign.cases < cases and time.monotonic() < until:
        if not corpus or len(campaign.outcomes) != known:
            corpus = [path.read_bytes() for path in sorted(campaign.corpus.iterdir())]
            known = len(campaign.outcomes)
        campaign.one(mutated(pick.choice(corpus), corpus, campaign.target.words, pick))
    campaign.close()


def mutated(
    data: bytes, corpus: Sequence[bytes], words: Sequence[bytes], pick: random.Random
) -> bytes:
    """Bytes changed, put in, left out, doubled, or taken from another case."""
    new = bytearray(data)
    for _ in range(pick.choice((1, 1, 2, 4, 8))):
        at = pick.randrange(len(new) + 1)
        size = pick.choice((1, 1, 2, 4, 8, 40))
        match pick.randrange(6):
            case 0:
                new[at : at + size] = pick.randbytes(size)
            case 1:
                new[at:at] = pick.randbytes(size)
            case 2:
                del new[at : at + size]
            case 3:
                new[at:at] = new[at : at + size * 4]
            case 4:
                other = pick.choice(corpus)
                begin = pick.randrange(len(other) + 1)
                new[at:at] = other[begin : begin + size * 8]
            case 5:
                new[at : at + pick.choice((0, size))] = pick.choice((*words, b"\0", b"\n", b"\xff"))
    return bytes(new[:GROWTH]) if len(data) <= GROWTH else bytes(new)
