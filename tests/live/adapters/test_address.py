"""``--bus``: what each part means, and what is refused."""

import pytest

from canscope.live.adapters.address import FASTEST, Address, parse_address
from canscope.model.errors import CanscopeError


@pytest.mark.parametrize(
    ("text", "address"),
    [
        ("can0=socketcan:can0", Address("can0", "socketcan", "can0")),
        ("can1=slcan:/dev/ttyACM0@500000", Address("can1", "slcan", "/dev/ttyACM0", 500_000)),
        ("u=slcan:COM3@250000,2000000", Address("u", "slcan", "COM3", 250_000, 2_000_000)),
        ("*=replay:a@b.log@20", Address("*", "replay", "a@b.log", speed=20.0)),
        ("replay:a.log", Address("*", "replay", "a.log")),
        ("can0=replay:a.log@max", Address("can0", "replay", "a.log", speed=FASTEST)),
        ("can0=udp_multicast:ff02::1", Address("can0", "udp_multicast", "ff02::1")),
    ],
)
def test_every_part_is_understood(text, address):
    assert parse_address(text) == address


@pytest.mark.parametrize(
    "text",
    [
        "can0", "can0=", "=slcan:x", "can0=slcan:", "can0=slcan", "can 0=slcan:x", "can#0=slcan:x",
        "*=slcan:/dev/ttyACM0", "can0=slcan:x@fast", "can0=slcan:x@0", "can0=slcan:@500000",
        "*=replay:a.log@0", "*=replay:a.log@-1", "*=replay:a.log@nan", "*=replay:a.log@inf",
        "a-name-that-is-too-long=slcan:x",
    ],
)  # fmt: skip
def test_what_is_no_bus_is_refused_with_advice(text):
    with pytest.raises(CanscopeError) as caught:
        parse_address(text)
    assert text in str(caught.value)
    assert "hint:" in str(caught.value)
