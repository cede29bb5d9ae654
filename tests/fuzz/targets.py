"""What is fuzzed: one row of ``TARGETS`` a reader of users' files; add further ones there."""

from __future__ import annotations

import gzip
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from canscope.capture import READERS
from canscope.capture.read import read_capture
from tests.capture.test_bad_input import small

ROOT = Path(__file__).parents[2]
SAMPLES, DEFINITIONS = ROOT / "sample_logs", ROOT / "dbc_examples"
SCRATCH = Path("/dev/shm") if Path("/dev/shm").is_dir() else None  # a disk takes most of the time
LARGEST_SEED = 20_000  # bytes; larger samples are cut, as mutating them takes too long


@dataclass(frozen=True)
class Target:
    """``read`` opens a file that holds a case; ``seeds`` are what mutation starts from.

    ``read`` may raise CanscopeError and nothing else.
    """

    suffix: str
    read: Callable[[Path], None]
    seeds: Callable[[], Iterator[bytes]]
    words: tuple[bytes, ...] = ()  # that a mutation may put in


def _capture(format: str | None) -> Callable[[Path], None]:
    def read(path: Path) -> None:
        for chunk in read_capture(path, format=format, channel="can0"):
            assert (chunk.time_ns[1:] >= chunk.time_ns[:-1]).all()
            assert (chunk.length <= 64).all()

    return read


def _capture_seeds(format: str) -> Callable[[], Iterator[bytes]]:
    def seeds() -> Iterator[bytes]:
        with tempfile.TemporaryDirectory() as folder:
            yield small(format, Path(folder))

    return seeds


def _texts() -> Iterator[bytes]:
    for name in ("bramble_first_2s.log", "bramble_first_2s_can0.csv"):
        yield (SAMPLES / name).read_bytes()[:2000]
    with tempfile.TemporaryDirectory() as folder:
        for format in READERS:
            data = small(format, Path(folder))
            yield data
            yield gzip.compress(data)
    yield b"Time (s);ID;Ext;Dir;Bus;Len;D0;D1\n0,5;1A0;0;Rx;1;2;1;FF\n1,0;1A0;0;Rx;1;2;1;FF\n" * 3
    yield b" (000.000000)  can0  123   [2]  11 22\n (000.001000)  can0  123   [2]  11 22\n" * 5


@cache
def _vehicle() -> tempfile.TemporaryDirectory[str]:
    """A folder with what the plans name: definitions, and the vehicle that they include."""
    folder = tempfile.TemporaryDirectory(prefix="canscope-fuzz-", dir=SCRATCH)
    shutil.copytree(DEFINITIONS / "bramble", folder.name, dirs_exist_ok=True)
    return folder


def _plan(path: Path) -> None:
    from canscope.plan.load import read_plan

    case = Path(_vehicle().name, "case.toml")
    case.write_bytes(path.read_bytes())
    with _without("plans"):
        read_plan(case)


def _definition(path: Path) -> None:
    from canscope.decoding.database import read_definitions

    with _without("definitions"):
        read_definitions({"can0": [str(path)]}, {})


@contextmanager
def _without(kind: str) -> Iterator[None]:
    """Neither look for entries of this kind nor keep any: no case comes twice."""
    from canscope.cache import store

    folder = store.folder
    store.folder = lambda asked: None if asked == kind else folder(asked)
    try:
        yield
    finally:
        store.folder = folder


def _files(folder: Path, pattern: str) -> Callable[[], Iterator[bytes]]:
    def seeds() -> Iterator[bytes]:
        for path in sorted(folder.rglob(pattern)):
            data = path.read_bytes()
            yield data if len(data) <= LARGEST_SEED else data[:LARGEST_SEED]

    return seeds


PLAN_WORDS = (b'signal = "', b"invert = true\n", b"[units.x]\n", b"nan", b"[[marks]]\n", b"{}")
TEXT_WORDS = (b"(", b"#", b"R", b"##1", b"DROPCOUNT: dropped 3\n", b",", b";", b"\t", b"e-5", b"-")
TARGETS: dict[str, Target] = {
    **{
        f"capture-{name}": Target(".bin", _capture(name), _capture_seeds(name), TEXT_WORDS)
        for name in READERS
    },
    "capture-any": Target(".bin", _capture(None), _texts, TEXT_WORDS),
    "plan": Target(".toml", _plan, _files(DEFINITIONS / "bramble", "*.toml"), PLAN_WORDS),
    "dbc": Target(".dbc", _definition, _files(DEFINITIONS, "*.dbc"), (b"BO_ ", b" SG_ ", b"VAL_ ")),
    "kcd": Target(".kcd", _definition, _files(DEFINITIONS, "*.kcd")),
    "arxml": Target(".arxml", _definition, _files(DEFINITIONS, "*.arxml")),
}
