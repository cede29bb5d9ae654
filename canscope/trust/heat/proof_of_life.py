"""Is a temperature sensor alive?

A living one is off the rails, it answers to what heats it as its neighbours do, and it does not
fall as no part cools. ``course`` keeps what it read; ``heat_course``, ``flicker`` and ``warming``
are further signs.

What proves it, the first that applies (``_proof``): it warmed in this run; a hand moved it before
the first burst; it is cold and agrees with everything else that is; an earlier real recording saw
it move. Whatever speaks against it in this run (``_suspicion``) comes before all of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from canscope.model.outcome import Doubt
from canscope.model.piece import Piece
from canscope.model.tables import SECOND_NS
from canscope.trust.heat.course import BEFORE, BLOCK_NS, HIGHEST, LOWEST, SAMPLES, SUM, SURE, UNIT
from canscope.trust.heat.heat_course import rises_at_rest, unexplained
from canscope.trust.heat.shown import HELD_STEPS, WARMED_K, WARMED_STEPS, Shown, held_K, shown
from canscope.trust.heat.watched import KEPT_TURNS, Sensor

# All common practice, no source.
WATCHED_NS = 60 * SECOND_NS  # after the last burst, in which its heat soaks
FAR_STEPS = 5.0  # that a neighbour warms by which may differ more: in another unit, or later
RESTED_NS = 20 * SECOND_NS  # a sensor that then stands for so long, while others cool, is dead
SOAKS_NS = 5 * SECOND_NS  # after a burst, in which what it heats warms on
SURE_STEPS = 15.0  # by which it warmed, so that it makes more than one
CUT_STEPS = 5.0  # by which a neighbour moves on while a sensor stays at its highest
COOLED_STEPS, COOLED_K = 8.0, 2.0  # by how much a neighbour of another kind cools meanwhile
FAR_TIMES = 4.0  # as much as its like warmed, it should have warmed more
ALIKE_TURNED = 1.5  # times as long, or two thirds: then two units turned alike
ALIKE = 3.0  # times as warm, or a third: then two parts cool alike
COLD_K = 3.0  # and a step: so far a cold sensor may lie from the air and from its neighbours
COLD_STEPS = 2.0  # warmer by more than so many of its steps, a neighbour says that it is not cold
COLD_TURNED_NS = 20 * SECOND_NS  # a unit that turned for longer in all is not cold
FINE_K = 0.3  # nor one that reads steps as fine as that, and one value all along
COLD_WORK_J = 800.0  # nor one that did more work, of which losses are a multiple; by steps of 1 K
COLD_UNKNOWN_NS = 6 * SECOND_NS  # the same of one whose torque is not bound
HAND_K = 4.0  # beside a step: within which a person's own reading agrees
# Raw steps by which a level jumps that no part has, and times the least step that the sensor ever
# made: some answer in steps that are coarser than their signal.
JUMPED_RAW, JUMPED_OWN = 3.0, 1.5
WORKSHOP_DEGC = (-25.0, 45.0)  # between which a part is that has stood; likewise
BELOW_K = 8.0  # colder than everything was before: nothing cools a part so far


@dataclass(frozen=True)
class Life:
    """Whether a sensor can be believed at the end of a run.

    ``suspicion`` says what speaks against it, ``proof`` how it showed that it lives, ``missing``
    why it did not; in words, two of them empty.
    """

    suspicion: str = ""
    at_ns: int | None = None
    code: str = ""
    proof: str = ""
    missing: str = ""
    moved: bool = False  # it proved itself by moving in this very run


def doubts(lives: Mapping[str, Life], subject: str, role: str) -> list[Doubt]:
    """Why the sensor cannot be believed at the end of the run; empty if it can."""
    life = lives[role]
    if not life.suspicion and not life.missing:
        return []
    text = life.suspicion or life.missing
    return [Doubt(subject, "sensor-suspect", text, life.at_ns, code=life.code)]


def lives_of(sensors: Mapping[str, Sensor], piece: Piece) -> Mapping[str, Life]:
    """What to think of each sensor (by role) at the end of the run, given all of them."""
    key = (lives_of, tuple(sensors.items()))
    return piece.once(key, lambda: _Together(sensors, piece).lives())


class _Together:
    """All sensors of a vehicle at the end of a run: each is held against the others."""

    def __init__(self, sensors: Mapping[str, Sensor], piece: Piece) -> None:
        self._bench, self._until_ns = piece.bench, piece.until_ns
        self._origin_ns = piece.origin_ns
        self._seen = [shown(role, sensor, piece) for role, sensor in sensors.items()]

    def lives(self) -> dict[str, Life]:
        """What to think of each."""
        return {one.role: self._life(one) for one in self._seen}

    def _life(self, one: Shown) -> Life:
        text, at_ns, code = self._suspicion(one)
        if text:
            return Life(text, at_ns, code)
        for proof, moved in self._proofs(one):
            return Life(proof=proof, moved=moved)
        if one.sensor.moved_ns is None:
            text = "the sensor's raw value never changed, so it may be stuck"
            return Life(missing=text + self._not_cold(one), code="never-changed")
        text = "the sensor showed no warming and no cooling, only steps to and fro"
        return Life(missing=text + self._not_cold(one), code="never-warmed")

    def _suspicion(self, one: Shown) -> tuple[str, int | None, str]:
        """What is wrong with the sensor and since when; the words are empty if nothing is."""
        sensor = one.sensor
        if sensor.railed_ns is not None:
            text = f"the sensor stood at the end of its range ({sensor.railed_degC:g} degC)"
            return text, sensor.railed_ns, "at-end-of-range"
        if sensor.raw is None:
            return "the sensor gave no value off the ends of its range", None, ""
        if sensor.fell is not None:
            fell_ns, fall_K = sensor.fell
            text = f"the sensor fell by {fall_K:.1f} K from one reading to the next"
            return text, fell_ns, "jumped"
        raw_K = 2 * self._bench.bindings[one.role].half_step
        least_K = max(JUMPED_RAW * raw_K, JUMPED_OWN * sensor.step_K)
        if sensor.jumped is not None and sensor.jumped[1] >= least_K:
            jumped_ns, jump_K = sensor.jumped
            return (
                f"the sensor jumped by {jump_K:.1f} K to another level at once",
                jumped_ns,
                "jumped",
            )
        if text := self._in_no_workshop(one):
            return text, None, ""
        if text := self._too_cold(one):
            return text, sensor.began_ns, ""
        if sensor.began_ns is not None and (rise_K := one.straight_K()):
            text = f"the sensor rose by {rise_K:.1f} K in one straight line, whatever its unit did"
            return text, sensor.began_ns, ""
        if text := self._against_neighbours(one):
            return text, sensor.began_ns, "against-neighbours"
        text, since_ns = self._warmed_by_another(one)
        if text:
            return text, since_ns, "against-neighbours"
        # What a hand moved rested seldom on its way, and rests where it comes to.
        if sensor.flicker.stopped_ns is not None and not held_K(one):
            text = "the sensor stopped moving at all before a burst that heats it"
            return text, sensor.flicker.stopped_ns, ""
        if sensor.warming.went_far(sensor.flicker.step) and sensor.flicker.rests:
            text = "the sensor followed the last burst and then stopped moving at all"
            return text, sensor.flicker.since_ns, ""
        if still := sensor.warming.suspect(self._until_ns, sensor.flicker.step):
            text = "the sensor stood still over one burst and moved clearly over another"
            return text, still.began_ns, ""
        if text := self._stopped(one):
            return text, sensor.flicker.since_ns, "against-neighbours"
        text, since_ns = self._stands_after(one)
        if text:
            return text, since_ns, ""
        text, since_ns = self._cut_off(one)
        if text:
            return text, since_ns, "against-neighbours"
        if sensor.at_once.follows_motion:
            text = "the sensor read more only while its unit turned, and "
            text += f"{sensor.at_once.fall_K:.1f} K less at once after it, as no part cools"
            return text, sensor.at_once.at_ns, ""
        if (left := self._unexplained(one)) is not None:
            text = f"the sensor read {left[0]:+.1f} K from what the bursts can make of a part: it "
            return text + "fell, rose or jumped otherwise", left[1], ""
        return "", None, ""

    def _unexplained(self, one: Shown) -> tuple[float, int] | None:
        """How far and when it lay from what bursts can make of a part, just before them and after.

        A hand may warm it before, and other heat come later.
        """
        turns = [(begin, end or self._until_ns) for _, begin, end in one.sensor.turns]
        table, start_ns, end_ns = one.course.table, one.course.start_ns, one.course.end_ns
        if not 0 < len(turns) < KEPT_TURNS:
            return None
        rows = (end_ns >= turns[0][0] - BEFORE * BLOCK_NS) & (table[:, SAMPLES] > 2)
        rows &= start_ns <= max(end for _, end in turns) + WATCHED_NS
        table = table[rows]
        # Without the outermost two of each block, so that one wild reading says nothing.
        trimmed = table[:, SUM] - table[:, LOWEST] - table[:, HIGHEST]
        degC = trimmed / (table[:, SAMPLES] - 2) / UNIT
        middle_ns, wet = (start_ns + end_ns)[rows] // 2, self._bench.coolant != "empty"
        found = unexplained(middle_ns, degC, turns, one.step_K, wet=wet)
        return found or rises_at_rest(middle_ns, degC, turns)

    def _in_no_workshop(self, one: Shown) -> str:
        """Whether it read what nothing that has stood in a workshop has, before anything turned.

        Without the air's temperature nothing else tells that all of them are off alike. A part that
        is hot may have worked before, unless this is the first run of the day.
        """
        level = one.course.level_at(one.from_ns)
        if self._bench.ambient_degC is not None or level is None:
            return ""
        hot = self._bench.cold and level.value > WORKSHOP_DEGC[1]
        if not (hot or level.value < WORKSHOP_DEGC[0]):
            return ""
        text = f"the sensor read {level.value:.0f} degC before anything turned, which no workshop "
        text += "has, and job.ambient_degC is not given: its offset may be forgotten or applied "
        return text + "twice, or its unit wrong"

    def _too_cold(self, one: Shown) -> str:
        """Whether it read colder than anything was before its unit turned."""
        sensor, ambient_degC = one.sensor, self._bench.ambient_degC
        # A warm part may cool; below the air, or below what stood overnight, none does.
        if sensor.began_ns is None or (ambient_degC is None and not self._bench.cold):
            return ""
        levels = [other.course.level_at(other.from_ns) for other in self._seen]
        known = [level.value for level in levels if level is not None]
        if ambient_degC is not None:
            known.append(ambient_degC)
        ended_ns = sensor.ended_ns if sensor.burst_ns is None else None
        lowest = one.course.lowest_between(sensor.began_ns, ended_ns or self._until_ns)
        coldest = one.course.lowest_after(sensor.began_ns, (ended_ns or 0) + WATCHED_NS)
        below_K = COLD_K + one.step_K  # for a level; a single reading may be noise
        fell = known and coldest is not None and ended_ns is not None
        if fell and coldest and coldest.value + SURE * coldest.u < min(known) - below_K:
            text = f"the sensor fell to {coldest.value:.1f} degC, colder than all was before "
            return text + f"({min(known):.1f} degC)"
        if known and min(known) - lowest >= BELOW_K:
            text = f"the sensor read {lowest:.1f} degC while the unit worked, colder than all was "
            return text + f"before ({min(known):.1f} degC)"
        return ""

    def _against_neighbours(self, one: Shown) -> str:
        """Whether its neighbours warmed by three of its steps and more while it did not."""
        if one.sensor.began_ns is None:
            return ""
        if one.warmed_K():
            return self._hardly_warmed(one)
        for other, steps in self._neighbours(one):
            other_K, other_least_K = other.rise_K(one.from_ns)
            if other_K >= max(steps * one.step_K, WARMED_K, other_least_K):
                fall_K, fallen_K = one.fall_K(one.from_ns)
                how = f"fell by {fall_K:.1f} K" if fall_K >= fallen_K else "did not warm"
                return f"the sensor {how} while {other.word} of {other.unit} warmed by " + (
                    f"{other_K:.1f} K, which are {other_K / one.step_K:.0f} of its own steps"
                    if one.step_K
                    else f"{other_K:.1f} K"
                )
        return ""

    def _hardly_warmed(self, one: Shown) -> str:
        """Whether it warmed by far less than its like in a unit whose other parts warmed alike."""
        for other in self._seen:
            highest = other.course.highest_after(other.from_ns)
            if other.word != one.word or other.unit == one.unit or highest is None:
                continue
            # What it shows only long after its like hides as much until then.
            own_K, _ = one.rise_K(one.from_ns, highest.time_ns + RESTED_NS)
            if not 1 / ALIKE_TURNED <= one.turned_ns / max(other.turned_ns, 1) <= ALIKE_TURNED:
                continue
            its_K = other.warmed_K()
            if its_K < max(FAR_TIMES * own_K, own_K + FAR_STEPS * one.step_K, WARMED_K):
                continue
            pairs = [
                (mine.warmed_K(), its.warmed_K())
                for mine in self._seen
                for its in self._seen
                if mine.unit == one.unit and its.unit == other.unit and mine.word == its.word
                if mine is not one
            ]
            if pairs and all(mine >= its / 2 > 0 for mine, its in pairs):
                return (
                    f"the sensor warmed by {own_K:.1f} K and {other.word} of {other.unit} by"
                    f" {its_K:.1f} K, while the other parts of the two units warmed alike"
                )
        return ""

    def _stopped(self, one: Shown) -> str:
        """Whether it stopped for good while a neighbour that had warmed alike went on."""
        if one.sensor.began_ns is None or not one.sensor.flicker.changes:
            return ""
        for since_ns, more, how in (
            (one.sensor.flicker.since_ns, 0.0, "stood still"),
            (one.course.within_from(1.01 * one.step_K), 1.0, "only went to and fro by a step"),
            (one.course.within_from(2.01 * one.step_K), 2.0, "only went to and fro by two steps"),
        ):
            if since_ns is None or one.sensor.last_ns - since_ns < RESTED_NS:
                continue
            if text := self._stopped_from(one, since_ns, more, how):
                return text
        return ""

    def _stopped_from(self, one: Shown, since_ns: int, more: float, how: str) -> str:
        """The same of one instant; ``more``: steps beyond which a neighbour has to move."""
        last_ns = one.sensor.last_ns
        rise_K, least_K = one.rise_K(one.from_ns)
        settled_ns = since_ns + BEFORE * BLOCK_NS  # the level just before it lies after the stop
        for other, _ in self._neighbours(one):
            other_K, _ = other.rise_K(one.from_ns)
            fall_K, _ = other.fall_K(settled_ns)
            later_K, sure_K = other.rise_K(settled_ns)
            text = f"the sensor {how} for the last {(last_ns - since_ns) / SECOND_NS:.0f} s"
            if later_K >= max((FAR_STEPS + more) * one.step_K, WARMED_K, sure_K):
                return f"{text}, while {other.word} of {other.unit} warmed by {later_K:.1f} K"
            alike = rise_K >= least_K and 1 / ALIKE <= other_K / rise_K <= ALIKE
            steps, floor_K = COOLED_STEPS, COOLED_K
            if other.word == one.word:
                steps, floor_K = WARMED_STEPS, WARMED_K
            if alike and fall_K >= max((steps + more) * one.step_K, floor_K, sure_K):
                return f"{text}, while {other.word} of {other.unit} cooled by {fall_K:.1f} K"
        return ""

    def _stands_after(self, one: Shown) -> tuple[str, int]:
        """Whether it, and all others of its unit that warmed, make no step while heat soaks.

        One part may keep its level for minutes, as a heat sink without coolant. Not all of them:
        the heat of one flows into the next.
        """
        sensor = one.sensor
        mine = [other for other in self._seen if other.unit == one.unit]
        warmed = [o for o in mine if o.warmed_K() >= max(WARMED_STEPS * o.step_K, WARMED_K)]
        stood = [since_ns for o in warmed if (since_ns := self._stands_since(o)) is not None]
        if one not in warmed or len(warmed) < 2 or len(stood) < len(warmed):
            return "", 0
        from_ns = max(stood)
        if sensor.last_ns - from_ns < WATCHED_NS or self._read_since(one, from_ns):
            return "", 0
        text = (
            f"the sensor warmed by {one.warmed_K():.1f} K and then, with all others of its unit, "
        )
        text += f"made no step for {(sensor.last_ns - from_ns) / SECOND_NS:.0f} s from the last "
        return text + "burst on, as dead ones would: record until they cool or warm by one", from_ns

    def _stands_since(self, one: Shown) -> int | None:
        """From when on, at the end of the last burst, it made no step; None if it made any.

        A fine one may go to and fro by a step.
        """
        ended_ns = one.sensor.ended_ns
        if ended_ns is None or one.sensor.burst_ns is not None:
            return None
        fine = one.warmed_K() >= SURE_STEPS * one.step_K
        since_ns = (
            one.course.within_from(1.01 * one.step_K) if fine else one.sensor.flicker.since_ns
        )
        if since_ns is None or since_ns > ended_ns + SOAKS_NS:
            return None
        return max(since_ns, ended_ns)

    def _read_since(self, one: Shown, from_ns: int) -> bool:
        """Whether a person read the part long enough after that instant, and agrees with it."""
        ends = [r.end_ns(self._origin_ns) for r in self._bench.readings if r.role == one.role]
        late = any(end_ns >= from_ns + RESTED_NS for end_ns in ends)
        return late and self._read_by_hand(one) is not None

    def _cut_off(self, one: Shown) -> tuple[str, int]:
        """Whether it stayed at its highest while what is heated with it warmed on, or cooled.

        So does one that shows nothing above some value.
        """
        began_ns, own_K = one.sensor.began_ns, one.warmed_K()
        if began_ns is None or not own_K:
            return "", 0
        start_ns, end_ns = one.course.plateau(began_ns, one.step_K / 2)
        if end_ns - start_ns < RESTED_NS:
            return "", 0
        for other, _ in self._neighbours(one):
            same = other.word == one.word
            if other.unit != one.unit and not one.turned_with(other):
                continue
            its_K, table = other.warmed_K(), other.course
            rows = np.flatnonzero((table.start_ns >= start_ns) & (table.end_ns <= end_ns))
            if not its_K or not len(rows):
                continue
            means, first_K = table.means[rows], table.table[rows[0], LOWEST] / UNIT
            first_K = min(float(means[0]), first_K + SURE * table.scatter)
            share = min(1.0, own_K / its_K)
            far_K = max(CUT_STEPS * one.step_K, WARMED_K, 1.5 * other.step_K * share)
            rise_K, fall_K = float(means.max() - first_K), float(means.max() - means[-1])
            text = f"the sensor stayed at its highest for {(end_ns - start_ns) / SECOND_NS:.0f} s, "
            text += f"while {other.word} of {other.unit}"
            if share * rise_K >= far_K:
                return f"{text} warmed by {rise_K:.1f} K", start_ns
            if same and share >= 1 / ALIKE and share * fall_K >= far_K:
                return f"{text} cooled by {fall_K:.1f} K", start_ns
        return "", 0

    def _warmed_by_another(self, one: Shown) -> tuple[str, int]:
        """Whether it warmed as another unit turned, before its own one ever did."""
        for unit, begin_ns, end_ns in one.sensor.turns:
            soaked_ns = (end_ns or self._until_ns) + SOAKS_NS
            if unit == one.unit or one.sensor.began_ns is None or one.from_ns < soaked_ns:
                continue
            rise_K, least_K = one.rise_K(begin_ns, soaked_ns)
            if rise_K >= max(WARMED_STEPS * one.step_K, WARMED_K, least_K):
                text = f"the sensor warmed by {rise_K:.1f} K as {unit} turned, before its own unit "
                return text + "ever did: it may be the other one's", begin_ns
        return "", 0

    def _neighbours(self, one: Shown) -> Iterator[tuple[Shown, float]]:
        """Sensors that are heated with it, and by how many of its steps they have to warm.

        Those of its own unit, and those of the same name in units that turned no longer than
        twice as long.
        """
        for other in self._seen:
            if other is one or other.sensor.raw is None:
                continue
            if other.unit == one.unit:
                yield other, WARMED_STEPS
            elif other.word == one.word and other.turned_ns <= 2 * one.turned_ns:
                yield other, FAR_STEPS

    def _proofs(self, one: Shown) -> Iterator[tuple[str, bool]]:
        """How it showed that it lives, in words, and whether by moving in this run."""
        warmed_K = one.warmed_K()
        if warmed_K and not one.only_flickers:
            yield f"warmed by {warmed_K:.1f} K in this run", True
        if cooled_K := self._cooled_K(one):
            yield f"cooled by {cooled_K:.1f} K in this run", True
        if by_K := held_K(one):
            yield f"followed a hand by {by_K:.1f} K before its unit turned", True
        if not self._not_cold(one):
            words = "is as cold as the air and its neighbours, none of which warmed by more than "
            yield f"{words}two of its steps", False
        if (read_degC := self._read_by_hand(one)) is not None:
            yield (
                f"agrees with {read_degC:.1f} degC that a person read after its unit turned",
                False,
            )
        if one.role in self._bench.moved_before:
            yield "moved in an earlier run of the build record", False

    def _read_by_hand(self, one: Shown) -> float | None:
        """What a person read with an instrument of their own after its first burst, if it agrees.

        Before anything has heated it, a dead sensor may agree as well.
        """
        began_ns = one.sensor.began_ns
        for reading in self._bench.readings:
            at_ns = reading.end_ns(self._origin_ns)
            level = one.course.level_at(at_ns)
            if reading.role != one.role or level is None or began_ns is None or at_ns < began_ns:
                continue
            if abs(level.value - reading.value) <= HAND_K + one.step_K - reading.uncertainty:
                return reading.value
        return None

    def _cooled_K(self, one: Shown) -> float:
        """By how much a part that was warm before the first burst cooled; 0 if it was not."""
        fall_K, least_K = one.fall_K(one.from_ns)
        if fall_K < max(HELD_STEPS * one.step_K, WARMED_K, least_K):
            return 0.0
        if self._bench.ambient_degC is not None:
            warm = one.base_degC - self._bench.ambient_degC > COLD_K + one.step_K
            return fall_K if warm else 0.0
        others = [other for other, _ in self._neighbours(one)]
        cooled = [other for other in others if np.greater_equal(*other.fall_K(one.from_ns))]
        return fall_K if cooled or not others else 0.0

    def _not_cold(self, one: Shown) -> str:
        """Why it is not known to be a cold sensor that has nothing to show; empty if it is."""
        ambient_degC = self._bench.ambient_degC
        others = [
            other for other in self._seen if other is not one and other.sensor.raw is not None
        ]
        level = one.course.level_at(one.from_ns)
        if ambient_degC is None:
            return ": job.ambient_degC is not given, so it is not known to be cold"
        if level is None or not others:
            return ": no other sensor can tell that it is cold"
        near_K = COLD_K + one.step_K
        if abs(level.value - ambient_degC) > near_K:
            return f": at {level.value:.1f} degC in air of {ambient_degC:g} degC it is not cold"
        for each in (one, *others):
            known = self._bench.has(f"units.{each.unit}.torque")
            if each.turned_ns > (COLD_TURNED_NS if known else COLD_UNKNOWN_NS):
                return f": a unit turned for {each.turned_ns / SECOND_NS:.0f} s, which warms it"
        if one.sensor.moved_ns is None and one.step_K <= FINE_K and one.turned_ns:
            return (
                f": of steps of {one.step_K:.2g} K it never made one, in a run in which it turned"
            )
        if one.sensor.work_J > COLD_WORK_J * min(one.step_K, 1.0):
            return f": its shaft did {one.sensor.work_J / 1000:.1f} kJ of work, which warms it"
        for moves in (one.rise_K, one.fall_K):
            moved_K, _ = moves(one.from_ns)
            if moved_K > one.step_K + SURE * level.u:
                return f": its level moved by {moved_K:.1f} K"
        for other in others:
            its = other.course.level_at(one.from_ns)
            warm_K, _ = other.rise_K(one.from_ns)
            name = f"{other.word} of {other.unit}"
            if its is None or abs(its.value - level.value) > near_K:
                return f": it does not agree with {name}"
            if not warm_K <= COLD_STEPS * one.step_K + SURE * its.u:
                return f": {name} warmed by {warm_K:.1f} K"
        return ""
