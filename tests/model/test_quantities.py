"""Numbers with their unit in words: English plurals."""

import pytest

from canscope.model.quantities import with_unit


@pytest.mark.parametrize(
    ("text", "unit", "told"),
    [
        ("1", "frame", "1 frame"),
        ("0", "frame", "0 frames"),
        ("23", "frame", "23 frames"),
        ("1", "attempts", "1 attempt"),
        ("2", "flips", "2 flips"),
        ("458 ± 60", "rpm", "458 ± 60 rpm"),
        ("2", "Nm", "2 Nm"),
        ("1.05", "", "1.05"),
        ("0", "state", "0"),
    ],
)
def test_what_is_counted_has_a_plural_and_a_state_has_no_unit(text, unit, told):
    assert with_unit(text, unit) == told
