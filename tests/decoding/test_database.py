"""Definition files: what is taken from them, and how mistakes in them are told."""

import os

import pytest

from canscope.decoding.columns import decode
from canscope.decoding.database import read_definitions
from canscope.model.definition import Absent, SignalSpec
from canscope.model.errors import DefinitionError

from .conftest import HEAD, J1939

BYTE = ' SG_ S : 0|8@1+ (1,0) [0|0] "" Node\n'
MESSAGE = f"BO_ 291 M: 8 Node\n{BYTE}"


def refused(path, **more):
    with pytest.raises(DefinitionError) as caught:
        read_definitions({"can0": [path]}, **more)
    assert caught.value.hint
    return str(caught.value)


def test_a_signal_is_taken_over_whole(dbc):
    path = dbc(
        "BO_ 2566844926 Unit: 8 Node\n"
        ' SG_ Speed : 15|16@0- (0.5,-10) [-500|500] "1/min" Node\n'
        ' SG_ State : 24|4@1+ (1,0) [3|3] "" Node\n'
        'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;\nBA_DEF_DEF_ "GenMsgCycleTime" 0;\n'
        'BA_ "GenMsgCycleTime" BO_ 2566844926 20;\n'
        'VAL_ 2566844926 State 0 "off" 14 "error" 15 "not available" ;\n'
    )
    definitions = read_definitions({"can0": [path]})
    [message] = definitions.messages
    assert (message.key, message.can_id, message.extended) == ("can0:Unit", 0x18FEF1FE, True)
    assert (message.length, message.cycle_ns, message.j1939) == (8, 20_000_000, False)
    assert message.file == str(path)
    assert definitions.files == (str(path),)
    speed, state = message.signals
    assert speed == SignalSpec(
        *("can0", "Unit", "Speed", 15, 16),
        big_endian=True,
        signed=True,
        factor=0.5,
        offset=-10.0,
        minimum=-500.0,
        maximum=500.0,
        unit="1/min",
    )
    assert (state.minimum, state.maximum) == (None, None)  # 3 is not below 3
    assert state.labels == {0: "off", 14: "error", 15: "not available"}
    assert state.absent == Absent("codes", (14, 15))


def test_a_cycle_of_zero_says_nothing_and_j1939_is_marked(dbc):
    path = dbc(
        f"BO_ {0x0CF00400 | 1 << 31} Engine: 8 Node\n{BYTE}{J1939}"
        'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;\nBA_DEF_DEF_ "GenMsgCycleTime" 0;\n'
    )
    [message] = read_definitions({"can0": [path]}).messages
    assert (message.j1939, message.cycle_ns) == (True, None)
    assert message.signals[0].absent == Absent("j1939")


def test_nested_multiplexers_give_the_path_from_outside_in(dbc):
    path = dbc(
        "BO_ 291 M: 8 Node\n"
        ' SG_ Outer M : 0|4@1+ (1,0) [0|0] "" Node\n'
        ' SG_ Inner m2M : 4|4@1+ (1,0) [0|0] "" Node\n'
        ' SG_ Deep m1 : 8|8@1+ (1,0) [0|0] "" Node\n'
        "SG_MUL_VAL_ 291 Inner Outer 2-2;\nSG_MUL_VAL_ 291 Deep Inner 1-1, 4-6;\n"
    )
    signals = read_definitions({"can0": [path]}).signals()
    assert signals["can0:M.Outer"].multiplexer == ()
    assert signals["can0:M.Deep"].multiplexer == (("Outer", (2,)), ("Inner", (1, 4, 5, 6)))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252"])
def test_units_survive_in_both_usual_encodings_without_a_word(dbc, encoding):
    path = dbc(MESSAGE.replace('""', '"°C"'), encoding=encoding)
    definitions = read_definitions({"can0": [path]})
    assert definitions.signals()["can0:M.S"].unit == "°C"
    assert definitions.warnings == ()


def test_text_in_neither_encoding_is_read_with_a_warning(dbc):
    path = dbc("")
    path.write_bytes((HEAD + MESSAGE).encode().replace(b'[0|0] ""', b'[0|0] "\x81\xb0C"'))
    definitions = read_definitions({"can0": [path]})
    assert definitions.signals()["can0:M.S"].unit == "\x81°C"
    assert "Latin-1" in definitions.warnings[0]


