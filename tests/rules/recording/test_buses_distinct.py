"""buses-distinct: two buses that carry the same frames are one source, worked by hand.

A unit's message comes every 10 ms with speed (16 bits), torque (16 bits) and a counter (4 bits).
"""

import numpy as np
import pytest

from canscope.model.bench import Kind
from canscope.model.findings import Verdict
from tests.rules.frames import Row, bench_of, message
from tests.rules.frames import judge as judge_frames

ID = 0x2A0
SIGNALS = {"Speed": (0, 16), "Torque": (16, 16), "Alive": (32, 4)}
FAST = [message("Fast", ID, 5, SIGNALS, channel=bus, cycle_s=0.01) for bus in ("can1", "can2")]
SLOW = [
    message("Slow", 0x2A8, 1, {"Temp": (0, 8)}, channel=b, cycle_s=0.1) for b in ("can1", "can2")
]
BENCH = bench_of(
    FAST,
    {
        "units.front.speed": ("can1:Fast.Speed", Kind.NUMBER),
        "units.front.torque": ("can1:Fast.Torque", Kind.NUMBER),
        "units.rear.speed": ("can2:Fast.Speed", Kind.NUMBER),
        "units.rear.torque": ("can2:Fast.Torque", Kind.NUMBER),
    },
)


def unit(bus, seed, seconds=4.0, phase_s=0.0, counts=True, still=False, speed=None):
    """Frames of a unit that speeds up evenly, with noise and a slope (by 2 %) of its own."""
    rng = np.random.default_rng(seed)
    rows = []
    for number in range(round(seconds * 100)):
        turns = 0 if still else 3 * number + seed * number // 16 + int(rng.integers(0, 4))
        turns = turns if speed is None else speed(number)
        torque = 0 if still else 100 + int(rng.integers(0, 4))
        data = turns.to_bytes(2, "little") + torque.to_bytes(2, "little")
        data += bytes([number % 16 if counts else 0])
        rows.append(Row(number / 100 + phase_s, bus, ID, data))
    return rows


def again(rows, bus, delay_s=0.0, jitter_s=0.0, keep=lambda number: True):
    """The same frames on another bus."""
    rng = np.random.default_rng(9)
    return [
        Row(row.at_s + delay_s + float(rng.uniform(0, jitter_s or 1e-9)), bus, row.can_id, row.data)
        for number, row in enumerate(rows)
        if keep(number)
    ]


def judge(*parts, messages=FAST, bench=BENCH, rule="buses-distinct", **more):
    rows = sorted((row for part in parts for row in part), key=lambda row: row.at_s)
    return judge_frames(rule, rows, messages, bench, **more)


def verdict(*parts, **more):
    return judge(*parts, **more)["can1 and can2"]


@pytest.mark.parametrize("counts", [True, False])
@pytest.mark.parametrize("phase_s", [0.0, 0.003])
def test_two_units_of_one_kind_that_do_the_same_are_two(counts, phase_s):
    front = unit("can1", 1, counts=counts)
    finding = verdict(front, unit("can2", 2, phase_s=phase_s, counts=counts))
    # Speed and torque have four codes each: one frame in 16 falls together by chance.
    assert finding.verdict is Verdict.PASS
    assert finding.measured < 40
    assert "telling frames of can2 that can1 has as well" in finding.sentence


def test_two_units_at_rest_that_flicker_by_a_step_every_5_ms_are_two():
    """Of three payloads, one in three falls together with any that lies within 8 ms: four do."""

    def rests(bus, seed, phase_s):
        codes = np.random.default_rng(seed).choice([0, 0, 0, 1, 2], 800).tolist()
        return [
            Row(number / 200 + phase_s, bus, ID, code.to_bytes(2, "little") + bytes(3))
            for number, code in enumerate(codes)
        ]

    front = rests("can1", 1, 0.0)
    for seed in range(2, 8):
        assert verdict(front, rests("can2", seed, 0.0011)).verdict is Verdict.PASS
    assert verdict(front, again(front, "can2", 0.02)).verdict is Verdict.FAIL


@pytest.mark.parametrize("delay_s", [0.0, 0.00004, 0.02, 0.12, 0.25, -0.02])
@pytest.mark.parametrize("counts", [True, False])
def test_the_same_frames_on_two_buses_are_one_source(delay_s, counts):
    front = unit("can1", 1, counts=counts)
    finding = verdict(front, again(front, "can2", delay_s))
    assert (finding.verdict, finding.code, finding.measured) == (Verdict.FAIL, "same-bus", 100.0)
    assert "nothing about the second unit is proven" in finding.sentence
    when = {0.0: "at the same time", 0.00004: "at the same time", -0.02: "20 ms earlier"}
    assert when.get(delay_s, f"{delay_s * 1000:.0f} ms later") in finding.sentence
    # The first payload comes at 0 s; 300 ms behind the 40th that changed something it is known.
    assert finding.first_failed_s == pytest.approx(0.4 + max(delay_s, 0) + 0.3, abs=0.05)


def test_an_adapter_that_jitters_and_loses_one_frame_in_ten_hides_nothing():
    front = unit("can1", 1)
    finding = verdict(front, again(front, "can2", 0.02, jitter_s=0.016, keep=lambda n: n % 10))
    assert finding.verdict is Verdict.FAIL
    lossy = [row for number, row in enumerate(front) if number % 10]
    assert verdict(lossy, again(front, "can2", 0.02)).verdict is Verdict.FAIL  # 9 in 10 are there


