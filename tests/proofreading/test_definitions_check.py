"""``canscope definitions check``, as a user calls it.

The capture is made here: a ramp of 2000 steps at 100 a second, so that cycles, ranges and what is
smooth can be worked out by hand.
"""

import json

import pytest

from canscope.cli.main import main

HEAD = 'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: Node\n\n'  # eight lines
CYCLE = (
    'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;\nBA_DEF_DEF_ "GenMsgCycleTime" 0;\n'
    'BA_ "GenMsgCycleTime" BO_ 256 20;\n'
)
FAST = "BO_ 256 Fast: 8 Node\n"
SOUND = f"""{FAST} SG_ Speed : 0|16@1+ (1,0) [0|65535] "rpm" Node
 SG_ Still : 16|8@1+ (1,0) [0|0] "V" Node
 SG_ Full : 24|8@1+ (1,0) [0|0] "" Node

"""


@pytest.fixture(scope="module")
def capture(tmp_path_factory):
    """256: every 10 ms a ramp, 3, and 255 or 0 in turn; 257; 18FEF121x once, from address 21."""
    path = tmp_path_factory.mktemp("capture") / "ramp.log"
    lines = []
    for n in range(2000):
        ramp = (1000 + 7 * n).to_bytes(2, "little").hex()
        lines.append(f"({1700000000 + n / 100:.6f}) can3 100#{ramp}03{255 * (n % 2):02x}00000000\n")
        lines.append(f"({1700000000.001 + n / 100:.6f}) can3 101#00\n")
    lines.append("(1700000030.000000) can3 18FEF121#0011223344556677\n")
    lines.append("(1700000030.100000) can3 00001234#0011223344556677\n")
    lines.append("(1700000030.200000) can4 7FF#00\n")
    path.write_text("".join(lines))
    return str(path)


@pytest.fixture
def check(tmp_path, capsys):
    """Writes a DBC file of this body and checks it: (exit code, lines printed, JSON)."""

    def call(body, *words, head=HEAD):
        path = tmp_path / "d.dbc"
        path.write_bytes(head.encode() + (body if isinstance(body, bytes) else body.encode()))
        out = tmp_path / "found.json"
        code = main(["definitions", "check", str(path), "--json", str(out), *words])
        printed = capsys.readouterr()
        assert "Traceback" not in printed.err
        return code, printed.out.replace(f"{tmp_path}/", ""), json.loads(out.read_text())

    return call


def test_a_sound_definition_ends_with_0_and_says_what_can_be_used(check):
    code, said, found = check(SOUND + CYCLE)
    assert (code, said, found["problems"]) == (
        0,
        "d.dbc: 1 message with 3 signals can be used\n",
        [],
    )


BY_ITSELF = {
    "unit": (SOUND.replace('"V"', '"Foo"'), "d.dbc:11: signal Fast.Still: its unit 'Foo' is not"),
    "reach": (SOUND.replace("0|65535", "0|70000"), "d.dbc:10: signal Fast.Speed: its declared "
              "range [0, 70000] is more than its bits can hold: 16 bits reach from 0 to 65535"),
    "never": (SOUND.replace("0|65535", "-9|-5"), "d.dbc:10: signal Fast.Speed: its declared range "
              "[-9, -5] is never reached"),
    "label": (SOUND.replace("16|8@1+", "16|8@1-") + 'VAL_ 256 Still 255 "SNA" ;\n', "d.dbc:11: "
              "signal Fast.Still: its value table names code 255, which its bits cannot hold; they "
              "hold -128 to 127"),
    "cycle": (SOUND, "d.dbc:9: no cycle time for 1 of 1 messages: Fast"),
    "case": (SOUND.replace("Still", "speed"), "d.dbc:11: two signals of message Fast differ only "
             "in upper and lower case: Speed and speed"),
    "factor": (SOUND.replace("16|8@1+ (1,", "16|8@1+ (0,"), "d.dbc:11: signal Fast.Still has "
               "factor 0"),
    "encoding": (SOUND.encode() + 'CM_ "ä";\n'.encode() + b'CM_ "\xe4";\n', "d.dbc:15: two "
                 "encodings in one file: UTF-8 on line 14"),
    "receiver": (SOUND.replace('"rpm" Node', '"rpm"'), "d.dbc:10: signal 'Speed' of message "
                 "'Fast' names no receiver"),
}  # fmt: skip


