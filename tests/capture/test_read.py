"""read_capture: files as people have them. Expected hashes are hashlib's over the bytes written."""

import gzip
import hashlib
import io
import os
import threading

import numpy as np
import pytest

from canscope.capture.input.stored import Stored
from canscope.capture.read import read_capture
from canscope.model.errors import CanscopeError, CaptureError
from canscope.model.report import Input
from canscope.model.tables import Tally, join

LOG = "".join(f"({100 + n}.000000) can0 {n:03X}#{n:04X}\n" for n in range(5)).encode()


def stored(folder, name, data):
    path = folder / name
    path.write_bytes(data)
    return path


def whole(capture):
    """(identifiers, segments, tally) of all frames."""
    chunks = list(capture)
    segments = [chunk.segment for chunk in chunks for _ in range(len(chunk))]
    frames = join(chunks)
    return frames.can_id.tolist(), segments, frames.tally


def refused(*paths, format=None):
    """The whole message of the error that a capture ends in."""
    with pytest.raises(CaptureError) as caught:
        list(read_capture(*paths, format=format))
    return str(caught.value)


def test_a_file_gives_its_frames_and_then_its_hash(tmp_path):
    path = stored(tmp_path, "dry_spin.log", LOG)
    capture = read_capture(path)
    assert (capture.bytes_read, capture.bytes_total) == (0, len(LOG))
    with pytest.raises(RuntimeError, match="after its last chunk"):
        _ = capture.sha256
    assert whole(capture) == ([0, 1, 2, 3, 4], [0] * 5, Tally(lines=5))
    digest = hashlib.sha256(LOG).hexdigest()
    assert capture.inputs == (Input("capture", str(path), digest, len(LOG)),)
    assert capture.sha256 == digest
    assert capture.bytes_read == len(LOG)


def test_a_capture_can_be_iterated_once(tmp_path):
    capture = read_capture(stored(tmp_path, "a.log", LOG))
    list(capture)
    with pytest.raises(CaptureError, match="used up"):
        list(capture)


def test_a_packed_file_is_the_same_capture_with_the_hash_of_what_is_stored(tmp_path):
    packed = gzip.compress(LOG[:80], mtime=0) + gzip.compress(LOG[80:], mtime=0)
    capture = read_capture(stored(tmp_path, "no_suffix_needed", packed))
    assert whole(capture) == ([0, 1, 2, 3, 4], [0] * 5, Tally(lines=5))
    assert capture.sha256 == hashlib.sha256(packed).hexdigest()
    assert capture.inputs[0].size == len(packed)


def test_a_packed_file_cut_at_any_byte_keeps_what_can_be_read_and_says_so(tmp_path):
    packed = gzip.compress(LOG, mtime=0)
    counts = set()
    for cut in range(len(packed)):
        path = stored(tmp_path, "cut.log.gz", packed[:cut])
        capture = read_capture(path)
        try:
            ids, _, tally = whole(capture)
        except CaptureError:
            assert "holds no frames" in refused(path) or cut == 1
            continue
        assert ids == list(range(len(ids)))
        assert tally.cut_end
        ends = f"{path}: its compressed data ends early; what came before is kept"
        assert tally.notes[-1] == ends
        assert capture.sha256 == hashlib.sha256(packed[:cut]).hexdigest()
        counts.add(len(ids))
    assert {3, 5} <= counts, "some cuts lose frames, those in the trailing checksum none"


def test_damage_inside_a_packed_file_is_told_and_the_hash_covers_all_of_it(tmp_path):
    packed = gzip.compress(LOG, mtime=0)
    wrong = packed[:-8] + bytes(8) + b"what somebody appended"
    capture = read_capture(stored(tmp_path, "a.log.gz", wrong))
    ids, _, tally = whole(capture)
    assert ids == [0, 1, 2, 3, 4]
    assert tally.cut_end
    assert "its compressed data is damaged" in tally.notes[0]
    assert capture.inputs[0].size == len(wrong)
    assert capture.sha256 == hashlib.sha256(wrong).hexdigest()


def test_standard_input_is_a_capture(monkeypatch):
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(LOG)))
    capture = read_capture("-")
    assert capture.bytes_total is None
    assert whole(capture)[0] == [0, 1, 2, 3, 4]
    assert capture.inputs[0].name == "standard input"
    assert capture.sha256 == hashlib.sha256(LOG).hexdigest()


def test_a_pipe_that_gives_a_little_at_a_time_is_read_to_its_end(tmp_path):
    path = tmp_path / "pipe"
    os.mkfifo(path)

    def write():
        with open(path, "wb", buffering=0) as pipe:
            for at in range(0, len(LOG), 7):
                pipe.write(LOG[at : at + 7])

    writer = threading.Thread(target=write)
    writer.start()
    capture = read_capture(path)
    assert whole(capture)[0] == [0, 1, 2, 3, 4]
    writer.join()
    assert capture.bytes_total is None
    assert capture.sha256 == hashlib.sha256(LOG).hexdigest()


A = b"(1.0) can0 001#\n(3.0) can0 003#\n"
B = b"(2.0) can1 002#\n(4.0) can1 004#\n"
STEPPED = b"(9.0) can0 009#\n(5.0) can0 005#\n"


def test_recordings_made_side_by_side_are_merged_by_stamp(tmp_path):
    paths = stored(tmp_path, "b.log", B), stored(tmp_path, "a.log", A)
    capture = read_capture(*paths)
    chunks = list(capture)
    frames = join(chunks)
    assert frames.can_id.tolist() == [1, 2, 3, 4]
    assert [frames.channels[code] for code in frames.channel] == ["can0", "can1"] * 2
    assert {chunk.segment for chunk in chunks} == {0}
    assert all(np.all(c.time_ns < c.until_ns) for c in chunks)
    digests = [hashlib.sha256(data).hexdigest() for data in (B, A)]
    assert [part.sha256 for part in capture.inputs] == digests
    assert capture.sha256 == hashlib.sha256("".join(digests).encode()).hexdigest()
    assert capture.bytes_read == capture.bytes_total == 2 * (len(A) + len(B))


