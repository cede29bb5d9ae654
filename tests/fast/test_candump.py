"""The two engines that read candump text agree on every line, good or bad.

The oracle is ``line.parse`` through the numpy engine, which ``test_candump.py`` holds to
the published examples. Lines are mutated letter by letter; their seeds are fixed.
"""

import io
import random

import numpy as np
import pytest

from canscope.cache.store import digest_of
from canscope.capture.candump import reader as candump
from canscope.capture.candump.reader import Candump
from canscope.fast import candump as compiled
from canscope.fast import kernels
from canscope.model import engine
from canscope.model.errors import CanscopeError
from canscope.model.tables import join

pytest.importorskip("numba")

STAMP = "(1700000000.123456) can0 "
GOOD = [
    STAMP + "123#DEADBEEF",
    STAMP + "18FF50E5#0102030405060708 R",
    STAMP + "18ff50e5#0a0b0c0d T",
    STAMP + "7FF#",
    STAMP + "1FFFFFFF#aaBBccDDeeFF0011",
    STAMP + "123#11223344556677\r",
    STAMP + "123#1122334455667788_F",
    STAMP + "123#11.22.33.4455667788_9 T",
    STAMP + "123#R",
    STAMP + "123#r4",
    STAMP + "12345678#R8_D R",
    STAMP + "20000040#0004000000006080",
    STAMP + "123##3",
    STAMP + "123##1DEADBEEF T",
    STAMP + "123##0" + "A5" * 12,
    STAMP + "18FF50E5##5" + "0F" * 48 + "\r",
    STAMP + "123##1" + "C3" * 64,
    "(1700000000.123457)\tcan1  321#00",
    "  (1700000000.123456789) vcan_long_name0 7FF#11 T\x0b",
    "(0.5) a 001#8d00100100820100",
    "(9223372035.999999999) can0 123#FF",
    "(0000000012.000001) slcan0 123#0102030405060708",
    "(1700000001.000000) c\xe4n0 123#01",
    "(1700000001.000000) cannine99 123#01",
    "# a comment",
    "",
    "DROPCOUNT: dropped 17 CAN frames",
]
BAD = [
    "(9223372036.000000) can0 123#FF",
    "(17000000000.000000) can0 123#FF",
    "(1700000000.1234567890) can0 123#FF",
    "(1700000000.) can0 123#FF",
    "(170000x000.123456) can0 123#FF",
    "(1700000000.12345x) can0 123#FF",
    STAMP + "800#FF",
    STAMP + "7FG#FF",
    STAMP + "1234#FF",
    STAMP + "40000000#FF",
    STAMP + "20000040#R",
    STAMP + "20000040##100",
    STAMP + "123#F",
    STAMP + "123#1122334455667788A",
    STAMP + "123#112233445566778899",
    STAMP + "123#11.",
    STAMP + "123#.11",
    STAMP + "123#1122_9",
    STAMP + "123#1122334455667788_8",
    STAMP + "123#R7_9",
    STAMP + "123#11 X",
    STAMP + "123#11 RT",
    STAMP + "123##1" + "AA" * 9,
    STAMP + "123##1" + "AA" * 65,
    STAMP + "123##1" + "AA" * 8 + "_9",
    STAMP + "45123#81:00:12345678#11223344.556677",
    "(1700000000.123456)",
    "(1700000000.123456) can0",
    "(1700000000.123456) ca(0 123#00",
    "(1700000000.123456) can0\x00 123#00",
    "(1700000000.123456) " + "c" * 33 + " 123#00",
    "\x00\x00\xff",
    "(",
    "Dear reader",
]
LETTERS = "0123456789ABCDEFabcdefGg#()_. \tRTrt:/@`\r\x00\x0b\x7f\xff"


def read_by(monkeypatch, name, data):
    """All there is to say of a log as one engine reads it."""
    monkeypatch.setenv(engine.VARIABLE, name)
    chunks = list(Candump().read(io.BytesIO(data), "x.log"))
    tally = sum((chunk.tally for chunk in chunks[1:]), chunks[0].tally)
    frames = join(chunks)
    payloads = [frames.payload(row) for row in range(len(frames))]
    names = [frames.channels[code] for code in frames.channel]
    columns = {
        column: getattr(frames, column).tolist()
        for column in ("time_ns", "can_id", "flags", "length", "data")
    }
    long = (frames.heap_at >= 0).tolist()
    return columns | {"names": names, "payloads": payloads, "long": long, "tally": tally}


def assert_same(monkeypatch, data):
    """Both engines say the same of a log; what they say."""
    mine, other = (read_by(monkeypatch, name, data) for name in ("numba", "numpy"))
    assert mine == other
    return mine


def encoded(lines):
    return "".join(line + "\n" for line in lines).encode("latin-1")


def mutated(rng, line):
    """The line with up to four letters changed, left out, added or moved."""
    letters = list(line)
    for _ in range(rng.choice((0, 1, 1, 1, 2, 4))):
        at = rng.randrange(len(letters) + 1)
        letters[at : at + rng.choice((0, 1, 1, 3))] = rng.choices(LETTERS, k=rng.choice((0, 1, 1)))
    return "".join(letters)


def test_every_form_of_a_good_line_is_a_frame_by_both_engines(monkeypatch):
    said = assert_same(monkeypatch, encoded(GOOD))
    assert len(said["names"]) == len(GOOD) - 3
    assert said["tally"].dropped == 17
    assert said["tally"].skipped == 0