@pytest.mark.parametrize("mistake", BY_ITSELF)
def test_doubts_are_told_with_their_line_and_end_with_0(check, mistake):
    body, told = BY_ITSELF[mistake]
    code, said, _ = check(body)
    assert code == 0
    assert told in said


UNUSABLE = {
    "syntax": (SOUND.replace("Still :", "Still"), "d.dbc:11: a signal cannot be read: the colon"),
    "space": (SOUND.replace("Still", "S til"), "d.dbc:11: a signal cannot be read: its name has a"),
    "overlap": (SOUND.replace("16|8", "8|16"), "d.dbc:11: signal 'Still' of message 'Fast' overlaps"
                " 'Speed'; correct start bit"),
    "beyond": (SOUND.replace("24|8", "60|8"), "d.dbc:12: signal 'Full' reaches beyond the end"),
    "twice": (SOUND + FAST.replace("Fast", "Slow"), "d.dbc:14: messages 'Fast' (line 9) and 'Slow' "
              "(line 14) both have identifier 100"),
    "id": (SOUND + "BO_ 4096 Far: 8 Node\n", "d.dbc:14: message 'Far' has an identifier of more "
           "than 11 bits, not marked: 4096; if it is a 29-bit identifier, write 2147487744"),
    "cut": (SOUND + "VAL_ 256 Sti", "d.dbc:14: the DBC file ends in the middle of a statement"),
}  # fmt: skip


@pytest.mark.parametrize("mistake", UNUSABLE)
def test_what_cannot_be_used_is_told_with_its_line_and_ends_with_2(check, mistake):
    body, told = UNUSABLE[mistake]
    code, said, found = check(body)
    assert code == 2
    assert told in said
    assert {p["weight"] for p in found["problems"]} >= {"unusable"}


def test_every_mistake_of_a_file_is_one_line_and_the_gravest_come_first(check):
    body = SOUND.replace("16|8", "8|16").replace('"rpm" Node', '"r pm"')
    code, said, _ = check(body)
    lines = [line for line in said.splitlines() if line.startswith("d.dbc:") and ":1" in line]
    assert code == 2
    assert [line.split(":")[1] for line in lines] == ["10", "11", "10"]
    assert said.index("cannot be used") < said.index("read all the same")


def test_a_capture_shows_what_is_missing_constant_full_and_out_of_time(check, capture):
    body = (
        SOUND
        + "BO_ 512 Absent: 8 Node\nBO_ 2566844672 Group: 8 Node\n"
        + ' SG_ G : 0|8@1+ (1,0) [0|0] "" Node\n'
        + "BO_ 2147483648 Long: 8 Node\n".replace("2147483648", str(0x100 | 1 << 31))
        + CYCLE
    )
    code, said, found = check(body, "--capture", capture)
    assert (code, list(found["buses"])) == (0, ["can3"])
    assert "compared with can3" in said
    assert "d.dbc:9: on can3, message Fast comes every 10 ms; 20 ms is stated" in said
    assert "message Fast never changed: Still = 3" in said
    assert "signal Fast.Full was at its highest code in 1000 of 2000 values" in said
    assert "seen and not defined: 3 identifiers: 101 (2000 times)" in said
    assert "defined and not seen: Absent" in said
    assert "d.dbc:15: on can3, message Group was not seen; its parameter group came as" in said
    assert "d.dbc:17: on can3, message Long was not seen; its identifier came with 11 bits" in said
    assert "jumps" not in said


