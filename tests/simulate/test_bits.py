"""Checksum and bit packing of the simulator, against published samples and other libraries.

Sources: AUTOSAR SWS CRCLibrary R20-11, samples for CRC-8 SAE J1850; the check value 0x4B of
"123456789"; crccheck (PyPI) as a second implementation; cantools as the oracle for DBC bits.
"""

import cantools
import numpy as np
import pytest
from crccheck.crc import Crc8SaeJ1850
from hypothesis import given, settings
from hypothesis import strategies as st

from canscope.simulate.bits import crc8_j1850, pack, raw_codes
from canscope.simulate.messages import dbc_text, unit_messages, vehicle_messages
from canscope.simulate.vehicle import BRAMBLE, BRAMBLE_COARSE, THISTLE


def crc(data):
    return int(crc8_j1850(np.frombuffer(data, np.uint8)[None, :])[0])


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        ("00000000", 0x59),
        ("F20183", 0x37),
        ("0FAA0055", 0x79),
        ("00FF5511", 0xB8),
        ("332255AABBCCDDEEFF", 0xCB),
        ("926B55", 0x8C),
        ("FFFFFFFF", 0x74),
        ("313233343536373839", 0x4B),
    ],
)
def test_checksum_gives_every_published_sample(data, expected):
    assert crc(bytes.fromhex(data)) == expected


@given(st.binary(min_size=1, max_size=12))
def test_checksum_agrees_with_a_second_implementation(data):
    assert crc(data) == Crc8SaeJ1850.calc(data)


ALL = [
    (message, vehicle.wiring)
    for vehicle in (BRAMBLE, BRAMBLE_COARSE, THISTLE)
    for message in (
        *vehicle_messages("can0", vehicle.wiring),
        *unit_messages("can1", vehicle.wiring),
    )
]


@pytest.mark.parametrize("message", [m for m, _ in ALL], ids=lambda m: f"{m.can_id:x}-{m.name}")
@settings(max_examples=20)
@given(data=st.data())
def test_every_message_is_packed_as_cantools_packs_it(message, data):
    own = [s for s in message.signals if s.name != "Checksum"]
    raw = {
        s.name: data.draw(
            st.integers(-(1 << s.length_bits - 1), (1 << s.length_bits - 1) - 1)
            if s.signed
            else st.integers(0, (1 << s.length_bits) - 1)
        )
        for s in own
    }
    payload = pack(message, {name: np.array([code]) for name, code in raw.items()})[0].tobytes()
    if message.signal("Checksum"):
        raw["Checksum"] = Crc8SaeJ1850.calc(payload[:-1])
    oracle = cantools.database.load_string(dbc_text([message]), "dbc")
    assert payload == oracle.encode_message(message.name, raw, scaling=False, strict=False)


def test_codes_are_rounded_to_the_step_and_clipped_to_the_width():
    # Hand: 12.34 V / 0.01 = 1234; 999 V is beyond 16 bits of 0.01 V, -1 V below an unsigned field.
    supply = vehicle_messages("can0", BRAMBLE.wiring)[3].signals[0]
    assert raw_codes(supply, np.array([12.344, 999.0, -1.0])).tolist() == [1234, 65535, 0]


def test_the_definition_tells_each_cycle_time():
    messages = (*vehicle_messages("can0", BRAMBLE.wiring), *unit_messages("can1", BRAMBLE.wiring))
    database = cantools.database.load_string(dbc_text(messages), "dbc")
    cycles = {m.name: m.cycle_time for m in database.messages}
    assert cycles == {
        "PackStatus": 20,
        "Insulation": 500,
        "ContactorBox": 20,
        "Supply": 20,
        "Cabin": 20,
        "UnitFast": 10,
        "UnitSlow": 100,
    }
