"""Small definitions and frames for the decoding tests."""

import pytest

from canscope.model.tables import FrameBuilder

HEAD = 'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: Node\n\n'
J1939 = (
    'BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";\n'
    'BA_DEF_DEF_ "VFrameFormat" "J1939PG";\n'
)


@pytest.fixture
def dbc(tmp_path):
    """Writes a DBC file: its messages and what follows them."""

    def write(body, name="definition.dbc", encoding="utf-8"):
        path = tmp_path / name
        path.write_text(HEAD + body, encoding=encoding)
        return path

    return write


@pytest.fixture
def kcd(tmp_path):
    """Writes a KCD file with these Bus elements."""

    def write(buses, name="definition.kcd"):
        path = tmp_path / name
        path.write_text(
            '<?xml version="1.0" encoding="UTF-8"?>\n'
            '<NetworkDefinition xmlns="http://kayak.2codeornot2code.org/1.0">\n'
            f'<Document name="x" version="1"/>\n{buses}\n</NetworkDefinition>\n',
            encoding="utf-8",
        )
        return path

    return write


@pytest.fixture
def frames():
    """Frames from (channel, can_id, flags, payload as hex), 10 ms apart from 1 s on."""

    def build(*rows):
        builder = FrameBuilder()
        for number, (channel, can_id, flags, payload) in enumerate(rows):
            data = bytes.fromhex(payload)
            stamp = 1_000_000_000 + number * 10_000_000
            builder.add(stamp, channel, can_id, flags, len(data), data)
        return builder.build()

    return build
