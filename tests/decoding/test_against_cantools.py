"""Value by value against cantools, over the definition files of its own source distribution.

The files (DBC, KCD, ARXML) come from the sdist of the installed cantools version, fetched with pip
and kept in pytest's cache. Payloads are random bytes; the oracle is ``Message.decode`` without
choices. Equality is exact.
"""

import logging
import os
import random
import subprocess
import sys
import tarfile
from importlib.metadata import version
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from canscope.decoding.columns import decode
from canscope.decoding.database import read_definitions
from canscope.model.errors import DefinitionError
from canscope.model.tables import Flag, FrameBuilder

from .conftest import HEAD

cantools = pytest.importorskip("cantools.database")
FRAMES = 25  # random payloads a message

REFUSED = {  # what cantools' own tests call bad, and what it cannot keep apart
    "arxml/system-bad-root-tag-4.2.arxml": "illegal root tag",
    "arxml/system-dangling-reference-4.2.arxml": "dangling reference",
    "arxml/system-illegal-namespace-4.2.arxml": "Unrecognized XML namespace",
    "arxml/system-illegal-root-4.2.arxml": "illegal root tag",
    "arxml/system-illegal-version-4.2.2.1.0.arxml": "AUTOSAR version",
    "arxml/system-missing-denominator-4.2.arxml": "denominator",
    "arxml/system-missing-factor-4.2.arxml": "numerator",
    "dbc/bad_message_length.dbc": "bad_message_length.dbc:40: signal 'Signal1' reaches beyond",
    "dbc/incorrect-sig_valtype.dbc": "unused SIG_VALTYPE_",
    "dbc/incorrect-val.dbc": "unused VAL_",
    "dbc/issue_199.dbc": "more than 11 bits",
    "dbc/issue_199_extended.dbc": "more than 29 bits",
    "dbc/issue_63.dbc": "issue_63.dbc:39: signals 'HtrRes' and 'MaxRes'",
    "kcd/bad_message_length.kcd": "reaches beyond",
    "kcd/message_layout.kcd": "reaches beyond",
    "kcd/the_homer.kcd": "both have identifier 55B",  # on two buses; see its own test
}
NO_MESSAGES = {
    *("arxml/system-DAI-3.1.2.arxml", "dbc/BU_EV_REL_.dbc", "dbc/bus_comment_bare.dbc"),
    *("dbc/bus_comment_bare_out.dbc", "dbc/cp1252.dbc", "dbc/empty_ns.dbc", "dbc/issue_62.dbc"),
    *("dbc/environment_variable_data.dbc", "kcd/empty.kcd"),
    "dbc/environment_variable_multiple_access_nodes.dbc",
}
CONTAINERS = {"OneToContainThemAll"}  # cantools decodes them only apart; a warning says so


def fetched(folder):
    """The unpacked ``tests/files`` of the sdist; fails, or skips if there is no registry."""
    release = version("cantools")
    files = folder / f"cantools-{release}" / "tests" / "files"
    if files.is_dir():
        return files
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--retries=1"]
    command += ["--no-binary=cantools", f"--dest={folder}", f"cantools=={release}"]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=300)
    if done.returncode:
        why = f"the source distribution of cantools {release} could not be fetched: {done.stderr}"
        unreachable = "from versions: none" in done.stderr or "Connection" in done.stderr
        (pytest.skip if unreachable and not os.environ.get("CI") else pytest.fail)(why)
    [archive] = folder.glob("cantools-*.tar.gz")
    with tarfile.open(archive) as packed:
        names = [name for name in packed.getnames() if "/tests/files/" in name]
        packed.extractall(folder, [packed.getmember(name) for name in names], filter="data")
    archive.unlink()
    return files


@pytest.fixture(scope="module")
def sources(request):
    return fetched(Path(request.config.cache.mkdir("cantools-sdist")))


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


def compare(path, channel="can0"):
    """Compare one file; how many values that were, of how many messages."""
    pick = random.Random(f"{path.name}")
    definitions = read_definitions({channel: [path]}, {channel: "none"})
    by_id = {(m.can_id, m.extended): m for m in definitions.messages}
    builder, expected = FrameBuilder(), []
    messages = cantools.load_file(path).messages
    messages = [m for m in messages if channel in ("can0", m.bus_name)]
    for message in messages:
        assert by_id[message.frame_id, message.is_extended_frame].name == message.name
        if message.is_container:
            assert message.name in CONTAINERS
            continue
        flags = Flag.EXTENDED if message.is_extended_frame else 0
        for _ in range(FRAMES):
            payload = pick.randbytes(message.length)
            builder.add(len(builder), channel, message.frame_id, flags, len(payload), payload)
            expected.append((message.name, oracle(message, payload)))
    [signals] = decode(builder.build(), definitions)
    found = [{} for _ in expected]
    for series in signals.series.values():
        for row, value in zip(series.row.tolist(), series.value.tolist(), strict=True):
            found[row][series.spec.name] = value
    refused = {}
    for (name, said), values in zip(expected, found, strict=True):
        if said is None:
            refused[f"{channel}:{name}"] = refused.get(f"{channel}:{name}", 0) + 1
        else:
            assert values.keys() == said.keys(), f"{path.name}: {name}"
            for signal, value in values.items():
                same = value == said[signal] or (value != value and said[signal] != said[signal])
                assert same, f"{path.name}: {name}.{signal}: {value!r}, cantools {said[signal]!r}"
    assert signals.tally.undefined_multiplexer == refused
    assert not signals.tally.short_frames
    assert not signals.tally.undefined_ids
    return sum(len(said or ()) for _, said in expected), len(messages)


def test_every_value_of_every_file_equals_that_of_cantools(sources):
    compared, without = 0, set()
    for path in sorted(sources.glob("*/*")):
        name = f"{path.parent.name}/{path.name}"
        if path.suffix.lower() in (".dbc", ".kcd", ".arxml") and name not in REFUSED:
            values, messages = compare(path)
            compared += values
            if not messages:
                without.add(name)
    assert without == NO_MESSAGES
    assert compared > 30_000


def test_a_file_of_several_buses_bus_by_bus(sources):
    path = sources / "kcd" / "the_homer.kcd"
    buses = {message.bus_name for message in cantools.load_file(path).messages}
    assert len(buses) == 3
    assert sum(compare(path, bus)[0] for bus in buses) > 1000


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_refused_says_why(sources, name):
    with pytest.raises(DefinitionError, match=r"(?s)\n  hint: ") as caught:
        read_definitions({"can0": [sources / name]})
    assert REFUSED[name] in str(caught.value)


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
