"""Does a vehicle set off when its pedal is pressed, or long after?

A controller answers within moments. Torque that comes a second and more after the pedal, with a
direction chosen and the brake released all the while, answers to something else, or surprises
whoever has long looked elsewhere.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from canscope.model.piece import ClosedWindow, S
from canscope.trust.remark import Links, Remark

PEDAL, REQUEST, BRAKE = "driver.pedal", "driver.direction", "driver.brake"
# All common practice, no source.
REST_PERCENT, PRESSED_PERCENT = 3.0, 10.0
BEFORE_NS = 6 * S  # a burst, in which its pedal was pressed
PART, STARTS_NS = 0.3, S // 2  # of the largest torque until then, from which on a unit answers
LEAST_NM = 1.0
ANSWER_NS = S  # and a cycle of pedal and torque


def late_answer(window: ClosedWindow, links: Links) -> Iterator[Remark]:
    """A pedal that is held for long before any unit gives torque."""
    bench, start_ns = window.bench, window.span.start_ns
    torques = [unit.role("torque") for unit in bench.units]
    alike = set(links) >= set(bench.link_roles().values())
    if not alike or not bench.has(PEDAL, REQUEST, BRAKE, *torques) or bench.creep:
        return
    pedal = window.back(PEDAL, start_ns - BEFORE_NS).between(start_ns - BEFORE_NS, start_ns).known
    rest = np.flatnonzero(pedal.value <= REST_PERCENT)
    if not len(rest):
        return
    pressed = pedal[int(rest[-1]) + 1 :]
    pressed = pressed[pressed.value >= PRESSED_PERCENT]
    if not len(pressed):
        return
    pressed_ns = int(pressed.time_ns[0])
    answers = [_answers_ns(window, role, pressed_ns) for role in torques]
    answer_ns = min((at_ns for at_ns in answers if at_ns is not None), default=pressed_ns)
    asked = window.back(REQUEST, pressed_ns - S).between(0, answer_ns).known
    brake = window.back(BRAKE, pressed_ns - S).between(0, answer_ns).known
    if not len(asked) or not len(brake) or asked.value[-1] == 0 or brake.value[-1] != 0:
        return
    other = asked.time_ns[asked.value != asked.value[-1]]
    braked = brake.time_ns[brake.value != 0]
    since_ns = max([pressed_ns, *other[-1:].tolist(), *braked[-1:].tolist()])
    patience_ms = sum(window.history.cycle_ms(role) or 0.0 for role in (PEDAL, *torques))
    if answer_ns - since_ns <= ANSWER_NS + round(1e6 * patience_ms):
        return
    closed = window.at("@closed", answer_ns)
    if closed.value[0] == 1 and closed.age_ns[0] >= answer_ns - since_ns:
        text = f"was pressed for {(answer_ns - since_ns) / S:.1f} s, with a direction chosen and "
        text += "the brake released, before any unit gave torque: they answer to something else, "
        yield Remark(PEDAL, "late", text + "or late", since_ns)


def _answers_ns(window: ClosedWindow, role: str, since_ns: int) -> int | None:
    """When a unit first gave a part of the torque by which it starts; None if it gave none."""
    every = window.back(role, since_ns).between(since_ns, window.span.start_ns + STARTS_NS).known
    pushes = np.abs(every.value)
    if not len(pushes) or pushes.max() < LEAST_NM:
        return None
    row = int(np.argmax(pushes >= PART * pushes.max()))
    return int(every.time_ns[row])
