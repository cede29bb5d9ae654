"""Mounting signs against scipy.spatial.transform.Rotation ('xyz', fixed axes) and ISO 8855:2011.

Hand values (check-values.md, axes): a unit turned 180 degrees about x flips, about y stays, about z
flips; two flips cancel. 0.966 = cos 15 degrees, rounded as design.md gives it.
"""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from canscope.model.bench import DriveUnit, Mounting
from canscope.plan.mounting import CAUTION, axle_y, description, effect_of

ANGLES = st.floats(-360, 360)


def oracle(roll, pitch, yaw):
    return Rotation.from_euler("xyz", [roll, pitch, yaw], degrees=True).apply([0, 1, 0])[1]


@pytest.mark.parametrize("angles", [*itertools.product(range(-180, 360, 90), repeat=3)])
def test_right_angles_agree_with_scipy(angles):
    y = oracle(*angles)
    assert axle_y(Mounting(*angles)) == pytest.approx(y, abs=1e-12)
    found = effect_of(Mounting(*angles), False)
    assert (found is None) == (abs(y) < 0.5)
    if found:
        assert found.sign == (1 if y > 0 else -1)


@given(roll=ANGLES, pitch=ANGLES, yaw=ANGLES)
def test_any_angles_agree_with_scipy(roll, pitch, yaw):
    assert axle_y(Mounting(roll, pitch, yaw)) == pytest.approx(oracle(roll, pitch, yaw), abs=1e-9)


@pytest.mark.parametrize(
    ("mounting", "swapped", "sign"),
    [
        (Mounting(), False, 1),
        (Mounting(roll=180), False, -1),
        (Mounting(yaw=180), False, -1),
        (Mounting(pitch=180), False, 1),
        (Mounting(roll=180, yaw=180), False, 1),
        (Mounting(), True, -1),
        (Mounting(yaw=180), True, 1),
        (Mounting(pitch=90), False, 1),
    ],
)
def test_reversals_and_swapped_phases_multiply(mounting, swapped, sign):
    assert effect_of(mounting, swapped).sign == sign


def test_an_axle_line_more_than_15_degrees_off_has_no_sign():
    assert effect_of(Mounting(yaw=14.9), False) is not None
    assert effect_of(Mounting(yaw=15.1), False) is None
    assert effect_of(Mounting(roll=90), False) is None


@pytest.mark.parametrize(
    ("mounting", "swapped", "caution"),
    [
        (Mounting(), False, False),
        (Mounting(), True, False),  # swapped phases turn the field, not the oil
        (Mounting(pitch=14), False, False),
        (Mounting(pitch=16), False, True),
        (Mounting(pitch=-16), False, True),
        (Mounting(pitch=350), False, False),  # ten degrees
        (Mounting(yaw=180), False, True),
        (Mounting(yaw=180), True, True),
        (Mounting(roll=180), False, True),
    ],
)
def test_lubrication_caution_follows_tilt_and_reversal(mounting, swapped, caution):
    assert effect_of(mounting, swapped).lubrication_caution is caution


def test_the_report_is_told_what_was_inverted_by_hand():
    unit = DriveUnit("front", mounting=Mounting(yaw=180), sign=-1, lubrication_caution=True)
    told = description(unit, {"speed": True})
    assert (told["y"], told["sign"], told["invert_speed"], told["invert_torque"]) == (
        -1.0,
        -1,
        True,
        False,
    )
    assert told["caution"] == CAUTION
