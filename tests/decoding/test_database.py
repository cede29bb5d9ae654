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


def lost(path, *more):
    """(keys of the sound signals, what is lost by key with its reason)."""
    definitions = read_definitions({"can0": [path, *more]})
    return set(definitions.signals()), {one.key: one.why for one in definitions.lost}


def test_overlapping_signals_are_dropped_by_name_and_line_and_no_other(dbc):
    other = ' SG_ T : 4|8@1+ (1,0) [0|0] "" Node\n SG_ U : 16|8@1+ (1,0) [0|0] "" Node\n'
    sound, gone = lost(dbc(f'{MESSAGE}{other}CM_ "\n SG_ T : 4|8";\n'))
    assert sound == {"can0:M.U"}
    assert "definition.dbc:10: signal 'S' of message 'M' overlaps 'T'" in gone["can0:M.S"]
    assert "definition.dbc:11: signal 'T' of message 'M' overlaps 'S'" in gone["can0:M.T"]


def test_a_signal_beyond_its_message_is_refused_by_line(dbc):
    said = refused(dbc(MESSAGE.replace(": 8 Node", ": 0 Node")))
    assert "definition.dbc:10: signal 'S' reaches beyond the end of message 'M'" in said


SG = ' SG_ {} (1,0) [0|0] "" Node\n'
MISTAKES = {  # a line under the message M, what is told of it, and what is lost
    "colon": (' SG_ T 8|8@1+ (1,0) [0|0] "" Node\n', "colon after its name", "M.T"),
    "space": (SG.format("Two Words : 8|8@1+"), "has a space in it", "M.Two Words"),
    "sign": (SG.format("Temp-1 : 8|8@1+"), "character other than letters", "M.Temp-1"),
    "digit": (SG.format("2nd : 8|8@1+"), "begins with a digit", "M.2nd"),
    "order": (SG.format("T : 8|8@2+"), "byte order is neither 0", "M.T"),
    "comma": (' SG_ T : 8|8@1+ (0,1,0) [0|0] "" Node\n', "decimal comma", "M.T"),
    "quote": (' SG_ T : 8|8@1+ (1,0) [0|0] "V Node\n', "quotation mark is missing", "M.T"),
    "unit": (" SG_ T : 8|8@1+ (1,0) [0|0] Node\n", "its unit is missing", "M.T"),
    "bits": (SG.format("T : 8|0@1+"), "has no bits", "M.T"),
    "huge": (' SG_ T : 8|8@1+ (1e999,0) [0|0] "" Node\n', "beyond all sense", "M.T"),
    "eleven": ("BO_ 6000 N: 8 Node\n" + BYTE, "write 2147489648", "N"),
    "wide": ("BO_ 4294967298 N: 8 Node\n" + BYTE, "more than 29 bits", "N"),
    "name": ("BO_ 292 N N: 8 Node\n" + BYTE, "has a space in it", "N N"),
    "labels": (SG.format("T : 8|8@1+") + 'VAL_ 291 T 0x1 "on" ;\n', "value table", "M.T"),
    "marker": (SG.format("T m3 : 8|8@1+"), "marked 'm3'", "M.T"),
    "selector": (
        SG.format("T m3 : 8|8@1+") + "SG_MUL_VAL_ 291 T X 0-3;\n",
        "selected by 'X'",
        "M.T",
    ),
    "values": (
        SG.format("Z M : 16|8@1+")
        + SG.format("T m3 : 8|8@1+")
        + "SG_MUL_VAL_ 291 T Z 0-4294967295;\n",
        "values without sense",
        "M.T",
    ),
    "multiplexer": (
        SG.format("X x M : 16|8@1+") + SG.format("T m3 : 8|8@1+"),
        "multiplexer of that message",
        "M.T",
    ),
    "float": (SG.format("T : 8|32@1+") + "SIG_VALTYPE_ 291 U : 1;\n", "unused SIG_VALTYPE_", "M.T"),
}


@pytest.mark.parametrize("mistake", MISTAKES)
def test_a_mistake_costs_what_it_is_about_and_is_told_with_its_line(dbc, mistake):
    line, told, key = MISTAKES[mistake]
    path = dbc(MESSAGE + line + "BO_ 300 Fine: 8 Node\n" + BYTE)
    sound, gone = lost(path)
    assert sound - {"can0:M.Z"} == {"can0:M.S", "can0:Fine.S"}
    assert told in gone[f"can0:{key}"] + str(read_definitions(path).lost[-1].problem.hint)
    assert f"definition.dbc:{LATER.get(mistake, 11)}: " in gone[f"can0:{key}"]


