"""Traffic, and writers of it that know nothing of canscope's readers.

CSV and SQLite are written by python-can, MF4 by asammdf (its class Signal and ``MDF.append``), pcap
and pcapng by hand: tcpdump's link-type registry, LINKTYPE_CAN_SOCKETCAN and LINKTYPE_LINUX_SLL, and
the pcapng draft, block layouts from memory.

``python -m tests.capture.traffic`` writes the small samples of every format anew.
"""

import struct
import time
from datetime import UTC, datetime
from pathlib import Path

import can
import numpy as np

from canscope.model.tables import Flag, FrameBuilder

EXT, RTR, ERR, FD, BRS, ESI = (
    Flag.EXTENDED,
    Flag.REMOTE,
    Flag.ERROR,
    Flag.FD,
    Flag.BRS,
    Flag.ESI,
)
START_US = 1_715_677_200_000_000
LONG = bytes(range(100, 164))
BUS_OFF = bytes(6) + b"\x88\x00"

# (microseconds since START_US, channel, identifier, flags, length, payload)
TRAFFIC = [
    (1, "can0", 0x123, 0, 8, bytes.fromhex("1122334455667788")),
    (250_001, "can1", 0x7FF, 0, 0, b""),
    (250_002, "can0", 0x12345678, EXT, 3, b"\x01\x00\xff"),
    (250_003, "can0", 0x123, EXT, 1, b"\x05"),
    (999_999, "can1", 0x321, RTR, 5, b""),
    (1_000_000, "can1", 0x1ABCDEF0, EXT | RTR, 0, b""),
    (1_000_137, "can0", 0x40, ERR, 8, BUS_OFF),
    (1_000_138, "can0", 0x222, FD, 64, LONG),
    (1_000_139, "can1", 0x1FFFFFFF, EXT | FD | BRS | ESI, 12, LONG[:12]),
    (1_000_139, "can1", 0, FD | BRS, 8, LONG[:8]),
    (3_600_000_000, "can0", 0, 0, 8, b"\xff" * 8),
]


def rows(frames):
    """Everything that can be said of each frame, as in TRAFFIC but with whole stamps."""
    return [
        (
            int(frames.time_ns[row]),
            frames.channels[frames.channel[row]],
            int(frames.can_id[row]),
            int(frames.flags[row]),
            int(frames.length[row]),
            frames.payload(row),
        )
        for row in range(len(frames))
    ]


def expected(traffic, *, channel=None, without=0, with_long=0):
    """What a format gives back of traffic: one that knows only one channel or not all flags.

    Flags of ``without`` are lost; frames of more than 8 bytes have those of ``with_long``.
    """
    return [
        (
            (START_US + at) * 1000,
            name if channel is None else channel,
            can_id,
            int(flags) & ~int(without) | (int(with_long) if length > 8 else 0),
            length,
            data,
        )
        for at, name, can_id, flags, length, data in traffic
    ]