def test_units_that_stand_still_alike_cannot_be_told_apart():
    front = unit("can1", 1, still=True)
    for rear in (unit("can2", 2, still=True, phase_s=0.004), again(front, "can2")):
        finding = verdict(front, rear)
        assert (finding.verdict, finding.reason) == (Verdict.UNPROVEN, "not-exercised")


def test_units_that_stand_still_at_other_values_can():
    other = [Row(r.at_s, "can2", ID, b"\x01" + r.data[1:]) for r in unit("can1", 1, still=True)]
    assert verdict(unit("can1", 1, still=True), other).measured == 0.0


def link(bus, phase_s):
    """A link of 350 V without noise, 1 V a step, without counter, that discharges within 5 s."""
    at_s = np.arange(300) / 50 + phase_s
    volts = np.where(at_s < 1, 350, 350 * np.exp(-np.maximum(at_s - 1, 0) / 2)).astype(int)
    pairs = zip(at_s.tolist(), volts.tolist(), strict=True)
    return [Row(at, bus, ID, volt.to_bytes(2, "little") + bytes(3)) for at, volt in pairs]


def test_two_coarse_links_without_noise_that_fall_together_are_two():
    # 20 ms cycle, 3.5 to 0.3 V a frame, read 7 ms apart: most steps do not fall together.
    assert verdict(link("can1", 0.0), link("can2", 0.007)).verdict is Verdict.PASS


def test_a_pass_that_rests_on_either_bus_is_none():
    front = unit("can1", 1)
    limits = {"rule": "speed-ceiling", "rules": {"speed_rpm": 9000.0}}
    found = judge(front, again(front, "can2", 0.02), **limits)
    for name in ("front", "rear"):
        assert (found[name].verdict, found[name].reason) == ("unproven", "sensor-suspect")
        assert found[name].code == "same-bus"
        assert "nothing about the second unit is proven" in found[name].sentence
    healthy = judge(front, unit("can2", 2), **limits)
    assert {healthy[name].verdict for name in ("front", "rear")} == {"pass"}


def test_a_message_that_differs_is_its_units_own():
    """A gateway repeats one message; the other is each unit's own."""
    messages = [*FAST, *SLOW]
    roles = {role: (b.key, b.kind) for role, b in BENCH.bindings.items()} | {
        f"units.{name}.temperatures.winding": (f"{bus}:Slow.Temp", Kind.NUMBER)
        for name, bus in (("front", "can1"), ("rear", "can2"))
    }
    bench = bench_of(messages, roles)
    slow = [
        Row(n / 10 + 0.001, bus, 0x2A8, bytes([start + n]))
        for bus, start in (("can1", 20), ("can2", 120))
        for n in range(80)
    ]
    front = unit("can1", 1, 8)
    more = {"messages": messages, "bench": bench, "rule": "message-presence"}
    found = judge(front, again(front, "can2"), slow, **more)
    assert found["can2:Fast"].reason == "sensor-suspect"
    assert found["can2:Slow"].verdict is Verdict.PASS


def test_buses_without_a_common_identifier_have_no_finding():
    other = message("Fast", 0x3A0, 5, SIGNALS, channel="can2", cycle_s=0.01)
    roles = {role: (b.key, b.kind) for role, b in BENCH.bindings.items()}
    messages = [FAST[0], other]
    assert judge(unit("can1", 1), messages=messages, bench=bench_of(messages, roles)) == {}


@pytest.mark.parametrize("cuts", [[0.5, 1.0, 1.004, 3.3], "each"])
def test_it_does_not_matter_how_the_run_is_cut(cuts):
    front = unit("can1", 1, 1.5)
    for rear in (again(front, "can2", 0.02), unit("can2", 2, 1.5, phase_s=0.004)):
        assert verdict(front, rear, cuts=cuts) == verdict(front, rear)


def slow(bus, seconds, delay_s=0.0):
    """A temperature that comes every 100 ms and steps up by 1 at these seconds."""
    return [
        Row(at + delay_s, bus, 0x2A8, bytes([20 + sum(second <= at for second in seconds)]))
        for at in np.round(np.arange(0, 30, 0.1), 3).tolist()
    ]


def test_a_slow_message_that_changed_eight_times_in_the_same_frame_is_one_source():
    """Two units alike change theirs within seconds of each other, here half a second later."""
    steps = [2.0 + 3 * number for number in range(8)]
    roles = {
        f"units.{name}.temperatures.winding": (f"{bus}:Slow.Temp", Kind.NUMBER)
        for name, bus in (("front", "can1"), ("rear", "can2"))
    }
    bench = bench_of(SLOW, roles)

    def doubted(rear, steps=steps):
        rows = sorted(slow("can1", steps) + rear, key=lambda row: row.at_s)
        found = judge_frames("message-presence", rows, SLOW, bench)
        return [subject for subject, f in found.items() if f.verdict is not Verdict.PASS]

    shown = "can1:Slow", "can2:Slow"
    assert sorted(doubted(slow("can2", steps, 0.017))) == list(shown)
    assert doubted(slow("can2", [at + 0.5 for at in steps], 0.017)) == []
    assert doubted(slow("can2", steps[:7], 0.017), steps[:7]) == []  # too few to tell
