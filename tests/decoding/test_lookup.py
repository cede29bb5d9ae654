"""Which message a frame is. J1939 identifiers: linux j1939.rst and can-j1939-kickstart.md."""

import pytest

from canscope.decoding.columns import decode
from canscope.decoding.database import read_definitions
from canscope.decoding.lookup import group_of
from canscope.model.tables import Flag

from .conftest import J1939

EXT = Flag.EXTENDED
BYTE = ' SG_ S : 0|8@1+ (1,0) [0|0] "" Node\n'


@pytest.mark.parametrize(
    ("can_id", "group"),
    [(0x1823FF40, 0x02300), (0x18234140, 0x02300), (0x1923FF80, 0x12300), (0x1BFFFF80, 0x3FFFF)],
)
def test_the_parameter_group_of_published_identifiers(can_id, group):
    assert group_of(can_id) == group


def seen(path, frames):
    [signals] = decode(frames, read_definitions({"can0": [path]}))
    return {
        key: series.value.tolist() for key, series in signals.series.items()
    }, signals.tally.undefined_ids


def test_a_destination_is_no_part_of_a_group_but_the_source_is(dbc, frames):
    path = dbc(f"BO_ {0x18230040 | 1 << 31} M: 8 Node\n{BYTE}{J1939}")
    found, undefined = seen(
        path,
        frames(
            ("can0", 0x1823FF40, EXT, "01"),
            ("can0", 0x0C234140, EXT, "02"),  # another destination and priority
            ("can0", 0x1823FF41, EXT, "03"),  # another source
            ("can0", 0x1923FF40, EXT, "04"),  # another data page
        ),
    )
    assert found == {"can0:M.S": [1, 2]}
    assert undefined == {"can0": 2}


def test_source_fe_in_a_definition_means_any_but_its_own_definition_comes_first(dbc, frames):
    path = dbc(
        f"BO_ {0x0CF004FE | 1 << 31} Any: 8 Node\n{BYTE}"
        f"BO_ {0x0CF00427 | 1 << 31} Own: 8 Node\n{BYTE}{J1939}"
    )
    found, _ = seen(path, frames(("can0", 0x0CF00400, EXT, "01"), ("can0", 0x0CF00427, EXT, "02")))
    assert found == {"can0:Any.S": [1], "can0:Own.S": [2]}


def test_without_j1939_the_whole_identifier_and_its_kind_must_match(dbc, frames):
    path = dbc(f"BO_ {0x123 | 1 << 31} Long: 8 Node\n{BYTE}BO_ 291 Short: 8 Node\n{BYTE}")
    found, undefined = seen(
        path,
        frames(
            ("can0", 0x123, EXT, "01"),
            ("can0", 0x123, 0, "02"),
            ("can0", 0x10000123, EXT, "03"),
            ("can1", 0x123, 0, "04"),
        ),
    )
    assert found == {"can0:Long.S": [1], "can0:Short.S": [2]}
    assert undefined == {"can0": 1, "can1": 1}


def test_remote_and_error_frames_are_no_data(dbc, frames):
    path = dbc(f"BO_ 64 M: 8 Node\n{BYTE}")
    found, undefined = seen(
        path,
        frames(
            ("can0", 0x40, Flag.ERROR, "0000000000000000"),  # bus-off: class 0x40, not message 64
            ("can0", 0x40, Flag.REMOTE, ""),
            ("can0", 0x40, 0, "07"),
        ),
    )
    assert (found, undefined) == ({"can0:M.S": [7]}, {})


def test_who_sent_a_message_that_anybody_may_send_is_told(dbc, frames, monkeypatch):
    """Two senders of one group; a third has a definition of its own, and is another message."""
    path = dbc(
        f"BO_ {0x0CF004FE | 1 << 31} Any: 8 Node\n{BYTE}"
        f"BO_ {0x0CF00421 | 1 << 31} Own: 8 Node\n{BYTE}{J1939}"
    )
    sources = (0x00, 0x17, 0x21, 0x00)
    sent = frames(*[("can0", 0x0CF00400 | source, EXT, "01" * 8) for source in sources])
    parts = [sent.take(slice(0, 1)), sent.take(slice(1, 4))]
    for engine in ("numpy", "numba"):
        monkeypatch.setenv("CANSCOPE_ENGINE", engine)
        first, second = decode(parts, read_definitions({"can0": [path]}))
        assert first.tally.senders == {"can0:Any": {0x00}}
        assert (first.tally + second.tally).senders == {"can0:Any": {0x00, 0x17}}