def traffic_of(frames):
    """Frames as TRAFFIC has them; their stamps are whole microseconds."""
    return [
        (time_ns // 1000 - START_US, name, can_id, Flag(flags), length, data)
        for time_ns, name, can_id, flags, length, data in rows(frames)
    ]


def frames_of(traffic):
    """TRAFFIC as Frames, without any reader."""
    builder = FrameBuilder()
    for at, name, can_id, flags, length, data in traffic:
        builder.add((START_US + at) * 1000, name, can_id, int(flags), length, data)
    return builder.build()


def messages(traffic):
    """The same as python-can's messages."""
    for at, name, can_id, flags, length, data in traffic:
        yield can.Message(
            timestamp=(START_US + at) / 1e6,
            channel=name,
            arbitration_id=can_id,
            is_extended_id=bool(flags & EXT),
            is_remote_frame=bool(flags & RTR),
            is_error_frame=bool(flags & ERR),
            is_fd=bool(flags & FD),
            bitrate_switch=bool(flags & BRS),
            error_state_indicator=bool(flags & ESI),
            dlc=length,
            data=data,
            check=True,
        )


def write_candump(path, traffic):
    _write(can.CanutilsLogWriter(path), traffic)


def write_csv(path, traffic):
    _write(can.CSVWriter(path), traffic)


def write_mf4_by_python_can(path, traffic):
    _write(can.MF4Writer(path), traffic)


def _write(writer, traffic):
    with writer:
        for message in messages(traffic):
            writer.on_message_received(message)


def write_sqlite(path, traffic):
    """Its writer forgets what is still waiting when it is stopped, so it is given the time."""
    writer = can.SqliteWriter(path)
    writer.GET_MESSAGE_TIMEOUT = 0.02
    count = 0
    for message in messages(traffic):
        writer.on_message_received(message)
        count += 1
    while writer.num_frames < count:
        time.sleep(0.005)
    writer.stop()


MF4_KINDS = {
    "CAN_DataFrame": "BusChannel ID IDE DLC DataLength DataBytes Dir EDL BRS ESI",
    "CAN_RemoteFrame": "BusChannel ID IDE DLC DataLength Dir",
    "CAN_ErrorFrame": "BusChannel ID IDE DLC DataLength DataBytes Dir EDL BRS ESI",
}
DLC = {**{n: n for n in range(9)}, 12: 9, 16: 10, 20: 11, 24: 12, 32: 13, 48: 14, 64: 15}


def mf4_kind(flags):
    return (
        "CAN_ErrorFrame" if flags & ERR else "CAN_RemoteFrame" if flags & RTR else "CAN_DataFrame"
    )


def write_mf4(path, traffic, *, compression=0, version="4.10", width=64, start_us=START_US):
    """One group for each kind of frame; channel ``canN`` is BusChannel N."""
    import asammdf
    from asammdf.blocks.v4_blocks import SourceInformation
    from asammdf.blocks.v4_constants import BUS_TYPE_CAN, SOURCE_BUS

    with asammdf.MDF(version=version) as mdf:
        mdf.header.start_time = datetime.fromtimestamp(0, UTC)
        mdf.header.abs_time = start_us * 1000
        for kind, names in MF4_KINDS.items():
            own = [row for row in traffic if mf4_kind(row[3]) == kind]
            if not own:
                continue
            types = {"ID": "<u4", "DataBytes": f"({width},)u1"}
            fields = [(f"{kind}.{name}", types.get(name, "u1")) for name in names.split()]
            samples = np.zeros(len(own), np.dtype(fields))
            for row, (_, channel, can_id, flags, length, data) in enumerate(own):
                values = {
                    "BusChannel": int(channel.removeprefix("can")),
                    "ID": can_id,
                    "IDE": bool(flags & EXT),
                    "DLC": DLC[length],
                    "DataLength": length,
                    "DataBytes": np.frombuffer(data.ljust(width, b"\0"), np.uint8),
                    "EDL": bool(flags & FD),
                    "BRS": bool(flags & BRS),
                    "ESI": bool(flags & ESI),
                    "Dir": bool(flags & Flag.TRANSMITTED),
                }
                for name in names.split():
                    samples[f"{kind}.{name}"][row] = values[name]
            seconds = np.array([START_US - start_us + row[0] for row in own]) / 1e6
            source = SourceInformation(source_type=SOURCE_BUS, bus_type=BUS_TYPE_CAN)
            mdf.append(
                asammdf.Signal(name=kind, samples=samples, timestamps=seconds, source=source)
            )
        mdf.save(path, overwrite=True, compression=compression)


def can_packet(can_id, flags, length, data, *, pad=True, order=">"):
    """The registry's layout: identifier, length, FD flags, reserved, raw DLC, payload."""
    word = can_id | (0x80000000 * bool(flags & EXT)) | (0x40000000 * bool(flags & RTR))
    word |= 0x20000000 * bool(flags & ERR)
    fd = (4 | 1 * bool(flags & BRS) | 2 * bool(flags & ESI)) if flags & FD else 0
    packet = struct.pack(order + "I", word) + bytes([length, fd, 0, 0]) + data
    return packet.ljust(72 if flags & FD else 16, b"\0") if pad else packet


def cooked(packet, *, protocol=0x000C, kind=0, hardware=280):
    """LINKTYPE_LINUX_SLL: kind, hardware type, address (none), protocol; then the packet."""
    return struct.pack(">HHH8xH", kind, hardware, 0, protocol) + packet


def pcap_header(link=227, *, order="<", nano=False):
    magic = 0xA1B23C4D if nano else 0xA1B2C3D4
    return struct.pack(order + "IHHiIII", magic, 2, 4, 0, 0, 262144, link)


def pcap_record(at_us, packet, *, order="<", nano=False, original=None, nanos=0):
    seconds, micros = divmod(START_US + at_us, 1_000_000)
    fraction = micros * 1000 + nanos if nano else micros
    sizes = len(packet), len(packet) if original is None else original
    return struct.pack(order + "IIII", seconds, fraction, *sizes) + packet


def pcap(traffic, *, order="<", nano=False, pad=True, link=227):
    """A whole capture; a cooked one has its identifiers in the byte order of the file."""
    parts = [pcap_header(link, order=order, nano=nano)]
    for at, _, can_id, flags, length, data in traffic:
        if link == 113:
            packet = can_packet(can_id, flags, length, data, pad=pad, order=order)
            packet = cooked(packet, protocol=0x000D if flags & FD else 0x000C)
        else:
            packet = can_packet(can_id, flags, length, data, pad=pad)
        parts.append(pcap_record(at, packet, order=order, nano=nano))
    return b"".join(parts)


def option(code, value, order="<"):
    return struct.pack(order + "HH", code, len(value)) + value + bytes(-len(value) % 4)


def block(kind, body, order="<"):
    size = 12 + len(body)
    return struct.pack(order + "II", kind, size) + body + struct.pack(order + "I", size)


def section(order="<"):
    return block(0x0A0D0D0A, struct.pack(order + "IHHq", 0x1A2B3C4D, 1, 0, -1), order)


def interface(name="", *, link=227, order="<", options=b""):
    if name:
        options = option(2, name.encode(), order) + options
    if options:
        options += option(0, b"", order)
    return block(1, struct.pack(order + "HHI", link, 0, 0) + options, order)


def packet_block(number, ticks, packet, *, order="<", options=b"", original=None):
    sizes = len(packet), len(packet) if original is None else original
    body = struct.pack(order + "IIIII", number, ticks >> 32, ticks & 0xFFFFFFFF, *sizes)
    return block(6, body + packet + bytes(-len(packet) % 4) + options, order)


def pcapng(traffic, *, order="<"):
    """One section with an interface for each channel, in the order of their names."""
    names = sorted({row[1] for row in traffic})
    parts = [section(order), *(interface(name, order=order) for name in names)]
    for at, name, can_id, flags, length, data in traffic:
        packet = can_packet(can_id, flags, length, data)
        parts.append(packet_block(names.index(name), START_US + at, packet, order=order))
    return b"".join(parts)


def write_screen(path, traffic):
    """As ``candump -ta -x`` shows it (can-utils, ``snprintf_long_canframe``, from memory)."""
    lines = []
    for at, name, can_id, flags, length, data in traffic:
        seconds, micros = divmod(START_US + at, 1_000_000)
        word = f"{can_id | 0x2000_0000:08X}" if flags & ERR else f"{can_id:03X}"
        word = f"{can_id:08X}" if flags & EXT else word
        size = f"[{length:02}]" if flags & FD else f"[{length}]"
        shown = "remote request" if flags & RTR else data.hex(" ").upper()
        shown += "   ERRORFRAME" if flags & ERR else ""
        marks = f"RX {'B' if flags & BRS else '-'} {'E' if flags & ESI else '-'}"
        lines.append(
            f" ({seconds:010}.{micros:06})  {name}  {marks}  {word:>8}   {size}  {shown}\n"
        )
    path.write_text("".join(lines), "ascii")


HEADINGS = "Time [us];Bus;ID (hex);Extended;Dir;RTR;Error;FD;BRS;ESI;Length;Data"


def write_table(path, traffic):
    """A table with a column for everything."""
    lines = [HEADINGS]
    for at, name, can_id, flags, length, data in traffic:
        marks = [int(bool(flags & mark)) for mark in (EXT, RTR, ERR, FD, BRS, ESI)]
        extended, *others = map(str, marks)
        cells = [f"{START_US + at}", name, f"{can_id:X}", extended, "Rx", *others, f"{length}"]
        lines.append(";".join([*cells, data.hex(" ")]))
    path.write_text("\n".join(lines) + "\n", "ascii")


def one_bus(traffic, channel="can0"):
    """Only what was on one bus."""
    return [row for row in traffic if row[1] == channel]


def write_samples(folder: Path, stem="bramble_first_2s"):
    """The first 2 s of the demo vehicle's healthy run in every format."""
    from canscope.capture.read import read_capture
    from canscope.model.tables import join
    from canscope.simulate.folder import write_capture
    from canscope.simulate.runs import excerpt, make_run
    from canscope.simulate.samples import SEED

    log = folder / f"{stem}.log"
    write_capture(excerpt(make_run("bramble", seed=SEED), 0.0, 2.0), log)
    traffic = traffic_of(join(list(read_capture(log))))
    write_csv(folder / f"{stem}_can0.csv", one_bus(traffic))
    (folder / f"{stem}_can0.db").unlink(missing_ok=True)
    write_sqlite(folder / f"{stem}_can0.db", one_bus(traffic))
    write_mf4(folder / f"{stem}.mf4", traffic, compression=1, width=8)
    (folder / f"{stem}_can0.pcap").write_bytes(pcap(one_bus(traffic)))
    (folder / f"{stem}.pcapng").write_bytes(pcapng(traffic))
    write_screen(folder / f"{stem}.txt", traffic)
    write_table(folder / f"{stem}.tsv", traffic)


if __name__ == "__main__":
    write_samples(Path(__file__).parents[2] / "sample_logs")