def test_every_bad_line_is_counted_by_both_engines_with_the_same_reason(monkeypatch):
    said = assert_same(monkeypatch, encoded(GOOD + BAD))
    assert (said["tally"].skipped, len(said["tally"].examples)) == (len(BAD), 20)


@pytest.mark.parametrize("seed", range(12))
def test_mutated_lines_are_read_alike(monkeypatch, seed):
    rng = random.Random(seed)
    lines = [mutated(rng, rng.choice(GOOD + BAD[:10])) for _ in range(1500)]
    said = assert_same(monkeypatch, encoded(GOOD[:10] + lines))
    assert 200 < len(said["names"]) < 1500
    assert said["tally"].skipped > 100


def test_a_log_cut_at_any_byte_is_read_alike(monkeypatch):
    data = encoded(GOOD[:19])
    for end in range(len(encoded(GOOD[:1])), len(data)):
        assert_same(monkeypatch, data[:end])


def test_a_frame_is_read_alike_wherever_in_a_block_it_lies(monkeypatch):
    """The last bytes of a block are read another way than those before them."""
    for count in range(12):
        said = assert_same(monkeypatch, encoded([*GOOD[:4], GOOD[16], *GOOD[:count]]))
        assert len(said["names"]) == 5 + count


def test_small_columns_make_many_chunks_of_the_same_frames(monkeypatch):
    data = encoded([*GOOD, *BAD] * 40)
    whole = read_by(monkeypatch, "numpy", data)
    for name, most in (("SHORTEST", 10_000), ("MOST_REJECTED", 3)):
        with monkeypatch.context() as smaller:
            smaller.setattr(compiled, name, most)
            assert read_by(smaller, "numba", data) == whole


def test_frames_of_many_blocks_come_out_in_the_order_of_the_file(monkeypatch):
    """Blocks of 33 kB and a longer line; the oracle is the numpy engine with large blocks."""
    lines = [*GOOD, *BAD] * 700
    lines[9000:9000] = ["X" * 40_000]
    data = encoded(lines)
    whole = read_by(monkeypatch, "numpy", data)
    monkeypatch.setattr(candump, "BLOCK", 33_000)
    assert read_by(monkeypatch, "numba", data) == whole
    assert read_by(monkeypatch, "numpy", data) == whole
    assert len(list(Candump().read(io.BytesIO(data), "x.log"))) > 20


def test_channels_beyond_the_most_there_may_be_are_skipped_alike(monkeypatch):
    lines = [f"(1700000000.{n:06d}) can{n % 300} 123#{n % 256:02X}" for n in range(900)]
    said = assert_same(monkeypatch, encoded(lines))
    assert len(set(said["names"])) == 255
    assert said["tally"].skipped == 3 * 45


def test_names_that_differ_only_in_bytes_that_are_no_text_are_one_channel(monkeypatch):
    data = b"(1.0) \xff 123#00\n(1.0) \\xff 123#01\n(1.0) \xff 123#02\n"
    assert assert_same(monkeypatch, data)["names"] == ["\\xff"] * 3


def test_a_long_log_changes_engines_in_the_middle_without_a_trace(monkeypatch):
    """Nobody knows how long a pipe will be, so numpy begins and the kernel goes on."""
    data = encoded([*GOOD, *BAD] * 2000)
    whole = read_by(monkeypatch, "numpy", data)
    monkeypatch.setattr(engine, "LARGE", 2 << 20)
    monkeypatch.setattr(engine, "is_loaded", lambda: False)
    assert len(data) > 3 << 20
    assert read_by(monkeypatch, "", data) == whole


def test_the_size_decides_unless_the_environment_does(monkeypatch):
    monkeypatch.setattr(engine, "is_loaded", lambda: False)
    monkeypatch.delenv(engine.VARIABLE, raising=False)
    assert not engine.is_compiled(0, engine.LARGE - 1)
    assert engine.is_compiled(0, engine.LARGE)
    assert engine.is_compiled(engine.LARGE, None)
    assert not engine.is_compiled(engine.LARGE, rows=100)  # pieces of a run that goes on
    monkeypatch.setenv(engine.VARIABLE, "numpy")
    assert not engine.is_compiled(engine.LARGE)
    monkeypatch.setenv(engine.VARIABLE, "abacus")
    with pytest.raises(CanscopeError, match="no engine"):
        engine.is_compiled(0)


def test_kernels_are_kept_under_a_name_with_the_digest_of_all_their_sources():
    """numba would go on with the old machine code if only what a kernel calls has changed."""
    name = kernels.kernel("int64(int64)")(lambda x: x + 1).py_func.__qualname__
    assert name.endswith(digest_of(kernels.SOURCES)[:12])


def test_without_numba_the_numpy_engine_reads_everything(monkeypatch):
    monkeypatch.setattr(engine, "is_loaded", lambda: False)
    monkeypatch.setattr(engine, "is_installed", lambda: False)
    monkeypatch.delenv(engine.VARIABLE, raising=False)
    assert not engine.is_compiled(engine.LARGE)
    monkeypatch.setenv(engine.VARIABLE, "numba")
    with pytest.raises(CanscopeError, match="pip install"):
        engine.is_compiled(0)


def test_one_bad_line_in_a_hundred_is_found_in_a_chunk_of_any_size(monkeypatch):
    lines = [BAD[n % 7] if n % 100 == 50 else GOOD[n % 6] for n in range(50_000)]
    said = assert_same(monkeypatch, encoded(lines))
    assert (said["tally"].lines, said["tally"].skipped) == (50_000, 500)
    assert np.all(np.array(said["time_ns"]) > 0)
