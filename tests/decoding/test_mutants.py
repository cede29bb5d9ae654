"""Definition files with random damage: what cantools still loads is loaded the same, or told.

``pytest tests/decoding/test_mutants.py --frames 50000`` tries an eighth as many mutants.
"""

import random
from pathlib import Path

import pytest

from canscope.decoding.database import read_definitions
from canscope.model.errors import DefinitionError

cantools = pytest.importorskip("cantools.database")
FOLDER = Path(__file__).parents[2] / "dbc_examples" / "cantools"
LARGEST = 4000  # bytes; a mutant of a small file hits what matters more often
SCRAPS = [b'"', b";", b"\n", b" ", b"SG_ ", b"BO_ ", b"0", b"9", b"-", b".", b"//", b"m1 ", b"M "]


def damaged(data, pick):
    """One to three changes: bytes put in, taken out, or lines moved."""
    for _ in range(pick.randint(1, 3)):
        at, how = pick.randrange(len(data) + 1), pick.random()
        if how < 0.3:
            data = data[:at] + pick.choice(SCRAPS) + data[at:]
        elif how < 0.6:
            data = data[:at] + data[at + pick.choice((1, 1, 2, 5, 30)) :]
        else:
            lines = data.split(b"\n")
            line = lines.pop(pick.randrange(len(lines)))
            if how > 0.7:
                lines.insert(pick.randrange(len(lines) + 1), line)
            data = b"\n".join(lines)
    return data


def plain(labels):
    """Labels without what the two read in different encodings."""
    return {code: label.encode("ascii", "ignore") for code, label in labels.items()}


def facts(signal):
    """What cantools says of a signal that decides its values."""
    return (
        *(signal.start, signal.length, signal.byte_order == "big_endian", signal.is_float),
        bool(signal.is_signed and not signal.is_float),
        *(float(signal.scale), float(signal.offset)),
        plain({int(code): str(label) for code, label in (signal.choices or {}).items()}),
        sorted(signal.multiplexer_ids or []),
    )


def ours(spec):
    nearest = list(spec.multiplexer[-1][1]) if spec.multiplexer else []
    return (
        *(spec.start_bit, spec.length_bits, spec.big_endian, spec.is_float, spec.signed),
        *(spec.factor, spec.offset, plain(spec.labels), nearest),
    )


def test_a_damaged_file_is_read_as_cantools_reads_it_or_the_damage_is_told(
    tmp_path, request, monkeypatch
):
    monkeypatch.setenv("XDG_CACHE_HOME", "/dev/null/none")
    pick = random.Random(7)
    files = sorted(path for path in FOLDER.rglob("*.*") if path.suffix in (".dbc", ".kcd"))
    files = [path for path in files if path.stat().st_size < LARGEST]
    loaded = partial = 0
    for _ in range(request.config.getoption("--frames") // 8):
        file = pick.choice(files)
        mutant = tmp_path / f"mutant{file.suffix}"
        mutant.write_bytes(damaged(file.read_bytes(), pick))
        try:
            definitions = read_definitions({"can0": [mutant]})
        except DefinitionError:  # never any other error
            definitions = None
        try:
            theirs = cantools.load_file(mutant).messages
        except cantools.UnsupportedDatabaseFormatError:
            partial += definitions is not None and bool(definitions.signals())
            continue
        loaded += 1
        if definitions is None:
            continue
        known = {(m.can_id, m.extended): m for m in definitions.messages}
        ids = [(m.frame_id, m.is_extended_frame) for m in theirs]
        for message in theirs:
            identifier = message.frame_id, message.is_extended_frame
            if ids.count(identifier) > 1:
                continue
            assert identifier in known or definitions.lost, mutant.read_text("utf-8", "replace")
            for signal in message.signals:
                spec = known[identifier].signal(signal.name) if identifier in known else None
                assert spec is not None or definitions.lost
                assert spec is None or ours(spec) == facts(signal)
    assert loaded > 10
    assert partial > 10