def test_a_kcd_file_in_the_encoding_it_declares(kcd):
    path = kcd(
        '<Bus name="b"><Message id="1" name="M" length="1">'
        '<Signal name="S" offset="0" length="8"><Value unit="°C"/></Signal></Message></Bus>'
    )
    text = path.read_text("utf-8").replace("UTF-8", "ISO-8859-1")
    path.write_bytes(text.encode("latin-1"))
    assert read_definitions({"can0": [path]}).signals()["can0:M.S"].unit == "°C"


def test_markup_in_names_units_and_labels_stays_plain_text(dbc, kcd):
    long_name = (
        MESSAGE.replace('""', '"<b>V</b>"') + 'BA_DEF_ SG_ "SystemSignalLongSymbol" STRING ;\n'
        'BA_DEF_DEF_ "SystemSignalLongSymbol" "";\n'
        'BA_ "SystemSignalLongSymbol" SG_ 291 S "<script>alert(1)</script>";\n'
        'VAL_ 291 S 1 "<i>on</i>" ;\n'
    )
    [message] = read_definitions({"can0": [dbc(long_name)]}).messages
    assert message.signals[0].key == "can0:M.<script>alert(1)</script>"
    assert (message.signals[0].unit, message.signals[0].labels) == ("<b>V</b>", {1: "<i>on</i>"})
    path = kcd(
        '<Bus name="b"><Message id="1" name="&lt;script&gt;" length="1">'
        '<Signal name="a &amp; b" offset="0" length="8"/></Message></Bus>'
    )
    assert list(read_definitions({"can0": [path]}).signals()) == ["can0:<script>.a & b"]


def test_a_signal_beyond_its_message_is_refused_by_line(dbc):
    said = refused(dbc(MESSAGE.replace(": 8 Node", ": 0 Node")))
    assert "definition.dbc:10: signal 'S' reaches beyond the end of message 'M'" in said


def test_lines_in_two_encodings_are_each_read_as_what_they_are(dbc):
    path = dbc("")
    head = (HEAD + MESSAGE).replace('""', '"°C"', 99).replace('VERSION "°C"', 'VERSION ""')
    other = ' SG_ T : 8|8@1+ (1,0) [0|0] "°F" Node\n'
    path.write_bytes(head.encode("utf-8") + other.encode("cp1252"))
    definitions = read_definitions(path)
    assert [spec.unit for spec in definitions.signals().values()] == ["°C", "°F"]
    assert "two encodings in one file" in definitions.warnings[0]


def test_files_that_cannot_be_read(tmp_path, kcd):
    assert "cannot be read: No such file" in refused(tmp_path / "none.dbc")
    (tmp_path / "folder.dbc").mkdir()
    assert "cannot be read: Is a directory" in refused(tmp_path / "folder.dbc")
    (tmp_path / "notes.txt").write_text("x")
    assert "not a kind of definition file" in refused(tmp_path / "notes.txt")
    broken = kcd("<Bus>")
    assert "definition.kcd:5: not readable as KCD" in refused(broken)
    os.mkfifo(tmp_path / "pipe.dbc")
    (tmp_path / "zero.dbc").symlink_to("/dev/zero")
    assert "not a plain file" in refused(tmp_path / "pipe.dbc")
    assert "not a plain file" in refused(tmp_path / "zero.dbc")
    for suffix in ("dbc", "arxml"):
        (tmp_path / f"noise.{suffix}").write_bytes(bytes(range(256)))
        assert f"not readable as {suffix.upper()}" in refused(tmp_path / f"noise.{suffix}")


def test_a_file_without_messages_is_warned_of_and_one_without_sound_ones_refused(dbc):
    assert "empty.dbc: defines no message" in read_definitions(dbc("", "empty.dbc")).warnings[0]
    path = dbc("BO_ 5 M: 64 Node\n" + BYTE.replace("0|8@1", "0|65@1"), "long.dbc")
    assert "long.dbc:10: signal 'S' of message 'M' is longer than 64 bits" in refused(path)


TWICE = (
    '<Bus name="a"><Message id="0x5" name="M" length="4"><Multiplex name="X" offset="0" length="8">'
    '<MuxGroup count="1"><Signal name="S" offset="8" length="8"/></MuxGroup>'
    '<MuxGroup count="2"><Signal name="S" offset="{}" length="8"/></MuxGroup>'
    '</Multiplex><Signal name="T" offset="24" length="8"/></Message></Bus>'
)