def test_a_rotated_log_is_one_capture_in_whatever_order_it_is_named(tmp_path):
    first, second = stored(tmp_path, "1.log", LOG[:54]), stored(tmp_path, "2.log", LOG[54:])
    for paths in ((first, second), (second, first)):
        ids, segments, tally = whole(read_capture(*paths))
        assert (ids, segments) == ([0, 1, 2, 3, 4], [0] * 5)
        assert (tally.lines, tally.notes) == (5, ())


def test_files_are_taken_as_given_if_the_clock_of_one_was_set(tmp_path):
    stepped = stored(tmp_path, "stepped.log", STEPPED)
    behind = stored(tmp_path, "behind.log", b"(6.0) can0 006#\n(2.0) can0 002#\n")
    ids, segments, tally = whole(read_capture(stepped, behind))
    assert ids == [9, 5, 6, 2]
    assert segments == [0, 1, 1, 2]
    assert tally.lines == 4
    assert tally.notes[0].startswith(
        f"{stepped}, {behind}: clock steps, so the files are taken one after"
    )


def test_days_between_two_files_are_a_clock_step(tmp_path):
    first = stored(tmp_path, "a.log", b"(1700000000.0) can0 001#\n(1700000002.0) can0 003#\n")
    later = stored(tmp_path, "later.log", b"(1700090000.0) can0 005#\n")
    _, segments, _ = whole(read_capture(first, later))
    assert segments == [0, 0, 1]


def test_the_same_file_twice_would_double_every_frame(tmp_path):
    path = stored(tmp_path, "a.log", A)
    (tmp_path / "link.log").symlink_to(path)
    with pytest.raises(CaptureError, match=r"link\.log: this file is given twice"):
        read_capture(path, tmp_path / "link.log")


def test_of_several_captures_none_can_be_a_pipe(tmp_path):
    with pytest.raises(CaptureError, match=r"standard input: .* each must be a file"):
        read_capture(stored(tmp_path, "a.log", A), "-")


def test_what_is_not_there_or_no_file_is_refused_at_once(tmp_path):
    with pytest.raises(CaptureError, match=r"none\.log: cannot be opened: No such file"):
        read_capture(tmp_path / "none.log")
    with pytest.raises(CaptureError, match="this is a folder\n  hint: name the capture files"):
        read_capture(tmp_path)
    with pytest.raises(CaptureError, match="no capture is given"):
        read_capture()


def test_a_wrong_format_name_is_answered_with_the_nearest(tmp_path):
    with pytest.raises(CanscopeError, match="did you mean 'candump'"):
        read_capture(stored(tmp_path, "a.log", A), format="candmp")


def test_a_named_format_is_taken_at_its_word(tmp_path):
    assert whole(read_capture(stored(tmp_path, "a.txt", A), format="candump"))[0] == [1, 3]
    path = stored(tmp_path, "b.log", b"no frame here\n")
    assert "not a candump log: 1 of its first 1 line(s)" in refused(path, format="candump")


@pytest.mark.parametrize("data", [b"", gzip.compress(b"", mtime=0)])
def test_an_empty_file_is_refused(tmp_path, data):
    path = stored(tmp_path, "empty.log", data)
    size = f"has {len(data)} bytes" if data else "is empty"
    assert refused(path) == (
        f"{path}: holds no frames\n  hint: it {size}; was anything sent while it was recorded?"
    )


@pytest.mark.parametrize("data", [b"(100.0) can", b"(100.0) can0 123#11"])
def test_a_log_with_only_a_cut_line_holds_no_frames(tmp_path, data):
    assert "holds no frames" in refused(stored(tmp_path, "cut.log", data))


def test_one_reader_error_of_a_file_that_began_well_is_its_own(tmp_path):
    data = b"(1.0) can0 001#\n" + b"rubbish\n" * 9
    assert "not a candump log: 9 of its first 10" in refused(stored(tmp_path, "a.log", data))


def test_a_reading_error_says_how_far_it_came(tmp_path, monkeypatch):
    class Unplugged(io.RawIOBase):
        def readinto(self, buffer):
            raise OSError(5, "Input/output error")

    monkeypatch.setattr("sys.stdin", type("In", (), {"buffer": Unplugged()}))
    with pytest.raises(CaptureError, match="standard input: reading stopped after 0 bytes: Input"):
        list(read_capture("-"))


def test_a_consumer_that_stops_early_leaves_no_file_open(tmp_path):
    path = stored(tmp_path, "a.log", LOG * 30_000)
    frames = iter(read_capture(path))
    next(frames)
    frames.close()
    assert not any(
        os.path.realpath(f"/proc/self/fd/{fd}") == str(path) for fd in os.listdir("/proc/self/fd")
    )


def test_the_hash_is_that_of_the_bytes_whatever_the_pieces_they_came_in():
    """hashlib over the whole is the oracle."""
    pieces = [bytes([n]) * size for n, size in enumerate((5, 1 << 20, 3, 1 << 18, 1 << 19, 9))]
    data, sizes = b"".join(pieces), []
    stream = Stored(io.BytesIO(data), "x.log", sizes.append)
    for piece in pieces:
        assert stream.readinto(bytearray(len(piece))) == len(piece)
    assert sizes == [len(piece) for piece in pieces]
    assert stream.sha256 == hashlib.sha256(data).hexdigest()
