"""Pack and links that give way without a load, with the vehicle of test_feedback.py (400 V).

2.5 % are 10 V. Its poles are both closed from 4.52 to 20.02 s; a burst from 8 to 11 s takes 20 A
and 10 V.
"""

import numpy as np
import pytest

from tests.trust.test_feedback import CURRENT, LINK_KEY, PACK, TIMES, healthy, load, remarks

LINK = "units.front.link_voltage"


def shifted(volts, **more):
    own = healthy()
    columns = {"pack__voltage": own[PACK] + volts, "units__front__link_voltage": own[LINK] + volts}
    return remarks(**columns, **more)


@pytest.mark.parametrize(
    ("volts", "told"),
    [
        (np.where((TIMES >= 14) & (TIMES < 14.3), -20.0, 0.0), True),
        (np.where((TIMES >= 12) & (TIMES < 20), -3 * (TIMES - 12), 0.0), True),
        (np.where((TIMES >= 15) & (TIMES < 17), 16.0, 0.0), True),
        (np.where((TIMES >= 11) & (TIMES < 20), -6 * np.exp(11 - TIMES), 0.0), False),  # recovers
    ],
    ids=["dip", "sinks", "rises", "recovers"],
)
def test_pack_and_links_that_give_way_without_a_load_are_not_believed(volts, told):
    said = shifted(volts, cuts=(7.03, 14.12, 14.2, 16.9))
    assert ("no load of the run explains it" in said.get(PACK, "")) == told
    assert ("no load of the run explains it" in said.get(LINK_KEY, "")) == told


@pytest.mark.parametrize(
    ("volts", "word"),
    [
        (np.where(TIMES >= 14, -8.0, 0.0), "while the pack current stayed within"),
        (np.where(TIMES >= 14, -4.0, 0.0), ""),  # 1 %
        (np.where(TIMES >= 14, -8 * (1 - np.exp(14 - TIMES)), 0.0), ""),  # in a second and more
        (np.where(TIMES < 2.0, 20.0, 0.0), "with all contactors open"),
        (np.where(TIMES < 0.8, 20.0, 0.0), ""),  # its node woke just then
    ],
)
def test_a_pack_steps_to_another_voltage_only_by_a_load(volts, word):
    said = remarks(pack__voltage=healthy()[PACK] + volts, cuts=(13.97, 14.3)).get(PACK, "")
    assert ("stepped from" in said) == bool(word)
    assert word in said


@pytest.mark.parametrize("late_s", [-0.8, 0.8])
def test_a_link_whose_adapter_has_another_clock_is_not_blamed(late_s):
    """The burst takes 20 V; 0.8 s late the link still has them to find while no current flows."""
    loads = 10 * load(TIMES)
    columns = {"pack__voltage": healthy()[PACK] - loads}
    columns["units__front__link_voltage"] = healthy()[LINK] - loads
    said = remarks(link_late_s=late_s, **columns)
    assert "no load" not in "".join(said.values())


@pytest.mark.parametrize("late_s", [0.0, 0.8])
def test_the_pack_and_a_link_of_a_right_clock_are_blamed_all_the_same(late_s):
    """They give way from 14 to 14.3 s, the link by 20 V as well."""
    dips = np.where((TIMES >= 14) & (TIMES < 14.3), -20.0, 0.0)
    said = shifted(dips, link_late_s=late_s)
    assert "no load of the run explains it" in said.get(PACK, "")
    assert ("no load of the run explains it" in said.get(LINK_KEY, "")) == (late_s == 0)


def test_a_load_explains_it():
    """25 A for 2 s, which take 20 V out of 0.8 ohm."""
    loads = (TIMES >= 14) & (TIMES < 16)
    said = shifted(np.where(loads, -20.0, 0.0), pack__current=healthy()[CURRENT] + 25 * loads)
    assert "no load" not in said.get(PACK, "")


def test_a_link_that_falls_before_the_pole_reads_open_is_not_told():
    """Contacts open 0.1 s before their states say so."""
    links = np.where(
        TIMES >= 19.9, 400 * np.exp(np.minimum(19.9 - TIMES, 0) / 0.5), healthy()[LINK]
    )
    said = remarks(units__front__link_voltage=links)
    assert "no load" not in said.get(LINK_KEY, "")