def test_the_wrong_byte_order_is_suspected_where_the_other_is_smooth(check, capture):
    _, said, _ = check(SOUND.replace("0|16@1+", "7|16@0+"), "--capture", capture)
    assert "d.dbc:10: on can3, signal Fast.Speed jumps; in the order Intel (@1) it would be" in said


def test_short_frames_and_values_outside_their_range_are_counted(check, capture):
    """The ramp 1000 + 7 n is above 8000 from n = 1001 on."""
    body = (
        SOUND.replace("0|65535", "0|8000")
        + "BO_ 257 Slow: 2 Node\n"
        + (' SG_ A : 0|8@1+ (1,0) [0|0] "" Node\n SG_ B : 8|8@1+ (1,0) [0|0] "" Node\n')
    )
    _, said, _ = check(body, "--capture", capture)
    assert "signal Fast.Speed left its declared range in 999 of 2000 values" in said
    assert "d.dbc:14: on can3, message Slow came shorter than defined in 2000 of 2000" in said
    # Where every signal lies within what came, the length is wrong all the same.
    _, said, _ = check(
        body.replace(' SG_ B : 8|8@1+ (1,0) [0|0] "" Node\n', ""), "--capture", capture
    )
    assert "d.dbc:14: on can3, message Slow came with 1 bytes and is defined with 2" in said


def test_a_definition_of_another_vehicle_fits_no_bus(check, capture):
    code, said, _ = check(SOUND.replace("256", "700"), "--capture", capture)
    assert code == 0
    assert "none of its messages was seen on any bus (seen: can3, can4)" in said


def test_a_bus_can_be_named(check, capture, tmp_path, capsys):
    (tmp_path / "e.dbc").write_text(HEAD + SOUND)
    words = "--bus", f"can4={tmp_path / 'e.dbc'}", "--capture", capture
    assert main(["definitions", "check", *words]) == 0
    said = capsys.readouterr().out
    assert "compared with can4" in said
    assert "on can4, defined and not seen: Fast" in said


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "no definition file is given"),
        (("--bus", "can0"), "not NAME=FILE"),
        (("d.dbc", "--capture", "-"), "standard input"),
    ],
)
def test_mistakes_of_the_command_line_end_with_2(words, said, capsys):
    assert main(["definitions", "check", *words]) == 2
    assert said in capsys.readouterr().err


def test_a_file_that_is_not_there_is_one_line_and_2(capsys, tmp_path):
    assert main(["definitions", "check", str(tmp_path / "none.dbc")]) == 2
    assert "none.dbc: cannot be read: No such file" in capsys.readouterr().out


KCD = """<?xml version="1.0"?>
<NetworkDefinition xmlns="http://kayak.2codeornot2code.org/1.0"><Document name="x"/>
<Bus name="b"><Message id="1" name="M" length="2">
<Signal name="A" offset="0" length="8"/>
<Signal name="B" offset="x" length="8"/>
<Signal name="C" offset="8" length="8"><Value slope="fast"/></Signal>
<Signal name="&#27;[31mred" offset="8" length="8"><Value unit="&lt;b&gt;"/></Signal>
</Message></Bus></NetworkDefinition>
"""


def test_a_kcd_file_gets_what_applies_and_its_names_are_shown_not_obeyed(tmp_path, capsys):
    """XML 1.0 has no escape character; the file is refused by the parser, and says where."""
    path = tmp_path / "k.kcd"
    path.write_text(KCD)
    assert main(["definitions", "check", str(path)]) == 2
    assert "k.kcd:7: not readable as KCD" in capsys.readouterr().out
    path.write_text(KCD.replace("&#27;[31mred", "&lt;script&gt;&#x9b;31m"))
    assert main(["definitions", "check", str(path)]) == 2
    said = capsys.readouterr().out
    assert "k.kcd:5: signal 'B' of message 'M' has the offset 'x'" in said
    assert "k.kcd:6: signal 'C' of message 'M' has the slope 'fast'" in said
    assert "k.kcd:7: signal M.<script>" in said
    assert "\x9b" not in said
    assert "1 message with 2 signals" in said
