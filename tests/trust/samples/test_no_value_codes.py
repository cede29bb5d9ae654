"""Codes that mean "no value": the design's rules; J1939 FE error, FF not available from memory.

That the labels say so is common practice, no source.
"""

import numpy as np
import pytest

from canscope.model.definition import Absent, SignalSpec
from canscope.model.errors import DefinitionError
from canscope.trust.samples.no_value_codes import absent_codes, absent_rows, with_policy


def spec(length_bits, **more):
    return SignalSpec("can0", "M", "S", 0, length_bits, **more)


def absent(policy, signal, *codes, j1939=False):
    signal = with_policy(signal, policy) if policy is not None else signal
    if policy is None:
        signal = SignalSpec(
            **{**vars(signal), "absent": absent_codes(None, signal, j1939=j1939)},
        )
    rows = absent_rows(signal, np.array(codes, np.int64))
    return [] if rows is None else [code for code, gone in zip(codes, rows, strict=True) if gone]


@pytest.mark.parametrize(
    ("bits", "codes", "gone"),
    [
        (1, [0, 1], []),
        (2, [0, 1, 2, 3], [2, 3]),
        (4, [14, 15], []),
        (8, [0xFA, 0xFD, 0xFE, 0xFF], [0xFE, 0xFF]),
        (16, [0xFDFF, 0xFE00, 0xFEFF, 0xFF00, 0xFFFF], [0xFE00, 0xFEFF, 0xFF00, 0xFFFF]),
        (32, [0xFDFFFFFF, 0xFE000000], [0xFE000000]),
        (64, [0, -1], [-1]),  # as a Series holds 2**64 - 1
    ],
)
def test_j1939_top_codes_by_width(bits, codes, gone):
    assert absent("j1939", spec(bits), *codes) == gone


def test_j1939_says_nothing_about_signed_and_float_fields():
    assert absent("j1939", spec(16, signed=True), -1, 0x7FFF) == []
    assert absent("j1939", spec(32, is_float=True), 0xFFFFFFFF) == []


def test_maximum_is_all_ones_or_the_largest_positive():
    assert absent("maximum", spec(16), 0x7FFF, 0xFFFF) == [0xFFFF]
    assert absent("maximum", spec(16, signed=True), -1, 0x7FFF) == [0x7FFF]
    assert absent("maximum", spec(1), 0, 1) == []


def test_a_list_means_these_raw_values_and_none_means_none():
    assert absent([250, -1], spec(8, signed=True), -1, -6, 0) == [-1]
    assert absent("none", spec(8, labels={255: "SNA"}), 255) == []


@pytest.mark.parametrize(
    "label", ["Not available", "NOT_AVAILABLE", "SignalNotAvailable", "n/a", "SNA", "invalid value"]
)
def test_a_label_that_says_so_is_enough(label):
    assert absent(None, spec(8, labels={7: "Seven", 200: label}), 7, 200, 255) == [200]


@pytest.mark.parametrize(
    "label",
    [
        *("Nicht verfügbar", "nicht_verfuegbar", "SignalUngueltig", "Ungültig", "kein Wert"),
        *("Non disponible", ["Donnée", "invalide"][1], "pas de données", "No disponible"),
        *("inválido", "Sin señal", "não disponível", "Non disponibile", "niet beschikbaar"),
        *("Ej tillgänglig", "No Data", "no_information", "SNV", "NAN"),
    ],
)
def test_labels_of_several_languages(label):
    assert absent(None, spec(8, labels={7: "Seven", 200: label}), 7, 200, 255) == [200]


def test_init_error_and_not_available_on_top_of_a_field_are_all_none():
    labels = {253: "Init", 254: "Fehler", 255: "SNA", 1: "Init", 2: "Erreur", 3: "On"}
    assert absent(None, spec(8, labels=labels), 1, 2, 3, 252, 253, 254, 255) == [253, 254, 255]
    assert absent(None, spec(8, labels={0: "Init", 1: "On"}), 0, 1) == []


def test_error_as_a_state_stays_a_value_and_beside_not_available_is_none():
    assert absent(None, spec(8, labels={0: "Off", 1: "On", 2: "Error"}), 2) == []
    assert absent(None, spec(2, labels={2: "Error", 3: "Not available"}), 1, 2, 3) == [2, 3]
    assert absent(None, spec(8, labels={254: "Error"}), 2, 254) == [254]
    assert absent(None, spec(4, labels={3: "Invalid key", 4: "Torque not available"}), 3, 4) == []


def test_the_default_is_j1939_only_where_the_definition_says_so():
    assert absent(None, spec(8), 255, j1939=True) == [255]
    assert absent(None, spec(8), 255) == []
    labelled = spec(8, labels={5: "n/a"})
    assert absent_codes(None, labelled, j1939=True) == Absent("j1939", (5,))
    assert absent(None, labelled, 5, 255, j1939=True) == [5, 255]


def test_one_bit_is_a_state_whatever_the_policy():
    for policy in ("j1939", "maximum", [1], None):
        assert absent_codes(policy, spec(1, labels={1: "SNA"}), j1939=True) == Absent()


@pytest.mark.parametrize("policy", ["J1939", "minimum", [1.5], ["255"], [True]])
def test_what_is_no_policy_is_refused(policy):
    with pytest.raises(DefinitionError, match="j1939, maximum, none"):
        absent_codes(policy, spec(8))
