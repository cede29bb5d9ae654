"""Value by value against cantools, over a selection of its own test files; over all of them, or any
others, with thousands of frames each, by

    pytest tests/decoding/test_against_cantools.py --definitions FOLDER --frames 3000 -s

Payloads are random bytes; the oracle is ``Message.decode`` without choices. Equality is exact.
"""

import logging
import random
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canscope.decoding.columns import Decoder, decode
from canscope.decoding.database import read_definitions
from canscope.model.errors import DefinitionError
from canscope.model.tables import Flag, FrameBuilder

from .conftest import HEAD

cantools = pytest.importorskip("cantools.database")
SELECTION = Path(__file__).parents[2] / "dbc_examples" / "cantools"

REFUSED = {  # what cantools' own tests call bad, and what it cannot keep apart
    "arxml/system-bad-root-tag-4.2.arxml": "illegal root tag",
    "arxml/system-dangling-reference-4.2.arxml": "dangling reference",
    "arxml/system-illegal-namespace-4.2.arxml": "Unrecognized XML namespace",
    "arxml/system-illegal-root-4.2.arxml": "illegal root tag",
    "arxml/system-illegal-version-4.2.2.1.0.arxml": "AUTOSAR version",
    "arxml/system-missing-denominator-4.2.arxml": "denominator",
    "arxml/system-missing-factor-4.2.arxml": "numerator",
    "dbc/bad_message_length.dbc": "bad_message_length.dbc:40: signal 'Signal1' reaches beyond",
    "dbc/issue_199.dbc": "more than 11 bits",
    "dbc/issue_199_extended.dbc": "more than 29 bits",
    "kcd/bad_message_length.kcd": "reaches beyond",
    "kcd/the_homer.kcd": "both have identifier 55B",  # on two buses; see its own test
}
MISTAKEN = {  # what cantools refuses whole: a part of each file is sound, and the rest is told
    "dbc/incorrect-sig_valtype.dbc": (2, "unused SIG_VALTYPE_"),
    "dbc/incorrect-val.dbc": (2, "unused VAL_"),
    "dbc/issue_63.dbc": (4, "issue_63.dbc:39: signal 'HtrRes' of message 'AFT1PSI2' overlaps"),
    "kcd/message_layout.kcd": (6, "message_layout.kcd:25: signal 'Signal1' of message 'Message3' "),
}
NO_MESSAGES = {
    *("arxml/system-DAI-3.1.2.arxml", "dbc/BU_EV_REL_.dbc", "dbc/bus_comment_bare.dbc"),
    *("dbc/bus_comment_bare_out.dbc", "dbc/cp1252.dbc", "dbc/empty_ns.dbc", "dbc/issue_62.dbc"),
    *("dbc/environment_variable_data.dbc", "kcd/empty.kcd"),
    "dbc/environment_variable_multiple_access_nodes.dbc",
}
CONTAINERS = {"OneToContainThemAll"}  # cantools decodes them only apart; a warning says so


@pytest.fixture(scope="module")
def sources(request):
    """The folder in which definition files are looked for, at any depth."""
    return Path(request.config.getoption("--definitions") or SELECTION)


@pytest.fixture(scope="module")
def frames(request):
    """How many frames of each message."""
    return request.config.getoption("--frames")


def found(sources):
    """(path, ``folder/name``) of each definition file."""
    for path in sorted(sources.rglob("*")):
        if path.suffix.lower() in (".dbc", ".kcd", ".arxml"):
            yield path, f"{path.parent.name}/{path.name}"


@pytest.fixture(autouse=True)
def quiet():
    """cantools logs warnings about its own odd test files."""
    logging.getLogger("cantools").setLevel(logging.ERROR)
    yield
    logging.getLogger("cantools").setLevel(logging.NOTSET)


def oracle(message, payload):
    """What cantools says, or None if it refuses the payload for its multiplexer."""
    try:
        return {k: float(v) for k, v in message.decode(payload, decode_choices=False).items()}
    except cantools.DecodeError as error:
        if "expected multiplexer id" in str(error):
            return None
        raise


