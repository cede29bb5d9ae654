"""Times in the cells of a table: numbers of some unit, times of day, dates."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime
from decimal import ROUND_HALF_UP, Decimal, InvalidOperation
from itertools import pairwise
from statistics import median

from canscope.capture.table.header import NS
from canscope.model.tables import SECOND_NS

# whole numbers since 1970 by their size: this century in each unit
EPOCH = {10: "s", 13: "ms", 16: "us", 19: "ns"}
# Half of all frames follow the one before them within this time on any bus worth a test. Numbers of
# that size whose steps would be longer count from the recorder's start in a smaller unit: 1,000 s
# in microseconds have ten digits as well.
LONGEST_STEP_S = 10
# Numbers with a fraction are seconds, unless frames would then follow each other faster than buses
# carry them, as with days, or slower than nodes send, as with milliseconds.
SECONDS_STEPS = Decimal("0.000005"), Decimal(1)
CLOCK = re.compile(r"(\d{1,2}):(\d\d):(\d\d)(?:[.,](\d{1,9}))?")
GERMAN = re.compile(r"(\d{1,2})\.(\d{1,2})\.(\d{4})(?=[ T])")
ZONE = re.compile(r"(?:Z|[+-]\d\d:?\d\d)\Z", re.IGNORECASE)
READ = "a number, 12:00:00.5, 2024-05-14 12:00:00.5 or 14.05.2024 12:00:00.5"


def unit_of(times: Sequence[str]) -> tuple[str, str]:
    """(the unit of times whose heading names none, what to tell of it); empty if nobody can say.

    ``times`` in the order of their rows.
    """
    numbers = [text.replace(",", ".") for text in times]
    numbers = [text for text in numbers if re.fullmatch(r"\d{1,20}(?:\.\d{0,20})?", text)]
    if not numbers:
        return "s", ""  # dates, or nothing that is a time
    whole = {len(text.partition(".")[0]) for text in numbers}
    unit = EPOCH.get(whole.pop(), "") if len(whole) == 1 else ""
    step = median([abs(Decimal(b) - Decimal(a)) for a, b in pairwise(numbers)] or [Decimal(0)])
    if unit and step * NS[unit] <= LONGEST_STEP_S * SECOND_NS:
        return unit, ""
    least, most = SECONDS_STEPS
    if all("." in text for text in numbers) and (not step or least <= step <= most):
        return "s", "no heading names the unit of its times: taken to be seconds"
    return "", ""


def time_ns(text: str, unit_ns: int) -> int | None:
    """The time that a cell says, in ns; None if it is none. Without a zone a date is of UTC."""
    try:
        number = Decimal(text)
        if not number.is_finite() or number.adjusted() >= 20:  # abs() overflows
            return None
        return int((number * unit_ns).to_integral_value(rounding=ROUND_HALF_UP))
    except InvalidOperation:
        pass
    if m := CLOCK.fullmatch(text):
        seconds = int(m[1]) * 3600 + int(m[2]) * 60 + int(m[3])
        return seconds * SECOND_NS + int((m[4] or "0").ljust(9, "0"))
    text = GERMAN.sub(lambda m: f"{m[3]}-{m[2]:0>2}-{m[1]:0>2}", text)
    day, _, fraction = text.partition(".")
    if fraction.isdecimal() and len(fraction) <= 9:
        text, nanos = day, int(fraction.ljust(9, "0"))
    else:
        nanos = 0
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    moment = moment.replace(tzinfo=moment.tzinfo or UTC)
    return int(moment.timestamp()) * SECOND_NS + moment.microsecond * 1000 + nanos


def names_no_zone(text: str) -> bool:
    """Whether it is a date and a time of day that does not say of which zone."""
    return ":" in text and not CLOCK.fullmatch(text) and not ZONE.search(text)