LATER = {"labels": 12, "selector": 12, "multiplexer": 12, "float": 12, "values": 13}  # lines


@pytest.mark.parametrize(
    "cut",
    [
        ' SG_ T : 8|8@1+ (1,0) [0|0] "" ',
        "BO_ 292 N",
        "SIG_VALTYPE_ 291 S : 1",
        'VAL_ 291 S 1 "on"',
        'BA_DEF_ BO_ "GenMsgCycleTime" INT 0',
    ],
)
def test_a_file_that_ends_in_the_middle_of_a_statement_is_refused(dbc, cut):
    """Without this the last statement is lost and the rest is read as if nothing were missing."""
    said = refused(dbc(MESSAGE + cut))
    assert "definition.dbc:11: the DBC file ends in the middle of a statement" in said


MENDED = {
    "receiver": (
        ' SG_ T : 8|8@1+ (1,0) [0|0] "" \n',
        "11: signal 'T' of message 'M' names no receiver",
    ),
    "sender": ("BO_ 292 N: 8\n" + BYTE, "11: message 'N' names no sender"),
    "table": ('VAL_ 291 T 1 "on" ;\n', "11: unused VAL_ 291 T"),
    "semicolon": ('VAL_ 291 S 1 "on"\n', "11: the VAL_ statement has no semicolon"),
    "prose": ("this is no statement\n", "11: not a statement"),
    "comment": ('CM_ SG_ 291 S "the "best" one";\n', ""),
    "comments": (
        'CM_ SG_ 291 S "odd" one";\nBO_ 7 N: 8 Node\n' + BYTE + 'CM_ "x";\n',
        "a comment cannot be read",
    ),
    "twice": (MESSAGE, "11: message 'M' is defined twice, the first time on line 9"),
    "leftovers": (
        "BO_ 3221225472 VECTOR__INDEPENDENT_SIG_MSG: 0 Vector__XXX\n"
        + SG.format("T m1 : 0|8@1+")
        + 'VAL_ 3221225472 T 1 "on" ;\n',
        "",
    ),
}


@pytest.mark.parametrize("mistake", MENDED)
def test_what_no_value_rests_on_is_mended_and_told(dbc, mistake):
    line, told = MENDED[mistake]
    definitions = read_definitions(dbc(MESSAGE + line))
    assert "*:M.S" in definitions.signals()
    assert definitions.lost == ()
    assert ("*:N.S" in definitions.signals()) == (" N: 8" in line)
    assert any(told in warning for warning in definitions.warnings) or not told
    assert definitions.warnings or not told


def test_a_file_without_its_line_of_nodes_is_read(tmp_path):
    path = tmp_path / "nodes.dbc"
    path.write_text(f'VERSION ""\n\nNS_ :\n    CM_\n    BA_\n\n{MESSAGE}')
    definitions = read_definitions(path)
    assert list(definitions.signals()) == ["*:M.S"]
    assert "BU_:" in definitions.warnings[0]


def test_a_multiplexer_with_a_long_name_selects_its_signals(dbc, frames):
    """cantools 45.1 looks for the short name in vain and then decodes neither of them."""
    attribute = (
        'BA_DEF_ SG_ "SystemSignalLongSymbol" STRING ;\nBA_DEF_DEF_ "SystemSignalLongSymbol" "";\n'
    )
    path = dbc(
        "BO_ 5 M: 2 Node\n"
        ' SG_ Sel M : 0|8@1+ (1,0) [0|0] "" Node\n SG_ T m2 : 8|8@1+ (1,0) [0|0] "" Node\n'
        f'{attribute}BA_ "SystemSignalLongSymbol" SG_ 5 Sel "SelectorWithALongName";\n'
    )
    definitions = read_definitions({"can0": [path]})
    assert definitions.signals()["can0:M.T"].multiplexer == (("SelectorWithALongName", (2,)),)
    [signals] = decode(frames(("can0", 5, 0, "0207"), ("can0", 5, 0, "0308")), definitions)
    assert signals.series["can0:M.T"].value.tolist() == [7]
    assert signals.series["can0:M.SelectorWithALongName"].value.tolist() == [2, 3]


def test_all_mistakes_of_a_file_are_told_at_once(dbc):
    lines = "".join(MISTAKES[key][0] for key in ("space", "sign", "digit", "comma"))
    definitions = read_definitions(dbc(MESSAGE + lines))
    assert len(definitions.lost) == 4
    assert [
        f"dbc:{line}: a signal" in told
        for line, told in zip((11, 12, 13, 14), definitions.warnings, strict=True)
    ]


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
