"""One line of python-can's CSV, to the letter. Every other way of reading one agrees with this.

Source: python-can 4.6.1, ``can/io/csv.py``, the table in the docstring of ``CSVWriter``.
"""

from __future__ import annotations

import base64
import binascii
import re
from decimal import ROUND_HALF_UP, Decimal

from canscope.capture.input.stamps import LAST_SECOND
from canscope.capture.input.table import reason
from canscope.model.tables import Flag

Row = tuple[int, int, int, int, bytes]  # time_ns, can_id, flags, length, payload

HEADER = b"timestamp,arbitration_id,extended,remote,error,dlc,data"
COMMAS = HEADER.count(b",")
LONGEST_DATA = 64
LINE = re.compile(
    rb"(\d{1,10}\.\d+|\d(?:\.\d+)?e-\d{1,3}),0x([0-9A-Fa-f]{1,8}),([01]),([01]),([01]),(\d{1,2}),"
    rb"([A-Za-z0-9+/]*={0,2})"
)
NANO = Decimal(10**9)


def parse(line: bytes) -> Row | str:
    """The frame on a line without blanks around it, or the reason why there is none."""
    m = LINE.fullmatch(line)
    if m is None:
        return "not a line of python-can's CSV"
    seconds, can_id, length = Decimal(m[1].decode()), int(m[2], 16), int(m[6])
    if int(seconds) > LAST_SECOND:
        return "its time does not fit 64 bits of nanoseconds"
    time_ns = int((seconds * NANO).to_integral_value(ROUND_HALF_UP))
    extended, remote, error = (m[at] == b"1" for at in (3, 4, 5))
    flags = Flag.ERROR if error else Flag.EXTENDED if extended else Flag(0)
    flags |= Flag.REMOTE if remote else Flag(0)
    flags |= Flag.FD if length > 8 else Flag(0)
    if why := reason(can_id, flags, length):
        return why
    size = 0 if remote else length
    if len(m[7]) != -(-size // 3) * 4:
        return f"its data is not {size} bytes in base64"
    try:
        data = base64.b64decode(m[7], validate=True)
    except binascii.Error:
        return "its data is not base64"
    if len(data) != size:
        return f"its data is not {size} bytes in base64"
    return time_ns, can_id, int(flags), length, data