def test_a_field_under_several_selections_is_one_signal(kcd, frames):
    """As in one of cantools' own files, where the values 6 and 7 select the same."""
    definitions = read_definitions({"can0": [kcd(TWICE.format(8))]})
    assert definitions.signals()["can0:M.S"].multiplexer == (("X", (1, 2)),)
    sent = frames(*[("can0", 5, 0, f"{x:02x}{10 * x:02x}0000") for x in (1, 2, 3)])
    [signals] = decode(sent, definitions)
    assert signals.series["can0:M.S"].value.tolist() == [10, 20]
    assert signals.tally.undefined_multiplexer == {"can0:M": 1}


def test_different_signals_of_one_name_are_not_decoded_and_it_says_so(kcd):
    definitions = read_definitions({"can0": [kcd(TWICE.format(16))]})
    assert sorted(definitions.signals()) == ["can0:M.T", "can0:M.X"]
    assert "kcd:4: signal 'S' of message 'M' is defined 2 times" in definitions.warnings[0]


def test_factor_zero_is_warned_of(dbc):
    definitions = read_definitions({"can0": [dbc(MESSAGE.replace("(1,0)", "(0,0)"))]})
    assert "factor 0" in definitions.warnings[0]


def test_one_identifier_twice_on_a_channel_names_both_files(dbc):
    one = dbc(MESSAGE, "one.dbc")
    other = dbc(MESSAGE.replace("291 M", "291 N"), "two.dbc")
    with pytest.raises(DefinitionError) as caught:
        read_definitions({"can0": [one, other]})
    assert "one.dbc and" in str(caught.value)
    assert "identifier 123" in str(caught.value)
    both = read_definitions({"can0": [one], "can1": [other]})
    assert [m.key for m in both.messages] == ["can0:M", "can1:N"]


def test_one_identifier_or_name_twice_in_one_file_is_refused(dbc):
    assert "both have identifier 123" in refused(dbc(MESSAGE + MESSAGE.replace("M:", "N:")))
    assert "have the same name" in refused(dbc(MESSAGE + MESSAGE.replace("291", "292")))


def test_a_name_twice_over_two_files_is_refused(dbc):
    one, other = dbc(MESSAGE, "one.dbc"), dbc(MESSAGE.replace("291", "292"), "two.dbc")
    with pytest.raises(DefinitionError, match=r"(?s)one\.dbc and .*two\.dbc have the same name"):
        read_definitions({"can0": [one, other]})


def test_two_messages_of_one_group_and_source_collide(dbc):
    body = f"BO_ {0x18230040 | 1 << 31} M: 8 Node\n{BYTE}BO_ {0x0C234140 | 1 << 31} N: 8 Node\n"
    assert "both have identifier" in refused(dbc(body + BYTE + J1939))


def test_the_same_message_in_two_files_is_taken_once(dbc):
    files = [dbc(MESSAGE, "one.dbc"), dbc(MESSAGE, "two.dbc")]
    assert len(read_definitions({"can0": files}).messages) == 1


def test_of_a_file_with_several_buses_a_channel_takes_the_bus_of_its_name(kcd):
    path = kcd(
        "".join(
            f'<Bus name="{bus}"><Message id="1" name="{name}" length="1">'
            '<Signal name="S" offset="0" length="8"/></Message></Bus>'
            for bus, name in (("can0", "M"), ("can1", "N"))
        )
    )
    definitions = read_definitions({"can0": [path], "can1": [path]})
    assert list(definitions.signals()) == ["can0:M.S", "can1:N.S"]
    with pytest.raises(DefinitionError, match="both have identifier 001"):
        read_definitions({"can7": [path]})


def test_a_policy_holds_for_its_channel_and_that_of_every_for_the_rest(dbc):
    path = dbc(MESSAGE)
    files = {"can0": [path], "can1": [path], "*": [path]}
    definitions = read_definitions(files, {"can1": "maximum", "*": [7]})
    kinds = {key: spec.absent for key, spec in definitions.signals().items()}
    assert kinds == {
        "can0:M.S": Absent("codes", (7,)),
        "can1:M.S": Absent("maximum"),
        "*:M.S": Absent("codes", (7,)),
    }
    with pytest.raises(DefinitionError, match="cannot be 'most'"):
        read_definitions(files, {"can0": "most"})


def test_files_without_channels_are_for_every_channel(dbc):
    path = dbc(MESSAGE)
    assert read_definitions(path) == read_definitions([path]) == read_definitions({"*": [path]})