def compare(path, frames, channel="can0"):
    """Compare one file; how many values that were, of how many messages."""
    pick = random.Random(f"{path.name}")
    definitions = read_definitions({channel: [path]}, {channel: "none"})
    by_id = {(m.can_id, m.extended): m for m in definitions.messages}
    messages = cantools.load_file(path).messages
    messages = [m for m in messages if channel in ("can0", m.bus_name)]
    decoder, compared = Decoder(definitions), 0
    for message in messages:
        assert by_id[message.frame_id, message.is_extended_frame].name == message.name
        if message.is_container:
            assert message.name in CONTAINERS
            continue
        many = frames * (10 if message.is_multiplexed() else 1)  # most of these select nothing
        payloads = [pick.randbytes(message.length) for _ in range(many)]
        said = [oracle(message, payload) for payload in payloads]
        builder, flags = FrameBuilder(), Flag.EXTENDED if message.is_extended_frame else 0
        flags |= Flag.FD if message.length > 8 else 0
        for payload in payloads:
            builder.add(len(builder), channel, message.frame_id, flags, len(payload), payload)
        signals = decoder(builder.build())
        decoded = {s.spec.name: s for s in signals.series.values() if len(s.row)}
        assert decoded.keys() >= {name for values in said for name in values or ()}
        for name, series in decoded.items():
            rows = [row for row, values in enumerate(said) if name in (values or ())]
            theirs = np.array([said[row][name] for row in rows], np.float64)
            ours = {row: at for at, row in enumerate(series.row.tolist())}
            assert ours.keys() >= set(rows)
            # where cantools refuses a frame for one selector, what others select is still there
            assert all(said[row] is None for row in ours.keys() - set(rows))
            mine = series.value[[ours[row] for row in rows]]
            where = f"{path.name}: {message.name}.{name}"
            np.testing.assert_array_equal(mine, theirs, err_msg=where, strict=True)
            compared += len(rows)
        refused = said.count(None)
        key = f"{channel}:{message.name}"
        assert signals.tally.undefined_multiplexer == ({key: refused} if refused else {})
        assert not signals.tally.short_frames
        assert not signals.tally.undefined_ids
    return compared, len(messages)


def test_every_value_of_every_file_equals_that_of_cantools(sources, frames):
    compared = files = several = 0
    without = set()
    for path, name in found(sources):
        if name in REFUSED or name in MISTAKEN:
            continue
        values, messages = compare(path, frames)
        compared, files, several = compared + values, files + 1, several + messages
        if not messages:
            without.add(name)
    print(f"\n{files} files, {several} messages, {frames} frames each: {compared} equal values")
    assert without <= NO_MESSAGES
    assert compared > 30_000


def test_a_file_of_several_buses_bus_by_bus(sources, frames):
    paths = [path for path, name in found(sources) if name == "kcd/the_homer.kcd"]
    if not paths:
        pytest.skip("it is not among these files")
    buses = {message.bus_name for message in cantools.load_file(paths[0]).messages}
    assert len(buses) == 3
    assert sum(compare(paths[0], frames, bus)[0] for bus in buses) > 1000


def test_what_is_refused_says_why(sources):
    refused = [(path, name) for path, name in found(sources) if name in REFUSED]
    for path, name in refused:
        with pytest.raises(DefinitionError, match=r"(?s)\n  hint: ") as caught:
            read_definitions({"can0": [path]})
        assert REFUSED[name] in str(caught.value)
    assert refused


def test_one_mistake_does_not_cost_what_is_sound(sources):
    found_some = False
    for path, name in found(sources):
        if name in MISTAKEN:
            signals, told = MISTAKEN[name]
            with pytest.raises(cantools.UnsupportedDatabaseFormatError):
                cantools.load_file(path)
            definitions = read_definitions({"can0": [path]})
            assert len(definitions.signals()) == signals, name
            assert any(told in warning for warning in definitions.warnings)
            found_some = True
    assert found_some


@st.composite
def encoded(draw):
    """A field anywhere in 64 bytes, its line in a DBC file, and a raw code that fits it."""
    length = draw(st.integers(1, 64))
    first = draw(st.integers(0, 512 - length))
    motorola, signed = draw(st.booleans()), draw(st.booleans())
    start = first // 8 * 8 + 7 - first % 8 if motorola else first
    low = -(2 ** (length - 1)) if signed else 0
    raw = draw(st.integers(low, low + 2**length - 1))
    factor = draw(st.sampled_from(("1", "0.5", "-0.1", "3", "1e-07")))
    offset = draw(st.sampled_from(("0", "-40", "0.25")))
    order, sign = "10"[motorola], "+-"[signed]
    line = f' SG_ S : {start}|{length}@{order}{sign} ({factor},{offset}) [0|0] "" Node\n'
    return f"BO_ 5 M: 64 Node\n{line}", raw


@settings(max_examples=60, deadline=None)
@given(encoded())
def test_decoding_what_cantools_encodes_gives_it_back(tmp_path_factory, case):
    body, raw = case
    path = tmp_path_factory.getbasetemp() / "law.dbc"
    path.write_text(HEAD + body)
    [message] = cantools.load_file(path).messages
    payload = message.encode({"S": raw}, scaling=False)
    builder = FrameBuilder()
    builder.add(0, "can0", 5, Flag.FD, len(payload), payload)
    [signals] = decode(builder.build(), read_definitions({"can0": [path]}))
    series = signals.series["can0:M.S"]
    assert int(series.raw[0]) % 2**64 == raw % 2**64
    expected = float(message.decode(payload)["S"])
    # Exact up to 2**53; beyond, whole numbers scaled by a fraction may round twice.
    slack = 0 if abs(raw) <= 2**51 else 4e-16 * max(abs(expected), abs(raw * 3.0))
    assert abs(series.value[0] - expected) <= slack
